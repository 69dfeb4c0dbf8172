//! From the state at the end of the iteration to what is handed out.

use super::assemble::{Hyper, Setting};
use super::band::Arrow;
use super::degeneracy::{find_degeneracies, offset_sd_mid_s};
use super::error::MotionError;
use super::linear::linearise;
use super::misfit::{self, Misfit};
use super::outcome::{Fate, SolveReport};
use super::prior::JointPrior;
use super::problem::{MotionConfig, Problem};
use super::replicate::Replicator;
use super::solution::Solution;
use super::spline::Timeline;
use super::state::{Layout, State};

#[allow(clippy::too_many_arguments)]
pub(super) fn finish(
    problem: &Problem,
    config: &MotionConfig,
    timeline: Timeline,
    layout: Layout,
    prior: Option<JointPrior>,
    piece_of: Vec<Option<usize>>,
    stands: &[Vec<usize>],
    state: State,
    hyper: Hyper,
    mut report: SolveReport,
) -> Result<Solution, MotionError> {
    let setting = Setting {
        problem,
        timeline: &timeline,
        layout: &layout,
        piece_of: &piece_of,
        joint_prior: &prior,
        loss: config.loss,
    };
    let mut arrow = Arrow::new(state.coefficients_m.len(), state.order.half_band(), layout.size);
    report.cost = setting.cost(&state, &hyper, Some(&mut arrow));
    // A hair of damping where the data and the prior leave a coefficient all but free.
    let factor = [0.0, 1e-7, 1e-5]
        .into_iter()
        .find_map(|d| arrow.factor(d))
        .ok_or(MotionError::Singular { what: "covariance of the solution" })?;
    let mut fates = Vec::with_capacity(problem.observations.len());
    let mut times = Vec::with_capacity(problem.observations.len());
    for (i, o) in problem.observations.iter().enumerate() {
        let camera = &problem.cameras[o.camera_idx];
        let fraction = camera.picture.shutter_fraction(o.pixel);
        times.push(state.cameras[o.camera_idx].session_s(o.pts_s, fraction));
        let scale = hyper.noise_scale[problem.series_idx(o)];
        fates.push(match piece_of[i] {
            None => Fate::OffPath,
            Some(piece) => match linearise(problem, &timeline, &layout, &state, o, piece, scale) {
                None => Fate::Outlier { whitened: f64::INFINITY },
                Some(lin) if hyper.rejected[i] => Fate::Outlier { whitened: lin.residual.norm() },
                Some(lin) => {
                    Fate::Used { whitened: lin.residual.norm(), residual_px: lin.residual_px.into() }
                }
            },
        });
    }
    let band_inverse = factor.band_inverse();
    let gain = factor.gain();
    // factored by now: its room serves for the jerk alone
    arrow.clear();
    setting.jerk_only(&state, &hyper, &mut arrow);
    let mut replicator = Replicator::new(&setting, &state, &hyper, stands);
    let misfit = if config.widen_for_correlation {
        misfit::find(&mut replicator, &factor, &band_inverse, &arrow.rhs)
    } else {
        Misfit::none(problem.markers, layout.size)
    };
    let mut border_covariance = factor.border_covariance();
    let prior_pull = prior
        .as_ref()
        .map(|p| p.pull(problem, &state, misfit.border_spread.as_ref().unwrap_or(&border_covariance)));
    for ((i, j), f) in misfit.border_pairs() {
        border_covariance[(i, j)] *= f;
    }
    let mut solution = Solution {
        timeline,
        markers: problem.markers,
        state,
        hyper,
        layout,
        fates,
        observation_times_s: times,
        misfit,
        offset_sd_s: Vec::new(),
        degeneracies: Vec::new(),
        prior_pull,
        report,
        border_covariance,
        factor,
        replicator,
        pull: (arrow.rhs, arrow.border_rhs),
        band_inverse,
        gain,
    };
    solution.offset_sd_s =
        (0..problem.cameras.len()).map(|k| offset_sd_mid_s(problem, &solution, k)).collect();
    solution.degeneracies = find_degeneracies(problem, &solution);
    Ok(solution)
}
