//! Numbers as a person reads them: value, 95 % interval and unit, in metres and in feet and inches.
//!
//! Files stay in SI; only plots and pages come through here. The international foot is exactly 0.3048 m
//! (United States and others, agreement of 1 July 1959).

use tipwright::model::{FigureId, Measured};

/// Metres in an international foot, exact.
pub const FOOT_M: f64 = 0.3048;
/// Metres in an inch, exact.
pub const INCH_M: f64 = 0.0254;

/// The two systems a page switches between.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UnitSystem {
    /// Metres, millimetres, metres per second.
    Metric,
    /// Feet and inches, inches, feet per second.
    Imperial,
}

/// What kind of number a figure is, for choosing how it is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A length of the order of the cast: metres, or feet and inches.
    Length,
    /// A small length: millimetres, or inches.
    SmallLength,
    /// A speed.
    Speed,
    /// A count: whole, and without an interval when it is certain.
    Count,
    /// Anything else, the same in both systems, with its unit.
    Other(&'static str),
}

/// How a figure is written.
#[must_use]
pub fn kind(id: FigureId) -> Kind {
    let info = id.info();
    if matches!(id, FigureId::SignChanges | FigureId::LoopCrossings | FigureId::LoopCrossingsPredicted) {
        return Kind::Count;
    }
    match info.unit {
        "m" => match id {
            FigureId::DipDepth
            | FigureId::DomeHeight
            | FigureId::SlpRms
            | FigureId::OffPlaneMax
            | FigureId::FlyLegDip
            | FigureId::FlyLegDipPredicted
            | FigureId::Creep
            | FigureId::Drift => Kind::SmallLength,
            _ => Kind::Length,
        },
        "m/s" => Kind::Speed,
        "deg" => Kind::Other("\u{b0}"),
        unit => Kind::Other(unit),
    }
}

/// Decimals at which `half_width` has two significant digits, between 0 and `most`.
fn decimals(half_width: f64, most: usize) -> usize {
    if !(half_width > 0.0) {
        return most;
    }
    // 9.95 rounds up to 10: take the exponent of the rounded number.
    let exponent =
        format!("{half_width:.1e}").rsplit('e').next().and_then(|e| e.parse::<i32>().ok()).unwrap_or(0);
    usize::try_from((1 - exponent).max(0)).unwrap_or(0).min(most)
}

/// A half-width as printed: one that would round to nothing is rounded up to the last decimal shown.
fn half(value: f64, decimals: usize) -> String {
    let least = 10_f64.powi(-i32::try_from(decimals).unwrap_or(0));
    number(if value > 0.0 && value < 0.5 * least { least } else { value }, decimals)
}

/// A number with its minus sign as typographers set it, and never "-0".
#[must_use]
pub fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| b == b'0' || b == b'.') => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// A length in feet and inches to a whole number of `1/steps_per_inch` inches, written in decimals:
/// `2.743 m` is `9\u{2032} 0\u{2033}`.
#[must_use]
pub fn feet_inches(length_m: f64, inch_decimals: usize) -> String {
    let scale = 10_f64.powi(i32::try_from(inch_decimals).unwrap_or(1));
    let steps = (length_m.abs() / INCH_M * scale).round();
    let feet = (steps / (12.0 * scale)).floor();
    let inches = (steps - feet * 12.0 * scale) / scale;
    let sign = if length_m < 0.0 && steps > 0.0 { "\u{2212}" } else { "" };
    if feet > 0.0 {
        format!("{sign}{feet:.0}\u{2032}\u{a0}{inches:.inch_decimals$}\u{2033}")
    } else {
        format!("{sign}{inches:.inch_decimals$}\u{2033}")
    }
}

/// Value, half-width of the 95 % interval and unit, each ready to print.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown {
    /// The value.
    pub value: String,
    /// Half-width of its 95 % interval.
    pub half_width: String,
    /// Unit after the number; empty when it stands inside.
    pub unit: String,
}

impl Shown {
    /// `31 ± 8 mm` in one string.
    #[must_use]
    pub fn full(&self) -> String {
        let unit = spaced(&self.unit);
        if self.half_width.is_empty() {
            return self.short();
        }
        format!("{}\u{a0}\u{b1}\u{a0}{}{unit}", self.value, self.half_width)
    }

    /// `31 mm`: without the interval.
    #[must_use]
    pub fn short(&self) -> String {
        format!("{}{}", self.value, spaced(&self.unit))
    }
}

