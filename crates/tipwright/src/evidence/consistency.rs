//! How steady a caster is: mean, spread and trend of a figure over strokes, and differences between groups.
//!
//! Like goes with like: pick-ups, false casts, deliveries and casts by themselves are groups of their own.
//!
//! The spread from stroke to stroke is told apart from the error of measurement: observed variance minus the mean
//! square of the figures' standard deviations. A difference of two groups is an effect with a 95 % interval, never a
//! bare p-value: Welch's interval (B. L. Welch, Biometrika 34 (1947) 28-35, from memory) on the group means, and only
//! with enough strokes in both groups. Strokes of one take count as independent; where they are not (a caster warms
//! up) the trend shows it and the interval is too narrow.
//!
//! Strokes that one camera alone saw are never put beside those of two. Where there are no others they are compared among themselves; their
//! errors of measurement are then mostly the plane's and the same in stroke after stroke, so they are no part of the scatter and no mean makes
//! them smaller: every interval owns them whole.

use std::collections::BTreeMap;

use crate::math::student_975;
use crate::model::consistency::{CasterSteadiness, Difference, PhaseDifference, Steadiness};
use crate::model::{Direction, FigureId, Measured, RspSource, Stroke, StrokeKind, TakeResults};

/// Settings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ConsistencyConfig {
    /// Strokes a group needs before a spread or a trend is told. 4: fewer leave a trend one degree of freedom.
    pub least_for_trend: usize,
    /// Strokes each of two groups needs before a difference is told. 6: the factor of Student's interval is then
    /// 2.2, within a fifth of its limit. Common practice.
    pub least_for_difference: usize,
}

impl Default for ConsistencyConfig {
    fn default() -> Self {
        Self { least_for_trend: 4, least_for_difference: 6 }
    }
}

/// Whose the errors of measurement are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Errors {
    /// Each stroke's own.
    OfEach,
    /// Common to all the strokes of a group: one camera's.
    Shared,
}

impl Errors {
    /// One standard deviation of what the strokes of a group have in common, from the mean square of their stated errors.
    #[must_use]
    pub fn shared_sd(self, figures: &[Measured]) -> f64 {
        match self {
            Self::OfEach => 0.0,
            Self::Shared => noise_2(figures).sqrt(),
        }
    }
}

/// Mean square of the stated standard deviations.
fn noise_2(figures: &[Measured]) -> f64 {
    figures.iter().map(|m| m.sd * m.sd).sum::<f64>() / figures.len().max(1) as f64
}

/// Steadiness of a figure, strokes in order. `None` without strokes.
#[must_use]
pub fn steadiness(figures: &[Measured], errors: Errors, config: &ConsistencyConfig) -> Option<Steadiness> {
    let n = figures.len();
    if n == 0 {
        return None;
    }
    let (mean, variance) = moments(figures);
    let noise_2 = noise_2(figures);
    let shared_sd = if n > 1 { errors.shared_sd(figures) } else { 0.0 };
    let mean_sd = if n > 1 { (variance / n as f64).sqrt() } else { figures[0].sd };
    let own_noise_2 = if errors == Errors::Shared { 0.0 } else { noise_2 };
    let enough = n >= config.least_for_trend;
    Some(Steadiness {
        strokes: n,
        mean: Measured::new(mean, mean_sd),
        spread: enough.then(|| (variance - own_noise_2).max(0.0).sqrt()),
        measurement_sd: noise_2.sqrt(),
        trend_per_stroke: enough.then(|| trend(figures, mean)),
        shared_sd,
    })
}

/// Caster, whether back, kind, phase.
type Key<'a> = (&'a str, bool, StrokeKind, Option<&'a str>);
/// Strokes of each, in the order of takes and strokes.
type Groups<'a> = BTreeMap<Key<'a>, Vec<&'a Stroke>>;

