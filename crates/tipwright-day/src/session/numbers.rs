//! Numbers of a session, each with the range it can have at all. What is possible but unlikely is told, not refused (`values`).

use serde::{Deserialize, Serialize};

/// A number outside of what can be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{value} does not lie between {low} and {high}")]
pub struct OutOfRange {
    /// As given.
    pub value: f64,
    /// Least.
    pub low: f64,
    /// Largest.
    pub high: f64,
}

/// Least and largest value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Least.
    pub low: f64,
    /// Largest.
    pub high: f64,
}

impl Limits {
    /// The value if it lies inside; NaN never does.
    ///
    /// # Errors
    /// Outside.
    pub fn check(self, value: f64) -> Result<f64, OutOfRange> {
        if value >= self.low && value <= self.high {
            Ok(value)
        } else {
            Err(OutOfRange { value, low: self.low, high: self.high })
        }
    }
}

macro_rules! number {
    ($(#[$doc:meta])* $name:ident, $low:expr, $high:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(try_from = "f64", into = "f64")]
        pub struct $name(f64);

        impl $name {
            /// What it can be.
            pub const LIMITS: Limits = Limits { low: $low, high: $high };

            /// From a number.
            ///
            /// # Errors
            /// Outside of [`Self::LIMITS`].
            pub fn new(value: f64) -> Result<Self, OutOfRange> {
                Self::LIMITS.check(value).map(Self)
            }

            /// The number.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl TryFrom<f64> for $name {
            type Error = OutOfRange;
            fn try_from(value: f64) -> Result<Self, OutOfRange> {
                Self::new(value)
            }
        }

        impl From<$name> for f64 {
            fn from(number: $name) -> Self {
                number.0
            }
        }
    };
}

number! {
    /// Between the wand's markers, metres. Above 20 m a unit was mistaken; below 50 mm two markers touch.
    WandLengthM, 0.05, 20.0
}
number! {
    /// Rod, butt cap to tip-top, metres: from a child's (5 ft) to the longest two-handed (18 ft) with room (common
    /// practice). 9, a length in feet, lies outside.
    RodLengthM, 1.0, 7.0
}
number! {
    /// Diameter of a marker, millimetres; a metre is no marker.
    MarkerMm, 1.0, 1000.0
}
number! {
    /// Along the rod from the butt cap, metres.
    AlongRodM, 0.0, 7.0
}
number! {
    /// Air temperature, degrees Celsius; colder or hotter is no weather to cast in.
    AirC, -40.0, 60.0
}
number! {
    /// Rolling-shutter readout, milliseconds; a rolling shutter reads a frame in 2 to 33 (common practice).
    ReadoutMs, 0.0, 50.0
}
number! {
    /// Frames per second at capture.
    CaptureFps, 10.0, 2000.0
}
number! {
    /// A place on the first camera's clock, seconds: a day has 86 400.
    ClipTimeS, -86400.0, 86400.0
}
number! {
    /// Standard line-weight class.
    LineClass, 1.0, 15.0
}
number! {
    /// Mass of the line's head per metre, grams.
    LineMassGM, 0.05, 10.0
}
number! {
    /// Line beyond the tip-top, metres.
    LineOutM, 0.0, 60.0
}

/// Shares and sizes of a goal: any finite number.
pub const ANY: Limits = Limits { low: -1e9, high: 1e9 };
/// Points of a board along a side: 3 inner corners, 2 discs.
pub const CORNERS: Limits = Limits { low: 2.0, high: 200.0 };
/// Side of a square of a board, millimetres.
pub const SQUARE_MM: Limits = Limits { low: 1.0, high: 1000.0 };
/// A rough place of a tripod, metres.
pub const ROUGH_M: Limits = Limits { low: -1000.0, high: 1000.0 };

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_that_cannot_be_is_none() {
        for bad in [f64::NAN, f64::INFINITY, -1.0, 0.0, 9.0, 1e300] {
            assert!(RodLengthM::new(bad).is_err(), "{bad}");
        }
        assert_eq!(RodLengthM::new(2.743).map(RodLengthM::get), Ok(2.743));
        assert!(serde_json::from_str::<ReadoutMs>("-1.0").is_err());
    }
}
