//! Coarse search over the clock offset.

use nalgebra::{SMatrix, SVector, Vector2};
use rayon::prelude::*;

use super::{BootstrapConfig, BootstrapError, Track};
use crate::math::median;

type Moment = SMatrix<f64, 9, 9>;
type Vector9 = SVector<f64, 9>;

/// A maximum of the coarse score.
#[derive(Debug, Clone)]
pub(super) struct CoarseOffset {
    pub offset_s: f64,
    pub score: f64,
    /// Row-major fundamental matrix in ray coordinates: b^T F a = 0.
    pub f: [f64; 9],
}

/// Shift and scale that make the samples of both cameras of order one; one scale for both, so that Sampson's
/// distance keeps its meaning.
struct Scaling {
    centre_a: Vector2<f64>,
    centre_b: Vector2<f64>,
    scale: f64,
}

fn centre_and_spread(tracks: &[Track]) -> (Vector2<f64>, f64) {
    let all: Vec<Vector2<f64>> =
        tracks.iter().flat_map(|t| t.samples_of_movement(1000)).map(|s| s.ray).collect();
    #[allow(clippy::cast_precision_loss)]
    let n = all.len().max(1) as f64;
    let centre = all.iter().sum::<Vector2<f64>>() / n;
    let spread = (all.iter().map(|r| (r - centre).norm_squared()).sum::<f64>() / n).sqrt();
    (centre, spread)
}

/// Robust linear fit of a fundamental matrix; distances of all samples, in the unit of the input.
pub(super) fn robust_fit(
    pairs: &[(Vector2<f64>, Vector2<f64>)],
    scale: f64,
    rounds: usize,
) -> (Vector9, Vec<f64>) {
    let mut weights = vec![1.0; pairs.len()];
    let mut f = Vector9::zeros();
    let mut distances = vec![0.0; pairs.len()];
    for round in 0..rounds {
        let mut moment = Moment::zeros();
        for ((a, b), w) in pairs.iter().zip(&weights) {
            let row = [b.x * a.x, b.x * a.y, b.x, b.y * a.x, b.y * a.y, b.y, a.x, a.y, 1.0];
            for i in 0..9 {
                let wi = w * row[i];
                for j in 0..=i {
                    moment[(i, j)] += wi * row[j];
                }
            }
        }
        let trace: f64 = (0..9).map(|i| moment[(i, i)]).sum();
        for i in 0..9 {
            moment[(i, i)] += 1e-12 * trace + 1e-300;
            for j in 0..i {
                moment[(j, i)] = moment[(i, j)];
            }
        }
        let Some(cholesky) = moment.cholesky() else { break };
        // Inverse iteration to the smallest eigenvector.
        let mut v = if round == 0 {
            Vector9::from_fn(|i, _| [0.3, -0.2, 0.5, 0.4, 0.1, -0.6, 0.35, 0.7, 0.15][i])
        } else {
            f
        };
        for _ in 0..if round == 0 { 5 } else { 3 } {
            cholesky.solve_mut(&mut v);
            let norm = v.norm();
            if !(norm > 0.0 && norm.is_finite()) {
                break;
            }
            v /= norm;
        }
        f = v;
        for (((a, b), d), w) in pairs.iter().zip(&mut distances).zip(&mut weights) {
            let (value, gradient2) = sampson_parts(&f, a, b);
            *d = value / gradient2.sqrt().max(1e-12);
            // Weight of Cauchy's loss over the gradient: the algebraic fit approaches Sampson's.
            *w = 1.0 / ((gradient2 + 1e-9) * (1.0 + (*d / scale).powi(2)));
        }
    }
    (f, distances)
}

/// Epipolar value b^T F a and the squared length of its gradient in the four coordinates.
pub(super) fn sampson_parts(f: &Vector9, a: &Vector2<f64>, b: &Vector2<f64>) -> (f64, f64) {
    let l0 = f[0] * a.x + f[1] * a.y + f[2];
    let l1 = f[3] * a.x + f[4] * a.y + f[5];
    let l2 = f[6] * a.x + f[7] * a.y + f[8];
    let m0 = f[0] * b.x + f[3] * b.y + f[6];
    let m1 = f[1] * b.x + f[4] * b.y + f[7];
    (b.x * l0 + b.y * l1 + l2, l0 * l0 + l1 * l1 + m0 * m0 + m1 * m1)
}

/// Offsets from which the spread of an unrelated pair is taken: its median is then known to a few per cent.
const NULL_OFFSETS: usize = 1000;

