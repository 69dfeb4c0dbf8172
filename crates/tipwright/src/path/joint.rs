//! One least squares over the paths of all markers, clocks, readouts and small corrections of poses.

use nalgebra::DMatrix;

use super::chain::Chain;
use super::known::Known;
use super::upright::LooseTurn;
use super::view::View;
use super::{PathConfig, PathError, TakeInput};
use crate::model::{CameraPose, MovedCamera, OffsetSource, Role, Scene, Severity, Warning};
use crate::motion::{
    CameraFreedom, CameraModel, ClockShift, Degeneracy, Freedom, MotionError, Observation, PlaneHold,
    Problem, Solution, solve,
};
use crate::times::covariances_px2;
use crate::tracks::gather::{Source, gather, in_company, unique};
use crate::tracks::mixed::unmixed;
use crate::tracks::pieces::Piece;

/// Smallest standard deviation a sound offset counts with in the solution: the delay between sound and picture inside
/// a phone is not known better than this (common practice).
const SOUND_FLOOR_S: f64 = 0.01;
/// The same of an offset found by laying a camera onto the path of the others: loose, for its sightings come in afterwards.
const ON_PATH_SD_S: f64 = 0.001;
/// The same of an offset at which most of what moves agrees: rows of a shutter that runs otherwise than thought put it off by 15 ms at most. A
/// hundred times what a path comes to know of it, but while the first path is still far off the clock stays where it was found: without
/// it, it was thrown off by seconds where a phone at 30 or 60 frames a second films beside one at 240.
const MOTION_SD_S: f64 = 0.02;
/// In place of the solver's words for equations that have no single solution.
const NOT_SETTLED: &str = "what both cameras show does not settle one path of the marker: too little of it was seen by two at once, or from nearly the same side; film with both at 120 or 240 frames a second, 60 to 100 degrees apart, the whole cast in both pictures";
/// Pose freedom when a camera is suspected of having been moved: a knock, radians and metres.
const KNOCK: [f64; 2] = [0.02, 0.05];
/// Smallest knock that is reckoned with once there was one.
const KNOCK_LEAST: [f64; 2] = [1e-4, 1e-3];

/// The solved take.
#[derive(Debug)]
pub(super) struct TakeJoint {
    pub problem: Problem,
    pub sources: Vec<Source>,
    pub solution: Solution,
    pub roles: Vec<(Role, f64)>,
    pub moved: Option<MovedCamera>,
    /// What is not known of the vertical, beyond what the problem holds.
    pub turn: Option<LooseTurn>,
}

