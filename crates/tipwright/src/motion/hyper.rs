//! Noise and smoothness chosen by the data.
//!
//! Jerk density: the evidence fixed point of MacKay (Neural Computation 4 (1992) 415-447): density = sum of h j^2 over
//! the number of well-determined jerks, sum of 1 - Var(j) h / density. Noise: Huber's proposal 2 (Robust Statistics,
//! 1981, 6.4) with the degrees of freedom the path has taken up.

use nalgebra::Vector3;

use super::assemble::{Hyper, Setting};
use super::linear::linearise;
use super::order::Order;
use super::problem::{MotionConfig, Noise, Smoothness};
use super::spline::Timeline;
use super::state::State;

/// Variance of a weighted sum of four coefficients, axis by axis, from the inverse within the band.
fn variance_by_axis(z: &[f64], order: Order, marker_idx: usize, first: usize, w: &[f64; 4]) -> Vector3<f64> {
    let half_band = order.half_band();
    let stride = half_band + 1;
    let mut out = Vector3::zeros();
    for a in 0..4 {
        for b in 0..=a {
            let f = w[a] * w[b] * if a == b { 1.0 } else { 2.0 };
            for x in 0..3 {
                let i = order.at(first + a, marker_idx) + x;
                let j = order.at(first + b, marker_idx) + x;
                out[x] += f * z[i * stride + half_band + j - i];
            }
        }
    }
    out
}

/// Covariance (3 x 3) of a weighted sum of four coefficients.
pub fn covariance(
    z: &[f64],
    order: Order,
    marker_idx: usize,
    first: usize,
    w: &[f64; 4],
) -> nalgebra::Matrix3<f64> {
    let half_band = order.half_band();
    let stride = half_band + 1;
    let mut out = nalgebra::Matrix3::zeros();
    for a in 0..4 {
        for b in 0..4 {
            let f = w[a] * w[b];
            for x in 0..3 {
                for y in 0..3 {
                    let i = order.at(first + a, marker_idx) + x;
                    let j = order.at(first + b, marker_idx) + y;
                    let (i, j) = if i >= j { (i, j) } else { (j, i) };
                    out[(x, y)] += f * z[i * stride + half_band + j - i];
                }
            }
        }
    }
    out
}

/// One span's evidence: sum over axes of h j^2, and well-determined jerks.
#[derive(Debug, Clone, Copy, Default)]
struct Evidence {
    energy: f64,
    dof: f64,
}

fn spans(timeline: &Timeline) -> impl Iterator<Item = std::ops::Range<usize>> + '_ {
    timeline.pieces().iter().map(|p| p.first_coefficient_idx..p.first_coefficient_idx + p.spans)
}

/// Degrees of freedom that the density of the whole path counts for in every neighbourhood: it keeps an empty one defined. A
/// tenth, for the whole's density is that of its stops, and would make pauses livelier than they are.
const PULL_DOF: f64 = 0.1;

