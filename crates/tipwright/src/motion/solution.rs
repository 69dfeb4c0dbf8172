//! What comes out: path, set-up, joint covariance, draws, and what the data could not tell.

use nalgebra::{DMatrix, DVector, Matrix3, Point3, SMatrix, Vector3};

use super::assemble::Hyper;
use super::band::ArrowFactor;
use super::misfit::Misfit;
use super::outcome::{Degeneracy, Fate, SolveReport};
use super::problem::Problem;
use super::replicate::Replicator;
use super::spline::{Locus, Timeline};
use super::state::{CameraState, Layout, State};

/// Position, velocity and acceleration of a marker at one instant with their joint covariance.
#[derive(Debug, Clone, PartialEq)]
pub struct Kinematics {
    /// Metres.
    pub position_in_world: Point3<f64>,
    /// Metres per second.
    pub velocity_in_world_m_s: Vector3<f64>,
    /// Metres per second squared.
    pub acceleration_in_world_m_s2: Vector3<f64>,
    /// Joint covariance, position, velocity, acceleration, SI.
    pub covariance: SMatrix<f64, 9, 9>,
}

impl Kinematics {
    /// Standard deviation of each position axis, metres.
    #[must_use]
    pub fn position_sd_m(&self) -> Vector3<f64> {
        Vector3::from_fn(|i, _| self.covariance[(i, i)].max(0.0).sqrt())
    }
}

/// One term of a linear form in the paths: a direction times a marker's position at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PathTerm {
    /// Which marker.
    pub marker_idx: usize,
    /// Session time.
    pub t_s: f64,
    /// What the position is multiplied by.
    pub direction: Vector3<f64>,
}

/// A solved problem.
#[derive(Debug, Clone)]
pub struct Solution {
    /// Knots of the path.
    pub timeline: Timeline,
    /// Number of markers.
    pub markers: usize,
    /// Best estimate of path and cameras.
    pub state: State,
    /// Noise factors, jerk densities, rejections.
    pub hyper: Hyper,
    /// Which border position is which parameter.
    pub layout: Layout,
    /// Fate of every observation, in input order.
    pub fates: Vec<Fate>,
    /// Session time of every observation, in input order.
    pub observation_times_s: Vec<f64>,
    /// What sightings' errors are like, and how much that widens path and set-up.
    pub misfit: Misfit,
    /// Standard deviation of every clock's offset in the middle of the camera's sightings, seconds.
    pub offset_sd_s: Vec<f64>,
    /// What the data could not tell.
    pub degeneracies: Vec<Degeneracy>,
    /// How far the set-up has been pulled from its joint prior: chi-square, and parameters it is about. Far above their
    /// number: the prior is wrong, as when a camera has been moved.
    pub prior_pull: Option<(f64, usize)>,
    /// How it went.
    pub report: SolveReport,
    /// Covariance of the border, widened.
    pub border_covariance: DMatrix<f64>,
    pub(super) factor: ArrowFactor,
    pub(super) replicator: Replicator,
    /// Pull of the jerk at the solution: what the sightings hold against, right-hand sides of band and border.
    pub(super) pull: (Vec<f64>, DVector<f64>),
    pub(super) band_inverse: Vec<f64>,
    pub(super) gain: Vec<f64>,
}

impl Solution {
    /// Solved cameras, in input order.
    #[must_use]
    pub fn cameras(&self) -> &[CameraState] {
        &self.state.cameras
    }

    /// Number of observations used and set aside (for whatever reason) of one camera.
    #[must_use]
    pub fn counts(&self, problem: &Problem, camera_idx: usize) -> (u64, u64) {
        let mut out = (0, 0);
        for (o, fate) in problem.observations.iter().zip(&self.fates) {
            if o.camera_idx == camera_idx {
                if matches!(fate, Fate::Used { .. }) { out.0 += 1 } else { out.1 += 1 }
            }
        }
        out
    }

