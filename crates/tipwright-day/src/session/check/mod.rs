//! Checks a session without computing anything: every problem of session.toml, casters.csv and the clips in one
//! pass, each with its remedy. Nothing here stops at the first fault.

mod clips;
mod keys;
mod values;

use std::path::Path;

use crate::session::Session;
use crate::session::SessionError;
use tipwright::model::footage::Footage;
use tipwright::model::{Severity, Warning};

pub use clips::ClipsConfig;

/// Everything found, worst first within the order of the file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CheckOutcome {
    /// Messages.
    pub findings: Vec<Warning>,
    /// The session could be read well enough to look at its clips.
    pub session_read: bool,
    /// Takes that `day` would try.
    pub takes_usable: usize,
    /// Takes of the session.
    pub takes: usize,
    /// Clips looked at.
    pub clips: usize,
}

impl CheckOutcome {
    /// Something stands in the way of the whole session: its file, the cameras or the scene.
    #[must_use]
    pub fn is_unusable(&self) -> bool {
        !self.session_read || self.findings.iter().any(|f| f.severity == Severity::Problem && !is_of_take(f))
    }
}

fn is_of_take(finding: &Warning) -> bool {
    finding.about.starts_with("take ")
}

/// Problems of the text of session.toml and of its values, without touching clips. Empty: nothing found.
///
/// # Errors
/// When the file is missing or not text.
pub fn check_text(folder: &Path) -> Result<(Vec<Warning>, Option<Session>), SessionError> {
    let path = if folder.is_file() { folder.to_path_buf() } else { folder.join("session.toml") };
    if !path.is_file() {
        return Err(SessionError::Missing { folder: folder.to_path_buf() });
    }
    let malformed = |reason: String| SessionError::Malformed { reason, path: path.clone() };
    let bytes = std::fs::read(&path).map_err(|e| malformed(e.to_string()))?;
    let text = String::from_utf8(bytes).map_err(|_| malformed("it is not UTF-8 text".into()))?;
    let mut findings = keys::check_keys(&text);
    match Session::read(folder) {
        Ok(session) => {
            findings.extend(values::check_values(&session));
            Ok((findings, Some(session)))
        }
        Err(error) => {
            if findings.iter().all(|f| f.severity != Severity::Problem) {
                findings.push(Warning::new(
                    Severity::Problem,
                    "session.toml",
                    error.to_string(),
                    "mend it and run `tipwright check` again",
                ));
            }
            Ok((findings, None))
        }
    }
}

/// Checks text, values and clips.
///
/// # Errors
/// When there is no session.toml at all.
pub fn check_session(
    folder: &Path,
    footage: &dyn Footage,
    config: &ClipsConfig,
    progress: &(dyn Fn(&str) + Sync),
) -> Result<CheckOutcome, SessionError> {
    let (mut findings, session) = check_text(folder)?;
    let mut outcome = CheckOutcome { session_read: session.is_some(), ..CheckOutcome::default() };
    if let Some(session) = session {
        let looked = clips::check_clips(&session, footage, config, progress);
        outcome.takes = session.take.len();
        outcome.clips = looked.clips;
        findings.extend(looked.findings);
        outcome.takes_usable = session
            .take
            .iter()
            .filter(|t| {
                let about = format!("take {}", t.name);
                !findings.iter().any(|f| f.severity == Severity::Problem && f.about.starts_with(&about))
            })
            .count();
    }
    findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
    outcome.findings = findings;
    Ok(outcome)
}