/// Steadiness of every figure but the clock's, per caster, phase, direction and kind, and the differences between the phases
/// of one caster, each against the first in the order of the takes.
#[must_use]
pub fn of_takes(
    takes: &[TakeResults],
    config: &ConsistencyConfig,
) -> (Vec<CasterSteadiness>, Vec<PhaseDifference>) {
    let mut groups: Groups<'_> = BTreeMap::new();
    let mut phases: Vec<Option<&str>> = Vec::new();
    let errors = errors_of(takes.iter().flat_map(|t| &t.strokes));
    for take in takes {
        let phase = take.phase.as_deref();
        if !phases.contains(&phase) {
            phases.push(phase);
        }
        for stroke in take.strokes.iter().filter(|s| errors == Errors::Shared || s.views != 1) {
            let is_back = stroke.direction == Direction::Back;
            groups.entry((take.caster.as_str(), is_back, stroke.kind, phase)).or_default().push(stroke);
        }
    }
    let figures = || {
        FigureId::ALL
            .iter()
            .copied()
            .filter(|id| !matches!(id, FigureId::TStart | FigureId::TRsp | FigureId::TStop))
    };
    // what ends at rod straight position is taken from those strokes alone that take it from the usual source
    let source = RspSource::usual(groups.values().flatten().copied());
    let values = |key: &Key<'_>, id: FigureId| -> Vec<Measured> {
        groups.get(key).map(|g| g.iter().filter_map(|s| s.like(id, source)).collect()).unwrap_or_default()
    };
    let likes: std::collections::BTreeSet<(&str, bool, StrokeKind)> =
        groups.keys().map(|k| (k.0, k.1, k.2)).collect();
    let mut steady = Vec::new();
    let mut differences = Vec::new();
    for (caster, is_back, kind) in likes {
        let direction = if is_back { Direction::Back } else { Direction::Forward };
        for figure in figures() {
            let mut first: Option<(Option<&str>, Vec<Measured>)> = None;
            for &phase in &phases {
                let own = values(&(caster, is_back, kind, phase), figure);
                let Some(steadiness) = steadiness(&own, errors, config) else { continue };
                steady.push(CasterSteadiness {
                    caster: caster.to_owned(),
                    phase: phase.map(str::to_owned),
                    direction,
                    kind,
                    figure,
                    steadiness,
                });
                match &first {
                    None => first = Some((phase, own)),
                    Some((first_phase, before)) => differences.push(PhaseDifference {
                        caster: caster.to_owned(),
                        direction,
                        kind,
                        figure,
                        first: first_phase.map(str::to_owned),
                        second: phase.map(str::to_owned),
                        difference: difference(before, &own, errors, config),
                    }),
                }
            }
        }
    }
    (steady, differences)
}

/// Whose the errors are where these strokes are put beside each other: shared where one camera alone saw every one of them.
#[must_use]
pub fn errors_of<'a>(strokes: impl IntoIterator<Item = &'a Stroke>) -> Errors {
    let mut strokes = strokes.into_iter().peekable();
    if strokes.peek().is_some() && strokes.all(|s| s.views == 1) { Errors::Shared } else { Errors::OfEach }
}

/// Second minus first.
#[must_use]
pub fn difference(
    first: &[Measured],
    second: &[Measured],
    errors: Errors,
    config: &ConsistencyConfig,
) -> Difference {
    let least = config.least_for_difference;
    let fewest = first.len().min(second.len());
    if fewest < least.max(2) {
        return Difference::TooFew {
            reason: format!(
                "{} and {} strokes, at least {least} of each are needed before a difference is told",
                first.len(),
                second.len()
            ),
        };
    }
    let ((mean_1, variance_1), (mean_2, variance_2)) = (moments(first), moments(second));
    let (n_1, n_2) = (first.len() as f64, second.len() as f64);
    let (error_1, error_2) = (variance_1 / n_1, variance_2 / n_2);
    let difference = mean_2 - mean_1;
    let error = (error_1 + error_2).sqrt();
    let half = if error > 0.0 {
        let freedom =
            (error_1 + error_2).powi(2) / (error_1.powi(2) / (n_1 - 1.0) + error_2.powi(2) / (n_2 - 1.0));
        error * student_975(freedom)
    } else {
        0.0
    };
    let shared = errors.shared_sd(first).hypot(errors.shared_sd(second));
    let half = half.hypot(Measured::new(0.0, shared).half_width_95());
    let pooled = (((n_1 - 1.0) * variance_1 + (n_2 - 1.0) * variance_2) / (n_1 + n_2 - 2.0)).sqrt();
    Difference::Told {
        difference,
        low: difference - half,
        high: difference + half,
        in_spreads: (pooled > 0.0).then(|| difference / pooled),
    }
}

/// Mean and variance between strokes.
fn moments(figures: &[Measured]) -> (f64, f64) {
    let n = figures.len() as f64;
    let mean = figures.iter().map(|m| m.value).sum::<f64>() / n;
    let square = figures.iter().map(|m| (m.value - mean).powi(2)).sum::<f64>();
    (mean, if figures.len() > 1 { square / (n - 1.0) } else { 0.0 })
}

