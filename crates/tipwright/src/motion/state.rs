//! The unknowns, where each sits in the equations, and one observation made linear.

use nalgebra::{Isometry3, Matrix2x3, Matrix3, Point3, Translation3, UnitQuaternion, Vector2, Vector3};

use super::problem::{CameraModel, Observation, Problem};
use super::spline::Timeline;
use crate::model::{Clock, Lens};

/// Positions of one camera's parameters in the border.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CameraSlots {
    /// Six: turn x, y, z, translation x, y, z.
    pub pose: Option<usize>,
    /// Clock offset.
    pub offset: Option<usize>,
    /// Clock rate.
    pub drift: Option<usize>,
    /// Readout.
    pub readout: Option<usize>,
    /// Logarithm of the focal factor.
    pub focal: Option<usize>,
    /// Two: shift of the principal point.
    pub centre: Option<usize>,
    /// Addition to k1.
    pub k1: Option<usize>,
    /// First node of the clock's wander and number of nodes.
    pub wander: Option<(usize, usize)>,
}

/// Positions of all parameters in the border.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Layout {
    /// Camera by camera.
    pub cameras: Vec<CameraSlots>,
    /// Size of the border.
    pub size: usize,
}

/// Changeable part of a camera.
#[derive(Debug, Clone, PartialEq)]
pub struct CameraState {
    /// Pose.
    pub camera_from_world: Isometry3<f64>,
    /// Clock.
    pub clock: Clock,
    /// Least and greatest readout possible, seconds.
    pub readout_within_s: [f64; 2],
    /// Logarithm of the focal factor.
    pub focal_log: f64,
    /// Shift of the principal point, pixels.
    pub centre_shift_px: [f64; 2],
    /// Addition to k1.
    pub k1_shift: f64,
    /// The lens with these corrections.
    pub lens: Lens,
    /// Where the wander's first node stands (pts), the distance of its nodes, and their corrections, seconds.
    pub wander: WanderState,
}

/// Corrections of a wandering clock; empty for a steady one.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct WanderState {
    /// Camera time of the first node.
    pub start_pts_s: f64,
    /// Distance of the nodes.
    pub spacing_s: f64,
    /// Correction at each node, seconds.
    pub nodes_s: Vec<f64>,
}

impl WanderState {
    /// Node before `pts_s`, share of the next one.
    fn locate(&self, pts_s: f64) -> Option<(usize, f64)> {
        let n = self.nodes_s.len();
        if n < 2 {
            return None;
        }
        let x = (pts_s - self.start_pts_s) / self.spacing_s;
        #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let idx = x.floor().clamp(0.0, (n - 2) as f64) as usize;
        #[allow(clippy::cast_precision_loss)]
        Some((idx, (x - idx as f64).clamp(0.0, 1.0)))
    }

    /// Correction at `pts_s`, seconds.
    #[must_use]
    pub fn at_s(&self, pts_s: f64) -> f64 {
        self.locate(pts_s).map_or(0.0, |(i, u)| self.nodes_s[i] * (1.0 - u) + self.nodes_s[i + 1] * u)
    }
}

impl CameraState {
    /// Session time of a sighting.
    #[must_use]
    pub fn session_s(&self, pts_s: f64, shutter_fraction: f64) -> f64 {
        self.clock.session_s(pts_s, shutter_fraction) + self.wander.at_s(pts_s)
    }
}

/// All unknowns.
#[derive(Debug, Clone, PartialEq)]
pub struct State {
    /// Coefficients: `(coefficient * markers + marker) * 3 + axis`.
    pub coefficients_m: Vec<f64>,
    /// Cameras.
    pub cameras: Vec<CameraState>,
}

