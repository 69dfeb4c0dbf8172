//! One least squares over the paths of all markers, clocks, readouts and small corrections of poses.

use nalgebra::DMatrix;

use super::chain::Chain;
use super::view::View;
use super::{PathConfig, PathError, TakeInput};
use crate::model::{OffsetSource, Role, Severity, Warning};
use crate::motion::gather::{Source, gather, unique};
use crate::motion::pieces::Piece;
use crate::motion::{CameraFreedom, CameraModel, Degeneracy, Freedom, Observation, Problem, Solution, solve};

/// Smallest standard deviation a sound offset counts with in the solution: the delay between sound and picture inside
/// a phone is not known better than this (common practice).
const SOUND_FLOOR_S: f64 = 0.01;
/// Pose freedom when a camera is suspected of having been moved: a knock, radians and metres.
const KNOCK: [f64; 2] = [0.02, 0.05];

/// The solved take.
#[derive(Debug)]
pub(super) struct Joint {
    pub problem: Problem,
    pub sources: Vec<Source>,
    pub solution: Solution,
    pub roles: Vec<(Role, f64)>,
}

pub(super) fn solve_joint(
    input: &TakeInput,
    config: &PathConfig,
    views: &[View],
    chains: &[Chain],
    warnings: &mut Vec<Warning>,
) -> Result<Joint, PathError> {
    let failed = |e: crate::motion::MotionError| PathError::Unsolved {
        reason: e.to_string(),
        take: input.take.to_string(),
    };
    let clips: Vec<_> = views.iter().map(|v| (v.spots, v.lens)).collect();
    let colours: Vec<_> = chains.iter().map(|c| c.look.colour).collect();
    let mut sources = first_sources(config, views, chains);
    let mut problem = build(input, config, views, chains, &sources, None);
    let mut solution = solve(&problem, &config.motion).map_err(failed)?;
    // what is near the solution is taken in, what is not is left; once or twice settles it
    for _ in 0..2 {
        let gathered = gather(&clips, &colours, &solution, config.gather_px, &[]);
        if gathered == sources {
            break;
        }
        let next = build(input, config, views, chains, &gathered, Some(&solution));
        match solve(&next, &config.motion) {
            Ok(better) => {
                sources = gathered;
                problem = next;
                solution = better;
            }
            Err(_) => break,
        }
    }
    let rms_px = solution.reprojection_rms_px();
    if rms_px > config.moved_px {
        if let Some((view_idx, moved_problem, moved)) = try_moved(config, &problem, rms_px) {
            let state = &moved.cameras()[view_idx];
            let turn =
                state.camera_from_world.rotation * views[view_idx].pose.camera_from_world.rotation.inverse();
            warnings.push(Warning::new(
                Severity::Warning,
                format!("{}, {}", input.take, views[view_idx].name),
                format!(
                    "a camera stands otherwise than in the scene: the two agree again when {} is turned by {:.2} degrees (reprojection {:.2} px before, {:.2} px after); the path was solved with the turn",
                    views[view_idx].name,
                    turn.angle().to_degrees(),
                    rms_px,
                    moved.reprojection_rms_px()
                ),
                "Film the wand again after a tripod was touched; heights and angles of this take are less sure",
            ));
            problem = moved_problem;
            solution = moved;
        } else {
            warnings.push(Warning::new(
                Severity::Warning,
                input.take,
                format!("the cameras disagree by {rms_px:.2} px (1 px is common)"),
                "Check that lens files belong to these phones and that stabilisation was off; film the wand again",
            ));
        }
    }
    tell_degeneracies(input, views, &solution, warnings);
    let roles = chains.iter().map(|c| (c.look.role, c.look.at_m)).collect();
    Ok(Joint { problem, sources, solution, roles })
}

/// Sightings of the chains: those of both tracks of every piece, and of the same tracks for a bridge's length beyond.
fn first_sources(config: &PathConfig, views: &[View], chains: &[Chain]) -> Vec<Source> {
    let mut out = Vec::new();
    for (marker_idx, chain) in chains.iter().enumerate() {
        for (i, piece) in chain.pieces.iter().enumerate() {
            // not into the neighbouring pieces
            let before = if i > 0 { chain.pieces[i - 1].end_s() } else { f64::NEG_INFINITY };
            let after = chain.pieces.get(i + 1).map_or(f64::INFINITY, Piece::start_s);
            let from = (piece.start_s() - config.longest_bridge_s).max(before);
            let to = (piece.end_s() + config.longest_bridge_s).min(after);
            for (view_idx, track) in [(piece.a_view, piece.a_track), (piece.b_view, piece.b_track)] {
                let view = &views[view_idx];
                let track = &view.tracks_of(chain.look.colour)[track];
                for s in &track.sightings {
                    let t_s = view.session_from_own_s(s.own_s);
                    if t_s >= from && t_s <= to {
                        out.push(Source {
                            view_idx,
                            frame_pos: s.frame_pos,
                            candidate_idx: s.candidate_idx,
                            marker_idx,
                        });
                    }
                }
            }
        }
    }
    unique(out)
}

