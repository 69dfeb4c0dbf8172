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

    /// The weightiest first, else in the order they came; what is said of several files or takes in the same words stands once, about
    /// all of them.
    #[must_use]
    pub fn together(warnings: &[Self]) -> Vec<Self> {
        let mut out: Vec<(&Self, Vec<&str>)> = Vec::new();
        for w in warnings {
            let same = |(o, _): &&mut (&Self, Vec<&str>)| {
                (o.severity, &o.what, &o.remedy) == (w.severity, &w.what, &w.remedy)
            };
            match out.iter_mut().find(same) {
                Some((_, about)) if about.contains(&w.about.as_str()) => {}
                Some((_, about)) => about.push(&w.about),
                None => out.push((w, vec![&w.about])),
            }
        }
        out.sort_by_key(|(w, _)| std::cmp::Reverse(w.severity));
        out.into_iter().map(|(w, about)| Self { about: about.join(", "), ..w.clone() }).collect()
    }
}

impl std::fmt::Display for Warning {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}. {}", self.about, self.what, self.remedy)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_of_two_files_stands_once() {
        let slow = |about: &str| Warning::new(Severity::Note, about, "30 frames a second", "film at 120");
        let heavy = Warning::new(Severity::Warning, "east", "30 frames a second", "film at 120");
        let got = Warning::together(&[slow("wand.mp4"), heavy.clone(), slow("plumb.mp4"), slow("wand.mp4")]);
        assert_eq!(got, [heavy, slow("wand.mp4, plumb.mp4")]);
        let take = slow("02-before, east");
        assert_eq!(Warning::together(&[take.clone(), take.clone()]), [take]);
    }
}
