//! From a take's clips to its strokes: clips looked through side by side, markers joined into paths, strokes and loops measured.

use std::collections::BTreeMap;
use std::path::Path;

use rayon::prelude::*;

use super::clips::{self, Looked, look_through};
use super::one_view::{Alone, InPlane};
use super::run::{Run, Share};
use super::slap::Ears;
use super::takes::{blank, put, rod_length_m};
use super::{DayError, SetUp, moved};
use crate::session::{Session, SessionCamera, Take, span_s};
use crate::store::Files;
use tipwright::evidence::{self, Rules};
use tipwright::line::{LineView, LoopSettings, Loops, known_line, measure_loops, predict_loops};
use tipwright::model::figures::Needs;
use tipwright::model::line::ClipRidges;
use tipwright::model::results::{PathPoint, TakeStatus};
use tipwright::model::{ClipSpots, Colour, FigureId, Figures, Role, Severity, TakeResults, Warning};
use tipwright::path::one_view::tip_plane;
use tipwright::path::{PathError, RoleLook, TakeCamera, TakeInput, TakePaths, solve_take};
use tipwright::spots::{MarkerLook, Sight};
use tipwright::strokes::{self, StrokesOutcome};
use tipwright_report::files::FileMade;
use tipwright_report::tables::spots::SpotRow;

/// Why a take, or the whole day, cannot go on.
pub(super) enum TakeFailure {
    Take(String),
    /// One camera alone shows the cast: to be measured in a plane that other takes tell.
    Alone(Alone),
    Day(DayError),
}

impl<E: Into<DayError>> From<E> for TakeFailure {
    fn from(error: E) -> Self {
        Self::Day(error.into())
    }
}

/// What a clip yields, or the reason why nothing.
type LookedOrReason = Result<Looked, String>;

/// Markers to look for, one look per colour (the largest diameter of that colour).
fn looks(roles: &[RoleLook]) -> Vec<MarkerLook> {
    let mut by_colour = BTreeMap::new();
    for role in roles {
        let diameter_m = by_colour.entry(role.colour).or_insert(role.diameter_m);
        *diameter_m = f64::max(*diameter_m, role.diameter_m);
    }
    by_colour.into_iter().map(|(colour, diameter_m)| clips::look(colour, diameter_m)).collect()
}

fn roles(session: &Session, take: &Take) -> Vec<RoleLook> {
    let tip = &session.marker.tip;
    let mut roles = vec![RoleLook {
        role: Role::Tip,
        colour: tip.colour,
        at_m: rod_length_m(session, take),
        diameter_m: tip.diameter_mm.get() / 1000.0,
    }];
    for (butt, role) in session.marker.butt.iter().zip([Role::Butt1, Role::Butt2]) {
        roles.push(RoleLook {
            role,
            colour: butt.colour,
            at_m: butt.at_m.get(),
            diameter_m: butt.diameter_mm.get() / 1000.0,
        });
    }
    roles
}