fn build(
    input: &TakeInput,
    config: &PathConfig,
    views: &[View],
    chains: &[Chain],
    sources: &[Source],
    start: Option<&Solution>,
) -> Problem {
    let covariance = pose_covariance(input, config, views);
    let cameras = views
        .iter()
        .enumerate()
        .map(|(k, view)| CameraModel {
            name: view.name.to_string(),
            lens: view.lens.clone(),
            picture: view.spots.picture,
            camera_from_world: view.pose.camera_from_world,
            clock: start.map_or(view.clock, |s| s.cameras()[k].clock),
            free: CameraFreedom {
                offset_s: match (k, view.coarse_offset) {
                    (0, _) => Freedom::Fixed,
                    // sound that the motion confirmed helps where the motion is weak
                    (_, Some(c))
                        if c.source == OffsetSource::Sound
                            && (c.value_s - view.clock.offset_s).abs() < 4.0 * c.sd_s.max(SOUND_FLOOR_S) =>
                    {
                        Freedom::Prior { mean: c.value_s, sd: c.sd_s.max(SOUND_FLOOR_S) }
                    }
                    _ => Freedom::Free,
                },
                drift: if k == 0 { Freedom::Fixed } else { prior(view.drift) },
                readout_s: prior(view.readout_s),
                pose: covariance.is_some(),
                ..CameraFreedom::default()
            },
        })
        .collect();
    let observations = sources
        .iter()
        .map(|s| {
            let view = &views[s.view_idx];
            let frame = &view.spots.frames[s.frame_pos];
            let candidate = &frame.candidates[s.candidate_idx];
            Observation {
                camera_idx: s.view_idx,
                marker_idx: s.marker_idx,
                pts_s: frame.pts_s,
                pixel: candidate.centre,
                cov_px2: candidate.cov_px2,
            }
        })
        .collect();
    Problem {
        cameras,
        markers: chains.len(),
        observations,
        distances: Vec::new(),
        baselines: Vec::new(),
        pose_covariance: covariance,
        timeline: None,
    }
}

fn prior(m: crate::model::Measured) -> Freedom {
    if m.sd > 0.0 { Freedom::Prior { mean: m.value, sd: m.sd } } else { Freedom::Fixed }
}

/// The scene's joint covariance for the cameras of the take, with the settling of each tripod on top.
fn pose_covariance(input: &TakeInput, config: &PathConfig, views: &[View]) -> Option<DMatrix<f64>> {
    let n = 6 * input.scene.cameras.len();
    if input.scene.pose_covariance.len() != n * n || n == 0 {
        return None;
    }
    let all = DMatrix::from_row_slice(n, n, &input.scene.pose_covariance);
    let m = 6 * views.len();
    Some(DMatrix::from_fn(m, m, |i, j| {
        let at = |k: usize| 6 * views[k / 6].scene_idx + k % 6;
        let settle = if i % 6 < 3 { config.settle_turn_rad } else { config.settle_m };
        all[(at(i), at(j))] + if i == j { settle * settle } else { 0.0 }
    }))
}

/// Solves again with one camera after the other allowed to have been knocked; the best one when it explains most of
/// the disagreement.
fn try_moved(config: &PathConfig, problem: &Problem, rms_px: f64) -> Option<(usize, Problem, Solution)> {
    let n = problem.cameras.len();
    let mut best: Option<(f64, usize, Problem, Solution)> = None;
    for k in 1..n {
        let mut loose = problem.clone();
        let mut covariance = problem.pose_covariance.clone().unwrap_or_else(|| {
            DMatrix::from_fn(6 * n, 6 * n, |i, j| {
                let sd = if i % 6 < 3 { config.settle_turn_rad } else { config.settle_m };
                if i == j { sd * sd } else { 0.0 }
            })
        });
        for axis in 0..6 {
            let sd = if axis < 3 { KNOCK[0] } else { KNOCK[1] };
            covariance[(6 * k + axis, 6 * k + axis)] += sd * sd;
        }
        loose.pose_covariance = Some(covariance);
        for camera in &mut loose.cameras {
            camera.free.pose = true;
        }
        if let Ok(solution) = solve(&loose, &config.motion) {
            let rms = solution.reprojection_rms_px();
            if best.as_ref().is_none_or(|b| rms < b.0) {
                best = Some((rms, k, loose, solution));
            }
        }
    }
    best.filter(|b| b.0 < 0.6 * rms_px).map(|(_, k, problem, solution)| (k, problem, solution))
}

fn tell_degeneracies(input: &TakeInput, views: &[View], solution: &Solution, warnings: &mut Vec<Warning>) {
    let mut alone_s = 0.0;
    for d in &solution.degeneracies {
        match d {
            Degeneracy::TimeUnobservable { camera_idx, offset_sd_s, .. } => warnings.push(Warning::new(
                Severity::Warning,
                format!("{}, {}", input.take, views[*camera_idx].name),
                format!(
                    "its clock offset is known to {:.1} ms only: the tip moved along the line between the cameras, which carries no time",
                    1e3 * offset_sd_s
                ),
                "Raise one camera by half a metre, or wave the rod tip up and down once in each take",
            )),
            Degeneracy::ParallelRays { camera_idx, median_angle_rad } => warnings.push(Warning::new(
                Severity::Warning,
                format!("{}, {}", input.take, views[*camera_idx].name),
                format!(
                    "it looks along nearly the same line as the other camera ({:.0} degrees apart): depth is poor",
                    median_angle_rad.to_degrees()
                ),
                "Set the cameras 60 to 100 degrees apart as seen from the caster",
            )),
            Degeneracy::SingleCamera { marker_idx: 0, from_s, to_s } => alone_s += to_s - from_s,
            Degeneracy::SingleCamera { .. } => {}
        }
    }
    if alone_s > 0.0 {
        warnings.push(Warning::new(
            Severity::Note,
            input.take,
            format!("for {alone_s:.2} s one camera alone saw the tip; the path there is less sure"),
            "Nothing to do; its standard deviations say how much",
        ));
    }
}
