//! One take: measured, or taken over from an earlier run with today's names; its files.

use std::panic::{AssertUnwindSafe, catch_unwind};

use super::measure::{TakeFailure, measure};
use super::one_view::{self, Alone, InPlane};
use super::run::{Run, Share};
use super::{DayError, Event, SetUp, SetUps, inputs, report_config};
use crate::session::{Caster, Refused, Session, Take};
use crate::store::{Files, Kept, Place, digest};
use tipwright::model::results::{TakeGoal, TakeKeys};
use tipwright::model::{Severity, TakeResults, Warning};
use tipwright::strokes::path_csv;
use tipwright_report::files::FileMade;
use tipwright_report::tables::rekey;

/// Layout of what is kept of a take; raised when it grows, so that a later run measures it anew.
const LAYOUT: u32 = 5;

/// A take as far as its own clips measure it.
pub(super) enum Got<'a> {
    Done(Box<TakeResults>),
    /// One camera alone shows it: [`get_alone`] goes on when the other takes are there.
    Alone(Alone, Share<'a>),
}

/// Measures a take, or takes it from an earlier run.
pub(super) fn get<'a>(run: &Run<'a>, take: &Take, set_ups: &SetUps) -> Result<Got<'a>, DayError> {
    let share = run.share(run.take_work(take));
    let done = |results: TakeResults| Ok(Got::Done(Box::new(results)));
    let set_up = match set_ups.of(take) {
        Ok(set_up) => set_up,
        Err(reason) => {
            run.tell(Event::Began(&format!("take {}", take.name)));
            return done(fail(run, take, Vec::new(), reason));
        }
    };
    let digest = digest_of(run, take, set_up);
    if let Some(alone) = Alone::before(run, take, set_up, &digest) {
        return Ok(Got::Alone(alone, share));
    }
    match made(run, take, set_ups, (set_up, digest.clone()), None, &share)? {
        Ok(results) => done(results),
        Err(alone) => {
            alone.keep(run, take, &digest)?;
            Ok(Got::Alone(alone, share))
        }
    }
}

