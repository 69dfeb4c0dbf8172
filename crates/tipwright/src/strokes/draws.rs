//! Draws of a path's error, and the standard deviation of a figure from them.
//!
//! Where the path brings draws of its joint error they are used. Where only the samples' standard deviations are
//! known, draws are made under a stated assumption: the error of each axis is that sd times a smooth random curve
//! of unit variance, white noise under a Gaussian of [`StrokesConfig::noise_correlation_samples`]; the velocity's
//! error is its derivative.

use nalgebra::Vector3;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

use crate::fitted::{MISCOUNTED, UNSEEN};
use crate::model::{FigureId as F, MarkerPath, PathDraw, PathDraws};

use super::config::StrokesConfig;

/// Draws of one marker's path; `marker_idx` keeps the markers' errors apart.
pub(super) fn synthetic(
    path: &MarkerPath,
    step_s: f64,
    marker_idx: u64,
    config: &StrokesConfig,
) -> PathDraws {
    let n = path.samples.len();
    let width = config.noise_correlation_samples.max(0.1);
    let reach = (4.0 * width).ceil() as usize;
    let kernel: Vec<f64> =
        (0..=2 * reach).map(|k| (-0.5 * ((k as f64 - reach as f64) / width).powi(2)).exp()).collect();
    let norm = kernel.iter().map(|k| k * k).sum::<f64>().sqrt();
    let kernel: Vec<f64> = kernel.iter().map(|k| k / norm).collect();
    // derivative of the kernel by the sample's own time
    let slope: Vec<f64> = kernel
        .iter()
        .enumerate()
        .map(|(k, g)| g * (k as f64 - reach as f64) / (width * width * step_s))
        .collect();
    let made: Vec<PathDraw> = (0..config.synthetic_draws)
        .into_par_iter()
        .map(|draw| {
            let mut rng = ChaCha8Rng::seed_from_u64(config.seed);
            rng.set_stream(marker_idx << 32 | draw as u64);
            let white: Vec<Vector3<f64>> = (0..n + 2 * reach)
                .map(|_| Vector3::from_fn(|_, _| StandardNormal.sample(&mut rng)))
                .collect();
            let smooth = |weights: &[f64], i: usize| {
                weights.iter().zip(&white[i..]).map(|(w, x)| x * *w).sum::<Vector3<f64>>()
            };
            let (mut positions, mut velocities) = (Vec::with_capacity(n), Vec::with_capacity(n));
            for (i, s) in path.samples.iter().enumerate() {
                let sd = &s.position_sd_m;
                positions.push(s.position_in_world + sd.component_mul(&smooth(&kernel, i)));
                velocities.push(s.velocity_in_world_m_s + sd.component_mul(&smooth(&slope, i)));
            }
            PathDraw { positions_in_world: positions, velocities_in_world_m_s: velocities }
        })
        .collect();
    let mut out = PathDraws::default();
    made.iter().for_each(|draw| out.push(&path.samples, draw));
    out
}

/// How noise moves a figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Law {
    /// Either way.
    Plain,
    /// A largest or mean size: noise can only add to it, so near zero it is biased upwards.
    Size,
    /// An angle that cannot pass 180 degrees: noise can only take from it.
    UpTo180,
}

fn law(id: F) -> Law {
    match id {
        F::DipDepth
        | F::DomeHeight
        | F::SlpRms
        | F::Straightness
        | F::OffPlaneMax
        | F::Counterflex
        | F::Creep
        | F::Drift
        | F::LoopWidthProxy => Law::Size,
        F::Opposite => Law::UpTo180,
        _ => Law::Plain,
    }
}

/// Fewer finite draws than this share and a figure has no standard deviation.
const LEAST_SHARE: f64 = 0.5;

/// So many draws so far off are no tail of a normal error (6 in 100 000) but another answer, such as the rod straight at
/// another crossing, which quantiles would hide: then the root mean square counts.
const FAR_SDS: f64 = 4.0;
const FAR_SHARE: f64 = 0.02;

