//! The set-up of a session: lenses and scene, written to lens/ and scene.toml, kept for the next run.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::clips::{self, look_through};
use super::lenses::LensSource;
use super::moved::{self, Stills};
use super::run::{Run, Share};
use super::set_ups::Own;
use super::{DayError, Event, inputs};
use crate::session::{CameraName, Clips, SceneClips, Session, SessionCamera, coarse_offset};
use crate::store::{Files, Place};
use tipwright::model::results::LensSummary;
use tipwright::model::{ClipSpots, Colour, Lens, Measured, Picture, Scene, Severity, Warning};
use tipwright::scene::wand::{WandCamera, WandInput, solve_wand};

/// Relative standard deviation of the wand's stated length: half a millimetre of tape on a metre (common practice).
const LENGTH_SD_RELATIVE: f64 = 5e-4;

/// Lenses and scene of one set-up of the tripods, ready for takes.
#[derive(Debug)]
pub struct SetUp {
    /// Its name, where a session has several.
    pub name: Option<String>,
    /// Its file in the results folder.
    pub file: String,
    /// By camera, session order.
    pub lenses: Vec<LensSource>,
    /// Poses and clocks.
    pub scene: Scene,
    /// What a person should know.
    pub warnings: Vec<Warning>,
    /// What the wand clips show when nothing moves.
    pub(super) stills: Stills,
    /// Digests of everything the set-up rests on, by name.
    pub digests: BTreeMap<String, String>,
    /// Digest of the set-up as a whole.
    pub digest: String,
}

#[derive(serde::Serialize, serde::Deserialize)]
struct KeptScene {
    scene: Scene,
    /// Of the stills that lie beside it.
    pictures: BTreeMap<CameraName, Picture>,
    warnings: Vec<Warning>,
}

impl SetUp {
    /// The lens of a camera.
    #[must_use]
    pub fn lens(&self, camera: &str) -> Option<&Lens> {
        self.lenses.iter().find(|l| l.camera == camera).map(|l| &l.lens)
    }

    pub(super) fn lens_summaries(&self) -> Vec<LensSummary> {
        self.lenses
            .iter()
            .map(|l| LensSummary {
                camera: l.camera.clone(),
                fx_px: l.lens.fx_px,
                fx_sd_px: l.lens.fx_sd_px,
                rms_px: l.lens.rms_px,
                views_used: l.lens.views_used,
                views_left_out: l.lens.views_left_out,
            })
            .collect()
    }

    /// Angle between the optical axes of the first two cameras, degrees.
    #[must_use]
    pub fn convergence_deg(&self) -> Option<f64> {
        let axis = |idx: usize| {
            self.scene
                .cameras
                .get(idx)
                .map(|c| c.pose().camera_from_world.rotation.inverse() * nalgebra::Vector3::z())
        };
        Some(axis(0)?.angle(&axis(1)?).to_degrees())
    }
}