/// Measures a take that one camera alone shows, in the plane that the `measured` takes or hung wands tell, or takes it from an earlier run.
pub(super) fn get_alone(
    run: &Run<'_>,
    take: &Take,
    set_ups: &SetUps,
    (alone, share): (Alone, Share<'_>),
    measured: &[(usize, TakeResults)],
) -> Result<TakeResults, DayError> {
    let set_up = match set_ups.of(take) {
        Ok(set_up) => set_up,
        Err(reason) => return Ok(fail(run, take, Vec::new(), reason)),
    };
    let Some(plane) = one_view::plane(run, set_up, take, measured) else {
        run.tell(Event::Began(&format!("take {}", take.name)));
        return Ok(fail(run, take, Vec::new(), alone.without_plane()));
    };
    let digest = alone.digest(&digest_of(run, take, set_up), &plane);
    let in_plane = InPlane { alone: &alone, plane: &plane };
    let made = made(run, take, set_ups, (set_up, digest), Some(&in_plane), &share)?;
    Ok(made.unwrap_or_else(|alone| fail(run, take, Vec::new(), alone.without_plane())))
}

/// A take made or taken over; not where it turns out that one camera alone shows it.
fn made(
    run: &Run<'_>,
    take: &Take,
    set_ups: &SetUps,
    (set_up, digest): (&SetUp, String),
    alone: Option<&InPlane<'_>>,
    share: &Share<'_>,
) -> Result<Result<TakeResults, Alone>, DayError> {
    if let Ok(mut digests) = set_ups.take_digests.lock() {
        digests.insert(take.name.to_string(), digest.clone());
    }
    let about = format!("take {}", take.name);
    if !run.config.anew
        && let Some(kept) = run.store.kept::<TakeResults>(&Place::kept_take(&take.name), &digest)
        && let Some(taken_over) = take_over(run, take, &digest, kept)?
    {
        run.tell(Event::Kept(&about));
        return Ok(Ok(taken_over));
    }
    run.tell(Event::Began(&about));
    let mut warnings = Vec::new();
    let mut files = Files::new();
    let measured = catch_unwind(AssertUnwindSafe(|| {
        measure(run, take, set_up, alone, share, &mut warnings, &mut files)
    }))
    .unwrap_or_else(|_| {
        let reason = "the program failed on it; this is a fault of the program, please report it";
        Err(TakeFailure::Take(reason.into()))
    });
    if !matches!(measured, Err(TakeFailure::Alone(_))) {
        share.done();
    }
    match measured {
        Ok(measured) => {
            let result = TakeResults { warnings, ..measured };
            run.warn(&result.warnings);
            write_files(run, take, &result, &mut files)?;
            run.store.keep(
                &Place::kept_take(&take.name),
                &digest,
                &shown(run.session, &result),
                &files,
                &result,
            )?;
            let line = format!("{} strokes, {} path points", result.strokes.len(), result.path.len());
            run.tell(Event::Done(&about, &line));
            Ok(Ok(result))
        }
        Err(TakeFailure::Day(error)) => Err(error),
        Err(TakeFailure::Take(reason)) => Ok(Ok(fail(run, take, warnings, reason))),
        Err(TakeFailure::Alone(alone)) => Ok(Err(alone)),
    }
}

/// A take that cannot be measured, for the reason given and told.
fn fail(run: &Run<'_>, take: &Take, mut warnings: Vec<Warning>, reason: String) -> TakeResults {
    warnings.push(Warning::new(Severity::Problem, format!("take {}", take.name), reason, ""));
    run.warn(&warnings);
    run.store.leave(&Place::kept_take(&take.name));
    TakeResults { warnings, ..blank(run, take) }
}

/// Everything the measurement rests on; not the words it is shown with.
fn digest_of(run: &Run<'_>, take: &Take, set_up: &SetUp) -> String {
    let (session, config) = (run.session, run.config);
    let settings = format!(
        "{:?} {:?} {:?} {:?} {:?} {:?} {:?} {:?} {:?} {:?} {:?}",
        take.clips.keys(),
        (take.from_s, take.to_s),
        session.line,
        rod_length_m(session, take),
        session.marker,
        config.spots,
        config.path,
        config.strokes,
        config.gather,
        config.loops,
        config.evidence
    );
    inputs::joint_digest(
        inputs::clips_digests(session, &take.clips).iter().map(|(k, v)| (k.as_str(), v.clone())).chain([
            ("set-up", set_up.digest.clone()),
            ("settings", settings),
            ("layout", LAYOUT.to_string()),
        ]),
    )
}

/// A take of an earlier run, with today's names. Where those changed or a file of it was harmed, its files are made again from
/// what was kept; `None` when that does not bring all of them back.
fn take_over(
    run: &Run<'_>,
    take: &Take,
    digest: &str,
    kept: Kept<TakeResults>,
) -> Result<Option<TakeResults>, DayError> {
    let now = blank(run, take);
    let result = TakeResults {
        keys: now.keys,
        session: now.session,
        take: now.take,
        caster: now.caster,
        alias: now.alias,
        phase: now.phase,
        goal: now.goal,
        set_up: now.set_up,
        clips: now.clips,
        ..kept.value
    };
    let words = shown(run.session, &result);
    if kept.shown == words && run.store.is_whole(&kept.files) {
        return Ok(Some(result));
    }
    let mut files = Files::new();
    write_files(run, take, &result, &mut files)?;
    let rest: Files = kept.files.into_iter().filter(|(place, _)| !files.contains_key(place)).collect();
    if !run.store.is_whole(&rest) {
        return Ok(None);
    }
    let (tables, plain): (Files, Files) =
        rest.into_iter().partition(|(place, _)| place.as_str().ends_with(".parquet"));
    files.extend(plain);
    for place in tables.into_keys() {
        let table = rekey::renamed(&place.below(run.store.root()), place.as_str(), &result)?;
        run.store.put(&place, &table.bytes, &mut files)?;
    }
    run.store.keep(&Place::kept_take(&take.name), digest, &words, &files, &result)?;
    Ok(Some(result))
}

/// Digest of the words, units and rod that a take's tables and plots are made with.
fn shown(session: &Session, take: &TakeResults) -> String {
    let config = report_config(session);
    let names = (&take.session, &take.take, &take.caster, &take.alias, &take.phase);
    digest(format!("{names:?} {:?} {config:?}", take.keys).as_bytes())
}

/// Tables and plots of a take.
fn write_files(run: &Run<'_>, take: &Take, result: &TakeResults, files: &mut Files) -> Result<(), DayError> {
    run.watch.time("plots", || {
        let mut made = tipwright_report::take_files(result, &report_config(run.session))?;
        made.push(FileMade::new("path.csv", path_csv(&result.path)));
        put(run, take, made, files)
    })
}

pub(super) fn put(
    run: &Run<'_>,
    take: &Take,
    made: Vec<FileMade>,
    files: &mut Files,
) -> Result<(), DayError> {
    for file in made {
        run.store.put(&Place::in_take(&take.name, &file.place)?, &file.bytes, files)?;
    }
    Ok(())
}

fn caster_of<'a>(session: &'a Session, take: &Take) -> Option<&'a Caster> {
    session.casters.iter().find(|c| c.id == take.caster)
}

pub(super) fn rod_length_m(session: &Session, take: &Take) -> f64 {
    caster_of(session, take).and_then(|c| c.rod_length_m).unwrap_or(session.rod.length_m).get()
}

/// A take of which nothing is known but what session.toml says.
pub(super) fn blank(run: &Run<'_>, take: &Take) -> TakeResults {
    let set_up = (run.session.set_ups().len() > 1).then(|| run.session.set_up_of(take).shown());
    TakeResults {
        set_up,
        phase: take.phase.as_ref().map(ToString::to_string),
        goal: take.goal.as_ref().map(|g| TakeGoal { figure: g.figure, above: g.above, below: g.below }),
        clips: take.clips.iter().map(|(k, v)| (k.to_string(), v.display().to_string())).collect(),
        ..failed(run, &take.name, &take.caster)
    }
}

/// A take that cannot be measured as far as session.toml and its clips' heads tell, if it has a name of its own.
pub(super) fn refused(run: &Run<'_>, refused: &Refused) -> Option<TakeResults> {
    let name = refused.name.as_ref()?;
    run.store.leave(&Place::kept_take(name));
    let warnings = refused.reasons.iter().map(Warning::from).collect();
    Some(TakeResults { warnings, ..failed(run, name, &refused.caster) })
}

fn failed(run: &Run<'_>, take: &str, caster: &str) -> TakeResults {
    let row = run.session.casters.iter().find(|c| c.id == *caster);
    let alias = row.map_or(caster, |c| c.alias.as_str());
    let caster_key = row.and_then(|c| c.key.as_ref()).map(ToString::to_string);
    let caster_class = row.and_then(|c| c.class.clone());
    TakeResults {
        session: run.session.title.clone(),
        keys: TakeKeys { caster_key, caster_class, ..run.keys.clone() },
        take: take.to_owned(),
        caster: caster.to_owned(),
        alias: alias.to_owned(),
        ..TakeResults::failed()
    }
}
