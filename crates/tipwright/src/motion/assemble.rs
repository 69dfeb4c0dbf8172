//! Normal equations and cost of a state.

use nalgebra::{DMatrix, DVector, Isometry3, Vector3};

use super::band::Arrow;
use super::problem::{Freedom, Loss, Problem};
use super::spline::Timeline;
use super::state::{Layout, State, combine, linearise};

/// What the data has chosen: noise factors and jerk densities, and which observations count.
#[derive(Debug, Clone, PartialEq)]
pub struct Hyper {
    /// Factor on the standard deviations of each camera's pixels.
    pub noise_scale: Vec<f64>,
    /// Jerk density of every span, marker by marker: `span * markers + marker` (spans counted over all pieces by
    /// their first coefficient; entries that are no span are unused), m^2/s^5.
    pub jerk_density_m2_s5: Vec<f64>,
    /// Factor on the standard deviations of lengths: 1, but larger while poses are still far off.
    pub length_slack: f64,
    /// Factor on the weight of priors of the set-up: the square of the correlation factor. Residuals that last n frames
    /// make the data look n times as sure as it is; beside that a prior must not vanish (a tempered likelihood).
    pub prior_weight: f64,
    /// Observation is set aside.
    pub rejected: Vec<bool>,
}

/// Everything fixed while one system is solved.
pub struct Setting<'a> {
    pub problem: &'a Problem,
    pub timeline: &'a Timeline,
    pub layout: &'a Layout,
    /// Piece of every observation; `None`: outside the timeline.
    pub piece_of: &'a [Option<usize>],
    /// Inverse of the pose prior's covariance with the border positions it applies to.
    pub pose_prior: &'a Option<(Vec<usize>, DMatrix<f64>)>,
    pub loss: Loss,
}

/// Pose prior reduced to the poses that are free.
pub fn pose_prior(problem: &Problem, layout: &Layout) -> Option<(Vec<usize>, DMatrix<f64>)> {
    let covariance = problem.pose_covariance.as_ref()?;
    let n = problem.cameras.len();
    if covariance.nrows() != 6 * n || covariance.ncols() != 6 * n {
        return None;
    }
    let mut rows = Vec::new();
    let mut at = Vec::new();
    for (k, slots) in layout.cameras.iter().enumerate() {
        if let Some(slot) = slots.pose {
            for i in 0..6 {
                rows.push(6 * k + i);
                at.push(slot + i);
            }
        }
    }
    if rows.is_empty() {
        return None;
    }
    let mut sub = DMatrix::from_fn(rows.len(), rows.len(), |a, b| covariance[(rows[a], rows[b])]);
    // A hair of independence: a covariance that has lost rank (a known length) still inverts.
    for i in 0..rows.len() {
        sub[(i, i)] = sub[(i, i)] * (1.0 + 1e-9) + 1e-12;
    }
    sub.cholesky().map(|c| (at, c.inverse()))
}

/// Small difference of two poses in the convention of the border: turn, then translation.
pub fn pose_difference(now: &Isometry3<f64>, reference: &Isometry3<f64>) -> [f64; 6] {
    let turn = (now.rotation * reference.rotation.inverse()).scaled_axis();
    let shift = now.translation.vector - reference.translation.vector;
    [turn.x, turn.y, turn.z, shift.x, shift.y, shift.z]
}

