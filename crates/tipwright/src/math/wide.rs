//! Long loops on wide vectors where the machine has them, told when the program runs.
//!
//! Floating-point operations stay as the source has them: the compiler neither reorders a sum nor fuses a product with one (it would need
//! leave for either), so a loop gives the same bits on vectors of any width. Loops that sum side by side do so in a number of lanes that the
//! source fixes. Tests of the stages run theirs both ways ([`plainly`]).

use pulp::{Arch, Simd, WithSimd};

/// A loop over what it is given. `run` is to be always inlined, and so is what it calls: only what is inlined gains.
pub trait WideLoop<With> {
    /// What comes of it.
    type Out;

    /// Runs it.
    fn run(with: With) -> Self::Out;
}

struct Run<L, With>(std::marker::PhantomData<L>, With);

impl<With, L: WideLoop<With>> WithSimd for Run<L, With> {
    type Output = L::Out;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> L::Out {
        L::run(self.1)
    }
}

/// Runs a loop, compiled once for every machine and once for those with vectors of 256 bits, whichever fits this one.
///
/// Both are the same operations in the same order, rounded alike: what is computed does not depend on the machine.
#[inline(always)]
pub fn wide<L: WideLoop<With>, With>(_: L, with: With) -> L::Out {
    #[cfg(test)]
    if PLAINLY.get() {
        return L::run(with);
    }
    Arch::new().dispatch(Run::<L, With>(std::marker::PhantomData, with))
}

#[cfg(test)]
thread_local! {
    static PLAINLY: std::cell::Cell<bool> = const { std::cell::Cell::new(false) };
}

/// What comes of `run` on this thread where no machine's wide vectors are asked for.
#[cfg(test)]
pub(crate) fn plainly<T>(run: impl FnOnce() -> T) -> T {
    PLAINLY.set(true);
    let out = run();
    PLAINLY.set(false);
    out
}

/// Names loops for [`wide`]: a name, the function that is always inlined, what it takes, what comes of it.
macro_rules! wide_loops {
    ($($vis:vis $name:ident = $work:expr, $with:ty => $out:ty;)+) => {$(
        $vis struct $name;

        impl $crate::math::WideLoop<$with> for $name {
            type Out = $out;

            #[inline(always)]
            fn run(with: $with) -> $out {
                $work(with)
            }
        }
    )+};
}
pub(crate) use wide_loops;

#[cfg(test)]
mod tests {
    use super::*;

    #[inline(always)]
    fn folded(values: &[f32]) -> Vec<f32> {
        values.chunks_exact(8).map(|c| c[0] * c[1] - c[2] * c[3] + c[7] / c[6]).collect()
    }

    /// Whose sum would come out otherwise if it were reordered or fused.
    #[inline(always)]
    fn summed(values: &[f32]) -> f32 {
        values.iter().map(|v| v * v).sum()
    }

    wide_loops! {
        Folded = folded, &[f32] => Vec<f32>;
        Summed = summed, &[f32] => f32;
    }

    #[test]
    fn what_is_computed_does_not_depend_on_the_machine() {
        let values: Vec<f32> = (0..1000).map(|i| (i as f32 * 0.37).sin()).collect();
        assert_eq!(plainly(|| wide(Folded, &values[..])), wide(Folded, &values[..]));
        let plain = plainly(|| wide(Summed, &values[..]));
        assert_eq!(plain.to_bits(), wide(Summed, &values[..]).to_bits());
        let fused = values.iter().fold(0.0f32, |sum, v| v.mul_add(*v, sum));
        let in_lanes: f32 =
            (0..8).map(|k| values.iter().skip(k).step_by(8).map(|v| v * v).sum::<f32>()).sum();
        assert!(fused != plain && in_lanes != plain, "the sum would not show it: {fused} {in_lanes} {plain}");
    }
}
