//! The iteration: Levenberg-Marquardt steps between updates of noise and smoothness.

use nalgebra::DVector;

use super::assemble::{Hyper, Setting};
use super::band::{Arrow, ArrowFactor};
use super::correlation::mean_correlation;
use super::error::MotionError;
use super::finish::finish;
use super::initial::linear_path;
use super::linear::{linearise, whitener};
use super::outcome::SolveReport;
use super::prior::{JointPrior, joint_prior};
use super::problem::{Loss, MotionConfig, Noise, Problem, Smoothness};
use super::solution::Solution;
use super::spline::Timeline;
use super::state::{Layout, State};
use super::stretch::{lay_out, pieces_of};
use crate::math::median;

/// Where the iteration begins when a solution of nearly the same problem is at hand.
#[derive(Debug, Clone)]
pub struct Start {
    /// Coefficients and cameras; the coefficients must fit the timeline.
    pub state: State,
    /// Noise and smoothness.
    pub hyper: Hyper,
}

/// Solves a problem from the poses and clocks it gives; the first path comes from linear least squares on the rays.
///
/// # Errors
/// See [`MotionError`].
pub fn solve(problem: &Problem, config: &MotionConfig) -> Result<Solution, MotionError> {
    solve_from(problem, config, None)
}

/// Solves a problem, from a start when one is given.
///
/// # Errors
/// See [`MotionError`].
pub fn solve_from(
    problem: &Problem,
    config: &MotionConfig,
    start: Option<Start>,
) -> Result<Solution, MotionError> {
    check(problem)?;
    let nothing = || MotionError::NothingInCommon {
        observations: problem.observations.len(),
        cameras: problem.cameras.len(),
    };
    let timeline = match &problem.timeline {
        Some(t) => t.clone(),
        None => lay_out(problem, config).ok_or_else(nothing)?,
    };
    if timeline.coefficients() == 0 {
        return Err(nothing());
    }
    let fresh = State::start(problem, &timeline);
    let layout = Layout::new(&problem.cameras, &fresh.cameras);
    let prior = joint_prior(problem, &layout);
    let stands = super::rest::stands(problem, config.rest_px);
    let mut run = Run { problem, config, timeline, layout, prior, piece_of: Vec::new(), stands };
    let (mut state, mut hyper) = match start {
        Some(s)
            if s.state.coefficients_m.len() == fresh.coefficients_m.len() && s.state.order == fresh.order =>
        {
            run.assign_pieces(&s.state);
            (s.state, s.hyper)
        }
        _ => run.first_path(fresh)?,
    };
    let report = run.iterate(&mut state, &mut hyper)?;
    let Run { timeline, layout, prior, piece_of, stands, .. } = run;
    finish(problem, config, timeline, layout, prior, piece_of, &stands, state, hyper, report)
}

/// How far the volume of paths may move a set-up in a round, in standard deviations of what is known of it. Where it settles, at surveyed
/// flights (sets 1 and 2) and at a simulated take (coverage, set-up 0) alike, it moves it by 0.4 to 2.6; set-up 3 asked for 6 to 56. On
/// set-ups 20 to 39, which set nothing, every stroke is found.
const MOST_PULL: f64 = 4.0;
/// Rounds that ask for more before the volume is left out: where one camera alone sees a marker for a second and more, its depth follows
/// from smoothness, smoothness from its depth, and neither comes to rest.
const FAR_ROUNDS: u32 = 3;

struct Run<'a> {
    problem: &'a Problem,
    config: &'a MotionConfig,
    timeline: Timeline,
    layout: Layout,
    prior: Option<JointPrior>,
    piece_of: Vec<Option<usize>>,
    /// Sightings by where their marker stands ([`super::rest::stands`]).
    stands: Vec<Vec<usize>>,
}

