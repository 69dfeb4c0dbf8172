//! One take: spots, path, strokes, files. Never an error of the day: a take that fails carries its reason.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Instant;

use rayon::prelude::*;

use super::clips::{self, Looked, coarse_offset, look_through};
use super::run_json::Watch;
use super::{DayConfig, DayError, Event, Progress, SetUp, inputs, kept, moved, report_config};
use crate::session::{Refused, Session, Take};
use tipwright::evidence::{self, Rules};
use tipwright::line::{LineView, LoopSettings, Loops, measure_loops};
use tipwright::model::footage::Footage;
use tipwright::model::line::ClipRidges;
use tipwright::model::results::{PathPoint, TakeKeys, TakeStatus};
use tipwright::model::{ClipSpots, Figures, MarkerPath, Role, Severity, TakeResults, Warning};
use tipwright::path::{RoleLook, TakeCamera, TakeInput, TakePaths, solve_take};
use tipwright::spots::MarkerLook;
use tipwright::strokes::{self, StrokesOutcome};
use tipwright_report::tables::samples::SpotRow;

/// Layout of what is kept of a take; raised when it grows, so that a later run measures it anew.
const LAYOUT: u32 = 2;

/// Measures a take, or takes it from an earlier run.
#[allow(clippy::too_many_arguments, reason = "the joint of all stages; each argument is one of its inputs")]
pub(super) fn get(
    session: &Session,
    take: &Take,
    set_up: &SetUp,
    out: &Path,
    footage: &dyn Footage,
    config: &DayConfig,
    watch: &Watch,
    progress: Progress<'_>,
) -> Result<TakeResults, DayError> {
    let settings = format!(
        "{:?} {:?} {:?} {:?} {:?} {:?} {:?} {:?} {:?} {:?}",
        take,
        session.rod,
        session.marker,
        session.report_units,
        config.spots,
        config.path,
        config.strokes,
        config.gather,
        config.loops,
        config.evidence
    );
    let caster = session.casters.iter().find(|c| c.id == take.caster);
    let digest = inputs::joint_digest(
        inputs::clips_digests(session, &take.clips).iter().map(|(k, v)| (k.as_str(), v.clone())).chain([
            ("set-up", set_up.digest.clone()),
            ("settings", settings),
            ("layout", LAYOUT.to_string()),
            ("caster", format!("{caster:?}")),
        ]),
    );
    if let Ok(mut digests) = set_up.take_digests.lock() {
        digests.insert(take.name.to_string(), digest.clone());
    }
    let kept_name = format!("take_{}", take.name);
    let about = format!("take {}", take.name);
    if !config.anew {
        if let Some(found) = kept::read::<TakeResults>(out, &kept_name, &digest) {
            progress(Event::Kept(&about));
            return Ok(found);
        }
    }
    progress(Event::Began(&about));
    let blank = blank(session, take);
    let (result, measured) =
        match measure(session, take, set_up, out, footage, config, watch, progress, blank.clone()) {
            Ok(result) => (result, true),
            Err(TakeFailure::Day(error)) => return Err(error),
            Err(TakeFailure::Take(reason)) => {
                let warning = Warning::new(Severity::Problem, &about, reason, "");
                progress(Event::Warned(&warning));
                (TakeResults { warnings: vec![warning], ..blank }, false)
            }
        };
    if measured {
        for warning in &result.warnings {
            progress(Event::Warned(warning));
        }
        let line = format!("{} strokes, {} path points", result.strokes.len(), result.path.len());
        progress(Event::Done(&about, &line));
        kept::write(out, &kept_name, &digest, &result)?;
    }
    Ok(result)
}

/// Why a take, or the whole day, cannot go on.
enum TakeFailure {
    Take(String),
    Day(DayError),
}

impl<E: Into<DayError>> From<E> for TakeFailure {
    fn from(error: E) -> Self {
        Self::Day(error.into())
    }
}

