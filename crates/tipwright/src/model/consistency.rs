//! How steady a caster is, and what differs between phases: results of stage `evidence`, for pages and tables.

use serde::{Deserialize, Serialize};

use super::figures::FigureId;
use super::measured::Measured;
use super::stroke::{Direction, StrokeKind};
use crate::math::student_975;

/// A figure over the strokes of one caster, phase, direction and kind of stroke.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Steadiness {
    /// Strokes with the figure.
    pub strokes: usize,
    /// Mean; its sd is the standard error from the scatter observed.
    pub mean: Measured,
    /// Standard deviation from stroke to stroke, error of measurement taken out; 0 when that explains all of it.
    /// `None` with too few strokes.
    pub spread: Option<f64>,
    /// Root mean square of the figures' own standard deviations.
    pub measurement_sd: f64,
    /// Change per stroke. `None` with too few strokes.
    pub trend_per_stroke: Option<Measured>,
    /// One standard deviation of the error that all the strokes have in common and more strokes don't make smaller: of what one camera alone
    /// saw, the plane's. 0 where errors are each stroke's own.
    #[serde(default)]
    pub shared_sd: f64,
}

impl Steadiness {
    /// Half of the mean's 95 % interval: Student's for the scatter, the normal law's for what the strokes share.
    #[must_use]
    pub fn mean_half_width_95(&self) -> f64 {
        let shared = Measured::new(0.0, self.shared_sd).half_width_95();
        (student_975(self.strokes as f64 - 1.0) * self.mean.sd).hypot(shared)
    }
}

/// A difference of two groups' means, second minus first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Difference {
    /// Told.
    Told {
        /// Of the means.
        difference: f64,
        /// Lower end of the 95 % interval.
        low: f64,
        /// Upper end.
        high: f64,
        /// In standard deviations of strokes, pooled; `None` when there is no scatter.
        in_spreads: Option<f64>,
    },
    /// Not told, and why.
    TooFew {
        /// Strokes had and needed.
        reason: String,
    },
}

impl Difference {
    /// The interval leaves out zero.
    #[must_use]
    pub fn is_clear(&self) -> bool {
        matches!(self, Self::Told { low, high, .. } if *low > 0.0 || *high < 0.0)
    }
}

/// Steadiness of one figure of one caster in one phase, direction and kind of stroke.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CasterSteadiness {
    /// Caster's id.
    pub caster: String,
    /// Phase.
    pub phase: Option<String>,
    /// Direction.
    pub direction: Direction,
    /// Kind of stroke.
    #[serde(default)]
    pub kind: StrokeKind,
    /// The figure.
    pub figure: FigureId,
    /// Mean, spread, trend.
    #[serde(flatten)]
    pub steadiness: Steadiness,
}

/// Difference of one figure between two phases of one caster.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhaseDifference {
    /// Caster's id.
    pub caster: String,
    /// Direction.
    pub direction: Direction,
    /// Kind of stroke.
    #[serde(default)]
    pub kind: StrokeKind,
    /// The figure.
    pub figure: FigureId,
    /// The first phase.
    pub first: Option<String>,
    /// The second.
    pub second: Option<String>,
    /// Second minus first.
    pub difference: Difference,
}