/// Clips of a take that could be looked through.
#[derive(Default)]
struct Seen<'a> {
    spots: Vec<(&'a str, ClipSpots)>,
    ridges: Vec<ClipRidges>,
    stills: Vec<(&'a str, [tipwright::model::Still; 2])>,
    sights: Vec<(&'a str, Vec<(Colour, Sight)>)>,
}

/// Why a take has no path: of cameras that agree on nothing, those that see no moving marker are named.
fn no_path(failure: &PathError, sights: &[(&str, Vec<(Colour, Sight)>)], tip: Colour) -> String {
    let blind: Vec<String> = sights
        .iter()
        .filter_map(|(camera, seen)| Some(format!("camera {camera} {}", no_mover(seen, tip)?)))
        .collect();
    match failure {
        PathError::NoAgreement { .. } | PathError::NoTrack { .. } if !blind.is_empty() => {
            format!("{}. So no path can be had: {failure}", blind.join("; "))
        }
        _ => failure.to_string(),
    }
}

/// Clips of a take by cameras that the set-up knows, in the order of the session.
pub(super) fn usable_clips<'a>(
    run: &Run<'a>,
    take: &'a Take,
    set_up: &SetUp,
) -> Vec<(&'a SessionCamera, &'a Path)> {
    let in_scene = |c: &&SessionCamera| set_up.scene.cameras.iter().any(|s| c.name == s.name);
    let cameras = run.session.camera.iter().filter(in_scene);
    cameras.filter_map(|c| Some((c, take.clips.get(&c.name)?.as_path()))).collect()
}

/// Looks through the clips of a take side by side.
fn look<'a>(
    run: &Run<'a>,
    take: &'a Take,
    set_up: &SetUp,
    looks: &[MarkerLook],
    (alone, share): (Option<&InPlane<'_>>, &Share<'_>),
    warnings: &mut Vec<Warning>,
) -> Result<Seen<'a>, TakeFailure> {
    let usable = usable_clips(run, take, set_up);
    let wanted: Vec<(&SessionCamera, &Path)> =
        usable.iter().filter(|(c, _)| alone.is_none_or(|a| *a.alone.camera == *c.name)).copied().collect();
    let found: Vec<(&'a str, LookedOrReason)> = wanted
        .par_iter()
        .map(|(camera, clip)| {
            let focal_px = set_up.lens(&camera.name).map(|l| l.fx_px);
            let part_s = span_s(run.session, take, [&usable[0].0.name, &camera.name], run.footage);
            (camera.name.as_str(), look_through(run, camera, (clip, part_s), looks, focal_px, true, share))
        })
        .collect();
    let mut seen = Seen::default();
    let mut failures = Vec::new();
    for (camera, outcome) in found {
        match outcome {
            Ok(looked) => {
                warnings.extend(looked.warnings);
                seen.ridges.extend(looked.ridges);
                seen.sights.push((camera, looked.sights));
                seen.stills.extend(looked.stills.map(|s| (camera, s)));
                seen.spots.push((camera, looked.spots));
            }
            Err(reason) => failures.push(format!("camera {camera}: {reason}")),
        }
    }
    let needed = if alone.is_some() { 1 } else { 2 };
    if seen.spots.len() < needed {
        if let (None, [(camera, _)]) = (alone, seen.spots.as_slice()) {
            return Err(TakeFailure::Alone(Alone::of(camera, &failures)));
        }
        let absent = run.session.camera.iter().filter(|c| !take.clips.contains_key(&c.name));
        failures.extend(
            absent.map(|c| format!("camera {}: no clip in session.toml; add it to the take's clips", c.name)),
        );
        let usable = seen.spots.len();
        let reasons = failures.join("; ");
        let needed = if needed == 1 { "one is needed" } else { "two are needed" };
        return Err(TakeFailure::Take(format!("{usable} usable clip(s), {needed}. {reasons}")));
    }
    warnings.extend(failures.into_iter().map(|reason| {
        Warning::new(Severity::Warning, format!("take {}", take.name), reason, "measured without this camera")
    }));
    Ok(seen)
}