impl Setting<'_> {
    /// Cost of a state; with `arrow`, also its normal equations. Infinite when a used point is behind its camera.
    pub fn cost(&self, state: &State, hyper: &Hyper, mut arrow: Option<&mut Arrow>) -> f64 {
        if let Some(arrow) = arrow.as_deref_mut() {
            arrow.clear();
        }
        let mut cost = self.observations(state, hyper, arrow.as_deref_mut());
        cost += self.jerk(state, hyper, arrow.as_deref_mut());
        cost += self.lengths(state, hyper, arrow.as_deref_mut());
        cost += self.priors(state, hyper.prior_weight, arrow);
        cost
    }

    fn observations(&self, state: &State, hyper: &Hyper, mut arrow: Option<&mut Arrow>) -> f64 {
        let markers = self.problem.markers;
        let mut cost = 0.0;
        for (i, o) in self.problem.observations.iter().enumerate() {
            let (Some(piece), false) = (self.piece_of[i], hyper.rejected[i]) else { continue };
            let scale = hyper.noise_scale[o.camera_idx];
            let Some(lin) = linearise(self.problem, self.timeline, self.layout, state, o, piece, scale)
            else {
                // Behind the camera: as bad as a residual of a hundred standard deviations, with no direction to go.
                cost += 0.5 * self.loss.rho(1e4);
                continue;
            };
            let s2 = lin.residual.norm_squared();
            cost += 0.5 * self.loss.rho(s2);
            let Some(arrow) = arrow.as_deref_mut() else { continue };
            let w = self.loss.weight(s2);
            let q = arrow.q;
            let stride = arrow.half_band + 1;
            let gram = lin.by_point.transpose() * lin.by_point * w;
            let pull = lin.by_point.transpose() * lin.residual * w;
            for a in 0..4 {
                let ra = ((lin.first + a) * markers + o.marker_idx) * 3;
                for b in 0..=a {
                    let rb = ((lin.first + b) * markers + o.marker_idx) * 3;
                    let f = lin.weights[a] * lin.weights[b];
                    for x in 0..3 {
                        let row = (ra + x) * stride + arrow.half_band;
                        let last = if a == b { x } else { 2 };
                        for y in 0..=last {
                            arrow.band[row + rb + y - (ra + x)] += f * gram[(x, y)];
                        }
                    }
                }
                for x in 0..3 {
                    arrow.rhs[ra + x] += lin.weights[a] * pull[x];
                }
            }
            for (at, d) in &lin.by_border[..lin.border_len] {
                let coupling: Vector3<f64> = lin.by_point.transpose() * d * w;
                for a in 0..4 {
                    let ra = ((lin.first + a) * markers + o.marker_idx) * 3;
                    for x in 0..3 {
                        arrow.coupling[(ra + x) * q + at] += lin.weights[a] * coupling[x];
                    }
                }
                arrow.border_rhs[*at] += w * d.dot(&lin.residual);
                for (at2, d2) in &lin.by_border[..lin.border_len] {
                    arrow.border[(*at, *at2)] += w * d.dot(d2);
                }
            }
        }
        cost
    }

    /// The prior's part of the equations alone.
    pub fn jerk_only(&self, state: &State, hyper: &Hyper, arrow: &mut Arrow) {
        let _ = self.jerk(state, hyper, Some(arrow));
    }

    fn jerk(&self, state: &State, hyper: &Hyper, mut arrow: Option<&mut Arrow>) -> f64 {
        let markers = self.problem.markers;
        let weights = self.timeline.jerk_weights_per_s3();
        let h = self.timeline.spacing_s();
        let mut cost = 0.0;
        for piece in self.timeline.pieces() {
            for first in piece.first_coefficient_idx..piece.first_coefficient_idx + piece.spans {
                for m in 0..markers {
                    let f = h / hyper.jerk_density_m2_s5[first * markers + m];
                    let jerk = combine(&state.coefficients_m, markers, m, first, &weights);
                    cost += 0.5 * f * jerk.norm_squared();
                    let Some(arrow) = arrow.as_deref_mut() else { continue };
                    for a in 0..4 {
                        let ra = ((first + a) * markers + m) * 3;
                        for b in 0..=a {
                            let rb = ((first + b) * markers + m) * 3;
                            let g = f * weights[a] * weights[b];
                            for x in 0..3 {
                                arrow.add_band(ra + x, rb + x, g);
                            }
                        }
                        for x in 0..3 {
                            arrow.rhs[ra + x] -= f * weights[a] * jerk[x];
                        }
                    }
                }
            }
        }
        cost
    }

    fn lengths(&self, state: &State, hyper: &Hyper, mut arrow: Option<&mut Arrow>) -> f64 {
        let markers = self.problem.markers;
        let mut cost = 0.0;
        for d in &self.problem.distances {
            let Some(locus) = self.timeline.locate(d.t_s) else { continue };
            let w = self.timeline.weights(locus).value;
            let first = locus.first_coefficient_idx;
            let apart = state.combine(markers, d.marker_a_idx, first, &w)
                - state.combine(markers, d.marker_b_idx, first, &w);
            let length = apart.norm();
            if !(length > 0.0) {
                continue;
            }
            let sd_m = d.sd_m * hyper.length_slack;
            let r = (d.length_m - length) / sd_m;
            cost += 0.5 * r * r;
            let Some(arrow) = arrow.as_deref_mut() else { continue };
            let u = apart / (length * sd_m);
            let mut entries = [(0_usize, 0.0); 24];
            for k in 0..4 {
                for x in 0..3 {
                    entries[k * 6 + x] = (((first + k) * markers + d.marker_a_idx) * 3 + x, w[k] * u[x]);
                    entries[k * 6 + 3 + x] = (((first + k) * markers + d.marker_b_idx) * 3 + x, -w[k] * u[x]);
                }
            }
            for (i, a) in &entries {
                arrow.rhs[*i] += a * r;
                for (j, b) in &entries {
                    if j <= i {
                        arrow.add_band(*i, *j, a * b);
                    }
                }
            }
        }
        for b in &self.problem.baselines {
            let at = |k: usize| &state.cameras[k].camera_from_world;
            let centre = |k: usize| -(at(k).rotation.inverse() * at(k).translation.vector);
            let apart = centre(b.camera_b_idx) - centre(b.camera_a_idx);
            let length = apart.norm();
            if !(length > 0.0) {
                continue;
            }
            let r = (b.length_m - length) / b.sd_m;
            cost += 0.5 * r * r;
            let Some(arrow) = arrow.as_deref_mut() else { continue };
            let mut row = DVector::zeros(arrow.q);
            for (k, sign) in [(b.camera_a_idx, -1.0), (b.camera_b_idx, 1.0)] {
                if let Some(slot) = self.layout.cameras[k].pose {
                    // centre = -R^T T: d/dturn = -R^T [T]_x, d/dshift = -R^T
                    let u = at(k).rotation * apart * (sign / (length * b.sd_m));
                    let by_turn = at(k).translation.vector.cross(&u);
                    for x in 0..3 {
                        row[slot + x] += by_turn[x];
                        row[slot + 3 + x] -= u[x];
                    }
                }
            }
            arrow.border_rhs.axpy(r, &row, 1.0);
            arrow.border.ger(1.0, &row, &row, 1.0);
        }
        cost
    }

    fn priors(&self, state: &State, weight: f64, mut arrow: Option<&mut Arrow>) -> f64 {
        let mut cost = 0.0;
        let mut scalar = |slot: Option<usize>, freedom: Freedom, value: f64, arrow: Option<&mut Arrow>| {
            if let (Some(at), Freedom::Prior { mean, sd }) = (slot, freedom) {
                let sd = sd / weight.sqrt();
                let r = (mean - value) / sd;
                cost += 0.5 * r * r;
                if let Some(arrow) = arrow {
                    arrow.border[(at, at)] += 1.0 / (sd * sd);
                    arrow.border_rhs[at] += r / sd;
                }
            }
        };
        for ((camera, now), slots) in
            self.problem.cameras.iter().zip(&state.cameras).zip(&self.layout.cameras)
        {
            scalar(slots.offset, camera.free.offset_s, now.clock.offset_s, arrow.as_deref_mut());
            scalar(slots.drift, camera.free.drift, now.clock.drift, arrow.as_deref_mut());
            scalar(slots.readout, camera.free.readout_s, now.clock.readout_s, arrow.as_deref_mut());
            scalar(slots.focal, camera.free.focal_log, now.focal_log, arrow.as_deref_mut());
            for i in 0..2 {
                let slot = slots.centre.map(|at| at + i);
                scalar(slot, camera.free.centre_shift_px, now.centre_shift_px[i], arrow.as_deref_mut());
            }
            scalar(slots.k1, camera.free.k1_shift, now.k1_shift, arrow.as_deref_mut());
            if let (Some((at, n)), Some(wander)) = (slots.wander, camera.free.wander) {
                for i in 0..n {
                    let prior = Freedom::Prior { mean: 0.0, sd: wander.sd_s };
                    scalar(Some(at + i), prior, now.wander.nodes_s[i], arrow.as_deref_mut());
                }
            }
        }
        if let Some((at, information)) = self.pose_prior {
            let mut d = DVector::zeros(at.len());
            let mut n = 0;
            for (k, slots) in self.layout.cameras.iter().enumerate() {
                if slots.pose.is_some() {
                    let reference = &self.problem.cameras[k].camera_from_world;
                    for v in pose_difference(&state.cameras[k].camera_from_world, reference) {
                        d[n] = v;
                        n += 1;
                    }
                }
            }
            let pull = information * &d * weight;
            cost += 0.5 * d.dot(&pull);
            if let Some(arrow) = arrow {
                for (a, i) in at.iter().enumerate() {
                    arrow.border_rhs[*i] -= pull[a];
                    for (b, j) in at.iter().enumerate() {
                        arrow.border[(*i, *j)] += weight * information[(a, b)];
                    }
                }
            }
        }
        cost
    }
}