impl Layout {
    /// Lays out the free parameters of a problem.
    #[must_use]
    pub fn new(cameras: &[CameraModel], states: &[CameraState]) -> Self {
        let mut size = 0;
        let mut take = |wanted: bool, count: usize| {
            let at = size;
            if wanted {
                size += count;
            }
            wanted.then_some(at)
        };
        let slots = cameras
            .iter()
            .zip(states)
            .map(|(camera, state)| CameraSlots {
                pose: take(camera.free.pose, 6),
                offset: take(camera.free.offset_s.is_free(), 1),
                drift: take(camera.free.drift.is_free(), 1),
                readout: take(camera.free.readout_s.is_free(), 1),
                focal: take(camera.free.focal_log.is_free(), 1),
                centre: take(camera.free.centre_shift_px.is_free(), 2),
                k1: take(camera.free.k1_shift.is_free(), 1),
                wander: {
                    let n = state.wander.nodes_s.len();
                    take(n > 1, n).map(|at| (at, n))
                },
            })
            .collect();
        Self { cameras: slots, size }
    }
}

impl State {
    /// Centre of a camera in the world.
    pub fn centre_m(&self, camera_idx: usize) -> Vector3<f64> {
        let pose = &self.cameras[camera_idx].camera_from_world;
        -(pose.rotation.inverse() * pose.translation.vector)
    }

    /// Centres of the cameras in the world.
    pub fn centres_m(&self) -> Vec<Vector3<f64>> {
        (0..self.cameras.len()).map(|k| self.centre_m(k)).collect()
    }

    /// Size of the set-up: root mean square distance of the cameras from each other; `None` of one camera, or of all in
    /// one place.
    pub fn size_m(&self) -> Option<f64> {
        let centres = self.centres_m();
        let (mut sum, mut n) = (0.0, 0.0);
        for (a, b) in super::assemble::pairs(centres.len()) {
            sum += (centres[a] - centres[b]).norm_squared();
            n += 1.0;
        }
        (sum > 0.0).then(|| (sum / n).sqrt())
    }

    /// Start values of the cameras; coefficients zero.
    #[must_use]
    pub fn start(problem: &Problem, timeline: &Timeline) -> Self {
        let cameras = problem
            .cameras
            .iter()
            .enumerate()
            .map(|(k, camera)| CameraState {
                camera_from_world: camera.camera_from_world,
                clock: camera.clock,
                readout_within_s: camera.free.readout_within_s.unwrap_or([0.0, f64::INFINITY]),
                focal_log: 0.0,
                centre_shift_px: [0.0; 2],
                k1_shift: 0.0,
                lens: camera.lens.clone(),
                wander: wander_nodes(problem, k),
            })
            .collect();
        Self { coefficients_m: vec![0.0; timeline.coefficients() * problem.markers * 3], cameras }
    }

    /// Four-point combination of a marker's coefficients.
    #[must_use]
    pub fn combine(
        &self,
        markers: usize,
        marker_idx: usize,
        first: usize,
        weights: &[f64; 4],
    ) -> Vector3<f64> {
        combine(&self.coefficients_m, markers, marker_idx, first, weights)
    }

    /// This state moved by a step (coefficients, border).
    #[must_use]
    pub fn moved(&self, layout: &Layout, coefficients: &[f64], border: &[f64]) -> Self {
        let mut out = self.clone();
        for (c, d) in out.coefficients_m.iter_mut().zip(coefficients) {
            *c += d;
        }
        for (camera, slots) in out.cameras.iter_mut().zip(&layout.cameras) {
            if let Some(at) = slots.pose {
                let turn = Vector3::new(border[at], border[at + 1], border[at + 2]);
                let shift = Vector3::new(border[at + 3], border[at + 4], border[at + 5]);
                let pose = &camera.camera_from_world;
                camera.camera_from_world = Isometry3::from_parts(
                    Translation3::from(pose.translation.vector + shift),
                    UnitQuaternion::from_scaled_axis(turn) * pose.rotation,
                );
                camera.camera_from_world.rotation.renormalize();
            }
            let step = |slot: Option<usize>| slot.map_or(0.0, |at| border[at]);
            camera.clock.offset_s += step(slots.offset);
            camera.clock.drift += step(slots.drift);
            if slots.readout.is_some() {
                camera.clock.readout_s = (camera.clock.readout_s + step(slots.readout))
                    .clamp(camera.readout_within_s[0], camera.readout_within_s[1]);
            }
            let (focal, k1) = (step(slots.focal), step(slots.k1));
            camera.focal_log += focal;
            camera.lens.fx_px *= focal.exp();
            camera.lens.fy_px *= focal.exp();
            camera.k1_shift += k1;
            camera.lens.distortion[0] += k1;
            if let Some(at) = slots.centre {
                camera.centre_shift_px[0] += border[at];
                camera.centre_shift_px[1] += border[at + 1];
                camera.lens.cx_px += border[at];
                camera.lens.cy_px += border[at + 1];
            }
            if let Some((at, n)) = slots.wander {
                for (node, d) in camera.wander.nodes_s.iter_mut().zip(&border[at..at + n]) {
                    *node += d;
                }
            }
        }
        out
    }
}

