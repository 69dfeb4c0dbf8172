//! Whether the line was heard to slap the rod.

use serde::{Deserialize, Serialize};

/// What became of the question.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SlapWord {
    /// A click near the stop that is rare at other times.
    Heard,
    /// One of 6 dB over the background would have been heard, and none was.
    NotHeard,
    /// Nothing can be said: wind, voices, no sound.
    CouldNotBeHeard,
}

impl SlapWord {
    /// As in tables and on pages.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Heard => "heard",
            Self::NotHeard => "not heard",
            Self::CouldNotBeHeard => "could not be heard",
        }
    }
}