/// New jerk densities; returns the root mean square change of their logarithms.
pub fn update_smoothness(
    setting: &Setting<'_>,
    config: &MotionConfig,
    state: &State,
    z: &[f64],
    hyper: &mut Hyper,
) -> f64 {
    let local = match config.smoothness {
        Smoothness::Fixed { .. } => return 0.0,
        Smoothness::Evidence => false,
        Smoothness::LocalEvidence => true,
    };
    let markers = setting.problem.markers;
    let h = setting.timeline.spacing_s();
    let weights = setting.timeline.jerk_weights_per_s3();
    let (mut change2, mut changes): (f64, f64) = (0.0, 0.0);
    for m in 0..markers {
        let mut evidence = vec![Evidence::default(); setting.timeline.coefficients()];
        let mut total = Evidence::default();
        for range in spans(setting.timeline) {
            for first in range {
                let q = hyper.jerk_density_m2_s5[first * markers + m];
                let jerk = state.combine(m, first, &weights);
                let var = variance_by_axis(z, state.order, m, first, &weights);
                let mut dof: f64 = (0..3).map(|x| (1.0 - var[x] * h / q).clamp(0.0, 1.0)).sum();
                // what a plane determines is no jerk of the path's to judge by
                if let Some(plane) = &setting.problem.plane {
                    let off = covariance(z, state.order, m, first, &weights);
                    let off = (plane.normal.transpose() * off * plane.normal).x;
                    dof = (dof - (1.0 - off * h / q).clamp(0.0, 1.0)).max(0.0);
                }
                evidence[first] = Evidence { energy: h * jerk.norm_squared(), dof };
                total.energy += evidence[first].energy;
                total.dof += dof;
            }
        }
        if !(total.dof > 1.0 && total.energy > 0.0) {
            continue;
        }
        let global = total.energy / total.dof;
        for range in spans(setting.timeline) {
            let mut sums = vec![Evidence::default(); range.len() + 1];
            for (i, first) in range.clone().enumerate() {
                sums[i + 1] = Evidence {
                    energy: sums[i].energy + evidence[first].energy,
                    dof: sums[i].dof + evidence[first].dof,
                };
            }
            let mut radius = 0_usize;
            for (i, first) in range.clone().enumerate() {
                let window = |radius: usize| {
                    let (a, b) = (i.saturating_sub(radius), (i + radius + 1).min(range.len()));
                    Evidence { energy: sums[b].energy - sums[a].energy, dof: sums[b].dof - sums[a].dof }
                };
                let new = if local {
                    // The narrowest window with enough evidence; it changes by little from span to span.
                    while radius < range.len() && window(radius).dof < config.neighbourhood_dof {
                        radius += 1;
                    }
                    while radius > 0 && window(radius - 1).dof >= config.neighbourhood_dof {
                        radius -= 1;
                    }
                    let here = window(radius);
                    (here.energy + PULL_DOF * global) / (here.dof + PULL_DOF)
                } else {
                    global
                };
                let q = &mut hyper.jerk_density_m2_s5[first * markers + m];
                // The fixed point may oscillate where little is determined: at most a factor of ten a step.
                let step = (new / *q).ln().clamp(-2.3, 2.3);
                if step.is_finite() {
                    change2 += step * step;
                    changes += 1.0;
                    *q *= step.exp();
                }
            }
        }
    }
    (change2 / changes.max(1.0)).sqrt()
}

/// New noise factors and rejections; returns the largest change of a factor's logarithm.
pub fn update_noise(
    setting: &Setting<'_>,
    config: &MotionConfig,
    state: &State,
    z: &[f64],
    hyper: &mut Hyper,
    reject: bool,
) -> f64 {
    let problem = setting.problem;
    let series = problem.cameras.len() * problem.markers;
    // Proposal 2 with its cut at 3 sd; expectation of min(s, 9) for two degrees of freedom.
    const CUT2: f64 = 9.0;
    let expected = 2.0 * (1.0 - (-CUT2 / 2.0_f64).exp());
    let mut sum = vec![0.0; series];
    let mut dof = vec![0.0; series];
    for (i, o) in problem.observations.iter().enumerate() {
        let Some(piece) = setting.piece_of[i] else { continue };
        let k = problem.series_idx(o);
        let scale = hyper.noise_scale[k];
        let lin = linearise(problem, setting.timeline, setting.layout, state, o, piece, scale);
        let s2 = lin.as_ref().map_or(f64::INFINITY, |l| l.residual.norm_squared());
        if reject && config.reject_at.is_finite() {
            hyper.rejected[i] = !(s2 <= config.reject_at * config.reject_at);
        }
        let (Some(lin), false) = (lin, hyper.rejected[i]) else { continue };
        let cov = covariance(z, state.order, o.marker_idx, lin.first, &lin.weights);
        // What stands still counts once, whatever it is worth there: noise is judged by what moves.
        let share = hyper.share[i];
        let taken = (lin.by_point * cov * lin.by_point.transpose()).trace() * share * setting.loss.weight(s2);
        sum[k] += share * s2.min(CUT2);
        dof[k] += share * expected * (1.0 - 0.5 * taken.clamp(0.0, 1.9));
    }
    // While nothing is set aside yet, the noise is let shrink from what the first path showed.
    if config.noise == Noise::AsGiven && reject {
        return 0.0;
    }
    let pooled = sum.iter().sum::<f64>() / dof.iter().sum::<f64>();
    let mut change: f64 = 0.0;
    for k in 0..series {
        // A camera that saw little of a marker leans on the others (ten sightings' worth).
        let ratio = (sum[k] + 20.0 * pooled) / (dof[k] + 20.0);
        let step = (0.5 * ratio.ln()).clamp(-0.7, 0.7);
        if step.is_finite() {
            let new = (hyper.noise_scale[k] * step.exp()).max(config.least_noise);
            change = change.max((new / hyper.noise_scale[k]).ln().abs());
            hyper.noise_scale[k] = new;
        }
    }
    change
}