/// Best offsets of the coarse grid.
pub(super) fn coarse_offsets(
    a: &[Track],
    b: &[Track],
    config: &BootstrapConfig,
) -> Result<Vec<CoarseOffset>, BootstrapError> {
    let markers = a.len().min(b.len());
    let (centre_a, spread_a) = centre_and_spread(a);
    let (centre_b, spread_b) = centre_and_spread(b);
    let scaling = Scaling { centre_a, centre_b, scale: 1.0 / (0.5 * (spread_a + spread_b)).max(1e-9) };
    let samples: Vec<Vec<_>> =
        (0..markers).map(|m| a[m].samples_of_movement(config.coarse_samples / markers.max(1))).collect();
    let total: usize = samples.iter().map(Vec::len).sum();
    let span = |tracks: &[Track]| {
        let first =
            tracks.iter().filter_map(|t| t.samples().first()).map(|s| s.t_s).fold(f64::INFINITY, f64::min);
        let last =
            tracks.iter().filter_map(|t| t.samples().last()).map(|s| s.t_s).fold(f64::NEG_INFINITY, f64::max);
        (first, last)
    };
    let (a0, a1) = span(a);
    let (b0, b1) = span(b);
    if total < 16 || !(a1 > a0 && b1 > b0) {
        return Err(BootstrapError::TooShort { samples: total });
    }
    let shortest_s = (a1 - a0).min(b1 - b0);
    let margin_s = config.least_overlap * shortest_s;
    let (mut low, mut high) = (a0 - b1 + margin_s, a1 - b0 - margin_s);
    if let Some((l, h)) = config.offset_window_s {
        low = low.max(l);
        high = high.min(h);
    }
    let focal = 0.5 * (a[0].focal_px + b[0].focal_px);
    let brisk = a.iter().chain(b).map(Track::brisk_speed_per_s).fold(0.0, f64::max) * focal;
    let finest_s = 0.5 * a.iter().chain(b).map(Track::step_s).fold(f64::INFINITY, f64::min);
    let step_s = (config.grid_step_px / brisk.max(1e-9)).clamp(finest_s, 0.25_f64.max(finest_s));
    if !(high >= low) {
        return Err(BootstrapError::TooShort { samples: total });
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let count = ((high - low) / step_s).floor() as usize + 1;
    // The other way round is as good: a track with gaps may have few samples where the other has many.
    let unit_px = focal / scaling.scale;
    let robust = 2.0 * config.grid_step_px / unit_px;
    let least = 16.max((config.least_overlap * total as f64) as usize);
    #[allow(clippy::cast_precision_loss)]
    let offset_of = |i: usize| low + i as f64 * step_s;
    let fit = |i: usize| {
        let pairs = correspondences(a, b, &samples, offset_of(i), 0.0, &scaling);
        (pairs.len() >= least).then(|| robust_fit(&pairs, robust, 3))
    };
    // Spread of distances at an unrelated offset: the median of the medians, of some thousands at most.
    let every = count.div_ceil(NULL_OFFSETS);
    let medians: Vec<f64> = (0..count.div_ceil(every))
        .into_par_iter()
        .filter_map(|i| Some(median_abs(&fit(i * every)?.1)))
        .collect();
    let null = median(medians).ok_or(BootstrapError::TooShort { samples: least - 1 })?.max(2.0 * robust);
    let tried: Vec<(f64, Vector9)> = (0..count)
        .into_par_iter()
        .map(|i| fit(i).map_or((0.0, Vector9::zeros()), |(f, d)| (gain(&d, 0.5 * robust, null), f)))
        .collect();
    let scores: Vec<f64> = tried.iter().map(|t| t.0).collect();
    let mut order: Vec<usize> = (0..scores.len())
        .filter(|i| {
            let here = scores[*i];
            here > 0.0
                && (i.saturating_sub(2)..(i + 3).min(scores.len()))
                    .all(|j| scores[j] < here || j >= *i && scores[j] <= here)
        })
        .collect();
    order.sort_by(|x, y| scores[*y].total_cmp(&scores[*x]).then(x.cmp(y)));
    order.truncate(config.candidates);
    Ok(order
        .into_iter()
        .map(|i| CoarseOffset {
            offset_s: offset_of(i),
            score: scores[i],
            f: unscaled(&tried[i].1, &scaling),
        })
        .collect())
}

/// Log-likelihood gain of distances over an unrelated pair with the spread `null`.
pub(super) fn gain(distances: &[f64], scale: f64, null: f64) -> f64 {
    distances
        .iter()
        .map(|d| (0.5 * ((null * null + scale * scale) / (d * d + scale * scale)).ln()).max(0.0))
        .sum()
}

pub(super) fn median_abs(d: &[f64]) -> f64 {
    median(d.iter().map(|x| x.abs())).unwrap_or(f64::INFINITY)
}

fn correspondences(
    a: &[Track],
    b: &[Track],
    samples: &[Vec<super::Sample>],
    offset_s: f64,
    drift: f64,
    scaling: &Scaling,
) -> Vec<(Vector2<f64>, Vector2<f64>)> {
    let mut out = Vec::new();
    for (m, list) in samples.iter().enumerate() {
        let _ = &a[m];
        for s in list {
            let t_b = (s.t_s - offset_s) / (1.0 + drift);
            if let Some(ray) = b[m].at(t_b) {
                out.push((
                    (s.ray - scaling.centre_a) * scaling.scale,
                    (ray - scaling.centre_b) * scaling.scale,
                ));
            }
        }
    }
    out
}

/// F of scaled coordinates back to ray coordinates.
fn unscaled(f: &Vector9, s: &Scaling) -> [f64; 9] {
    let m = nalgebra::Matrix3::new(f[0], f[1], f[2], f[3], f[4], f[5], f[6], f[7], f[8]);
    let t = |c: &Vector2<f64>| {
        nalgebra::Matrix3::new(s.scale, 0.0, -s.scale * c.x, 0.0, s.scale, -s.scale * c.y, 0.0, 0.0, 1.0)
    };
    let out = t(&s.centre_b).transpose() * m * t(&s.centre_a);
    let mut row_major = [0.0; 9];
    for i in 0..3 {
        for j in 0..3 {
            row_major[3 * i + j] = out[(i, j)];
        }
    }
    row_major
}
