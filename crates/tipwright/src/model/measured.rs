//! A value with one standard deviation.

use serde::{Deserialize, Serialize};

/// A measured figure: `value` in the unit its name states, `sd` one standard deviation in the same unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
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

/// The middle one of values in order (of an even number the upper of the two); `None` of none. NaN counts as largest.
///
/// ```
/// use tipwright::model::measured::median;
/// assert_eq!(median([3.0, 1.0, 2.0]), Some(2.0));
/// assert_eq!(median([4.0, 1.0, 3.0, 2.0]), Some(3.0));
/// assert_eq!(median([]), None);
/// ```
#[must_use]
pub fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut sorted: Vec<f64> = values.into_iter().collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}
