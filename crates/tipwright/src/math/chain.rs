//! The chain of greatest worth through things in an order.

/// Positions, in order, of the chain that is worth most: the worths of its members less what each step costs (dynamic programming over a
/// directed acyclic graph). A step goes from an earlier thing to a later one, the earliest that `earliest` names; `cost` is not negative, `None`
/// where the step is impossible. Of equal chains the one of the earlier predecessor. Empty without things.
///
/// ```
/// use tipwright::math::worthiest_chain;
/// // the step from 0 to 2 costs more than 2 is worth, by way of 1 it costs nothing
/// let cost = |i: usize, j: usize| Some(if j - i > 1 { 5.0 } else { 0.0 });
/// assert_eq!(worthiest_chain(vec![1.0, 0.5, 2.0], |_| 0, cost), [0, 1, 2]);
/// assert_eq!(worthiest_chain(vec![1.0, 0.5, 2.0], |_| 0, |_, _| None), [2]);
/// assert!(worthiest_chain(Vec::new(), |_| 0, |_, _| None).is_empty());
/// ```
#[must_use]
pub fn worthiest_chain(
    worths: Vec<f64>,
    earliest: impl Fn(usize) -> usize,
    cost: impl Fn(usize, usize) -> Option<f64>,
) -> Vec<usize> {
    let n = worths.len();
    let mut best = worths.clone();
    let mut from: Vec<Option<usize>> = vec![None; n];
    for j in 0..n {
        for i in earliest(j)..j {
            // a chain that is worth nothing is better left
            if best[i] <= 0.0 {
                continue;
            }
            let Some(cost) = cost(i, j) else { continue };
            let total = best[i] - cost + worths[j];
            if total > best[j] {
                (best[j], from[j]) = (total, Some(i));
            }
        }
    }
    let last = (0..n).max_by(|&i, &j| best[i].total_cmp(&best[j]).then(j.cmp(&i)));
    let mut chain: Vec<usize> = std::iter::successors(last, |&at| from[at]).collect();
    chain.reverse();
    chain
}
