//! First path: linear least squares on the rays (direct linear transform) with the jerk prior.
//!
//! With poses and clocks given, a sighting makes two linear equations in the point, `(R1 - x R3) X = x T3 - T1` and
//! the like for y (Hartley and Zisserman, Multiple View Geometry, 2nd ed., 12.2), hence in the coefficients. Weights
//! are refined from the depths of the round before.

use nalgebra::{Matrix2x3, Vector2};

use super::assemble::{Hyper, Setting};
use super::band::Arrow;
use super::linear::{linearise, whitener};
use super::state::State;
use crate::math::median;

/// Fills the coefficients of `state` from its cameras; `false` when the equations can't be solved.
pub fn linear_path(
    setting: &Setting<'_>,
    state: &mut State,
    hyper: &mut Hyper,
    rounds: usize,
    rescale: bool,
) -> bool {
    let problem = setting.problem;
    let start_densities = hyper.jerk_density_m2_s5.clone();
    let mut depths = vec![1.0; problem.observations.len()];
    let mut robust = vec![1.0; problem.observations.len()];
    for round in 0..rounds {
        let mut arrow = Arrow::new(state.coefficients_m.len(), state.order.half_band(), 0);
        // Prior alone about zero coefficients.
        state.coefficients_m.fill(0.0);
        setting.jerk_only(state, hyper, &mut arrow);
        setting.plane(state, Some(&mut arrow));
        for (i, o) in problem.observations.iter().enumerate() {
            let (Some(piece), false) = (setting.piece_of[i], hyper.rejected[i]) else { continue };
            let camera = &problem.cameras[o.camera_idx];
            let now = &state.cameras[o.camera_idx];
            let Some(ray) = now.lens.undistort(o.pixel) else { continue };
            let t_s = now.session_s(o.pts_s, camera.picture.shutter_fraction(o.pixel));
            let locus = setting.timeline.locate_in(piece, t_s);
            let w = setting.timeline.weights(locus).value;
            let r = now.camera_from_world.rotation.to_rotation_matrix();
            let r = r.matrix();
            let t = now.camera_from_world.translation.vector;
            let rows = Matrix2x3::from_rows(&[r.row(0) - r.row(2) * ray.x, r.row(1) - r.row(2) * ray.y]);
            let right = Vector2::new(ray.x * t.z - t.x, ray.y * t.z - t.y);
            let Some(white) = whitener(o.cov_px2) else { continue };
            let scale = hyper.noise_scale[problem.series_idx(o)];
            let px = camera.lens.fx_px * white[0].min(white[2]) / (scale * depths[i]);
            let f = px * px * robust[i] * hyper.share[i];
            let gram = rows.transpose() * rows * f;
            let pull = rows.transpose() * right * f;
            for a in 0..4 {
                let ra = state.order.at(locus.first_coefficient_idx + a, o.marker_idx);
                for b in 0..=a {
                    let rb = state.order.at(locus.first_coefficient_idx + b, o.marker_idx);
                    for x in 0..3 {
                        for y in 0..if a == b { x + 1 } else { 3 } {
                            arrow.add_band(ra + x, rb + y, w[a] * w[b] * gram[(x, y)]);
                        }
                    }
                }
                for x in 0..3 {
                    arrow.rhs[ra + x] += w[a] * pull[x];
                }
            }
        }
        let Some(factor) = arrow.factor(1e-6) else { return false };
        let (x, _) = factor.solve(&arrow);
        if x.iter().any(|v| !v.is_finite()) {
            return false;
        }
        state.coefficients_m = x;
        if round + 1 == rounds {
            break;
        }
        for (i, o) in problem.observations.iter().enumerate() {
            let Some(piece) = setting.piece_of[i] else { continue };
            let scale = hyper.noise_scale[problem.series_idx(o)];
            let camera = &state.cameras[o.camera_idx];
            match linearise(problem, setting.timeline, setting.layout, state, o, piece, scale) {
                Some(lin) => {
                    depths[i] = lin.depth_m;
                    robust[i] = setting.loss.weight(lin.residual.norm_squared());
                }
                None => {
                    depths[i] = camera.camera_from_world.translation.vector.norm().max(depths[i]);
                    robust[i] = 0.1;
                }
            }
        }
        if rescale {
            let square = median(depths.iter().copied()).map_or(1.0, |d| d * d);
            for (q, q0) in hyper.jerk_density_m2_s5.iter_mut().zip(&start_densities) {
                *q = q0 * square;
            }
        }
    }
    true
}
