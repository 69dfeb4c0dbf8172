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
    Ok(Read { session, refused, findings: of_files, clips })
}