/// Probabilities of 0, 1, 2 ... from the draws' counts. A hesitation turns the acceleration twice, so a miscount is by two.
pub(super) fn counts(value: f64, draws: &[f64]) -> Vec<f64> {
    const MOST: usize = 9;
    let mut out = vec![0.0; MOST + 1];
    let finite: Vec<f64> = draws.iter().copied().filter(|d| d.is_finite()).collect();
    for d in finite.iter().copied().chain(finite.is_empty().then_some(value)) {
        let n = (d.max(0.0) as usize).min(MOST);
        let share = 1.0 / finite.len().max(1) as f64;
        let [more_than_none, more, fewer] = MISCOUNTED;
        let (up, down) = if n == 0 { (more_than_none, 0.0) } else { (more, fewer) };
        out[n] += (1.0 - up - down) * share;
        out[(n + 2).min(MOST)] += up * share;
        out[n.saturating_sub(2)] += down * share;
    }
    out
}

/// One standard deviation of a figure from its draws (NaN: not to be had in that draw), or `None` when too few
/// draws have it.
///
/// Spread: half the distance between the 15.87 % and 84.13 % quantiles. What the draws' median is away from the value
/// is the bias that noise gives to an extreme or a first crossing (Efron & Tibshirani, An Introduction to the Bootstrap,
/// 1993, ch. 10, from memory); the sd owns it. A size such as the dip depth is biased
/// upwards by noise: of a straight path with noise k it is about k, not 0. The value stays what the definition
/// gives on the path; the sd owns the bias. `of_noise` is the same size measured on the draws' errors alone, about
/// a straight path; k is its median. Noise adds about in squares, so the bias is f - sqrt(max(f^2 - k^2, 0)) and
/// sd^2 = spread^2 + bias^2; and as long as noise alone can make a size of f (97.5 % quantile) the 95 % interval
/// reaches zero. A size is not below zero, and where the path has none a few draws may have much: then the root
/// mean square counts, the draws' own noise taken off. Where there is no `of_noise`, k^2 is what a draw adds: median(draw)^2 - f^2.
pub(super) fn sd(id: F, value: f64, draws: &[f64], of_noise: Option<&[f64]>) -> Option<f64> {
    let finite = sorted(draws);
    if finite.is_empty() || (finite.len() as f64) < LEAST_SHARE * draws.len() as f64 {
        return None;
    }
    let spread = (quantile(&finite, 0.841_345) - quantile(&finite, 0.158_655)) / 2.0;
    // what noise can only add to
    let size = |x: f64| if law(id) == Law::UpTo180 { 180.0 - x } else { x };
    let owned = |f: f64, k_2: f64, reach: f64| {
        let bias = f - (f * f - k_2).max(0.0).sqrt();
        let sd = spread.hypot(bias);
        let off = finite.iter().map(|d| (size(*d).powi(2) - k_2).max(0.0).sqrt() - f);
        let sd = sd.max(root_mean_square(off));
        if f <= reach { sd.max(f / 1.959) } else { sd }
    };
    let added = |f: f64, middle: f64| {
        let k_2 = (middle * middle - f * f).max(0.0);
        owned(f, k_2, 2.5 * k_2.sqrt())
    };
    Some(match (law(id), of_noise.map(sorted)) {
        (Law::Plain, _) => {
            let sd = spread.hypot(quantile(&finite, 0.5) - value);
            let off = finite.iter().map(|d| (d - value).abs());
            let far = off.clone().filter(|off| *off > FAR_SDS * sd).count() as f64;
            if far < FAR_SHARE * finite.len() as f64 { sd } else { root_mean_square(off) }
        }
        (Law::Size, Some(noise)) if !noise.is_empty() => {
            owned(value, quantile(&noise, 0.5).powi(2), quantile(&noise, 0.975))
        }
        _ => added(size(value).max(0.0), size(quantile(&finite, 0.5)).max(0.0)),
    })
}

/// What smoothing has taken from a figure, from what smoothing the path once more changes of it (NaN: not known).
///
/// Draws of a path own that on average (Wahba, J. R. Statist. Soc. B 45 (1983) 133, from memory), for they are as
/// lively as the truth may be. Not where a figure always sits at the sharpest place there is. The butt's speed ends in a
/// corner: the caster stops. A kernel of width w takes a share of w from a corner, and twice smoothed it has sqrt(2) w: the
/// first smoothing took 1 / (sqrt(2) - 1) times what the second one takes. From a round top, as that of a ramp of speed, both
/// take alike.
pub(super) fn blunted(id: F, again: f64) -> f64 {
    let times = match id {
        F::ButtSpeed => 1.0 / (std::f64::consts::SQRT_2 - 1.0),
        F::Smoothness => 1.0,
        _ => return 0.0,
    };
    if again.is_finite() { times * again } else { 0.0 }
}

