//! What is found wrong with a session: about what, how bad, which file, what to do. Decisions read the subject and the severity,
//! never a text.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::names::CameraName;
use tipwright::model::{Severity, Warning};

/// What a finding is about, and so what a problem costs.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Subject {
    /// The whole session: session.toml, the wand, the rod, the markers.
    Session,
    /// The lens of a camera.
    Lens {
        /// Camera.
        camera: CameraName,
    },
    /// The clips of the set-up.
    Scene,
    /// One take.
    Take {
        /// Which `[[take]]` of session.toml, from 0: two may have one name.
        take_idx: usize,
        /// Its name as it may be shown, whether it can be one or not.
        take: String,
    },
}

impl Subject {
    /// The take it is about, by its place in session.toml.
    #[must_use]
    pub fn take_idx(&self) -> Option<usize> {
        match self {
            Self::Take { take_idx, .. } => Some(*take_idx),
            _ => None,
        }
    }
}

impl std::fmt::Display for Subject {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Session => write!(f, "session"),
            Self::Lens { camera } => write!(f, "lens of camera {camera}"),
            Self::Scene => write!(f, "scene"),
            Self::Take { take, .. } => write!(f, "take {take}"),
        }
    }
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// What it is about.
    pub subject: Subject,
    /// A problem costs its subject: a take, or the day.
    pub severity: Severity,
    /// What is wrong.
    pub what: String,
    /// The file in question.
    pub file: Option<PathBuf>,
    /// Line of the file, from 1.
    pub line: Option<usize>,
    /// What to do.
    pub remedy: String,
}

impl Finding {
    /// A finding without a file.
    #[must_use]
    pub fn new(
        subject: Subject,
        severity: Severity,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self { subject, severity, what: what.into(), file: None, line: None, remedy: remedy.into() }
    }

    /// With the file it is about.
    #[must_use]
    pub fn in_file(mut self, file: impl Into<PathBuf>) -> Self {
        self.file = Some(file.into());
        self
    }

    /// Costs its subject.
    #[must_use]
    pub fn is_problem(&self) -> bool {
        self.severity == Severity::Problem
    }
}

impl From<&Finding> for Warning {
    fn from(finding: &Finding) -> Self {
        let line = finding.line.map_or_else(String::new, |line| format!(", line {line}"));
        let about = match &finding.file {
            Some(file) => format!("{} ({}{line})", finding.subject, file.display()),
            None => finding.subject.to_string(),
        };
        Self::new(finding.severity, about, finding.what.clone(), finding.remedy.clone())
    }
}

impl std::fmt::Display for Finding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        Warning::from(self).fmt(f)
    }
}
