//! Means, spreads and differences with 95 % intervals by Student's t.
//!
//! Sources: Student's t and the unequal-variances (Welch-Satterthwaite) form as in the NIST/SEMATECH e-Handbook of
//! Statistical Methods, 1.3.5.3 and 1.3.6.7.2. No p-values: an effect and its interval.

use tipwright::math::student_975;
use tipwright::model::Measured;

/// An estimate with the half-width of its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The estimate.
    pub value: f64,
    /// Half-width of the 95 % interval.
    pub half_width: f64,
}

impl Estimate {
    /// With an error of one standard deviation `sd` more, which the sample does not show.
    #[must_use]
    pub fn with_error(self, sd: f64) -> Self {
        Self { half_width: self.half_width.hypot(Measured::new(0.0, sd).half_width_95()), ..self }
    }

    /// The interval leaves zero out.
    #[must_use]
    pub fn excludes_zero(&self) -> bool {
        self.value.abs() > self.half_width
    }
}

/// A sample's size, mean, spread (standard deviation between its members) and the interval of its mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// How many.
    pub count: usize,
    /// Mean.
    pub mean: f64,
    /// Standard deviation between members, `n - 1` in the divisor; absent for one.
    pub spread: Option<f64>,
    /// Half-width of the 95 % interval of the mean; absent for one.
    pub half_width: Option<f64>,
}

impl Sample {
    /// With an error of the mean of one standard deviation `sd` more, which the members have in common.
    #[must_use]
    pub fn with_error(self, sd: f64) -> Self {
        let more = Measured::new(0.0, sd).half_width_95();
        Self { half_width: self.half_width.map(|half| half.hypot(more)), ..self }
    }
}

/// Describes a sample; `None` when it is empty.
#[must_use]
pub fn describe(values: &[f64]) -> Option<Sample> {
    let n = values.len() as f64;
    if values.is_empty() {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n;
    let spread = (values.len() > 1)
        .then(|| (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt());
    let half_width = spread.map(|s| student_975(n - 1.0) * s / n.sqrt());
    Some(Sample { count: values.len(), mean, spread, half_width })
}

/// Difference of means, `after - before`, of two unpaired samples with unequal variances.
#[must_use]
pub fn difference(before: &[f64], after: &[f64]) -> Option<Estimate> {
    let (a, b) = (describe(before)?, describe(after)?);
    let (va, vb) = (a.spread?.powi(2) / a.count as f64, b.spread?.powi(2) / b.count as f64);
    let value = b.mean - a.mean;
    let variance = va + vb;
    if variance == 0.0 {
        return Some(Estimate { value, half_width: 0.0 });
    }
    let freedom =
        variance.powi(2) / (va.powi(2) / (a.count as f64 - 1.0) + vb.powi(2) / (b.count as f64 - 1.0));
    Some(Estimate { value, half_width: student_975(freedom) * variance.sqrt() })
}

/// Mean of paired differences with its interval; needs two pairs.
#[must_use]
pub fn paired(differences: &[f64]) -> Option<Estimate> {
    let sample = describe(differences)?;
    Some(Estimate { value: sample.mean, half_width: sample.half_width? })
}

/// Slope of a least-squares line of values over their position (per stroke), with its interval; needs three.
#[must_use]
pub fn trend(values: &[f64]) -> Option<Estimate> {
    slope(&values.iter().enumerate().map(|(k, &v)| [k as f64, v]).collect::<Vec<_>>())
}

/// Slope of a least-squares line through points, with its interval; needs three points, not all above each other.
#[must_use]
pub fn slope(points: &[[f64; 2]]) -> Option<Estimate> {
    let n = points.len() as f64;
    if points.len() < 3 {
        return None;
    }
    let mean = |axis: usize| points.iter().map(|p| p[axis]).sum::<f64>() / n;
    let (mx, my) = (mean(0), mean(1));
    let xx: f64 = points.iter().map(|p| (p[0] - mx).powi(2)).sum();
    if !(xx > 0.0) {
        return None;
    }
    let slope = points.iter().map(|p| (p[0] - mx) * (p[1] - my)).sum::<f64>() / xx;
    let residual: f64 = points.iter().map(|p| (p[1] - my - slope * (p[0] - mx)).powi(2)).sum();
    Some(Estimate { value: slope, half_width: student_975(n - 2.0) * (residual / (n - 2.0) / xx).sqrt() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Student, "The probable error of a mean", Biometrika 6 (1908) 1: additional hours of sleep by two soporifics on
    /// ten patients; the paired 95 % interval printed in every textbook since is 0.70 to 2.46 hours.
    #[test]
    fn truth_student_sleep_data_paired() {
        let first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
        let second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
        let differences: Vec<f64> = first.iter().zip(second).map(|(a, b)| b - a).collect();
        let got = paired(&differences).unwrap();
        assert_relative_eq!(got.value, 1.58, epsilon = 1e-9);
        assert!((got.value - got.half_width - 0.7001).abs() < 1e-3, "{got:?}");
        // The same taken as unpaired, Welch: -0.21 to 3.37 (the textbook's t.test).
        let welch = difference(&first, &second).unwrap();
        assert!((welch.value - welch.half_width + 0.2055).abs() < 1e-3, "{welch:?}");
    }

    /// Written out by hand; points above each other have no slope.
    #[test]
    fn truth_a_slope_of_four_points_by_hand() {
        // y = 2 x + (1, -1, -1, 1) at x = 0, 1, 2, 3: xx = 5, slope 2, residual 4; t of two freedoms 4.302653
        let got = slope(&[[0.0, 1.0], [1.0, 1.0], [2.0, 3.0], [3.0, 7.0]]).unwrap();
        assert_relative_eq!(got.value, 2.0, epsilon = 1e-12);
        assert_relative_eq!(got.half_width, 4.302_653 * (4.0_f64 / 2.0 / 5.0).sqrt(), epsilon = 1e-5);
        assert!(slope(&[[1.0, 1.0], [1.0, 2.0], [1.0, 3.0]]).is_none());
    }

    #[test]
    fn degenerate_samples_claim_nothing() {
        assert!(describe(&[]).is_none());
        assert_eq!(describe(&[3.0]).unwrap().half_width, None);
        assert!(difference(&[1.0], &[2.0, 3.0]).is_none());
        assert!(trend(&[1.0, 2.0]).is_none());
        let line = trend(&[1.0, 3.0, 5.0, 7.0]).unwrap();
        assert_relative_eq!(line.value, 2.0, epsilon = 1e-12);
        assert!(line.half_width < 1e-9);
    }
}