/// What no draw shows of a figure ([`UNSEEN`]), one standard deviation in its unit.
pub(super) fn unseen(id: F, value: f64) -> f64 {
    let [floor, share] = UNSEEN.iter().find(|u| u.0 == id).map_or([0.0; 2], |u| u.1);
    floor.hypot(share * value)
}

fn sorted(draws: &[f64]) -> Vec<f64> {
    let mut finite: Vec<f64> = draws.iter().copied().filter(|d| d.is_finite()).collect();
    finite.sort_by(f64::total_cmp);
    finite
}

fn root_mean_square(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let n = values.len() as f64;
    (values.map(|v| v * v).sum::<f64>() / n).sqrt()
}

fn quantile(sorted: &[f64], q: f64) -> f64 {
    let x = q * (sorted.len() - 1) as f64;
    let i = (x as usize).min(sorted.len().saturating_sub(2));
    let next = sorted[(i + 1).min(sorted.len() - 1)];
    sorted[i] + (next - sorted[i]) * (x - i as f64)
}

/// Robust spread of plain numbers, for samples.
pub(super) fn spread(draws: &[f64]) -> f64 {
    let finite = sorted(draws);
    if finite.is_empty() || (finite.len() as f64) < LEAST_SHARE * draws.len() as f64 {
        return f64::NAN;
    }
    (quantile(&finite, 0.841_345) - quantile(&finite, 0.158_655)) / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One draw in twenty finds another crossing 0.1 s later: the sd owns it, where the quantiles' spread of 1 ms was 12 sd
    /// off for the truth at the other crossing.
    #[test]
    fn a_few_draws_of_another_answer_widen_the_sd() {
        let near = |k: usize| 1.0 + 0.001 * ((k as f64 + 0.5) / 100.0 - 1.0);
        let one: Vec<f64> = (0..200).map(near).collect();
        assert!(sd(F::TRsp, 1.0, &one, None).unwrap() < 0.001);
        let two: Vec<f64> = (0..200).map(|k| if k % 20 == 0 { 1.1 } else { near(k) }).collect();
        let got = sd(F::TRsp, 1.0, &two, None).unwrap();
        assert!((got - 0.1 * 0.05_f64.sqrt()).abs() < 1e-3, "{got}");
    }

    /// No dip on the path and none in most draws, but 30 mm in one of twenty, as where a camera alone does not see the tip leave its plane: the
    /// sd is their root mean square. Half the distance of the quantiles at one sd is nothing.
    #[test]
    fn a_size_of_nothing_owns_the_few_draws_that_have_some() {
        let draws: Vec<f64> = (0..200).map(|k| if k % 20 == 0 { 0.03 } else { 0.0 }).collect();
        let got = sd(F::DipDepth, 0.0, &draws, Some(&[0.0; 200])).unwrap();
        assert!((got - 0.03 * 0.05_f64.sqrt()).abs() < 1e-6, "{got}");
        // and of draws that have 30 mm of noise each nothing is left
        let noise = [0.03; 200];
        assert!(sd(F::DipDepth, 0.0, &noise, Some(&noise)).unwrap() < 1e-6);
        // an angle that falls short of 180 degrees by as much in every draw is known
        assert!(sd(F::Opposite, 165.0, &[165.0; 200], None).unwrap() < 1e-6);
    }

    #[test]
    fn counts_of_draws_that_agree_are_not_certain() {
        let p = counts(2.0, &[2.0; 50]);
        let [more_than_none, more, fewer] = MISCOUNTED;
        assert!((p[2] + more + fewer - 1.0).abs() < 1e-12);
        assert!((p[0] - fewer).abs() < 1e-12 && (p[4] - more).abs() < 1e-12);
        let p = counts(0.0, &[0.0; 50]);
        assert!((p[0] + more_than_none - 1.0).abs() < 1e-12 && (p[2] - more_than_none).abs() < 1e-12);
    }
}