impl Run<'_> {
    fn setting(&self, loss: Loss) -> Setting<'_> {
        Setting {
            problem: self.problem,
            timeline: &self.timeline,
            layout: &self.layout,
            piece_of: &self.piece_of,
            joint_prior: &self.prior,
            loss,
        }
    }

    fn assign_pieces(&mut self, state: &State) {
        let times: Vec<f64> = self
            .problem
            .observations
            .iter()
            .map(|o| {
                let fraction = self.problem.cameras[o.camera_idx].picture.shutter_fraction(o.pixel);
                state.cameras[o.camera_idx].session_s(o.pts_s, fraction)
            })
            .collect();
        self.piece_of = pieces_of(&self.timeline, &times);
    }

    fn first_path(&mut self, mut state: State) -> Result<(State, Hyper), MotionError> {
        self.assign_pieces(&state);
        let h = self.timeline.spacing_s();
        let spans = self.timeline.coefficients() * self.problem.markers;
        // One pixel at unit depth, smoothed over three frames of the slowest camera (a jerk density q blurs white
        // noise of density n over about (n / q)^(1/6)): little, for a path smoothed too much at first drags poses
        // along. The linear solution scales it by the square of the depth it finds. Knots that were asked for say how lively the motion
        // is, and where it is known to be lively a faster camera beside a slow one shows it: frames farther apart than those are no
        // reason to smooth over more (a tenth of a second at 30 frames a second, which put waved wands and casts off by hundreds of
        // pixels, and no pose came back from that).
        let steps_s = super::stretch::frame_steps_s(self.problem);
        let steps_s = || steps_s.iter().copied().filter(|s| s.is_finite());
        let fastest_s = steps_s().fold(f64::INFINITY, f64::min);
        let shown_s = self.config.lively_s.map_or(f64::INFINITY, |lively_s| lively_s.max(fastest_s));
        let slowest_s = steps_s().fold(h, f64::max).min(self.config.knot_spacing_s.unwrap_or(shown_s));
        let first = &self.problem.cameras[0];
        let sigma =
            self.problem.observations.first().map_or(1.0, |o| (0.5 * (o.cov_px2[0] + o.cov_px2[2])).sqrt())
                / first.lens.fx_px;
        let density = match self.config.smoothness {
            Smoothness::Fixed { jerk_density_m2_s5 } => jerk_density_m2_s5,
            _ => sigma * sigma * slowest_s / (3.0 * slowest_s).powi(6),
        };
        let series = self.problem.cameras.len() * self.problem.markers;
        let lasting = vec![1.0; series];
        let mut hyper = Hyper {
            noise_scale: vec![1.0; series],
            jerk_density_m2_s5: vec![density; spans],
            length_slack: 1.0,
            prior_weight: 1.0,
            size_m: None,
            share: super::rest::shares(self.problem, &self.stands, &lasting),
            lasting,
            rejected: vec![false; self.problem.observations.len()],
        };
        let adapt = self.config.smoothness.is_chosen();
        let setting = self.setting(Loss::Cauchy { scale: 3.0 });
        if !linear_path(&setting, &mut state, &mut hyper, 4, adapt) {
            return Err(MotionError::Singular { what: "linear path from the rays" });
        }
        // Poses and clocks may be well off: begin with the noise the first path shows and let it shrink.
        let medians = self.median_whitened(&state, &hyper);
        for (scale, median) in hyper.noise_scale.iter_mut().zip(medians) {
            // Median of the length of two standard normals: sqrt(2 ln 2).
            let shown = median / (2.0 * std::f64::consts::LN_2).sqrt();
            if shown.is_finite() {
                *scale *= shown.clamp(1.0, 1e4);
            }
        }
        Ok((state, hyper))
    }

    /// Whitened residuals of the observations in use.
    fn whitened(&self, state: &State, hyper: &Hyper) -> Vec<Option<[f64; 2]>> {
        let problem = self.problem;
        let one = |(i, o): (usize, &super::problem::Observation)| {
            let piece = self.piece_of[i].filter(|_| !hyper.rejected[i])?;
            let scale = hyper.noise_scale[self.problem.series_idx(o)];
            let lin = linearise(problem, &self.timeline, &self.layout, state, o, piece, scale)?;
            Some([lin.residual.x, lin.residual.y])
        };
        problem.observations.iter().enumerate().map(one).collect()
    }

    /// Median whitened residual of each camera, marker by marker.
    fn median_whitened(&self, state: &State, hyper: &Hyper) -> Vec<f64> {
        let mut lengths = vec![Vec::new(); hyper.noise_scale.len()];
        for (i, o) in self.problem.observations.iter().enumerate() {
            let Some(piece) = self.piece_of[i] else { continue };
            let series = self.problem.series_idx(o);
            let scale = hyper.noise_scale[series];
            if let Some(lin) = linearise(self.problem, &self.timeline, &self.layout, state, o, piece, scale) {
                lengths[series].push(lin.residual.norm());
            }
        }
        lengths.into_iter().map(|l| median(l).unwrap_or(f64::NAN)).collect()
    }

    fn iterate(&mut self, state: &mut State, hyper: &mut Hyper) -> Result<SolveReport, MotionError> {
        let n = state.coefficients_m.len();
        let mut arrow = Arrow::new(n, state.order.half_band(), self.layout.size);
        let adaptive = self.config.smoothness.is_chosen()
            || self.config.noise == Noise::Estimate
            || self.config.reject_at.is_finite();
        // slope of what the path's volume adds to the cost, by the border
        let mut lean = DVector::zeros(self.layout.size);
        let (mut leans, mut far) = (self.layout.size > 0 && self.config.smoothness.is_chosen(), 0);
        let mut damping = 1e-6;
        let mut report = SolveReport::default();
        let slack = |hyper: &Hyper| hyper.noise_scale.iter().copied().fold(1.0, f64::max);
        // Gross errors pull less, and nothing is set aside, until the steps have become small.
        let mut warm = adaptive && self.config.loss != Loss::Squares;
        let mut settled = !adaptive;
        let mut quiet = 0;
        for iteration in 0..self.config.max_iterations {
            report.iterations = iteration + 1;
            hyper.length_slack = if warm { slack(hyper) } else { 1.0 };
            let loss = if warm { Loss::Cauchy { scale: 3.0 } } else { self.config.loss };
            let before = self.setting(loss).cost(state, hyper, Some(&mut arrow));
            arrow.border_rhs -= &lean;
            let step = self.step(loss, (state, hyper), (&arrow, &lean), before, &mut damping);
            let Some((moved, after, factor)) = step else {
                if settled {
                    report.converged = true;
                    break;
                }
                settled = !warm;
                warm = false;
                continue;
            };
            let decrease = (before - after) / before.abs().max(1e-300);
            *state = moved;
            report.cost = after;
            if settled {
                if before - after < self.config.tolerance {
                    report.converged = true;
                    break;
                }
                continue;
            }
            if decrease > 0.3 && warm && iteration < 8 {
                continue;
            }
            self.assign_pieces(state);
            // Undamped: damping would pass for knowledge of the path.
            let covariance = (!warm && leans).then(|| factor.border_covariance());
            let band = arrow.factor_band().unwrap_or(factor);
            let z = band.band_inverse();
            let setting = self.setting(loss);
            let a = super::hyper::update_smoothness(&setting, self.config, state, &z, hyper);
            if self.config.smoothness.is_chosen() {
                hyper.size_m = state.size_m();
            }
            if !warm {
                let whitened = self.whitened(state, hyper);
                hyper.lasting = super::rest::lasting(self.problem, &self.stands, &whitened);
                hyper.share = super::rest::shares(self.problem, &self.stands, &hyper.lasting);
            }
            let b = super::hyper::update_noise(&setting, self.config, state, &z, hyper, !warm);
            if let Some(covariance) = covariance {
                lean = super::volume::gradient(&setting, state, hyper, (&arrow, &band, &z));
                let pull = lean.dot(&(&covariance * &lean)).sqrt();
                if pull > MOST_PULL {
                    lean *= MOST_PULL / pull;
                    far += 1;
                }
                if far > FAR_ROUNDS {
                    leans = false;
                    lean.fill(0.0);
                }
            }
            report.hyper_rounds += 1;
            if self.config.widen_for_correlation && !warm {
                let whitened = self.whitened(state, hyper);
                hyper.prior_weight = mean_correlation(self.problem, &whitened, &hyper.share);
            }
            if warm && ((decrease < 0.01 && b < 0.1) || iteration >= 20) {
                warm = false;
                if self.config.noise == Noise::AsGiven {
                    hyper.noise_scale.fill(1.0);
                }
                continue;
            }
            // Settled when two rounds in a row change densities by less than 10 % (a path's sd goes with the sixth root)
            // and noise by less than 1 %, and nothing moves much.
            let calm = a < 0.1 && b < 0.01 && decrease < 1e-3 && !warm;
            quiet = if calm { quiet + 1 } else { 0 };
            settled = quiet >= 2 || iteration + 15 >= self.config.max_iterations;
        }
        hyper.length_slack = 1.0;
        Ok(report)
    }

    fn step(
        &self,
        loss: Loss,
        (state, hyper): (&State, &Hyper),
        (arrow, lean): (&Arrow, &DVector<f64>),
        before: f64,
        damping: &mut f64,
    ) -> Option<(State, f64, ArrowFactor)> {
        for _ in 0..12 {
            if let Some(factor) = arrow.factor(*damping) {
                let (x, b) = factor.solve(arrow);
                let moved = state.moved(&self.layout, &x, b.as_slice());
                let after = self.setting(loss).cost(&moved, hyper, None) + lean.dot(&b);
                if after.is_finite() && after <= before {
                    *damping = (*damping * 0.1).max(1e-12);
                    return Some((moved, after, factor));
                }
            }
            *damping = (*damping * 10.0).max(1e-9);
            if *damping > 1e6 {
                break;
            }
        }
        *damping = 1e-6;
        None
    }
}

fn check(problem: &Problem) -> Result<(), MotionError> {
    for (i, o) in problem.observations.iter().enumerate() {
        let camera = problem.cameras.get(o.camera_idx);
        let name = camera.map_or_else(|| o.camera_idx.to_string(), |c| c.name.clone());
        let bad = |what| MotionError::BadObservation { observation_idx: i, camera: name.clone(), what };
        if camera.is_none() {
            return Err(bad("no such camera"));
        }
        if o.marker_idx >= problem.markers {
            return Err(bad("no such marker"));
        }
        if !(o.pts_s.is_finite() && o.pixel.x_px.is_finite() && o.pixel.y_px.is_finite()) {
            return Err(bad("a number is not finite"));
        }
        if whitener(o.cov_px2).is_none() {
            return Err(bad("its covariance is not positive definite"));
        }
    }
    if problem.markers == 0 || problem.cameras.is_empty() || problem.observations.is_empty() {
        return Err(MotionError::NothingInCommon {
            observations: problem.observations.len(),
            cameras: problem.cameras.len(),
        });
    }
    Ok(())
}
