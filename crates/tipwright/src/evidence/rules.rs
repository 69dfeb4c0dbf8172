//! The settings file of the evidence: rules, thresholds, sources.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::model::evidence::Word;
use crate::model::line::LoopSize;
use crate::model::{Direction, FigureId, StrokeKind};

/// The built-in rules.
const DEFAULT: &str = include_str!("../../../../pipelines/evidence.toml");

/// Version of the layout. 2: kinds of stroke.
const SCHEMA: u32 = 2;

/// A settings file of rules.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rules {
    /// Version of the layout.
    pub schema: u32,
    /// The rules, in the order of pages.
    pub rule: Vec<Rule>,
}

/// One thing to find evidence of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rule {
    /// Short name in files.
    pub id: String,
    /// Heading.
    pub title: String,
    /// Likely or seen.
    pub word: Word,
    /// Raised from this probability.
    pub raise_at: f64,
    /// Strokes it is asked of.
    #[serde(default)]
    pub strokes: Aims,
    /// Kinds of stroke it is asked of. By default all but pick-ups: those begin slow and low, with the line on the
    /// ground, and are like no other stroke.
    #[serde(default = "all_but_pick_ups")]
    pub kinds: Vec<StrokeKind>,
    /// Not asked of the stroke after one of these: for what compares a stroke with the one before.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_after: Vec<StrokeKind>,
    /// What it is consistent with.
    pub consistent_with: Vec<String>,
    /// Where sources disagree.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dissent: Option<String>,
    /// Where the rule comes from.
    pub source: String,
    /// Signs that must all be there.
    pub sign: Vec<Sign>,
    /// Signs asked instead where one of those was not measured: then the thing is inferred, and the word is "likely".
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub inferred: Vec<Sign>,
    /// Signs told along with it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub companion: Vec<Sign>,
}

fn all_but_pick_ups() -> Vec<StrokeKind> {
    StrokeKind::ALL.into_iter().filter(|k| *k != StrokeKind::PickUp).collect()
}

/// Strokes a rule is asked of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Aims {
    /// Forward and back.
    #[default]
    Both,
    /// Forward strokes.
    Forward,
    /// Back strokes.
    Back,
}

impl Aims {
    /// Whether it is asked of strokes of a direction.
    #[must_use]
    pub fn includes(self, direction: Direction) -> bool {
        match self {
            Self::Both => true,
            Self::Forward => direction == Direction::Forward,
            Self::Back => direction == Direction::Back,
        }
    }
}

/// A figure, or its ratio to another, beyond a threshold (or between two).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sign {
    /// The figure.
    pub figure: FigureId,
    /// Divided by this one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub per: Option<FigureId>,
    /// Lies above.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub above: Option<f64>,
    /// Lies below.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub below: Option<f64>,
    /// `above` is the widest loop of this word, and goes along when the words' limits are set otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub above_size: Option<LoopSize>,
    /// Words for it.
    pub say: String,
    /// Where the threshold comes from, or common practice.
    pub source: String,
}

/// Why a settings file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum RulesError {
    /// Not readable.
    #[error("the evidence rules cannot be read ({reason}); give the path of a copy of pipelines/evidence.toml: {}", path.display())]
    File {
        /// What the system said.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// Not TOML, wrong key, unknown figure.
    #[error("the evidence rules cannot be read:\n{reason}\nmend the line named above: {}", path.display())]
    Malformed {
        /// What the reader said, with line.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// Rules of another layout.
    #[error("evidence rules of schema {got}, and this program reads schema {wanted}; start from its own pipelines/evidence.toml: {}", path.display(), wanted = SCHEMA)]
    Schema {
        /// As read.
        got: u32,
        /// File.
        path: PathBuf,
    },
    /// A rule that makes no sense.
    #[error("evidence rule {rule}: {reason}: {}", path.display())]
    Rule {
        /// Id.
        rule: String,
        /// What is wrong and what to do.
        reason: String,
        /// File.
        path: PathBuf,
    },
}

impl Default for Rules {
    fn default() -> Self {
        Self::default_rules()
    }
}

impl Rules {
    /// The rules built in; a test sees to it that the built-in text is sound.
    #[must_use]
    pub fn default_rules() -> Self {
        Self::parse(DEFAULT, Path::new("pipelines/evidence.toml"))
            .unwrap_or(Self { schema: SCHEMA, rule: Vec::new() })
    }

    /// Rules of another file.
    ///
    /// # Errors
    /// A file that cannot be read, and rules that make no sense.
    pub fn read(path: &Path) -> Result<Self, RulesError> {
        let text = std::fs::read_to_string(path)
            .map_err(|e| RulesError::File { reason: e.to_string(), path: path.into() })?;
        Self::parse(&text, path)
    }

    /// Rules of a text; `path` is named in errors.
    ///
    /// # Errors
    /// A text that is no TOML of rules, another schema, and rules that make no sense.
    pub fn parse(text: &str, path: &Path) -> Result<Self, RulesError> {
        let rules: Self = toml::from_str(text)
            .map_err(|e| RulesError::Malformed { reason: e.to_string(), path: path.into() })?;
        if rules.schema != SCHEMA {
            return Err(RulesError::Schema { got: rules.schema, path: path.into() });
        }
        for (i, rule) in rules.rule.iter().enumerate() {
            let wrong = |reason: &str| RulesError::Rule {
                rule: rule.id.clone(),
                reason: reason.into(),
                path: path.into(),
            };
            if rule.sign.is_empty() {
                return Err(wrong("it has no sign; give at least one [[rule.sign]]"));
            }
            if !(0.5..=1.0).contains(&rule.raise_at) {
                return Err(wrong("raise_at must lie between 0.5 and 1"));
            }
            if rules.rule[..i].iter().any(|r| r.id == rule.id) {
                return Err(wrong("its id is taken by an earlier rule; ids must differ"));
            }
            if rule.kinds.is_empty() {
                return Err(wrong(
                    "kinds is empty; name the kinds of stroke it is asked of, or leave it out",
                ));
            }
            let signs = rule.all_signs();
            if signs.clone().any(|s| [s.above, s.below].into_iter().flatten().any(|x| !x.is_finite())) {
                return Err(wrong("a threshold is not a finite number"));
            }
            if signs.clone().any(|s| matches!((s.above, s.below), (Some(low), Some(high)) if low >= high)) {
                return Err(wrong("a sign's above is not less than its below: no figure lies there"));
            }
            if signs.clone().any(|s| s.above.is_none() && s.below.is_none()) {
                return Err(wrong("a sign has neither above nor below; give one"));
            }
        }
        Ok(rules)
    }

    /// The rules with the limits of the words for a loop's width as they are set: `widest` of a word, metres.
    #[must_use]
    pub fn at_sizes(&self, widest: impl Fn(LoopSize) -> f64) -> Self {
        let mut out = self.clone();
        for rule in &mut out.rule {
            for sign in rule.sign.iter_mut().chain(&mut rule.inferred).chain(&mut rule.companion) {
                if let Some(size) = sign.above_size {
                    sign.above = Some(widest(size));
                }
            }
        }
        out
    }
}

impl Rule {
    fn all_signs(&self) -> impl Iterator<Item = &Sign> + Clone {
        self.sign.iter().chain(&self.inferred).chain(&self.companion)
    }
}
