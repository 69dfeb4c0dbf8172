//! Joins the stages: lenses, scene, then every take in parallel, then the report. The only place that knows all
//! stages.
//!
//! Everything is written through the [`crate::store`] as soon as it is done. What is finished is known by a digest of its
//! inputs, the settings and the program's build, and not done again; an interrupted run goes on where it was. A clip
//! that cannot be used costs its take, never the day.

mod clips;
mod expect;
mod film;
mod hung;
mod inputs;
mod kept;
mod lenses;
mod measure;
mod moved;
mod one_view;
mod read;
mod run;
mod run_json;
mod set_up;
mod set_ups;
mod slap;
mod takes;
mod timings;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::session::{Finding, LookConfig, Session, Take, UsableConfig, parse};
use crate::store::{Files, Place, Store, StoreError};
use read::{Wanted, read_session};
use run::Run;
use takes::Got;
use timings::Clocks;
use tipwright::evidence::Rules;
use tipwright::evidence::consistency::{self, ConsistencyConfig};
use tipwright::lens::LensConfig;
use tipwright::line::{GatherConfig, LoopSettings};
use tipwright::model::footage::Footage;
use tipwright::model::results::{SessionResults, SolvedSetUp, TakeStatus};
use tipwright::model::{Measured, SceneQuality, TakeResults, Warning};
use tipwright::path::PathConfig;
use tipwright::scene::points::PointsConfig;
use tipwright::scene::wand::WandConfig;
use tipwright::spots::SpotsConfig;
use tipwright::strokes::StrokesConfig;
use tipwright_report::{ReportConfig, ReportError};

pub use expect::{Expectation, expect};
pub use film::Filming;
pub use lenses::LensSource;
pub use set_up::SetUp;
pub use set_ups::SetUps;
pub use timings::{ClipTimings, Spent, Timings};

/// Version of the results folder's own layout.
pub const RESULTS_SCHEMA: u32 = 1;

/// Settings of every stage.
#[derive(Debug, Clone, Default)]
pub struct DayConfig {
    /// What the files of a session must show.
    pub check_files: UsableConfig,
    /// How clips are looked into before they are measured.
    pub check_pictures: LookConfig,
    /// Lens stage.
    pub lens: LensConfig,
    /// Spots stage.
    pub spots: SpotsConfig,
    /// Scene stage.
    pub wand: WandConfig,
    /// Scene and path of one moving point, without clips.
    pub points: PointsConfig,
    /// Path stage.
    pub path: PathConfig,
    /// Strokes stage.
    pub strokes: StrokesConfig,
    /// Points of the line, gathered while clips are searched.
    pub gather: GatherConfig,
    /// Line stage.
    pub loops: LoopSettings,
    /// Rules of the evidence; the built-in ones by default.
    pub evidence: Rules,
    /// Do finished parts again.
    pub anew: bool,
    /// The page names nobody and shows no picture: letters for aliases, no clip names, no film.
    pub anonymous: bool,
    /// Look into the clips of takes that were not measured yet, as `check` does, and refuse what cannot go well. Off by default, for
    /// callers that have looked.
    pub look: bool,
    /// Clips that are still being copied: their takes are left for a later run.
    pub leave: BTreeSet<PathBuf>,
}

