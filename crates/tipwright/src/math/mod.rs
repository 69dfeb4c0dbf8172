//! What stages share: statistics and small helpers, on kept crates (`statrs`).

mod chain;
pub mod square_words;
pub mod statistics;
pub mod steps;
mod wide;

pub use chain::worthiest_chain;
pub use statistics::{median, normal_below, student_975};
#[cfg(test)]
pub(crate) use wide::plainly;
pub(crate) use wide::wide_loops;
pub use wide::{WideLoop, wide};

/// Every pair of `n` things once, the smaller position first.
///
/// ```
/// assert_eq!(tipwright::math::pairs(3).collect::<Vec<_>>(), [(0, 1), (0, 2), (1, 2)]);
/// ```
pub fn pairs(n: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..n).flat_map(move |a| (a + 1..n).map(move |b| (a, b)))
}