fn blank(session: &Session, take: &Take) -> TakeResults {
    let caster = session.casters.iter().find(|c| c.id == take.caster);
    TakeResults {
        session: session.title.clone(),
        keys: keys(session),
        take: take.name.to_string(),
        caster: take.caster.to_string(),
        alias: caster.map_or_else(|| take.caster.to_string(), |c| c.alias.clone()),
        phase: take.phase.clone().map(String::from),
        clips: take.clips.iter().map(|(k, v)| (k.to_string(), v.display().to_string())).collect(),
        ..TakeResults::failed()
    }
}

/// What tells this session's rows from any other's.
fn keys(session: &Session) -> TakeKeys {
    TakeKeys {
        session_id: session.id.as_ref().map(ToString::to_string),
        date: session.date.map(|d| d.to_string()),
        caster_key: None,
    }
}

/// The results of a take that cannot be measured, if it has a name of its own.
pub(super) fn refused(session: &Session, refused: &Refused) -> Option<TakeResults> {
    Some(refused_as(session, refused, refused.name.as_deref()?))
}

/// The same, called `name`.
pub(super) fn refused_as(session: &Session, refused: &Refused, name: &str) -> TakeResults {
    let caster = session.casters.iter().find(|c| c.id == refused.caster);
    TakeResults {
        session: session.title.clone(),
        keys: keys(session),
        take: name.to_string(),
        caster: refused.caster.clone(),
        alias: caster.map_or_else(|| refused.caster.clone(), |c| c.alias.clone()),
        warnings: refused.reasons.iter().map(Warning::from).collect(),
        ..TakeResults::failed()
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
    let caster = session.casters.iter().find(|c| c.id == take.caster);
    let rod_length_m = caster.and_then(|c| c.rod_length_m).unwrap_or(session.rod.length_m).get();
    let tip = &session.marker.tip;
    let mut roles = vec![RoleLook {
        role: Role::Tip,
        colour: tip.colour,
        at_m: rod_length_m,
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

#[allow(clippy::too_many_arguments, reason = "see get")]
fn measure(
    session: &Session,
    take: &Take,
    set_up: &SetUp,
    out: &Path,
    footage: &dyn Footage,
    config: &DayConfig,
    watch: &Watch,
    progress: Progress<'_>,
    blank: TakeResults,
) -> Result<TakeResults, TakeFailure> {
    let roles = roles(session, take);
    let looks = looks(&roles);
    let in_scene: Vec<&str> = set_up.scene.cameras.iter().map(|c| c.name.as_str()).collect();
    let wanted: Vec<(&str, &Path)> = session
        .camera
        .iter()
        .filter(|c| in_scene.contains(&c.name.as_str()))
        .filter_map(|c| take.clips.get(&c.name).map(|clip| (c.name.as_str(), clip.as_path())))
        .collect();
    let found: Vec<(&str, LookedOrReason)> = wanted
        .par_iter()
        .map(|(camera, clip)| {
            let focal_px = set_up.lens(camera).map(|l| l.fx_px);
            let gather = Some(&config.gather);
            let looked = look_through(
                session, camera, clip, &looks, focal_px, gather, footage, config, watch, progress,
            );
            (*camera, looked)
        })
        .collect();
    let mut warnings = Vec::new();
    let mut spots: Vec<(&str, ClipSpots)> = Vec::new();
    let mut ridges = Vec::new();
    let mut stills = Vec::new();
    let mut failures = Vec::new();
    for (camera, outcome) in found {
        match outcome {
            Ok(looked) => {
                warnings.extend(looked.warnings);
                ridges.extend(looked.ridges);
                stills.extend(looked.stills.map(|s| (camera, s)));
                spots.push((camera, looked.spots));
            }
            Err(reason) => failures.push(format!("camera {camera}: {reason}")),
        }
    }
    if spots.len() < 2 {
        let absent: Vec<String> = session
            .camera
            .iter()
            .filter(|c| !take.clips.contains_key(&c.name))
            .map(|c| format!("camera {}: no clip in session.toml; add it to the take's clips", c.name))
            .collect();
        failures.extend(absent);
        return Err(TakeFailure::Take(format!(
            "{} usable clip(s), two are needed. {}",
            spots.len(),
            failures.join("; ")
        )));
    }
    for reason in failures {
        warnings.push(Warning::new(
            Severity::Warning,
            format!("take {}", take.name),
            reason,
            "measured without this camera",
        ));
    }
    let began = Instant::now();
    let since = moved::since_scene(&take.name, set_up, &stills, footage).map_err(TakeFailure::Take)?;
    drop(stills);
    watch.add("landmarks", began.elapsed());
    warnings.extend(since.warnings);
    let first = spots[0].0;
    let mut cameras = Vec::new();
    for (name, clip) in &spots {
        let Some(lens) = set_up.lens(name) else { continue };
        let camera = session.camera.iter().find(|c| c.name == *name);
        cameras.push(TakeCamera {
            lens,
            spots: clip,
            readout_s: camera.and_then(clips::readout_prior),
            coarse_offset: coarse_offset(session, &take.clips, [first, name], Some(&since.scene), footage),
        });
    }
    let began = Instant::now();
    let input = TakeInput { take: &take.name, scene: &since.scene, cameras, roles };
    let mut paths = solve_take(&input, &config.path).map_err(|e| TakeFailure::Take(e.to_string()))?;
    paths.moved.extend(since.moved);
    watch.add("path", began.elapsed());
    warnings.extend(paths.warnings.iter().cloned());
    write_paths(take, &spots, &paths, out)?;
    let began = Instant::now();
    let mut outcome =
        strokes::measure(&paths.rod, &config.strokes).map_err(|e| TakeFailure::Take(e.to_string()))?;
    watch.add("strokes", began.elapsed());
    let began = Instant::now();
    let loops = loops(&paths, &ridges, &mut outcome, &config.loops);
    watch.add("line", began.elapsed());
    warnings.extend(loops_word(&take.name, &ridges, &loops, outcome.strokes.len()));
    let result =
        TakeResults { loops: loops.measured, ..gather(blank, paths, outcome, warnings, &config.evidence) };
    let began = Instant::now();
    tipwright_report::write_take(&result, &report_config(session), out)?;
    watch.add("plots", began.elapsed());
    Ok(result)
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

/// spots_<camera>.csv and path.csv.
fn write_paths(
    take: &Take,
    spots: &[(&str, ClipSpots)],
    paths: &TakePaths,
    out: &Path,
) -> Result<(), DayError> {
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
        tipwright_report::write_spots(&take.name, camera, &rows, out)?;
    }
    let file = out.join("takes").join(&take.name).join("path.csv");
    strokes::write_path(&file, &paths.rod.tip)?;
    Ok(())
}

fn gather(
    blank: TakeResults,
    paths: TakePaths,
    outcome: StrokesOutcome,
    mut warnings: Vec<Warning>,
    rules: &Rules,
) -> TakeResults {
    warnings.extend(outcome.warnings);
    let missing = missing_everywhere(outcome.strokes.iter().map(|s| &s.figures));
    TakeResults {
        status: TakeStatus::Done,
        warnings,
        clocks: paths.clocks,
        cameras: paths.cameras,
        moved: paths.moved,
        tally: paths.tally,
        path: points(&paths.rod.tip),
        set_aside: outcome.set_aside.into_iter().map(|n| (n.t_start_s, n.t_end_s, n.reason)).collect(),
        rod: outcome.rod.unwrap_or_default(),
        evidence: evidence::judge(&outcome.strokes, rules),
        strokes: outcome.strokes,
        missing,
        ..blank
    }
}

fn points(path: &MarkerPath) -> Vec<PathPoint> {
    path.samples
        .iter()
        .map(|s| PathPoint {
            t_s: s.t_s,
            position_m: s.position_in_world.coords.into(),
            velocity_m_s: s.velocity_in_world_m_s.into(),
            sd_m: s.position_sd_m.into(),
            views: s.views,
        })
        .collect()
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
