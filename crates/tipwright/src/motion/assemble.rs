//! Normal equations and cost of a state.

use nalgebra::{DVector, Vector3};

use super::band::Arrow;
use super::linear::linearise;
use super::prior::JointPrior;
use super::problem::{Baseline, Freedom, Loss, PlaneHold, Problem};
use super::spline::Timeline;
use super::state::{Layout, State};
use crate::math::pairs;

/// What the data has chosen: noise factors and jerk densities, and which observations count.
#[derive(Debug, Clone, PartialEq)]
pub struct Hyper {
    /// Factor on the standard deviations of each camera's pixels, marker by marker ([`Problem::series_idx`]).
    pub noise_scale: Vec<f64>,
    /// Jerk density of every span, marker by marker: `span * markers + marker` (spans counted over all pieces by
    /// their first coefficient; entries that are no span are unused), m^2/s^5.
    pub jerk_density_m2_s5: Vec<f64>,
    /// Factor on the standard deviations of lengths: 1, but larger while poses are still far off.
    pub length_slack: f64,
    /// Factor on the weight of priors of the set-up: their mean over all sightings. Residuals that last n frames
    /// make the data look n times as sure as it is; beside that a prior must not vanish (a tempered likelihood).
    pub prior_weight: f64,
    /// Size of the set-up ([`State::size_m`]) when the densities were chosen; `None`: the densities are given in metres.
    ///
    /// Densities chosen by the data go with the size of the path. Held fixed while poses may move they would draw the whole
    /// together: a smaller path is a smoother one. So jerks count by the size of the set-up.
    pub size_m: Option<f64>,
    /// Which share of its variance lasts while a marker stands, series by series ([`super::rest::lasting`]).
    pub lasting: Vec<f64>,
    /// What each observation counts for: those of a marker at rest share what lasts of their error ([`super::rest`]).
    pub share: Vec<f64>,
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
    /// Joint prior on the set-up.
    pub joint_prior: &'a Option<JointPrior>,
    pub loss: Loss,
}

/// Takes a row (places in the border, derivatives in standard deviations), its residual, and by how many standard deviations it errs.
pub type EachRow<'a> = &'a mut dyn FnMut(&[(usize, f64)], f64, f64);