/// Least-squares slope over the number of the stroke, with its standard error.
fn trend(figures: &[Measured], mean: f64) -> Measured {
    let n = figures.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let xx = n * (n * n - 1.0) / 12.0;
    let xy: f64 = figures.iter().enumerate().map(|(i, m)| (i as f64 - middle) * (m.value - mean)).sum();
    let slope = xy / xx;
    let rest: f64 =
        figures.iter().enumerate().map(|(i, m)| (m.value - mean - slope * (i as f64 - middle)).powi(2)).sum();
    Measured::new(slope, (rest / (n - 2.0) / xx).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figures(values: &[f64]) -> Vec<Measured> {
        values.iter().map(|v| Measured::new(*v, 0.1)).collect()
    }

    #[test]
    fn mean_spread_and_trend() {
        let got =
            steadiness(&figures(&[1.0, 2.0, 3.0, 4.0, 5.0]), Errors::OfEach, &ConsistencyConfig::default())
                .unwrap();
        assert_eq!(got.strokes, 5);
        assert!((got.mean.value - 3.0).abs() < 1e-12 && (got.mean.sd - 0.5_f64.sqrt()).abs() < 1e-12);
        // observed variance 2.5, measurement 0.01
        assert!((got.spread.unwrap() - 2.49_f64.sqrt()).abs() < 1e-12);
        let trend = got.trend_per_stroke.unwrap();
        assert!((trend.value - 1.0).abs() < 1e-12 && trend.sd < 1e-9);
        let noise_only =
            steadiness(&figures(&[1.0, 1.05, 0.95, 1.0]), Errors::OfEach, &ConsistencyConfig::default())
                .unwrap();
        assert_eq!(noise_only.spread, Some(0.0));
        let few = steadiness(&figures(&[1.0, 2.0]), Errors::OfEach, &ConsistencyConfig::default()).unwrap();
        assert!(few.spread.is_none() && few.trend_per_stroke.is_none());
        assert!(steadiness(&[], Errors::OfEach, &ConsistencyConfig::default()).is_none());
    }

    /// scipy.stats.ttest_ind([1..6], [3, 5, 4, 6, 8, 7], equal_var=False).confidence_interval(0.95), mirrored:
    /// means 3.5 and 5.5, both variances 3.5, 10 degrees of freedom: 2 +- 2.228139 * sqrt(7 / 6).
    #[test]
    fn truth_welch_interval() {
        let (a, b) = (figures(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), figures(&[3.0, 5.0, 4.0, 6.0, 8.0, 7.0]));
        let Difference::Told { difference, low, high, in_spreads } =
            difference(&a, &b, Errors::OfEach, &ConsistencyConfig::default())
        else {
            panic!("enough strokes")
        };
        let half = 2.228_139 * (7.0_f64 / 6.0).sqrt();
        assert!((difference - 2.0).abs() < 1e-12);
        assert!((low - (2.0 - half)).abs() < 1e-5 && (high - (2.0 + half)).abs() < 1e-5);
        assert!((in_spreads.unwrap() - 2.0 / 3.5_f64.sqrt()).abs() < 1e-12);
    }

    /// Casts that do not scatter, each known to 0.1: ten of them are known to 0.03 where the errors are their own, and to 0.1 where they are one
    /// camera's, ten or a thousand; a difference to 0.14. The truth is a plane that is wrong for all strokes of a side alike.
    #[test]
    fn what_strokes_share_is_no_scatter_and_does_not_average_out() {
        let config = ConsistencyConfig::default();
        let wavering = |n: usize| figures(&(0..n).map(|k| 2.0 + 0.01 * (k % 2) as f64).collect::<Vec<_>>());
        for n in [10, 1000] {
            let own = steadiness(&wavering(n), Errors::OfEach, &config).unwrap();
            let one = steadiness(&wavering(n), Errors::Shared, &config).unwrap();
            assert!(own.mean_half_width_95() < 0.005, "{own:?}");
            assert!((one.mean_half_width_95() - 0.196).abs() < 0.001, "{one:?}");
            assert_eq!(own.spread, Some(0.0));
            assert!((one.spread.unwrap() - 0.005).abs() < 5e-4, "{one:?}");
            let Difference::Told { low, high, .. } =
                difference(&wavering(n), &wavering(n), Errors::Shared, &config)
            else {
                panic!("enough strokes")
            };
            assert!((0.5 * (high - low) - 0.1 * 1.96 * 2.0_f64.sqrt()).abs() < 0.001);
        }
        let one = steadiness(&figures(&[2.0]), Errors::Shared, &config).unwrap();
        assert_eq!((one.mean.sd, one.shared_sd), (0.1, 0.0));
    }

    #[test]
    fn too_few_strokes_make_no_difference() {
        let got = difference(
            &figures(&[1.0; 5]),
            &figures(&[9.0; 20]),
            Errors::OfEach,
            &ConsistencyConfig::default(),
        );
        assert!(
            !got.is_clear() && matches!(got, Difference::TooFew { reason } if reason.contains("at least 6"))
        );
    }
}
