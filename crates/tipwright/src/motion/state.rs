//! The unknowns and where each sits in the equations.

use nalgebra::{Isometry3, Translation3, UnitQuaternion, Vector3};

use super::order::Order;
use super::problem::{CameraModel, Problem};
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
    /// Second node of the clock's wander and number of nodes without the first and the last, which are 0.
    pub wander: Option<(usize, usize)>,
    /// First of the shifts of runs of frames.
    pub shifts: Option<usize>,
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
    /// Shifts of runs of frames, in order of time.
    pub shifts: Vec<ShiftState>,
}

/// The shift of a run of frames.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShiftState {
    /// First and last presentation time of its frames.
    pub span_pts_s: [f64; 2],
    /// Standard deviation of the shift beforehand, seconds.
    pub sd_s: f64,
    /// The shift, seconds.
    pub shift_s: f64,
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
    pub(super) fn locate(&self, pts_s: f64) -> Option<(usize, f64)> {
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

/// Softness of a readout's edge when its range is open: a twentieth of a frame at 60 frames a second, seconds.
const EDGE_S: f64 = 8e-4;

impl CameraState {
    /// How far the readout is beyond what is possible (signed, seconds), and the standard deviation of that edge: a twentieth
    /// of the range, for a readout at a wall would else be known to nothing where something else is wrong.
    #[must_use]
    pub fn beyond_readout(&self) -> (f64, f64) {
        let [least_s, most_s] = self.readout_within_s;
        let now_s = self.clock.readout_s;
        let range_s = most_s - least_s;
        let edge_s = if range_s.is_finite() && range_s > 0.0 { 0.05 * range_s } else { EDGE_S };
        (now_s - now_s.max(least_s).min(most_s), edge_s)
    }

    /// Session time of a sighting.
    #[must_use]
    pub fn session_s(&self, pts_s: f64, shutter_fraction: f64) -> f64 {
        let shift_s = self.shift_at(pts_s).map_or(0.0, |i| self.shifts[i].shift_s);
        self.clock.session_s(pts_s, shutter_fraction) + self.wander.at_s(pts_s) + shift_s
    }

    /// Position among the shifts of the run that a frame belongs to.
    pub(super) fn shift_at(&self, pts_s: f64) -> Option<usize> {
        // half a microsecond: frames are asked for by their own times, which may have been through a file
        const SAME_S: f64 = 5e-7;
        self.shifts
            .iter()
            .position(|s| pts_s >= s.span_pts_s[0] - SAME_S && pts_s <= s.span_pts_s[1] + SAME_S)
    }
}

/// All unknowns.
#[derive(Debug, Clone, PartialEq)]
pub struct State {
    /// Coefficients: `order.at(coefficient, marker) + axis`.
    pub coefficients_m: Vec<f64>,
    /// Which stands where among them.
    pub order: Order,
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
                    take(n > 2, n.saturating_sub(2)).map(|at| (at, n - 2))
                },
                shifts: take(!state.shifts.is_empty(), state.shifts.len()),
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
        for (a, b) in crate::math::pairs(centres.len()) {
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
                shifts: problem
                    .shifts
                    .iter()
                    .filter(|s| s.camera_idx == k)
                    .map(|s| ShiftState { span_pts_s: s.span_pts_s, sd_s: s.sd_s, shift_s: 0.0 })
                    .collect(),
            })
            .collect();
        let order = Order::of(problem, timeline.coefficients());
        Self { coefficients_m: vec![0.0; timeline.coefficients() * problem.markers * 3], order, cameras }
    }

    /// Four-point combination of a marker's coefficients.
    #[must_use]
    pub fn combine(&self, marker_idx: usize, first: usize, weights: &[f64; 4]) -> Vector3<f64> {
        combine(&self.coefficients_m, self.order, marker_idx, first, weights)
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
                camera.clock.readout_s += step(slots.readout);
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
                for (node, d) in camera.wander.nodes_s[1..].iter_mut().zip(&border[at..at + n]) {
                    *node += d;
                }
            }
            if let Some(at) = slots.shifts {
                for (shift, d) in camera.shifts.iter_mut().zip(&border[at..]) {
                    shift.shift_s += d;
                }
            }
        }
        out
    }
}

/// Four-point combination out of a coefficient vector.
#[must_use]
pub fn combine(c: &[f64], order: Order, marker_idx: usize, first: usize, weights: &[f64; 4]) -> Vector3<f64> {
    let mut out = Vector3::zeros();
    for (k, w) in weights.iter().enumerate() {
        let at = order.at(first + k, marker_idx);
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