fn spaced(unit: &str) -> String {
    match unit {
        "" | "\u{b0}" => unit.to_owned(),
        _ => format!("\u{a0}{unit}"),
    }
}

/// Writes a figure. The interval decides the decimals: two significant digits of the half-width, and no more
/// decimals than a reader can use.
#[must_use]
pub fn show(kind: Kind, measured: Measured, system: UnitSystem) -> Shown {
    let plain = |factor: f64, most: usize, unit: &str| {
        let scaled = measured.scaled(factor);
        let places = decimals(scaled.half_width_95(), most);
        Shown {
            value: number(scaled.value, places),
            half_width: half(scaled.half_width_95(), places),
            unit: unit.to_owned(),
        }
    };
    match (kind, system) {
        (Kind::Length, UnitSystem::Metric) => plain(1.0, 3, "m"),
        (Kind::SmallLength, UnitSystem::Metric) => plain(1e3, 1, "mm"),
        (Kind::SmallLength, UnitSystem::Imperial) => plain(1.0 / INCH_M, 2, "in"),
        (Kind::Speed, UnitSystem::Metric) => plain(1.0, 2, "m/s"),
        (Kind::Speed, UnitSystem::Imperial) => plain(1.0 / FOOT_M, 2, "ft/s"),
        (Kind::Length, UnitSystem::Imperial) => {
            let half_width = measured.half_width_95();
            let places = decimals(half_width / INCH_M, 1);
            Shown {
                value: feet_inches(measured.value, places),
                half_width: feet_inches(half_width, places),
                unit: String::new(),
            }
        }
        (Kind::Count, _) => {
            let places = usize::from(measured.sd > 0.0);
            Shown {
                value: number(measured.value, places),
                half_width: if places == 0 { String::new() } else { number(measured.half_width_95(), 1) },
                unit: String::new(),
            }
        }
        (Kind::Other(unit), _) => plain(
            1.0,
            match unit {
                "s" => 3,
                "ms" | "\u{b0}" => 1,
                "Hz" => 2,
                _ => 3,
            },
            unit,
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn truth_feet_and_inches_by_the_international_foot() {
        // 9 ft rod: 2.7432 m exactly by the 1959 agreement (1 yd = 0.9144 m).
        assert_eq!(feet_inches(2.7432, 1), "9\u{2032}\u{a0}0.0\u{2033}");
        assert_eq!(feet_inches(0.0254, 1), "1.0\u{2033}");
        assert_eq!(feet_inches(-0.3048, 0), "\u{2212}1\u{2032}\u{a0}0\u{2033}");
        // Never 12 inches: 11.96 in rounds to a foot.
        assert_eq!(feet_inches(11.96 * INCH_M, 1), "1\u{2032}\u{a0}0.0\u{2033}");
    }

    #[test]
    fn the_interval_decides_the_decimals() {
        let dip = Measured::new(0.0312, 0.0041);
        assert_eq!(
            show(Kind::SmallLength, dip, UnitSystem::Metric).full(),
            "31.2\u{a0}\u{b1}\u{a0}8.0\u{a0}mm"
        );
        assert_eq!(
            show(Kind::SmallLength, dip, UnitSystem::Imperial).full(),
            "1.23\u{a0}\u{b1}\u{a0}0.32\u{a0}in"
        );
        let vague = Measured::new(0.31, 0.06);
        assert_eq!(
            show(Kind::SmallLength, vague, UnitSystem::Metric).full(),
            "310\u{a0}\u{b1}\u{a0}118\u{a0}mm"
        );
        let speed = Measured::new(18.234, 0.1);
        assert_eq!(
            show(Kind::Speed, speed, UnitSystem::Metric).full(),
            "18.23\u{a0}\u{b1}\u{a0}0.20\u{a0}m/s"
        );
    }

    #[test]
    fn an_interval_never_shrinks_to_nothing() {
        let fit = show(Kind::Other(""), Measured::new(0.9981, 0.0001), UnitSystem::Metric);
        assert_eq!(fit.full(), "0.998\u{a0}\u{b1}\u{a0}0.001");
        assert_eq!(show(Kind::Other(""), Measured::new(1.0, 0.0), UnitSystem::Metric).half_width, "0.000");
    }

    #[test]
    fn no_minus_zero() {
        assert_eq!(number(-0.0004, 2), "0.00");
        assert_eq!(number(-1.5, 1), "\u{2212}1.5");
    }
}