pub(super) fn solve_joint(
    input: &TakeInput,
    config: &PathConfig,
    views: &[View],
    chains: &[Chain],
    warnings: &mut Vec<Warning>,
) -> Result<TakeJoint, PathError> {
    let failed = |e: MotionError| PathError::Unsolved {
        reason: match e {
            MotionError::Singular { .. } => NOT_SETTLED.to_string(),
            other => other.to_string(),
        },
        take: input.take.to_string(),
    };
    let clips: Vec<_> = views.iter().map(|v| v.spots).collect();
    let colours: Vec<_> = chains.iter().map(|c| c.look.colour).collect();
    let diameters_m: Vec<_> = chains.iter().map(|c| c.look.diameter_m).collect();
    let mut sources = in_company(&clips, first_sources(config, views, chains));
    let known = Known::of(input, config, views);
    let mut problem = build(input, views, chains, &known, &sources, None);
    let mut solution = solve(&problem, &config.motion).map_err(failed)?;
    // what is near the solution is taken in, what is not is left; once or twice settles it
    for _ in 0..2 {
        let near = gather(&clips, &colours, &solution, config.gather_px, &[]);
        let gathered = in_company(&clips, unmixed(&clips, &diameters_m, &solution, near));
        if gathered == sources {
            break;
        }
        let next = build(input, views, chains, &known, &gathered, Some(&solution));
        // two solutions at once would need twice the memory: the earlier one is made again where there is no later one
        drop(solution);
        if let Ok(better) = solve(&next, &config.motion) {
            (sources, problem, solution) = (gathered, next, better);
        } else {
            solution = solve(&problem, &config.motion).map_err(failed)?;
            break;
        }
    }
    let mut moved = None;
    let rms_px = solution.reprojection_rms_px();
    if views.len() > 1 && is_suspect(config, &solution) {
        if let Some(found) = moved_camera(input, config, views, &problem, &solution)? {
            warnings.push(Warning::new(
                Severity::Warning,
                format!("{}, {}", input.take, found.moved.camera),
                format!(
                    "a camera stands otherwise than in the scene: the two agree again when {} is turned by {:.2} degrees and shifted by {:.0} mm (reprojection {rms_px:.2} px before, {:.2} px after); the path was solved with that",
                    found.moved.camera,
                    found.moved.turn_deg,
                    1e3 * found.shift_m,
                    found.solution.reprojection_rms_px()
                ),
                "Film the wand again after a tripod was touched; heights and angles of this take are as unsure as the turn",
            ));
            (problem, solution, moved) = (found.problem, found.solution, Some(found.moved));
        } else {
            let (severity, what) = if rms_px > config.moved_px {
                (Severity::Warning, format!("the cameras disagree by {rms_px:.2} px (1 px is common)"))
            } else {
                (
                    Severity::Note,
                    "the cameras agree only with poses, lenses or readouts that the wand makes unlikely"
                        .into(),
                )
            };
            warnings.push(Warning::new(
                severity,
                input.take,
                what,
                "Check that lens files belong to these phones and that stabilisation was off; film the wand again",
            ));
        }
    }
    if views.len() > 1 {
        tell_degeneracies(input, views, &solution, warnings);
    }
    let roles = chains.iter().map(|c| (c.look.role, c.look.at_m)).collect();
    Ok(TakeJoint { problem, sources, solution, roles, moved, turn: known.turn })
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
    views: &[View],
    chains: &[Chain],
    known: &Known,
    sources: &[Source],
    start: Option<&Solution>,
) -> Problem {
    let Known { set_up, pose_covariance, .. } = known.clone();
    // what hangs together has its prior there
    let inherited = |alone: Freedom| if set_up.is_some() { Freedom::Free } else { alone };
    let lens = inherited(Freedom::Fixed);
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
                    _ if view.offset_on_path_s.is_some() => {
                        Freedom::Prior { mean: view.clock.offset_s, sd: ON_PATH_SD_S }
                    }
                    // sound that the motion confirmed helps where the motion is weak
                    (_, Some(c))
                        if c.source == OffsetSource::Sound
                            && (c.value_s - view.clock.offset_s).abs() < 4.0 * c.sd_s.max(SOUND_FLOOR_S) =>
                    {
                        Freedom::Prior { mean: c.value_s, sd: c.sd_s.max(SOUND_FLOOR_S) }
                    }
                    _ => Freedom::Prior { mean: view.clock.offset_s, sd: MOTION_SD_S },
                },
                drift: if k == 0 { Freedom::Fixed } else { Freedom::known(view.drift) },
                readout_s: inherited(Freedom::known(view.readout_s)),
                readout_within_s: Some(CameraFreedom::readout_range_s(
                    view.readout_s.value,
                    view.spots.frame_step_s(),
                )),
                pose: set_up.is_some() || pose_covariance.is_some(),
                focal_log: lens,
                centre_shift_px: lens,
                k1_shift: lens,
                lens_errs: None,
                wander: None,
            },
        })
        .collect();
    let clips: Vec<_> = views.iter().map(|v| v.spots).collect();
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
    let seen = |s: &Source| &clips[s.view_idx].frames[s.frame_pos].candidates[s.candidate_idx];
    let steady_px = sources.iter().map(|s| seen(s).steady_px).collect();
    let uneven_px = sources.iter().map(|s| seen(s).uneven_px).collect();
    let shifts = ClockShift::of_clips(clips.iter().map(|c| &c.times));
    let plane = input.held().map(|plane| PlaneHold {
        normal: plane.held(Role::Tip).0,
        offsets_m: chains.iter().map(|c| plane.held(c.look.role).1).collect(),
    });
    Problem {
        steady_px,
        uneven_px,
        pose_covariance,
        set_up,
        shifts,
        plane,
        ..Problem::new(cameras, chains.len(), observations)
    }
}

