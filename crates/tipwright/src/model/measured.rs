//! A value with one standard deviation.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A measured figure: `value` in the unit its name states, `sd` one standard deviation in the same unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measured {
    /// Best estimate.
    pub value: f64,
    /// One standard deviation; never negative.
    pub sd: f64,
}

impl Measured {
    /// A value with its standard deviation.
    #[must_use]
    pub fn new(value: f64, sd: f64) -> Self {
        Self { value, sd }
    }

    /// Value and sd are finite and the sd is not negative.
    #[must_use]
    pub fn is_usable(&self) -> bool {
        self.value.is_finite() && self.sd.is_finite() && self.sd >= 0.0
    }

    /// Half-width of the 95 % interval of a normal error, 1.96 sd.
    #[must_use]
    pub fn half_width_95(&self) -> f64 {
        1.959_964 * self.sd
    }

    /// The same figure in another unit: `factor` of the new unit per old unit.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self { value: self.value * factor, sd: self.sd * factor.abs() }
    }
}