/// Solves a set-up or takes it from an earlier run.
pub(super) fn get(run: &Run<'_>, own: Own<'_>, lenses: &[LensSource]) -> Result<SetUp, DayError> {
    let session = run.session;
    let about = own.about();
    let mut digests = BTreeMap::new();
    for lens in lenses {
        digests.insert(format!("lens {}", lens.camera), lens.digest.clone());
    }
    for (name, clips) in own.clips.scene.groups() {
        for (camera, digest) in inputs::clips_digests(session, clips) {
            digests.insert(format!("{name} {camera}"), digest);
        }
    }
    let settings = format!(
        "{:?} {:?} {:?} {:?} {:?}",
        session.wand, session.marker.tip, session.camera, run.config.spots, run.config.wand
    );
    let digest = inputs::joint_digest(
        digests
            .iter()
            .map(|(k, v)| (k.as_str(), v.clone()))
            .chain([("settings", settings), ("air", format!("{:?}", session.air_temperature_c))]),
    );
    let mut warnings: Vec<Warning> = Vec::new();
    let share = run.share(run.scene_work(own.clips));
    let place = Place::kept_scene(own.file_name());
    let kept = if run.config.anew { None } else { run.store.kept::<KeptScene>(&place, &digest) };
    let (scene, stills) = match kept.filter(|found| run.store.is_whole(&found.files)) {
        Some(found) => {
            run.tell(Event::Kept(&about));
            warnings.extend(found.value.warnings);
            (found.value.scene, moved::kept(run.store, own.file_name(), &found.value.pictures))
        }
        None => {
            run.tell(Event::Began(&about));
            let Solved { scene, stills, warnings: said } = solve(run, own.clips.scene, lenses, &share, None)?;
            let mut files = Files::new();
            moved::keep(run.store, own.file_name(), &stills, &mut files)?;
            let text = toml::to_string(&scene).map_err(|e| DayError::Scene { reason: e.to_string() })?;
            run.store.put(&Place::scene(own.file_name()), text.as_bytes(), &mut files)?;
            let pictures = stills.iter().map(|(camera, still)| (camera.clone(), still.picture)).collect();
            let part = KeptScene { scene: scene.clone(), pictures, warnings: said.clone() };
            run.store.keep(&place, &digest, "", &files, &part)?;
            let figure = |v: Option<f64>| v.map_or("-".into(), |v| format!("{v:.2}"));
            let quality = &scene.quality;
            let line = match &scene.hung {
                Some(hung) => hung.shown(),
                None => format!(
                    "wand rms {} mm, reprojection {} px",
                    figure(quality.wand_rms_mm),
                    figure(quality.reprojection_rms_px)
                ),
            };
            share.done();
            run.tell(Event::Done(&about, &line));
            warnings.extend(said);
            (scene, stills)
        }
    };
    run.warn(&warnings);
    let warnings = lenses.iter().flat_map(|l| l.warnings.clone()).chain(warnings).collect();
    let name = (own.of > 1).then(|| own.clips.shown());
    let file = Place::scene(own.file_name()).as_str().to_owned();
    Ok(SetUp { name, file, lenses: lenses.to_vec(), scene, warnings, stills, digests, digest })
}

/// A scene with what was seen and said on the way.
pub(super) struct Solved {
    pub scene: Scene,
    pub stills: Stills,
    pub warnings: Vec<Warning>,
}

pub(super) fn wand_diameter_m(session: &Session) -> f64 {
    session.wand.diameter_mm.unwrap_or(session.marker.tip.diameter_mm).get() / 1000.0
}

pub(super) fn wand_length(session: &Session) -> Measured {
    let length_m = session.wand.length_m.get();
    Measured::new(length_m, LENGTH_SD_RELATIVE * length_m)
}

/// Solves the scene with the wand in its likely colour; only when that fails are its clips read once more for all
/// colours. Looking for seven colours at once costs several times as much, and is hardly ever needed.
/// Of the wand clips only `part_s` from their middle are looked through where it is given.
pub(super) fn solve(
    run: &Run<'_>,
    clips: &SceneClips,
    lenses: &[LensSource],
    share: &Share<'_>,
    part_s: Option<f64>,
) -> Result<Solved, DayError> {
    let colours = run.session.wand_colours();
    match solve_in(&colours[..1], run, clips, lenses, share, part_s) {
        Err(DayError::Scene { .. }) if colours.len() > 1 => {
            solve_in(&colours, run, clips, lenses, share, part_s)
        }
        first => first,
    }
}