impl Setting<'_> {
    /// Cost of a state; with `arrow`, also its normal equations. Infinite when a used point is behind its camera.
    pub fn cost(&self, state: &State, hyper: &Hyper, mut arrow: Option<&mut Arrow>) -> f64 {
        if let Some(arrow) = arrow.as_deref_mut() {
            arrow.clear();
        }
        let mut cost = self.observations(state, hyper, arrow.as_deref_mut());
        cost += self.jerk(state, hyper, arrow.as_deref_mut());
        cost += self.lengths(state, hyper, arrow.as_deref_mut());
        cost += self.plane(state, arrow.as_deref_mut());
        cost += self.priors(state, hyper.prior_weight, arrow);
        cost
    }

    fn observations(&self, state: &State, hyper: &Hyper, mut arrow: Option<&mut Arrow>) -> f64 {
        let mut cost = 0.0;
        for (i, o) in self.problem.observations.iter().enumerate() {
            let (Some(piece), false) = (self.piece_of[i], hyper.rejected[i]) else { continue };
            let scale = hyper.noise_scale[self.problem.series_idx(o)];
            let Some(lin) = linearise(self.problem, self.timeline, self.layout, state, o, piece, scale)
            else {
                // Behind the camera: as bad as a residual of a hundred standard deviations, with no direction to go.
                cost += 0.5 * hyper.share[i] * self.loss.rho(1e4);
                continue;
            };
            let s2 = lin.residual.norm_squared();
            cost += 0.5 * hyper.share[i] * self.loss.rho(s2);
            let Some(arrow) = arrow.as_deref_mut() else { continue };
            let w = hyper.share[i] * self.loss.weight(s2);
            let q = arrow.q;
            let stride = arrow.half_band + 1;
            let gram = lin.by_point.transpose() * lin.by_point * w;
            let pull = lin.by_point.transpose() * lin.residual * w;
            for a in 0..4 {
                let ra = state.order.at(lin.first + a, o.marker_idx);
                for b in 0..=a {
                    let rb = state.order.at(lin.first + b, o.marker_idx);
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
                    let ra = state.order.at(lin.first + a, o.marker_idx);
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
        let relative = hyper.size_m.zip(state.size_m()).map_or(1.0, |(then, now)| (now / then).powi(-2));
        for piece in self.timeline.pieces() {
            for first in piece.first_coefficient_idx..piece.first_coefficient_idx + piece.spans {
                for m in 0..markers {
                    let f = relative * h / hyper.jerk_density_m2_s5[first * markers + m];
                    let jerk = state.combine(m, first, &weights);
                    cost += 0.5 * f * jerk.norm_squared();
                    let Some(arrow) = arrow.as_deref_mut() else { continue };
                    for a in 0..4 {
                        let ra = state.order.at(first + a, m);
                        for b in 0..=a {
                            let rb = state.order.at(first + b, m);
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
        if let (Some(arrow), Some(_)) = (arrow.filter(|a| a.q > 0), hyper.size_m) {
            let growth = self.size_log_by_border(state, arrow.q);
            arrow.border_rhs.axpy(2.0 * cost, &growth, 1.0);
        }
        cost
    }

    /// The plane's part: a spline lies in a plane where its coefficients do.
    pub fn plane(&self, state: &State, mut arrow: Option<&mut Arrow>) -> f64 {
        let Some(plane) = &self.problem.plane else { return 0.0 };
        let row = plane.normal / PlaneHold::SD_M;
        let mut cost = 0.0;
        for (m, offset_m) in plane.offsets_m.iter().enumerate() {
            for k in 0..self.timeline.coefficients() {
                let at = state.order.at(k, m);
                let r = offset_m / PlaneHold::SD_M
                    - row.dot(&Vector3::from_column_slice(&state.coefficients_m[at..at + 3]));
                cost += 0.5 * r * r;
                let Some(arrow) = arrow.as_deref_mut() else { continue };
                for x in 0..3 {
                    arrow.rhs[at + x] += row[x] * r;
                    for y in 0..=x {
                        arrow.add_band(at + x, at + y, row[x] * row[y]);
                    }
                }
            }
        }
        cost
    }

    /// Adds what a gradient by a camera's centre (world) is by its pose in the border.
    fn add_by_centre(&self, row: &mut DVector<f64>, state: &State, k: usize, by_centre: &Vector3<f64>) {
        let Some(slot) = self.layout.cameras[k].pose else { return };
        let pose = &state.cameras[k].camera_from_world;
        // centre = -R^T T: d/dturn = -R^T [T]_x, d/dshift = -R^T
        let u = pose.rotation * by_centre;
        let by_turn = pose.translation.vector.cross(&u);
        for x in 0..3 {
            row[slot + x] += by_turn[x];
            row[slot + 3 + x] -= u[x];
        }
    }

    /// Derivative of the logarithm of [`State::size_m`] by the border.
    pub fn size_log_by_border(&self, state: &State, border: usize) -> DVector<f64> {
        let mut out = DVector::zeros(border);
        let centres = state.centres_m();
        let total: f64 = pairs(centres.len()).map(|(a, b)| (centres[a] - centres[b]).norm_squared()).sum();
        if !(total > 0.0) {
            return out;
        }
        for (a, b) in pairs(centres.len()) {
            let apart = centres[b] - centres[a];
            for (k, sign) in [(a, -1.0), (b, 1.0)] {
                self.add_by_centre(&mut out, state, k, &(apart * (sign / total)));
            }
        }
        out
    }

    fn lengths(&self, state: &State, hyper: &Hyper, mut arrow: Option<&mut Arrow>) -> f64 {
        let mut cost = 0.0;
        for d in &self.problem.distances {
            let Some(locus) = self.timeline.locate(d.t_s) else { continue };
            let w = self.timeline.weights(locus).value;
            let first = locus.first_coefficient_idx;
            let apart = state.combine(d.marker_a_idx, first, &w) - state.combine(d.marker_b_idx, first, &w);
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
                    entries[k * 6 + x] = (state.order.at(first + k, d.marker_a_idx) + x, w[k] * u[x]);
                    entries[k * 6 + 3 + x] = (state.order.at(first + k, d.marker_b_idx) + x, -w[k] * u[x]);
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
        for (b, row) in self.problem.baselines.iter().zip(self.baseline_rows(state)) {
            let length = (state.centre_m(b.camera_b_idx) - state.centre_m(b.camera_a_idx)).norm();
            let r = (b.length_m - length) / b.sd_m;
            cost += 0.5 * r * r;
            let Some(arrow) = arrow.as_deref_mut() else { continue };
            arrow.border_rhs.axpy(r, &row, 1.0);
            arrow.border.ger(1.0, &row, &row, 1.0);
        }
        cost
    }

    /// Derivatives of the known lengths between cameras by the border, in standard deviations.
    pub fn baseline_rows(&self, state: &State) -> Vec<DVector<f64>> {
        let one = |b: &Baseline| {
            let apart = state.centre_m(b.camera_b_idx) - state.centre_m(b.camera_a_idx);
            let along = apart / (apart.norm().max(1e-12) * b.sd_m);
            let mut row = DVector::zeros(self.layout.size);
            for (k, sign) in [(b.camera_a_idx, -1.0), (b.camera_b_idx, 1.0)] {
                self.add_by_centre(&mut row, state, k, &(along * sign));
            }
            row
        };
        self.problem.baselines.iter().map(one).collect()
    }

    /// Every normal prior on single parameters, readouts' edges and steps of wandering clocks, `weight` times as strong as it
    /// says: its row (places in the border, derivatives in standard deviations) and its residual.
    pub fn prior_rows(&self, state: &State, weight: f64, each: EachRow<'_>) {
        let mut scalar_that_errs = |slot: Option<usize>, freedom: Freedom, value: f64, errs: f64| {
            if let (Some(at), Freedom::Prior { mean, sd }) = (slot, freedom) {
                let sd = sd / weight.sqrt();
                each(&[(at, 1.0 / sd)], (mean - value) / sd, errs);
            }
        };
        let cameras = || self.problem.cameras.iter().zip(&state.cameras).zip(&self.layout.cameras);
        for ((camera, now), slots) in cameras() {
            let clock = &now.clock;
            let [focal_errs, centre_errs, k1_errs] = camera.free.lens_errs.unwrap_or([1.0; 3]);
            let mut scalar = |slot, freedom, value| scalar_that_errs(slot, freedom, value, 1.0);
            scalar(slots.offset, camera.free.offset_s, clock.offset_s);
            scalar(slots.drift, camera.free.drift, clock.drift);
            scalar(slots.readout, camera.free.readout_s, clock.readout_s);
            let (beyond_s, edge_s) = now.beyond_readout();
            if beyond_s != 0.0 {
                let edge = Freedom::Prior { mean: clock.readout_s - beyond_s, sd: edge_s };
                scalar(slots.readout, edge, clock.readout_s);
            }
            for (i, shift) in now.shifts.iter().enumerate() {
                let prior = Freedom::Prior { mean: 0.0, sd: shift.sd_s };
                scalar(slots.shifts.map(|at| at + i), prior, shift.shift_s);
            }
            scalar_that_errs(slots.focal, camera.free.focal_log, now.focal_log, focal_errs);
            for i in 0..2 {
                let slot = slots.centre.map(|at| at + i);
                scalar_that_errs(slot, camera.free.centre_shift_px, now.centre_shift_px[i], centre_errs);
            }
            scalar_that_errs(slots.k1, camera.free.k1_shift, now.k1_shift, k1_errs);
        }
        for ((camera, now), slots) in cameras() {
            let (Some(wander), Some((at, inner))) = (camera.free.wander, slots.wander) else { continue };
            let inv = weight.sqrt() / wander.step_sd_s;
            let nodes = &now.wander.nodes_s;
            for i in 0..=inner {
                // the first and the last node are 0
                let row = [(at + i, inv), ((at + i).saturating_sub(1), -inv)];
                let row = &row[usize::from(i == inner)..2 - usize::from(i == 0)];
                each(row, -(nodes[i + 1] - nodes[i]) * inv, 1.0);
            }
        }
    }

    fn priors(&self, state: &State, weight: f64, mut arrow: Option<&mut Arrow>) -> f64 {
        let mut cost = 0.0;
        self.prior_rows(state, weight, &mut |row, r, _| {
            cost += 0.5 * r * r;
            let Some(arrow) = arrow.as_deref_mut() else { return };
            for (i, a) in row {
                arrow.border_rhs[*i] += a * r;
                for (j, b) in row {
                    arrow.border[(*i, *j)] += a * b;
                }
            }
        });
        if let Some(prior) = self.joint_prior {
            let d = prior.deviation(self.problem, state);
            let pull = &prior.information * &d * weight;
            cost += 0.5 * d.dot(&pull);
            if let Some(arrow) = arrow {
                for (a, (i, ..)) in prior.parameters.iter().enumerate() {
                    arrow.border_rhs[*i] -= pull[a];
                    for (b, (j, ..)) in prior.parameters.iter().enumerate() {
                        arrow.border[(*i, *j)] += weight * prior.information[(a, b)];
                    }
                }
            }
        }
        cost
    }
}
