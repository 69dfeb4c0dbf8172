//! What a stage wants a person to know, collected instead of printed.

use serde::{Deserialize, Serialize};

/// How much it matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Good to know.
    Note,
    /// Results may suffer.
    Warning,
    /// This part cannot be done.
    Problem,
}

/// One message: which file or thing, what is wrong, what to do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Warning {
    /// Weight.
    pub severity: Severity,
    /// File, take or camera it is about.
    pub about: String,
    /// What is wrong.
    pub what: String,
    /// What to do.
    pub remedy: String,
}

impl Warning {
    /// A warning.
    #[must_use]
    pub fn new(
        severity: Severity,
        about: impl Into<String>,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self { severity, about: about.into(), what: what.into(), remedy: remedy.into() }
    }
}

impl std::fmt::Display for Warning {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}. {}", self.about, self.what, self.remedy)
    }
}