/// The cameras disagree more than they should, or agree only by pulling the set-up away from what the wand said.
fn is_suspect(config: &PathConfig, solution: &Solution) -> bool {
    let pulled = solution.prior_pull.is_some_and(|(chi2, parameters)| {
        #[allow(clippy::cast_precision_loss)]
        let n = parameters as f64;
        chi2 > n + config.moved_pull_sd * (2.0 * n).sqrt()
    });
    pulled || solution.reprojection_rms_px() > config.moved_px
}

/// A camera found to have been moved, and the take solved with that.
struct MovedFound {
    moved: MovedCamera,
    shift_m: f64,
    problem: Problem,
    solution: Solution,
}

/// The problem with poses as free as a knock of the given size would leave them, camera by camera.
fn loosened(config: &PathConfig, problem: &Problem, knocks: &[[f64; 2]]) -> Problem {
    let n = problem.cameras.len();
    let mut loose = problem.clone();
    let knock = |covariance: &mut DMatrix<f64>, each: usize| {
        for (k, [turn_rad, shift_m]) in knocks.iter().enumerate() {
            let pose = CameraPose { camera_from_world: problem.cameras[k].camera_from_world };
            let mut own = covariance.view_mut((each * k, each * k), (6, 6));
            own += pose.knock_covariance(*turn_rad, *shift_m);
        }
    };
    if let Some(set_up) = &mut loose.set_up {
        knock(&mut set_up.covariance, Scene::PARAMETERS);
    } else {
        let mut covariance = problem.pose_covariance.clone().unwrap_or_else(|| {
            DMatrix::from_fn(6 * n, 6 * n, |i, j| {
                let sd = if i % 6 < 3 { config.settle_turn_rad } else { config.settle_m };
                if i == j { sd * sd } else { 0.0 }
            })
        });
        knock(&mut covariance, 6);
        loose.pose_covariance = Some(covariance);
    }
    for camera in &mut loose.cameras {
        camera.free.pose = true;
    }
    loose
}

/// Solves with one camera after the other allowed to have been knocked. When one explains most of the disagreement, both
/// ends of it share the knock: two cameras only show that they stand otherwise to each other, so that the world's frame is
/// as unsure as the turn, and the standard deviations say so.
fn moved_camera(
    input: &TakeInput,
    config: &PathConfig,
    views: &[View],
    problem: &Problem,
    solution: &Solution,
) -> Result<Option<MovedFound>, PathError> {
    let n = problem.cameras.len();
    let mut best: Option<(f64, f64, MovedCamera)> = None;
    for k in 1..n {
        let mut knocks = vec![[0.0; 2]; n];
        knocks[k] = KNOCK;
        let Ok(loose) = solve(&loosened(config, problem, &knocks), &config.motion) else { continue };
        let (now, scene) = (&loose.cameras()[k].camera_from_world, &views[k].pose.camera_from_world);
        let shift_m = (now.inverse().translation.vector - scene.inverse().translation.vector).norm();
        let moved = MovedCamera {
            camera: views[k].name.to_string(),
            turn_deg: (now.rotation * scene.rotation.inverse()).angle().to_degrees(),
            shift_m: Some(shift_m),
        };
        if best.as_ref().is_none_or(|b| loose.report.cost < b.0) {
            best = Some((loose.report.cost, shift_m, moved));
        }
    }
    // costs of different noise factors compare by their pixels: what is left of the disagreement
    let Some((_, shift_m, moved)) = best else { return Ok(None) };
    let size = [(2.0 * moved.turn_deg.to_radians()).max(KNOCK_LEAST[0]), (2.0 * shift_m).max(KNOCK_LEAST[1])];
    let shared = loosened(config, problem, &vec![size; n]);
    let Ok(again) = solve(&shared, &config.motion) else { return Ok(None) };
    // a knock of that size makes everything agree, or it was not a knock
    let rms_px = solution.reprojection_rms_px();
    let better =
        rms_px <= config.moved_px || again.reprojection_rms_px() < (1.0 - config.moved_gain) * rms_px;
    if !better || is_suspect(config, &again) {
        return Ok(None);
    }
    if moved.turn_deg > config.moved_most_deg {
        return Err(PathError::Moved {
            camera: moved.camera,
            turn_deg: moved.turn_deg,
            take: input.take.to_string(),
        });
    }
    Ok(Some(MovedFound { moved, shift_m, problem: shared, solution: again }))
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