    /// Number of observations used, all cameras together.
    #[must_use]
    pub fn used(&self) -> usize {
        self.fates.iter().filter(|f| matches!(f, Fate::Used { .. })).count()
    }

    /// Root mean square distance between observed and predicted pixels, used observations.
    #[must_use]
    pub fn reprojection_rms_px(&self) -> f64 {
        let (mut sum, mut n) = (0.0, 0.0);
        for fate in &self.fates {
            if let Fate::Used { residual_px: [x, y], .. } = fate {
                sum += x * x + y * y;
                n += 1.0;
            }
        }
        (sum / f64::max(n, 1.0)).sqrt()
    }

    /// Position at a session time; `None` where there is no path.
    #[must_use]
    pub fn position(&self, marker_idx: usize, t_s: f64) -> Option<Point3<f64>> {
        Some(self.movement(marker_idx, t_s)?.0)
    }

    /// Position (m), velocity (m/s) and acceleration (m/s^2) at a session time, without their covariance, which costs more than they do;
    /// `None` where there is no path.
    #[must_use]
    pub fn movement(&self, marker_idx: usize, t_s: f64) -> Option<(Point3<f64>, Vector3<f64>, Vector3<f64>)> {
        Some(self.at_locus(marker_idx, self.timeline.locate(t_s)?))
    }

    fn at_locus(&self, marker_idx: usize, locus: Locus) -> (Point3<f64>, Vector3<f64>, Vector3<f64>) {
        place(&self.timeline, &self.state, marker_idx, locus)
    }

    /// Kinematics with joint covariance (set-up included) at a session time; `None` where there is no path.
    #[must_use]
    pub fn kinematics(&self, marker_idx: usize, t_s: f64) -> Option<Kinematics> {
        let locus = self.timeline.locate(t_s)?;
        let (p, v, a) = self.at_locus(marker_idx, locus);
        let w = self.timeline.weights(locus);
        let rows = [w.value, w.rate_per_s, w.acceleration_per_s2];
        let first = locus.first_coefficient_idx;
        let rate = self.misfit.rate_factors[marker_idx];
        let widen = [self.misfit.marker_factors[marker_idx], rate, rate];
        let mut covariance = SMatrix::<f64, 9, 9>::zeros();
        for r in 0..3 {
            for c in 0..=r {
                let block = self.band_block(marker_idx, first, &rows[r], &rows[c]) * (widen[r] * widen[c]);
                covariance.fixed_view_mut::<3, 3>(3 * r, 3 * c).copy_from(&block);
                if r != c {
                    covariance.fixed_view_mut::<3, 3>(3 * c, 3 * r).copy_from(&block.transpose());
                }
            }
        }
        let q = self.layout.size;
        if q > 0 {
            let mut follow = DMatrix::zeros(9, q);
            for (r, weights) in rows.iter().enumerate() {
                for (k, f) in weights.iter().enumerate() {
                    for x in 0..3 {
                        let at = self.state.order.at(first + k, marker_idx) + x;
                        for (b, g) in self.gain[at * q..(at + 1) * q].iter().enumerate() {
                            follow[(3 * r + x, b)] -= f * g;
                        }
                    }
                }
            }
            let border = &follow * &self.border_covariance * follow.transpose();
            covariance += border.fixed_view::<9, 9>(0, 0);
        }
        Some(Kinematics {
            position_in_world: p,
            velocity_in_world_m_s: v,
            acceleration_in_world_m_s2: a,
            covariance,
        })
    }

    /// Standard deviation of the position with the set-up taken as known (root of the sum over the axes), metres: what
    /// the sightings near this instant leave open, without what is wrong everywhere alike.
    #[must_use]
    pub fn path_sd_m(&self, marker_idx: usize, t_s: f64) -> Option<f64> {
        let locus = self.timeline.locate(t_s)?;
        let w = self.timeline.weights(locus).value;
        let block = self.band_block(marker_idx, locus.first_coefficient_idx, &w, &w);
        Some(block.trace().max(0.0).sqrt() * self.misfit.marker_factors[marker_idx])
    }