/// What a caller may want to show.
#[derive(Debug, Clone, Copy)]
pub enum Event<'a> {
    /// So much work lies ahead, in frames of clips looked through; what else there is to do is counted by the time that it takes.
    Work(u64),
    /// A part begins: a lens, the scene, a take.
    Began(&'a str),
    /// So much more of the work is done.
    Worked(u64),
    /// So much of the work turned out not to be needed: finished before, or failed early.
    Spared(u64),
    /// A part is done, with a line about it.
    Done(&'a str, &'a str),
    /// A part was finished in an earlier run.
    Kept(&'a str),
    /// A part failed or deserves a word.
    Warned(&'a Warning),
}

/// Receives events from any thread.
pub type Progress<'a> = &'a (dyn Fn(Event<'_>) + Sync);

/// Why nothing was computed.
#[derive(Debug, thiserror::Error)]
pub enum DayError {
    /// The session cannot be used.
    #[error("the session cannot be used:\n{list}\nmend it; `tipwright check` shows everything in one pass: {}", path.display())]
    Unusable {
        /// One problem a line.
        list: String,
        /// Session folder.
        path: PathBuf,
    },
    /// A lens cannot be had.
    #[error("camera {camera} has no lens: {reason}")]
    Lens {
        /// Camera.
        camera: String,
        /// Why, with file and remedy.
        reason: String,
    },
    /// The scene cannot be solved.
    #[error("the scene cannot be solved: {reason}")]
    Scene {
        /// Why, with file and remedy.
        reason: String,
    },
    /// The take asked for cannot be used.
    #[error("take {take} cannot be measured:\n{list}\nmend it: {}", path.display())]
    TakeUnusable {
        /// As asked for.
        take: String,
        /// One problem a line.
        list: String,
        /// Session folder.
        path: PathBuf,
    },
    /// No such take.
    #[error("there is no take `{take}`; the takes are: {known}: {}", path.display())]
    NoSuchTake {
        /// As asked for.
        take: String,
        /// Names in the session.
        known: String,
        /// Session folder.
        path: PathBuf,
    },
    /// A table cannot be made.
    #[error(transparent)]
    Report(#[from] ReportError),
    /// The results folder cannot be used.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// How a day went.
#[derive(Debug)]
pub struct DayOutcome {
    /// Everything that the report shows: takes without their paths and rods, which are kept ([`read_results`]).
    pub results: SessionResults,
    /// Takes measured.
    pub done: usize,
    /// Takes that failed.
    pub failed: usize,
    /// What the run cost.
    pub timings: Timings,
}

/// Runs the whole day, without film.
///
/// # Errors
/// When nothing can be computed: session, lenses or scene unusable, or results not writable. Failed takes are no
/// error; they are counted in the outcome.
pub fn run(
    folder: &Path,
    out: &Path,
    footage: &dyn Footage,
    config: &DayConfig,
    progress: Progress<'_>,
) -> Result<DayOutcome, DayError> {
    run_with_film(folder, out, footage, None, config, progress)
}

/// Runs the whole day, with film of every stroke where a maker is given.
///
/// # Errors
/// As [`run`].
pub fn run_with_film(
    folder: &Path,
    out: &Path,
    footage: &dyn Footage,
    film: Option<Filming<'_>>,
    config: &DayConfig,
    progress: Progress<'_>,
) -> Result<DayOutcome, DayError> {
    let began = Clocks::of_program();
    let film = film.filter(|_| !config.anonymous);
    let read = read_session(folder, Wanted::Day, out, footage, config, progress)?;
    let session = &read.session;
    let store = Store::open(out)?;
    let run = Run::new(&read, &store, footage, config, progress);
    let work = [run.set_up_work(None), session.take.iter().map(|t| run.take_work(t)).sum()];
    let filming = session.take.iter().filter(|_| film.is_some()).map(|t| run.film_work(t)).sum();
    run.tell(Event::Work(work.into_iter().fold(filming, u64::saturating_add)));
    let set_ups = set_ups::get_all(&run, &session.take)?;
    let mut takes = all_takes(&run, &set_ups)?;
    takes.extend(read.refused.iter().filter_map(|r| Some((r.take_idx, takes::refused(&run, r)?))));
    takes.sort_by_key(|(idx, _)| *idx);
    let takes: Vec<TakeResults> = takes.into_iter().map(|(_, take)| take).collect();
    let mut results = session_results(&run, &set_ups, takes);
    // a take without a name of its own has no place in the table of takes
    let nameless = || read.refused.iter().filter(|r| r.name.is_none());
    let has_place = |f: &Finding| f.subject.take_idx().is_some_and(|i| nameless().all(|r| r.take_idx != i));
    results.warnings.extend(read.findings.iter().filter(|f| !has_place(f)).map(Warning::from));
    if let Some(film) = film {
        film::add(&run, &set_ups, &mut results, film)?;
    }
    run.watch.time("report", || -> Result<(), DayError> {
        let mut files = Files::new();
        tipwright_report::write_session(&results, config.anonymous, &mut |file| -> Result<(), DayError> {
            Ok(store.put(&Place::new(file.place)?, &file.bytes, &mut files)?)
        })?;
        Ok(kept::write(&store, &mut results)?)
    })?;
    let done = results.takes.iter().filter(|t| t.status == TakeStatus::Done).count();
    let failed = results.takes.len() - done + nameless().count();
    run_json::write(&run, &results, &set_ups, began.since().wall_s)?;
    let timings = run.watch.timings(began.since());
    store.finish(true)?;
    Ok(DayOutcome { results, done, failed, timings })
}

/// Solves only the set-ups and writes lens/ and scene.toml.
///
/// # Errors
/// As [`run`].
pub fn run_scene(
    folder: &Path,
    out: &Path,
    footage: &dyn Footage,
    config: &DayConfig,
    progress: Progress<'_>,
) -> Result<SetUps, DayError> {
    let read = read_session(folder, Wanted::Scene, out, footage, config, progress)?;
    let store = Store::open(out)?;
    let run = Run::new(&read, &store, footage, config, progress);
    run.tell(Event::Work(run.set_up_work(None)));
    let set_ups = set_ups::get_all(&run, [])?;
    store.finish(false)?;
    Ok(set_ups)
}

/// Follows the markers of one take and writes its files.
///
/// # Errors
/// As [`run`], and when there is no such take.
pub fn run_take(
    folder: &Path,
    take: &str,
    out: &Path,
    footage: &dyn Footage,
    config: &DayConfig,
    progress: Progress<'_>,
) -> Result<TakeResults, DayError> {
    let read = read_session(folder, Wanted::Take(take), out, footage, config, progress)?;
    let session = &read.session;
    if let Some(refused) = read.refused.iter().find(|r| r.shown == take) {
        let list: Vec<String> = refused.reasons.iter().map(|f| format!("  {f}")).collect();
        return Err(DayError::TakeUnusable {
            take: take.to_string(),
            list: list.join("\n"),
            path: folder.to_path_buf(),
        });
    }
    let Some(take) = session.take.iter().find(|t| t.name == *take) else {
        let all = parse(folder).session.map(|s| s.take).unwrap_or_default();
        let known: Vec<&str> = all.iter().map(|t| t.name.as_str()).collect();
        return Err(DayError::NoSuchTake {
            take: take.to_string(),
            known: known.join(", "),
            path: folder.to_path_buf(),
        });
    };
    let store = Store::open(out)?;
    let run = Run::new(&read, &store, footage, config, progress);
    run.tell(Event::Work(run.set_up_work(Some(take)).saturating_add(run.take_work(take))));
    let set_ups = set_ups::get_all(&run, [take])?;
    let result = match takes::get(&run, take, &set_ups)? {
        Got::Done(result) => *result,
        Got::Alone(alone, share) => takes::get_alone(&run, take, &set_ups, (alone, share), &[])?,
    };
    store.finish(false)?;
    Ok(result)
}

/// All takes without their paths, with their places in session.toml: those that one camera alone shows after the others, which tell their planes.
fn all_takes(run: &Run<'_>, set_ups: &SetUps) -> Result<Vec<(usize, TakeResults)>, DayError> {
    let got = run
        .session
        .take
        .par_iter()
        .map(|take| {
            let got = match takes::get(run, take, set_ups)? {
                Got::Done(results) => Got::Done(Box::new(results.without_paths())),
                alone => alone,
            };
            Ok((take, got))
        })
        .collect::<Result<Vec<(&Take, Got<'_>)>, DayError>>()?;
    let (mut takes, mut alone) = (Vec::new(), Vec::new());
    for (take, got) in got {
        match got {
            Got::Done(results) => takes.push((take.take_idx, *results)),
            Got::Alone(camera, share) => alone.push((take, (camera, share))),
        }
    }
    let later = alone
        .into_par_iter()
        .map(|(take, own)| {
            let results = takes::get_alone(run, take, set_ups, own, &takes)?;
            Ok((take.take_idx, results.without_paths()))
        })
        .collect::<Result<Vec<_>, DayError>>()?;
    takes.extend(later);
    Ok(takes)
}

/// Reads the results of an earlier run back, for comparison.
///
/// # Errors
/// The folder holds no finished results, or what it holds is damaged.
pub fn read_results(out: &Path) -> Result<SessionResults, StoreError> {
    kept::read(out)
}

fn session_results(run: &Run<'_>, set_ups: &SetUps, takes: Vec<TakeResults>) -> SessionResults {
    let session = run.session;
    let all: Vec<SolvedSetUp> = set_ups
        .solved()
        .map(|s| SolvedSetUp {
            name: s.name.clone(),
            convergence_deg: s.convergence_deg(),
            wand_length_m: wand_as_measured(&s.scene.quality),
            scene: s.scene.clone(),
        })
        .collect();
    // the words about lenses are the same in all
    let mut warnings: Vec<Warning> = Vec::new();
    for warning in set_ups.solved().flat_map(|s| &s.warnings) {
        if !warnings.contains(warning) {
            warnings.push(warning.clone());
        }
    }
    warnings.extend(moved::told(&takes));
    let (steadiness, differences) = consistency::of_takes(&takes, &ConsistencyConfig::default());
    SessionResults {
        schema: RESULTS_SCHEMA,
        tipwright_version: env!("CARGO_PKG_VERSION").to_string(),
        title: session.title.clone(),
        notes: crate::session::notes::of(session),
        report_units: session.report_units,
        rod_length_m: session.rod.length_m.get(),
        lenses: set_ups.solved().next().map(SetUp::lens_summaries).unwrap_or_default(),
        set_ups: all,
        warnings,
        takes,
        steadiness,
        differences,
    }
}

/// What the wand's own markers measured: their distance in the wand clip and its spread. A scene that does not hold it
/// (solved by an earlier program) gives nothing; the length typed into session.toml is no measurement.
fn wand_as_measured(quality: &SceneQuality) -> Option<Measured> {
    Some(Measured::new(quality.wand_measured_m?, quality.wand_rms_mm? / 1000.0))
}

/// Report settings of a session.
pub(crate) fn report_config(session: &Session) -> ReportConfig {
    ReportConfig {
        units: session.report_units,
        rod_length_m: session.rod.length_m.get(),
        ..ReportConfig::default()
    }
}
