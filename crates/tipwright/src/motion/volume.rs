//! What the likeliest path leaves out of a set-up's likelihood: how many paths are as likely.
//!
//! Path and set-up found together are the mode of their joint density. A set-up under which the path comes out flatter or smaller has
//! a smoother path, and the mode leans that way: with a thousand spans of path and a focal length known to 1 %, by several per cent,
//! however exact the sightings are. The likelihood of the set-up is the integral over paths, and it does not lean: beside a flatter
//! path it counts that fewer paths fit. To first order in the set-up (Laplace; Tierney and Kadane, J. Am. Stat. Assoc. 81 (1986)
//! 82-86) it is the cost of the best path plus half the logarithm of the determinant of the path's information.

use nalgebra::{DVector, Matrix2x3, Matrix3, Point3, Vector3};

use super::assemble::{Hyper, Setting};
use super::band::{Arrow, ArrowFactor};
use super::linear::{Linear, by_camera, linearise};
use super::problem::Observation;
use super::state::State;

/// Derivative by the border of half the logarithm of the determinant of the path's information, the path following the border,
/// less that of the smoothness prior. `factor` is the band's, `z` its inverse within the band, `arrow` the equations.
pub fn gradient(
    setting: &Setting<'_>,
    state: &State,
    hyper: &Hyper,
    (arrow, factor, z): (&Arrow, &ArrowFactor, &[f64]),
) -> DVector<f64> {
    let problem = setting.problem;
    let mut out = DVector::zeros(arrow.q);
    let mut by_path = vec![0.0; state.coefficients_m.len()];
    let mut determined = 0.0;
    for (i, o) in problem.observations.iter().enumerate() {
        let (Some(piece), false) = (setting.piece_of[i], hyper.rejected[i]) else { continue };
        let scale = hyper.noise_scale[problem.series_idx(o)];
        let at = linearise(problem, setting.timeline, setting.layout, state, o, piece, scale);
        let Some(linear) = at else { continue };
        let w = hyper.share[i] * setting.loss.weight(linear.residual.norm_squared());
        let cov = super::hyper::covariance(z, state.order, o.marker_idx, linear.first, &linear.weights);
        let Some(slope) = slope(setting, state, o, &linear, &cov, scale) else { continue };
        determined += w * slope.by_scale;
        slope.add_own(setting, state, o, (piece, w), &mut out);
        let pull = slope.by_point * w;
        for (a, weight) in linear.weights.iter().enumerate() {
            let at = state.order.at(linear.first + a, o.marker_idx);
            for x in 0..3 {
                by_path[at + x] += weight * pull[x];
            }
        }
    }
    // the path follows: dx / dborder = -H^-1 coupling
    let follows = factor.solve_band(by_path);
    for (y, row) in follows.iter().zip(arrow.coupling.chunks_exact(arrow.q.max(1))) {
        for (k, c) in row.iter().enumerate() {
            out[k] -= y * c;
        }
    }
    // smoothness is asked of the path in units of the set-up's size
    if hyper.size_m.is_some() && arrow.q > 0 {
        out.axpy(determined, &setting.size_log_by_border(state, arrow.q), 1.0);
    }
    out
}

/// How one sighting's part of the information changes.
struct Slope {
    /// With the point in the world.
    by_point: Vector3<f64>,
    /// With the point in the camera's axes.
    by_seen: Vector3<f64>,
    /// With a turn of the camera, the point aside.
    by_turn: Vector3<f64>,
    /// With the logarithm of the focal length: how many coordinates of the path the sighting determines.
    by_scale: f64,
    by_k1: f64,
}

/// A step of a point relative to its depth, and of k1: small beside how the projection bends, large beside rounding.
const STEP: f64 = 1e-5;

fn slope(
    setting: &Setting<'_>,
    state: &State,
    o: &Observation,
    linear: &Linear,
    cov: &Matrix3<f64>,
    scale: f64,
) -> Option<Slope> {
    let now = &state.cameras[o.camera_idx];
    let rotation = *now.camera_from_world.rotation.to_rotation_matrix().matrix();
    let x = state.combine(o.marker_idx, linear.first, &linear.weights);
    let seen = rotation * x + now.camera_from_world.translation.vector;
    let jacobian = linear.by_point * rotation.transpose();
    let half = rotation * cov * rotation.transpose() * jacobian.transpose();
    let change = |moved: Matrix2x3<f64>| (half * (moved - jacobian)).trace() / STEP;
    let mut by_seen = Vector3::zeros();
    for j in 0..3 {
        let mut there = seen;
        there[j] += STEP * seen.z;
        by_seen[j] = change(by_camera(&now.lens, o, &Point3::from(there), scale)?.1) / seen.z;
    }
    let by_k1 = if setting.layout.cameras[o.camera_idx].k1.is_some() {
        let mut lens = now.lens.clone();
        lens.distortion[0] += STEP;
        change(by_camera(&lens, o, &Point3::from(seen), scale)?.1)
    } else {
        0.0
    };
    let m = half * jacobian;
    let turn = Vector3::new(m[(1, 2)] - m[(2, 1)], m[(2, 0)] - m[(0, 2)], m[(0, 1)] - m[(1, 0)]);
    Some(Slope {
        by_point: rotation.transpose() * by_seen,
        by_seen,
        by_turn: turn + (rotation * x).cross(&by_seen),
        by_scale: m.trace(),
        by_k1,
    })
}

impl Slope {
    /// Adds what the camera's own parameters change.
    fn add_own(
        &self,
        setting: &Setting<'_>,
        state: &State,
        o: &Observation,
        (piece, w): (usize, f64),
        out: &mut DVector<f64>,
    ) {
        let slots = &setting.layout.cameras[o.camera_idx];
        if let Some(at) = slots.pose {
            for x in 0..3 {
                out[at + x] += w * self.by_turn[x];
                out[at + 3 + x] += w * self.by_seen[x];
            }
        }
        if let Some(at) = slots.focal {
            out[at] += w * self.by_scale;
        }
        if let Some(at) = slots.k1 {
            out[at] += w * self.by_k1;
        }
        if slots.offset.is_none() && slots.readout.is_none() {
            return;
        }
        let now = &state.cameras[o.camera_idx];
        let fraction = setting.problem.cameras[o.camera_idx].picture.shutter_fraction(o.pixel);
        let locus = setting.timeline.locate_in(piece, now.session_s(o.pts_s, fraction));
        let rates = setting.timeline.weights(locus).rate_per_s;
        let v = state.combine(o.marker_idx, locus.first_coefficient_idx, &rates);
        let by_time = w * self.by_point.dot(&v);
        for (slot, by) in [(slots.offset, 1.0), (slots.drift, o.pts_s), (slots.readout, fraction)] {
            if let Some(at) = slot {
                out[at] += by_time * by;
            }
        }
    }
}
