//! Linear scales, round ticks, and the two ways of writing a scale (metric, feet and inches).

use crate::units::{FOOT_M, INCH_M, UnitSystem, number};

/// Takes data to drawing coordinates along one axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Data at the start.
    pub from: f64,
    /// Data at the end.
    pub to: f64,
    /// Drawing coordinate at the start.
    pub start: f64,
    /// Drawing coordinate at the end.
    pub end: f64,
}

impl Scale {
    /// A scale; an empty span of data is widened so that nothing is divided by zero.
    #[must_use]
    pub fn new(from: f64, to: f64, start: f64, end: f64) -> Self {
        if (to - from).abs() < 1e-12 || !(to - from).is_finite() {
            return Self { from: from - 0.5, to: from + 0.5, start, end };
        }
        Self { from, to, start, end }
    }

    /// Drawing coordinate of a value.
    #[must_use]
    pub fn at(&self, value: f64) -> f64 {
        self.start + (value - self.from) * self.per_unit()
    }

    /// Drawing units per unit of data, with sign.
    #[must_use]
    pub fn per_unit(&self) -> f64 {
        (self.end - self.start) / (self.to - self.from)
    }
}

/// What an axis measures; decides its ticks and how they are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Metres, or feet.
    Length,
    /// Data in metres, shown in millimetres, or inches.
    SmallLength,
    /// Metres per second, or feet per second.
    Speed,
    /// The same in both systems.
    Plain,
}

impl Quantity {
    /// Base units per shown unit: data = shown * factor.
    #[must_use]
    pub fn factor(self, system: UnitSystem) -> f64 {
        match (self, system) {
            (Self::Plain, _) | (Self::Length | Self::Speed, UnitSystem::Metric) => 1.0,
            (Self::SmallLength, UnitSystem::Metric) => 1e-3,
            (Self::SmallLength, UnitSystem::Imperial) => INCH_M,
            (Self::Length | Self::Speed, UnitSystem::Imperial) => FOOT_M,
        }
    }

    /// Name of the shown unit.
    #[must_use]
    pub fn unit(self, system: UnitSystem) -> &'static str {
        match (self, system) {
            (Self::Plain, _) => "",
            (Self::Length, UnitSystem::Metric) => "m",
            (Self::Length, UnitSystem::Imperial) => "ft",
            (Self::SmallLength, UnitSystem::Metric) => "mm",
            (Self::SmallLength, UnitSystem::Imperial) => "in",
            (Self::Speed, UnitSystem::Metric) => "m/s",
            (Self::Speed, UnitSystem::Imperial) => "ft/s",
        }
    }
}

/// A tick: where in the data, and how it reads.
#[derive(Debug, Clone, PartialEq)]
pub struct Tick {
    /// In base units.
    pub value: f64,
    /// Label.
    pub label: String,
}

/// Round ticks (1, 2, 5 times a power of ten) inside `from..to` (base units), about `wanted` of them (off by less than a factor of 1.6).
#[must_use]
pub fn ticks(from: f64, to: f64, wanted: f64, quantity: Quantity, system: UnitSystem) -> Vec<Tick> {
    // One tick alone says nothing of the scale: finer until there are two.
    let finer = |k: i32| ticks_or_none(from, to, wanted * 1.7_f64.powi(k), quantity, system);
    (0..4).find_map(|k| finer(k).filter(|t| t.len() > 1)).or_else(|| finer(0)).unwrap_or_default()
}

fn ticks_or_none(
    from: f64,
    to: f64,
    wanted: f64,
    quantity: Quantity,
    system: UnitSystem,
) -> Option<Vec<Tick>> {
    let factor = quantity.factor(system);
    let (low, high) = (from.min(to) / factor, from.max(to) / factor);
    let span = high - low;
    if !(span > 0.0) || !span.is_finite() || !(wanted > 0.0) {
        return None;
    }
    let raw = span / wanted;
    let power = 10_f64.powf(raw.log10().floor());
    let off = |step: &f64| (step / raw).ln().abs();
    let step =
        [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // a small count of decimals
    let places = (-(step * 1.000_001).log10().floor()).clamp(0.0, 6.0) as usize;
    let first = (low / step - 1e-9).ceil();
    let last = (high / step + 1e-9).floor();
    let mut out = Vec::new();
    let mut k = first;
    while k <= last && out.len() < 100 {
        out.push(Tick { value: k * step * factor, label: number(k * step, places) });
        k += 1.0;
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_in_the_unit_shown() {
        let labels = |system| -> Vec<String> {
            ticks(0.0, 3.3, 5.0, Quantity::Length, system).into_iter().map(|t| t.label).collect()
        };
        assert_eq!(labels(UnitSystem::Metric), ["0.0", "0.5", "1.0", "1.5", "2.0", "2.5", "3.0"]);
        assert_eq!(labels(UnitSystem::Imperial), ["0", "2", "4", "6", "8", "10"]);
        let small = ticks(-0.012, 0.03, 4.0, Quantity::SmallLength, UnitSystem::Metric);
        assert_eq!(
            small.iter().map(|t| t.label.as_str()).collect::<Vec<_>>(),
            ["\u{2212}10", "0", "10", "20", "30"]
        );
        let fine = ticks(0.0, 0.31, 6.0, Quantity::Plain, UnitSystem::Metric);
        assert_eq!(fine[1].label, "0.05");
    }

    #[test]
    fn never_one_tick_alone() {
        for (from, to) in [(3.1, 4.9), (0.4, 1.9), (-0.9, 0.9), (11.0, 39.0)] {
            for wanted in [1.0, 2.0, 4.0] {
                assert!(
                    ticks(from, to, wanted, Quantity::Length, UnitSystem::Metric).len() > 1,
                    "{from} {to} {wanted}"
                );
            }
        }
    }

    #[test]
    fn an_empty_span_does_not_divide_by_zero() {
        let scale = Scale::new(2.0, 2.0, 0.0, 100.0);
        assert!(scale.at(2.0).is_finite());
        assert!(ticks(1.0, 1.0, 5.0, Quantity::Plain, UnitSystem::Metric).is_empty());
        assert!(ticks(f64::NAN, 1.0, 5.0, Quantity::Plain, UnitSystem::Metric).is_empty());
    }
}
