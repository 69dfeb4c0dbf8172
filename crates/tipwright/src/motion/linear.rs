//! One observation made linear about a state.

use nalgebra::{Matrix2x3, Matrix3, Point3, Vector2};

use super::problem::{Observation, Problem};
use super::spline::Timeline;
use super::state::{Layout, State};
use crate::model::Lens;

/// Most border parameters one observation touches.
pub const MOST_BORDER: usize = 16;

/// One observation made linear about a state; residual = observed - predicted, whitened; derivatives of the
/// prediction, whitened.
#[derive(Debug, Clone, Copy)]
pub struct Linear {
    /// First of the four coefficients.
    pub first: usize,
    /// Their weights.
    pub weights: [f64; 4],
    /// The same for the velocity, per second.
    pub rates_per_s: [f64; 4],
    /// Whitened residual.
    pub residual: Vector2<f64>,
    /// Derivative with respect to the point in the world.
    pub by_point: Matrix2x3<f64>,
    /// Border position and derivative.
    pub by_border: [(usize, Vector2<f64>); MOST_BORDER],
    /// How many of `by_border` are filled.
    pub border_len: usize,
    /// Distance along the optical axis.
    pub depth_m: f64,
    /// Observed minus predicted, pixels.
    pub residual_px: Vector2<f64>,
}

/// Inverse of the lower Cholesky factor of a pixel covariance: a, b, c of [[a, 0], [b, c]].
#[must_use]
pub fn whitener(cov_px2: [f64; 3]) -> Option<[f64; 3]> {
    let [xx, xy, yy] = cov_px2;
    let l11 = xx.sqrt();
    let l21 = xy / l11;
    let l22 = (yy - l21 * l21).sqrt();
    let w = [1.0 / l11, -l21 / (l11 * l22), 1.0 / l22];
    w.iter().all(|v| v.is_finite()).then_some(w)
}

/// A step in the picture, pixels, in standard deviations of a sighting; none where its covariance is none.
#[must_use]
pub fn whitened(cov_px2: [f64; 3], [x, y]: [f64; 2], noise_scale: f64) -> Vector2<f64> {
    whitener(cov_px2).map_or(Vector2::zeros(), |by| white(by, noise_scale.recip(), Vector2::new(x, y)))
}

#[inline]
fn white([a, b, c]: [f64; 3], inv: f64, v: Vector2<f64>) -> Vector2<f64> {
    Vector2::new(a * v.x * inv, (b * v.x + c * v.y) * inv)
}

/// Where a point in the camera's axes is seen, pixels, and the whitened derivative of that by the point. `None` behind the camera.
#[must_use]
pub fn by_camera(
    lens: &Lens,
    observation: &Observation,
    x_in_camera: &Point3<f64>,
    noise_scale: f64,
) -> Option<(Vector2<f64>, Matrix2x3<f64>)> {
    let (predicted, m) = lens.project_with_jacobian(x_in_camera)?;
    let [a, b, c] = whitener(observation.cov_px2)?;
    let inv = 1.0 / noise_scale;
    let white = Matrix2x3::from_rows(&[m.row(0) * (a * inv), m.row(0) * (b * inv) + m.row(1) * (c * inv)]);
    Some((Vector2::new(predicted.x_px, predicted.y_px), white))
}

/// Makes one observation linear. `None` when the point is behind the camera.
#[must_use]
pub fn linearise(
    problem: &Problem,
    timeline: &Timeline,
    layout: &Layout,
    state: &State,
    observation: &Observation,
    piece_idx: usize,
    noise_scale: f64,
) -> Option<Linear> {
    let k = observation.camera_idx;
    let (camera, now, slots) = (&problem.cameras[k], &state.cameras[k], &layout.cameras[k]);
    let fraction = camera.picture.shutter_fraction(observation.pixel);
    let t_s = now.session_s(observation.pts_s, fraction);
    let locus = timeline.locate_in(piece_idx, t_s);
    let weights = timeline.weights(locus);
    let first = locus.first_coefficient_idx;
    let m = observation.marker_idx;
    let x_in_world = state.combine(m, first, &weights.value);
    let v_in_world = state.combine(m, first, &weights.rate_per_s);
    let rotation = now.camera_from_world.rotation.to_rotation_matrix();
    let turned = rotation * x_in_world;
    let x_in_camera = turned + now.camera_from_world.translation.vector;
    let lens = &now.lens;
    let (predicted, by_camera) = by_camera(lens, observation, &Point3::from(x_in_camera), noise_scale)?;
    let (by, inv) = (whitener(observation.cov_px2)?, 1.0 / noise_scale);
    let white = |v: Vector2<f64>| white(by, inv, v);
    let residual_px = Vector2::new(observation.pixel.x_px, observation.pixel.y_px) - predicted;
    let residual = white(residual_px);
    let by_point = by_camera * rotation.matrix();
    let mut by_border = [(0, Vector2::zeros()); MOST_BORDER];
    let mut n = 0;
    let mut push = |at: usize, d: Vector2<f64>| {
        by_border[n] = (at, d);
        n += 1;
    };
    if let Some(at) = slots.pose {
        // d(exp(w) R x)/dw = -[R x]_x
        let by_turn = by_camera * -Matrix3::from(turned.cross_matrix());
        for i in 0..3 {
            push(at + i, by_turn.column(i).into());
        }
        for i in 0..3 {
            push(at + 3 + i, by_camera.column(i).into());
        }
    }
    let by_time: Vector2<f64> = by_point * v_in_world;
    if let Some(at) = slots.offset {
        push(at, by_time);
    }
    if let Some(at) = slots.drift {
        push(at, by_time * observation.pts_s);
    }
    if let Some(at) = slots.readout {
        push(at, by_time * fraction);
    }
    if let Some(at) = slots.focal {
        push(at, white(Vector2::new(predicted.x - lens.cx_px, predicted.y - lens.cy_px)));
    }
    if let Some(at) = slots.centre {
        push(at, white(Vector2::x()));
        push(at + 1, white(Vector2::y()));
    }
    if let Some(at) = slots.k1 {
        let (x, y) = (x_in_camera.x / x_in_camera.z, x_in_camera.y / x_in_camera.z);
        push(at, white(Vector2::new(lens.fx_px * x, lens.fy_px * y) * (x * x + y * y)));
    }
    if let (Some((at, inner)), Some((i, u))) = (slots.wander, now.wander.locate(observation.pts_s)) {
        if i > 0 {
            push(at + i - 1, by_time * (1.0 - u));
        }
        if i < inner {
            push(at + i, by_time * u);
        }
    }
    if let (Some(at), Some(i)) = (slots.shifts, now.shift_at(observation.pts_s)) {
        push(at + i, by_time);
    }
    Some(Linear {
        first,
        weights: weights.value,
        rates_per_s: weights.rate_per_s,
        residual,
        by_point,
        by_border,
        border_len: n,
        depth_m: x_in_camera.z,
        residual_px,
    })
}
