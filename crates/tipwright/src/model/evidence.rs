//! What the figures of a stroke speak for: evidence with a probability, never a verdict.

use serde::{Deserialize, Serialize};

use super::figures::FigureId;
use super::measured::Measured;

/// How much may be said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Word {
    /// Inferred from something else.
    Likely,
    /// The thing itself was measured.
    Seen,
}

impl Word {
    /// As written.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Likely => "likely",
            Self::Seen => "seen",
        }
    }
}

/// One sign of a rule as it was found: a figure, or its ratio to another, against a threshold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HeldSign {
    /// Words for it.
    pub say: String,
    /// The figure.
    pub figure: FigureId,
    /// Divided by this one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub per: Option<FigureId>,
    /// The figure or the ratio.
    pub measured: Measured,
    /// Lies above.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub above: Option<f64>,
    /// Lies below.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub below: Option<f64>,
    /// Probability that it lies there.
    pub probability: f64,
}

/// Evidence for one thing in one stroke.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Id of the rule.
    pub rule: String,
    /// What it is evidence of, for a heading.
    pub title: String,
    /// What was seen, with the numbers.
    pub seen: String,
    /// Probability that what the title says is true: the share of times it comes true.
    pub probability: f64,
    /// What the probability stands on, in words; empty where it is the figures named in `seen`.
    #[serde(default)]
    pub stands_on: String,
    /// Likely or seen.
    pub word: Word,
    /// Strong enough to be shown as raised.
    pub is_raised: bool,
    /// What it is consistent with.
    pub consistent_with: Vec<String>,
    /// Other signs that go with it, where they were seen; they do not change the probability.
    pub along_with: Vec<String>,
    /// Where sources disagree.
    pub dissent: Option<String>,
    /// Figures it stands on.
    pub figures: Vec<FigureId>,
    /// The signs behind `seen`, as numbers.
    #[serde(default)]
    pub signs: Vec<HeldSign>,
    /// The signs behind `along_with`, as numbers.
    #[serde(default)]
    pub companions: Vec<HeldSign>,
}

/// A rule that could not be asked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotJudged {
    /// Id of the rule.
    pub rule: String,
    /// Why.
    pub reason: String,
}

/// All that was asked of one stroke; raised + not raised + not judged = rules that apply to its direction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StrokeEvidence {
    /// Stroke, counts from 1.
    pub stroke: u32,
    /// Every rule that could be asked, strongest first.
    pub evidence: Vec<Evidence>,
    /// Rules that could not.
    pub not_judged: Vec<NotJudged>,
}