fn solve_in(
    colours: &[Colour],
    run: &Run<'_>,
    scene: &SceneClips,
    lenses: &[LensSource],
    share: &Share<'_>,
    part_s: Option<f64>,
) -> Result<Solved, DayError> {
    let session = run.session;
    if session.has_one_camera() {
        return super::hung::solve_in(colours, run, scene, lenses, share);
    }
    let diameter_m = wand_diameter_m(session);
    let ball_m = session.marker.tip.diameter_mm.get() / 1000.0;
    let mut warnings = Vec::new();
    let mut failures: Vec<String> = Vec::new();
    let groups = scene.groups();
    let jobs: Vec<(&str, &SessionCamera, &std::path::Path)> = session
        .camera
        .iter()
        .flat_map(|c| groups.iter().map(move |(group, clips)| (*group, c, clips)))
        .filter_map(|(group, c, clips)| Some((group, c, clips.get(&c.name)?.as_path())))
        .collect();
    let find = |group: &str, camera: &SessionCamera, clip: &std::path::Path| {
        let looks: Vec<_> = colours
            .iter()
            .map(|c| clips::look(*c, if group == "toss" { ball_m } else { diameter_m }))
            .collect();
        let focal_px = lenses.iter().find(|l| camera.name == l.camera).map(|l| l.lens.fx_px);
        let span_s = part_s.and_then(|part_s| middle(run, &scene.wand, &camera.name, part_s));
        look_through(run, camera, (clip, span_s), &looks, focal_px, false, share)
    };
    let found: Vec<_> =
        jobs.par_iter().map(|(group, camera, clip)| (*group, *camera, find(group, camera, clip))).collect();
    let mut spots: BTreeMap<(&str, &CameraName), ClipSpots> = BTreeMap::new();
    let mut stills = Stills::new();
    for (group, camera, outcome) in found {
        match outcome {
            Ok(looked) => {
                warnings.extend(looked.warnings);
                if let (true, Some([first, _])) = (group == "wand", looked.stills) {
                    stills.insert(camera.name.clone(), first);
                }
                spots.insert((group, &camera.name), looked.spots);
            }
            Err(reason) if group == "wand" => failures.push(reason),
            Err(reason) => warnings.push(Warning::new(
                Severity::Warning,
                format!("{group} clip of camera {}", camera.name),
                reason,
                "the set-up is solved without it",
            )),
        }
    }
    let usable: Vec<&CameraName> =
        session.camera.iter().map(|c| &c.name).filter(|name| spots.contains_key(&("wand", *name))).collect();
    if usable.len() < 2 {
        return Err(DayError::Scene {
            reason: format!(
                "the wand clip is usable in {} camera(s), two are needed. {}",
                usable.len(),
                failures.join("; ")
            ),
        });
    }
    for reason in failures {
        warnings.push(Warning::new(Severity::Warning, "wand clip", reason, "its camera is left out"));
    }
    // the first of those used is the one whose clock the others' offsets are told in
    let input_of = |names: &[&CameraName]| WandInput {
        cameras: session
            .camera
            .iter()
            .zip(lenses)
            .filter(|(camera, _)| names.contains(&&camera.name))
            .filter_map(|(camera, lens)| {
                let offset_in = |clips: &Clips| {
                    coarse_offset(session, (clips, None), [names.first()?, &camera.name], None, run.footage)
                };
                Some(WandCamera {
                    lens: &lens.lens,
                    wand: spots.get(&("wand", &camera.name))?,
                    plumb: spots.get(&("plumb", &camera.name)),
                    toss: spots.get(&("toss", &camera.name)),
                    readout_s: clips::readout_prior(camera),
                    wand_offset: offset_in(&scene.wand),
                    plumb_offset: scene.plumb.as_ref().and_then(offset_in),
                    toss_offset: scene.toss.as_ref().and_then(offset_in),
                })
            })
            .collect(),
        length_m: wand_length(session),
        diameter_m: Some(diameter_m),
        colours: colours.to_vec(),
    };
    let (solved, left_out) = run
        .watch
        .time("scene", || {
            without_unfit(&usable, |names| {
                solve_wand(&input_of(names), &run.config.wand).map_err(|failure| {
                    let named = failure.camera().and_then(|c| names.iter().copied().find(|n| **n == *c));
                    (named, failure.to_string())
                })
            })
        })
        .map_err(|reason| DayError::Scene { reason })?;
    for (name, reason) in left_out {
        stills.remove(name);
        warnings.push(Warning::new(
            Severity::Warning,
            format!("camera {name}"),
            reason,
            "the set-up is solved without this camera",
        ));
    }
    warnings.extend(solved.warnings);
    Ok(Solved { scene: solved.scene, stills, warnings })
}