/// Four-point combination out of a coefficient vector.
#[must_use]
pub fn combine(
    c: &[f64],
    markers: usize,
    marker_idx: usize,
    first: usize,
    weights: &[f64; 4],
) -> Vector3<f64> {
    let mut out = Vector3::zeros();
    for (k, w) in weights.iter().enumerate() {
        let at = ((first + k) * markers + marker_idx) * 3;
        out += Vector3::new(c[at], c[at + 1], c[at + 2]) * *w;
    }
    out
}

fn wander_nodes(problem: &Problem, camera_idx: usize) -> WanderState {
    let Some(wander) = problem.cameras[camera_idx].free.wander else { return WanderState::default() };
    let (mut first_s, mut last_s) = (f64::INFINITY, f64::NEG_INFINITY);
    for o in problem.observations.iter().filter(|o| o.camera_idx == camera_idx) {
        first_s = first_s.min(o.pts_s);
        last_s = last_s.max(o.pts_s);
    }
    let length_s = last_s - first_s;
    if !(length_s > 2.0 * wander.node_spacing_s && wander.node_spacing_s > 0.0) {
        return WanderState::default();
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let spans = (length_s / wander.node_spacing_s).round().max(1.0) as usize;
    #[allow(clippy::cast_precision_loss)]
    let spacing_s = length_s / spans as f64;
    WanderState { start_pts_s: first_s, spacing_s, nodes_s: vec![0.0; spans + 1] }
}

/// Most border parameters one observation touches.
pub const MOST_BORDER: usize = 15;

/// One observation made linear about a state; residual = observed - predicted, whitened; derivatives of the
/// prediction, whitened.
#[derive(Debug, Clone, Copy)]
pub struct Linear {
    /// First of the four coefficients.
    pub first: usize,
    /// Their weights.
    pub weights: [f64; 4],
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
    let x_in_world = state.combine(problem.markers, m, first, &weights.value);
    let v_in_world = state.combine(problem.markers, m, first, &weights.rate_per_s);
    let rotation = now.camera_from_world.rotation.to_rotation_matrix();
    let turned = rotation * x_in_world;
    let x_in_camera = turned + now.camera_from_world.translation.vector;
    let lens = &now.lens;
    let (predicted, by_camera) = lens.project_with_jacobian(&Point3::from(x_in_camera))?;
    let predicted = Vector2::new(predicted.x_px, predicted.y_px);
    let [a, b, c] = whitener(observation.cov_px2)?;
    let inv = 1.0 / noise_scale;
    let white = |v: Vector2<f64>| Vector2::new(a * v.x * inv, (b * v.x + c * v.y) * inv);
    let residual_px = Vector2::new(observation.pixel.x_px, observation.pixel.y_px) - predicted;
    let residual = white(residual_px);
    let white_rows = |m: Matrix2x3<f64>| {
        Matrix2x3::from_rows(&[m.row(0) * (a * inv), m.row(0) * (b * inv) + m.row(1) * (c * inv)])
    };
    let by_camera = white_rows(by_camera);
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
    if let (Some((at, _)), Some((i, u))) = (slots.wander, now.wander.locate(observation.pts_s)) {
        push(at + i, by_time * (1.0 - u));
        push(at + i + 1, by_time * u);
    }
    Some(Linear {
        first,
        weights: weights.value,
        residual,
        by_point,
        by_border,
        border_len: n,
        depth_m: x_in_camera.z,
        residual_px,
    })
}
