//! A session read for a run: what of it is wanted, opened and looked into.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::{DayConfig, DayError, Event, Progress};
use crate::session::{Finding, Refused, Session, Take, Usable, look, usable_of};
use crate::store::Place;
use tipwright::model::Severity;
use tipwright::model::footage::{ClipInfo, Footage};

/// What of a session a run is about.
#[derive(Clone, Copy)]
pub(super) enum Wanted<'a> {
    /// Everything.
    Day,
    /// Lenses and set-ups.
    Scene,
    /// One take.
    Take(&'a str),
}

impl Wanted<'_> {
    fn has(self, take: &Take) -> bool {
        match self {
            Self::Day => true,
            Self::Scene => false,
            Self::Take(name) => take.name == *name,
        }
    }
}

/// A session that can be used.
pub(super) struct Read {
    pub session: Session,
    /// Takes that cannot be measured.
    pub refused: Vec<Refused>,
    /// What its files show. What a look into the clips shows is told, and costs takes, but does not stand on the page: a run that
    /// takes everything over does not look, and makes the same page.
    pub findings: Vec<Finding>,
    /// What the clips say of themselves, as session.toml writes them.
    pub clips: BTreeMap<PathBuf, ClipInfo>,
}

/// Reads a session and opens what it names of what is wanted; refuses one that cannot be used.
pub(super) fn read_session(
    folder: &Path,
    wanted: Wanted<'_>,
    out: &Path,
    footage: &dyn Footage,
    config: &DayConfig,
    progress: Progress<'_>,
) -> Result<Read, DayError> {
    let mut found = usable_of(folder, footage, &config.check_files, &|take| wanted.has(take), &|_| {});
    let of_files = found.findings.clone();
    if config.look {
        let is_new = |take: &Take| !Place::kept_take(&take.name).below(out).is_file();
        look(&mut found, footage, &config.check_pictures, &is_new, &|_| {});
    }
    let Usable { session, findings, refused, clips, .. } = found;
    let Some(session) = session else {
        let problems = findings.iter().filter(|f| f.is_problem() && f.subject.take_idx().is_none());
        let list: Vec<String> = problems.map(|f| format!("  {f}")).collect();
        return Err(DayError::Unusable { list: list.join("\n"), path: folder.to_path_buf() });
    };
    for finding in findings.iter().filter(|f| f.severity >= Severity::Warning) {
        progress(Event::Warned(&finding.into()));
    }
    let mut read = Read { session, refused, findings: of_files, clips };
    leave_for_later(&mut read, config, progress);
    Ok(read)
}

/// Takes with a clip that is still being copied are told and not measured.
fn leave_for_later(read: &mut Read, config: &DayConfig, progress: Progress<'_>) {
    let takes = std::mem::take(&mut read.session.take);
    for take in takes {
        let clip = take.clips.values().map(|c| read.session.resolve(c)).find(|c| config.leave.contains(c));
        let Some(clip) = clip else {
            read.session.take.push(take);
            continue;
        };
        let reason = Finding::new(
            take.subject(),
            Severity::Warning,
            "a clip of it is still being copied: left for later",
            "wait until it is whole and run the same command again; with --watch that comes by itself",
        )
        .in_file(clip);
        progress(Event::Warned(&(&reason).into()));
        read.refused.push(Refused {
            take_idx: take.take_idx,
            name: Some(take.name.clone()),
            shown: take.name.to_string(),
            caster: take.caster.to_string(),
            reasons: vec![reason],
        });
    }
}
