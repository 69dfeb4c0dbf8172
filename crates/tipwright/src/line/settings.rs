//! Words for sizes: limits differ from source to source, so they are read from a file.

use schemars::JsonSchema;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::LoopConfig;
use crate::model::line::LoopSize;

/// The built-in limits.
const DEFAULT: &str = include_str!("../../../../pipelines/loop.toml");

/// Limits of the words for a loop's width.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SizeLimits {
    /// Widest tight loop.
    pub tight_up_to_m: f64,
    /// Widest medium loop.
    pub medium_up_to_m: f64,
    /// Widest wide loop; beyond it hardly is one.
    pub wide_up_to_m: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    schema: u32,
    size: SizeLimits,
}

/// Settings of the loop stage.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LoopSettings {
    /// How it is read.
    pub read: LoopConfig,
    /// What it is called.
    pub sizes: SizeLimits,
}

impl Default for LoopSettings {
    /// The built-in limits (pipelines/loop.toml).
    fn default() -> Self {
        Self { read: LoopConfig::default(), sizes: SizeLimits::default() }
    }
}

impl Default for SizeLimits {
    fn default() -> Self {
        toml::from_str::<File>(DEFAULT).map_or(
            // the same numbers; a test holds both together
            Self { tight_up_to_m: 0.9, medium_up_to_m: 1.8, wide_up_to_m: 2.4 },
            |f| f.size,
        )
    }
}

/// Why a settings file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum LoopSettingsError {
    /// Not there, not TOML, wrong key.
    #[error("the loop settings cannot be read ({reason}); start from a copy of pipelines/loop.toml: {}", path.display())]
    Unreadable {
        /// What the reader said.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// Limits out of order.
    #[error("the limits of the sizes must rise from above 0: tight {0}, medium {1}, wide {2}: {path}", limits.tight_up_to_m, limits.medium_up_to_m, limits.wide_up_to_m, path = path.display())]
    Order {
        /// As read.
        limits: SizeLimits,
        /// File.
        path: PathBuf,
    },
}

impl SizeLimits {
    /// Reads a settings file.
    ///
    /// # Errors
    /// Unreadable, or limits out of order.
    pub fn read(path: &Path) -> Result<Self, LoopSettingsError> {
        let unreadable = |reason: String| LoopSettingsError::Unreadable { reason, path: path.to_path_buf() };
        let text = std::fs::read_to_string(path).map_err(|e| unreadable(e.to_string()))?;
        let file: File = toml::from_str(&text).map_err(|e| unreadable(e.to_string()))?;
        if file.schema != 1 {
            return Err(unreadable(format!("schema {} is not known", file.schema)));
        }
        let s = file.size;
        if 0.0 < s.tight_up_to_m && s.tight_up_to_m < s.medium_up_to_m && s.medium_up_to_m < s.wide_up_to_m {
            Ok(s)
        } else {
            Err(LoopSettingsError::Order { limits: s, path: path.to_path_buf() })
        }
    }

    /// Widest loop of a word, metres.
    #[must_use]
    pub fn widest_m(&self, size: LoopSize) -> f64 {
        match size {
            LoopSize::Tight => self.tight_up_to_m,
            LoopSize::Medium => self.medium_up_to_m,
            LoopSize::Wide => self.wide_up_to_m,
            LoopSize::Open => f64::MAX,
        }
    }

    /// The word for a width.
    ///
    /// ```
    /// use tipwright::line::SizeLimits;
    /// use tipwright::model::line::LoopSize;
    /// assert_eq!(SizeLimits::default().size(0.85), LoopSize::Tight);
    /// assert_eq!(SizeLimits::default().size(1.0), LoopSize::Medium);
    /// ```
    #[must_use]
    pub fn size(&self, width_m: f64) -> LoopSize {
        if width_m <= self.tight_up_to_m {
            LoopSize::Tight
        } else if width_m <= self.medium_up_to_m {
            LoopSize::Medium
        } else if width_m <= self.wide_up_to_m {
            LoopSize::Wide
        } else {
            LoopSize::Open
        }
    }
}