/// Measures a take; what it says on the way is said however it ends.
pub(super) fn measure(
    run: &Run<'_>,
    take: &Take,
    set_up: &SetUp,
    alone: Option<&InPlane<'_>>,
    share: &Share<'_>,
    warnings: &mut Vec<Warning>,
    files: &mut Files,
) -> Result<TakeResults, TakeFailure> {
    let (watch, config) = (&run.watch, run.config);
    let roles = roles(run.session, take);
    let Seen { spots, ridges, stills, sights } =
        look(run, take, set_up, &looks(&roles), (alone, share), warnings)?;
    let since = watch
        .time("landmarks", || moved::since_scene(&take.name, set_up, &stills, run.footage))
        .map_err(TakeFailure::Take)?;
    drop(stills);
    warnings.extend(since.warnings);
    let part_s = (take.from_s.is_some() || take.to_s.is_some()).then(|| take.part_s());
    let names = spots.iter().map(|(name, _)| *name);
    let ears = watch.time("sound", || Ears::of(run, (take, &since.scene), part_s, names));
    let mut cameras = Vec::new();
    for (name, clip) in &spots {
        let Some(lens) = set_up.lens(name) else { continue };
        cameras.push(TakeCamera {
            lens,
            spots: clip,
            readout_s: run.session.camera_named(name).and_then(clips::readout_prior),
            coarse_offset: ears.offset(name),
        });
    }
    let input =
        TakeInput { take: &take.name, scene: &since.scene, cameras, roles, plane: alone.map(|a| a.plane) };
    let mut paths = watch.time("path", || solve_take(&input, &config.path)).map_err(|e| {
        let tip = run.session.marker.tip.colour;
        let reason = no_path(&e, &sights, tip);
        match other_than_blind(&e, &sights, tip) {
            Some(camera) => TakeFailure::Alone(Alone::of(camera, &[reason])),
            None => TakeFailure::Take(reason),
        }
    })?;
    paths.moved.extend(since.moved);
    warnings.extend(paths.warnings.iter().cloned());
    let seen = spots_used(&spots, &paths);
    let tables = seen.iter().map(|(camera, rows)| tipwright_report::spots_file(camera, rows));
    put(run, take, tables.collect::<Result<_, _>>().map_err(DayError::from)?, files)?;
    drop(spots);
    let mut outcome = watch
        .time("strokes", || strokes::measure(&paths.rod, &config.strokes))
        .map_err(|e| TakeFailure::Take(e.to_string()))?;
    warnings.append(&mut outcome.warnings);
    if outcome.strokes.is_empty() {
        let reason = no_stroke(&paths, &outcome);
        let path: Vec<PathPoint> = paths.rod.tip.samples.iter().map(PathPoint::from).collect();
        put(run, take, vec![FileMade::new("path.csv", strokes::path_csv(&path))], files)?;
        return Err(TakeFailure::Take(reason));
    }
    watch.time("sound", || ears.put_slaps(run.session, &since.scene, &paths, &mut outcome.strokes));
    let rules = config.evidence.at_sizes(|size| config.loops.sizes.widest_m(size));
    let blank = blank(run, take);
    if let Some(alone) = alone {
        warnings.push(alone.word(&take.name));
        without_line(&mut outcome);
        let one_view = Some(alone.one_view());
        return Ok(TakeResults { one_view, ..gather(blank, paths, outcome, &rules) });
    }
    let loops = watch.time("line", || loops(&paths, &ridges, &mut outcome, &config.loops));
    warnings.extend(loops_word(&take.name, &ridges, &loops, outcome.strokes.len()));
    drop(ridges);
    let tip_plane = tip_plane(&paths.rod);
    let predicted = watch.time("predicted", || {
        let line = run.session.line.as_ref().map(|l| {
            known_line(l.class.map(|c| c.get()), l.mass_g_m.map(|m| m.get()), l.length_out_m.map(|m| m.get()))
        });
        predict_loops(&paths.rod.tip, &mut outcome.strokes, line.as_ref(), &config.loops.read)
    });
    let draws = std::mem::take(&mut paths.rod.tip.draws);
    let result =
        TakeResults { loops: loops.measured, predicted, tip_plane, ..gather(blank, paths, outcome, &rules) };
    let tables = tipwright_report::clip_files(&result, &seen, &draws).map_err(DayError::from)?;
    put(run, take, tables, files)?;
    Ok(result)
}

/// The camera that sees a marker move where the other of two does not.
fn other_than_blind<'a>(
    failure: &PathError,
    sights: &[(&'a str, Vec<(Colour, Sight)>)],
    tip: Colour,
) -> Option<&'a str> {
    let is_blind = |camera: &str, seen: &[(Colour, Sight)]| {
        let named = matches!(failure, PathError::NoTrack { camera: named, .. } if named == camera);
        named || no_mover(seen, tip).is_some()
    };
    match (failure, sights) {
        (PathError::NoTrack { .. } | PathError::NoAgreement { .. }, [(a, seen_by_a), (b, seen_by_b)]) => {
            match [is_blind(a, seen_by_a), is_blind(b, seen_by_b)] {
                [true, false] => Some(*b),
                [false, true] => Some(*a),
                _ => None,
            }
        }
        _ => None,
    }
}

/// What is said of a clip in which no tip marker moves.
fn no_mover(seen: &[(Colour, Sight)], tip: Colour) -> Option<String> {
    seen.iter().find(|s| s.0 == tip).and_then(|s| s.1.no_mover(tip))
}

/// Lines and their loops are not looked for in a take of one camera: their sd would have to own the plane too.
fn without_line(outcome: &mut StrokesOutcome) {
    for stroke in &mut outcome.strokes {
        for id in FigureId::ALL {
            if matches!(id.info().needs, Needs::Line | Needs::Model) {
                stroke.figures.set_missing(*id, "the line is not measured in a take of one camera");
            }
        }
    }
}

