//! One least squares over both ends of the wand and the whole set-up.

use super::ends::Ends;
use super::start::Begun;
use super::{WandConfig, WandError, WandInput};
use crate::motion::{
    CameraFreedom, CameraModel, ClockShift, Distance, Freedom, Observation, Problem, Solution, solve,
};
use crate::times::covariances_px2;
use crate::tracks::gather::{Source, gather};

/// The solved wand clips.
#[derive(Debug)]
pub(super) struct WandJoint {
    pub solution: Solution,
    /// The candidates its observations come from, in their order.
    pub sources: Vec<Source>,
    /// Candidates of the wand's colour in the frames looked at.
    pub offered: u64,
    /// Sightings there would be if every frame looked at showed both ends.
    pub possible: u64,
}

/// Solves both ends' paths and the set-up. Readouts in `begun` change their sign for cameras whose pictures turn out to be
/// turned over.
pub(super) fn solve_joint(
    input: &WandInput,
    config: &WandConfig,
    begun: &mut Begun,
    ends: &Ends,
) -> Result<WandJoint, WandError> {
    let every: Vec<usize> = input
        .cameras
        .iter()
        .map(|c| ((1.0 / c.wand.frame_step_s() / config.sightings_per_s) as usize).max(1))
        .collect();
    let mut sources: Vec<Source> =
        ends.sources.iter().filter(|s| s.frame_pos % every[s.view_idx] == 0).copied().collect();
    let problem = build(input, config, begun, ends, &sources, None);
    let failed = |e: crate::motion::MotionError| WandError::Unsolved { reason: e.to_string() };
    let mut solution = solve(&problem, &config.motion).map_err(failed)?;
    if let Some((other, better)) = turned_over(input, config, begun, ends, &sources, &solution) {
        (*begun, solution) = (other, better);
    }
    let clips: Vec<_> = input.cameras.iter().map(|c| c.wand).collect();
    for _ in 0..2 {
        let gathered = gather(&clips, &[begun.colour; 2], &solution, config.gather_px, &every);
        if gathered == sources {
            break;
        }
        let next = build(input, config, begun, ends, &gathered, Some(&solution));
        match solve(&next, &config.motion) {
            Ok(better) => {
                sources = gathered;
                solution = better;
            }
            Err(_) => break,
        }
    }
    let offered = input
        .cameras
        .iter()
        .zip(&every)
        .flat_map(|(c, step)| c.wand.frames.iter().step_by(*step))
        .map(|f| f.candidates.iter().filter(|c| c.colour == begun.colour).count() as u64)
        .sum();
    let frames = input.cameras.iter().zip(&every).map(|(c, step)| c.wand.frames.len().div_ceil(*step) as u64);
    let possible = 2 * frames.sum::<u64>();
    Ok(WandJoint { solution, sources, offered, possible })
}

/// Pull on a readout, in standard deviations of what phones do, at which a clip is suspected of having been turned over.
const STRANGE_READOUT_SD: f64 = 2.0;

/// Logarithm of how much rarer clips that were turned over are than others: one in fifty, a guess. Readouts of 0.3 and of the
/// whole of a frame's step look to level cameras like 0.35 and -0.35, and are the likelier.
const TURNED_OVER_LOG_ODDS: f64 = 3.9;

/// The solution with the shutter running up in one of the cameras, where readouts are strange and this explains them better:
/// a phone held the other way round whose clip was turned by 180 degrees afterwards, so that nothing in it says that the
/// last row was read first.
fn turned_over(
    input: &WandInput,
    config: &WandConfig,
    begun: &Begun,
    ends: &Ends,
    sources: &[Source],
    solution: &Solution,
) -> Option<(Begun, Solution)> {
    let pulls = |begun: &Begun, solution: &Solution| -> Vec<f64> {
        let guesses = begun.readouts_s.iter().zip(solution.cameras());
        guesses.map(|(g, c)| if g.sd > 0.0 { (c.clock.readout_s - g.value) / g.sd } else { 0.0 }).collect()
    };
    // Minus the logarithm of the likelihood, the noise found from the residuals, and of the readouts' priors.
    #[allow(clippy::cast_precision_loss)]
    let score = |begun: &Begun, solution: &Solution| -> f64 {
        let pull2: f64 = pulls(begun, solution).iter().map(|p| p * p).sum();
        2.0 * solution.used() as f64 * solution.reprojection_rms_px().ln() + 0.5 * pull2
    };
    if pulls(begun, solution).iter().all(|p| p.abs() < STRANGE_READOUT_SD) {
        return None;
    }
    let as_is = score(begun, solution);
    let turn = |k: usize| -> Option<(f64, Begun, Solution)> {
        let mut other = begun.clone();
        other.readouts_s[k].value *= -1.0;
        other.clocks[k].readout_s = other.readouts_s[k].value;
        let turned = solve(&build(input, config, &other, ends, sources, None), &config.motion).ok()?;
        Some((score(&other, &turned), other, turned))
    };
    (0..input.cameras.len())
        .filter(|&k| input.cameras[k].readout_s.is_none())
        .filter_map(turn)
        // one that sets sightings aside would score well for the rest
        .filter(|(score, _, turned)| score + TURNED_OVER_LOG_ODDS < as_is && turned.used() >= solution.used())
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, other, turned)| (other, turned))
}