    fn band_block(&self, marker_idx: usize, first: usize, left: &[f64; 4], right: &[f64; 4]) -> Matrix3<f64> {
        let order = self.state.order;
        let half_band = order.half_band();
        let stride = half_band + 1;
        let mut out = Matrix3::zeros();
        for (a, fa) in left.iter().enumerate() {
            for (b, fb) in right.iter().enumerate() {
                for x in 0..3 {
                    for y in 0..3 {
                        let i = order.at(first + a, marker_idx) + x;
                        let j = order.at(first + b, marker_idx) + y;
                        let (i, j) = if i >= j { (i, j) } else { (j, i) };
                        out[(x, y)] += fa * fb * self.band_inverse[i * stride + half_band + j - i];
                    }
                }
            }
        }
        out
    }

    /// Standard deviation of a sum of [`PathTerm`]s, set-up included, widened as [`Self::kinematics`] is, however far apart in
    /// time its terms are. `None` where a term has no path.
    #[must_use]
    pub fn form_sd(&self, terms: &[PathTerm]) -> Option<f64> {
        let mut rhs = vec![0.0; self.state.coefficients_m.len()];
        for term in terms {
            let locus = self.timeline.locate(term.t_s)?;
            let weights = self.timeline.weights(locus).value;
            for (k, w) in weights.iter().enumerate() {
                let at = self.state.order.at(locus.first_coefficient_idx + k, term.marker_idx);
                for x in 0..3 {
                    rhs[at + x] += w * term.direction[x];
                }
            }
        }
        let widest = terms.iter().map(|t| self.misfit.marker_factors[t.marker_idx]).fold(1.0, f64::max);
        let (held, by_border) = self.factor.form(rhs);
        let variance = held * widest * widest + by_border.dot(&(&self.border_covariance * &by_border));
        Some(variance.max(0.0).sqrt())
    }

    /// Standard deviation of a border parameter; zero when it was fixed.
    #[must_use]
    pub fn border_sd(&self, slot: Option<usize>) -> f64 {
        slot.map_or(0.0, |at| self.border_covariance[(at, at)].max(0.0).sqrt())
    }

    /// Cameras that used a sighting of the marker within half their frame step there of each of the given times (in order).
    #[must_use]
    pub fn views(&self, problem: &Problem, marker_idx: usize, times_s: &[f64]) -> Vec<u8> {
        let steps_s = super::stretch::local_steps_s(problem);
        let mut out = vec![0_u8; times_s.len()];
        for k in 0..problem.cameras.len() {
            let mut seen: Vec<(f64, f64)> = problem
                .observations
                .iter()
                .zip(&self.fates)
                .zip(self.observation_times_s.iter().zip(&steps_s))
                .filter(|((o, fate), _)| {
                    o.camera_idx == k && o.marker_idx == marker_idx && matches!(fate, Fate::Used { .. })
                })
                .map(|(_, (t, step_s))| (*t, *step_s))
                .collect();
            seen.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (views, t) in out.iter_mut().zip(times_s) {
                let after = seen.partition_point(|s| s.0 < *t);
                let near = |i: usize| seen.get(i).is_some_and(|s| (s.0 - t).abs() <= 0.51 * s.1);
                if near(after) || (after > 0 && near(after - 1)) {
                    *views = views.saturating_add(1);
                }
            }
        }
        out
    }
}

pub(super) fn place(
    timeline: &Timeline,
    state: &State,
    marker_idx: usize,
    locus: Locus,
) -> (Point3<f64>, Vector3<f64>, Vector3<f64>) {
    let w = timeline.weights(locus);
    let first = locus.first_coefficient_idx;
    let at = |weights: &[f64; 4]| state.combine(marker_idx, first, weights);
    (Point3::from(at(&w.value)), at(&w.rate_per_s), at(&w.acceleration_per_s2))
}