/// A take without a stroke is not measured: what was seen and what to look at.
fn no_stroke(paths: &TakePaths, outcome: &StrokesOutcome) -> String {
    let tip = &paths.rod.tip.samples;
    let span_s = tip.last().map_or(0.0, |l| l.t_s) - tip.first().map_or(0.0, |f| f.t_s);
    let aside: Vec<String> = outcome
        .set_aside
        .iter()
        .take(3)
        .map(|a| format!("{:.2} to {:.2} s: {}", a.t_start_s, a.t_end_s, a.reason))
        .collect();
    let aside = if aside.is_empty() { String::new() } else { format!(" ({})", aside.join("; ")) };
    format!(
        "no stroke was found in the {span_s:.1} s in which the tip was followed{aside}. Look whether the clips are whole and show the cast; path.csv holds what was followed"
    )
}

/// The line of every stroke.
fn loops(
    paths: &TakePaths,
    ridges: &[ClipRidges],
    outcome: &mut StrokesOutcome,
    settings: &LoopSettings,
) -> Loops {
    let views: Vec<LineView<'_>> = ridges
        .iter()
        .filter_map(|r| {
            let fit = paths.cameras.iter().find(|c| c.camera == r.camera)?;
            let clock = paths.clocks.iter().find(|c| c.camera == r.camera)?;
            Some(LineView { camera: fit.camera(), clock: clock.clock, ridges: r })
        })
        .collect();
    measure_loops(&views, &paths.rod.tip, &mut outcome.strokes, settings)
}

/// A word about strokes whose line was not seen.
fn loops_word(take: &str, ridges: &[ClipRidges], loops: &Loops, strokes: usize) -> Vec<Warning> {
    let mut out = Vec::new();
    if ridges.iter().any(|r| r.cut_short) {
        out.push(Warning::new(
            Severity::Warning,
            format!("take {take}"),
            "so much moves in the picture that the room for points of the line ran out",
            "later strokes have no loop; film shorter takes",
        ));
    }
    if !loops.not_seen.is_empty() {
        out.push(Warning::new(
            Severity::Note,
            format!("take {take}"),
            format!("the line was measured in {} of {strokes} strokes", loops.measured.len()),
            "run.json says why for each; a line that stands out from what is behind it helps",
        ));
    }
    out
}

/// The spots that the solution used, by camera.
fn spots_used(spots: &[(&str, ClipSpots)], paths: &TakePaths) -> Vec<(String, Vec<SpotRow>)> {
    let mut all = Vec::new();
    for assignment in &paths.assignments {
        let Some((camera, clip)) = spots.iter().find(|(name, _)| *name == assignment.camera) else {
            continue;
        };
        let mut rows: Vec<SpotRow> = assignment
            .spots
            .iter()
            .filter_map(|s| {
                let frame = clip.frames.get(s.frame_pos)?;
                let candidate = frame.candidates.get(s.candidate_idx)?;
                Some(SpotRow {
                    frame_idx: frame.frame_idx,
                    pts_s: frame.pts_s,
                    x_px: candidate.centre.x_px,
                    y_px: candidate.centre.y_px,
                    sigma_px: candidate.sigma_px(),
                    role: s.role,
                })
            })
            .collect();
        rows.sort_by_key(|r| (r.frame_idx, r.role));
        all.push(((*camera).to_owned(), rows));
    }
    all
}

fn gather(blank: TakeResults, paths: TakePaths, outcome: StrokesOutcome, rules: &Rules) -> TakeResults {
    let missing = missing_everywhere(outcome.strokes.iter().map(|s| &s.figures));
    TakeResults {
        status: TakeStatus::Done,
        clocks: paths.clocks,
        cameras: paths.cameras,
        moved: paths.moved,
        tally: paths.tally,
        path: paths.rod.tip.samples.iter().map(PathPoint::from).collect(),
        set_aside: outcome.set_aside.into_iter().map(|n| (n.t_start_s, n.t_end_s, n.reason)).collect(),
        rod: outcome.rod.unwrap_or_default(),
        evidence: evidence::judge(&outcome.strokes, rules),
        strokes: outcome.strokes,
        missing,
        ..blank
    }
}

/// Figures that no stroke has, with the reason of the first.
fn missing_everywhere<'a>(all: impl Iterator<Item = &'a Figures> + Clone) -> BTreeMap<String, String> {
    let Some(first) = all.clone().next() else { return BTreeMap::new() };
    first
        .missing
        .iter()
        .filter(|(id, _)| all.clone().all(|f| f.missing.contains_key(id)))
        .map(|(id, reason)| (id.info().key.to_string(), reason.clone()))
        .collect()
}