/// A lens is as unsure as its file says, or as calibrations commonly are when it does not say.
fn lens_freedom(stated_sd: Option<f64>, common_sd: f64) -> Freedom {
    match stated_sd.unwrap_or(common_sd) {
        sd if sd > 0.0 => Freedom::Prior { mean: 0.0, sd },
        _ => Freedom::Fixed,
    }
}

fn build(
    input: &WandInput,
    config: &WandConfig,
    begun: &Begun,
    ends: &Ends,
    sources: &[Source],
    start: Option<&Solution>,
) -> Problem {
    // the first camera's rate counts as well: it is the session's
    let rate_sd = |k: usize| input.cameras[k].wand.times.rate_sd();
    let rates_sd = |k: usize| rate_sd(k).hypot(rate_sd(0));
    let cameras = input
        .cameras
        .iter()
        .enumerate()
        .map(|(k, c)| CameraModel {
            name: c.name().to_string(),
            lens: c.lens.clone(),
            picture: c.wand.picture,
            camera_from_world: start
                .map_or(begun.poses[k].camera_from_world, |s| s.cameras()[k].camera_from_world),
            clock: start.map_or(begun.clocks[k], |s| s.cameras()[k].clock),
            free: CameraFreedom {
                readout_s: Freedom::known(begun.readouts_s[k]),
                readout_within_s: Some(CameraFreedom::readout_range_s(
                    begun.readouts_s[k].value,
                    c.wand.frame_step_s(),
                )),
                pose: k > 0,
                focal_log: lens_freedom(c.lens.fx_sd_px.map(|sd| sd / c.lens.fx_px), config.lens_sd[0]),
                centre_shift_px: lens_freedom(
                    c.lens.cx_sd_px.zip(c.lens.cy_sd_px).map(|(x, y)| x.hypot(y) / 2_f64.sqrt()),
                    config.lens_sd[1],
                ),
                k1_shift: lens_freedom(c.lens.distortion_sd.map(|sd| sd[0]), config.lens_sd[2]),
                ..CameraFreedom::of_clock(
                    k,
                    Freedom::Prior { mean: 0.0, sd: config.drift_sd.hypot(rates_sd(k)) },
                )
            },
        })
        .collect();
    let clips: Vec<_> = input.cameras.iter().map(|c| c.wand).collect();
    let observations = sources
        .iter()
        .zip(covariances_px2(&clips, sources))
        .map(|(s, cov_px2)| {
            let frame = &clips[s.view_idx].frames[s.frame_pos];
            Observation {
                camera_idx: s.view_idx,
                marker_idx: s.marker_idx,
                pts_s: frame.pts_s,
                pixel: frame.candidates[s.candidate_idx].centre,
                cov_px2,
            }
        })
        .collect();
    // one length per two knots: the paths between are tied to it by their smoothness
    let spacing_s = 2.0 / config.sightings_per_s;
    let mut distances: Vec<Distance> = Vec::new();
    for &t_s in &ends.both_s {
        if distances.last().is_none_or(|d| t_s - d.t_s >= spacing_s) {
            distances.push(Distance {
                marker_a_idx: 0,
                marker_b_idx: 1,
                t_s,
                length_m: input.length_m.value,
                sd_m: config.length_each_sd_m,
            });
        }
    }
    let shifts = ClockShift::of_clips(clips.iter().map(|c| &c.times));
    Problem { distances, shifts, ..Problem::new(cameras, 2, observations) }
}