/// So much from the middle of the wand clips, by the clock of the camera's own clip.
fn middle(run: &Run<'_>, wand: &Clips, camera: &CameraName, part_s: f64) -> Option<[f64; 2]> {
    let first = run.session.camera.iter().map(|c| &c.name).find(|c| wand.contains_key(*c))?;
    let info = run.clips.get(&wand[first])?;
    let slow_down = info.slow_down(run.session.capture_fps(first));
    let from_s = 0.5 * (info.duration_s? / slow_down - part_s).max(0.0);
    // where nothing tells how the clips lie to each other people press both buttons within a second or two
    let apart = coarse_offset(run.session, (wand, None), [first, camera], None, run.footage);
    let shift_s = apart.map_or(0.0, |offset| -offset.value_s);
    Some([from_s + shift_s, from_s + part_s + shift_s])
}

/// What is solved, with what was left out and why.
type WithLeftOut<N, T> = (T, Vec<(N, String)>);

/// Solves with all that are given, or, where that fails and more than two are left, without one that does not fit: the one that
/// the failure names, else each in turn, the last first. One solution for each camera tried at each step, so never more than a square
/// of their number. The failure of the whole is told when nothing helps.
fn without_unfit<N: Copy + PartialEq, T>(
    all: &[N],
    mut solve: impl FnMut(&[N]) -> Result<T, (Option<N>, String)>,
) -> Result<WithLeftOut<N, T>, String> {
    let mut left = all.to_vec();
    let mut left_out = Vec::new();
    let (mut named, mut reason) = match solve(&left) {
        Ok(solved) => return Ok((solved, left_out)),
        Err(failure) => failure,
    };
    let whole = reason.clone();
    while left.len() > 2 {
        let mut order: Vec<N> = named.into_iter().collect();
        order.extend(left.iter().rev().filter(|n| Some(**n) != named));
        let mut next = None;
        for unfit in order {
            let rest: Vec<N> = left.iter().copied().filter(|n| *n != unfit).collect();
            match solve(&rest) {
                Ok(solved) => {
                    left_out.push((unfit, reason));
                    return Ok((solved, left_out));
                }
                Err(failure) => next = next.or(Some((unfit, failure))),
            }
        }
        let Some((unfit, failure)) = next else { break };
        left.retain(|n| *n != unfit);
        left_out.push((unfit, std::mem::replace(&mut reason, failure.1)));
        named = failure.0;
    }
    Err(whole)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Cameras that agree with each other; the others agree with nobody. `names` of a failure: the last, right or wrong.
    fn tried(all: &[u8], good: &[u8]) -> (Result<Vec<u8>, String>, usize) {
        let mut solved = 0;
        let out = without_unfit(all, |names| {
            solved += 1;
            let fits = names.iter().all(|n| good.contains(n));
            if fits { Ok(names.to_vec()) } else { Err((names.last().copied(), "does not fit".to_string())) }
        });
        (out.map(|(names, _)| names), solved)
    }

    #[test]
    fn one_camera_that_does_not_fit_is_left_out_also_the_first() {
        assert_eq!(tried(&[1, 2, 3], &[1, 2, 3]), (Ok(vec![1, 2, 3]), 1));
        for unfit in 1..=3 {
            let good: Vec<u8> = (1..=3).filter(|n| *n != unfit).collect();
            assert_eq!(tried(&[1, 2, 3], &good).0, Ok(good), "{unfit}");
        }
        assert!(tried(&[1, 2], &[1]).0.is_err());
    }

    #[test]
    fn choosing_costs_at_most_the_square_of_their_number() {
        let all: Vec<u8> = (1..=8).collect();
        let (out, solved) = tried(&all, &[]);
        assert!(out.is_err() && solved <= all.len() * all.len(), "{solved}");
        // factorial would be 5040
    }
}
