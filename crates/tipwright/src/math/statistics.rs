//! Medians and the distributions that intervals rest on.

use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::erf::erfc;

/// The middle one of values in order (of an even number the upper of the two); `None` of none. NaN counts as largest.
///
/// ```
/// use tipwright::math::median;
/// assert_eq!(median([3.0, 1.0, 2.0]), Some(2.0));
/// assert_eq!(median([4.0, 1.0, 3.0, 2.0]), Some(3.0));
/// assert_eq!(median([]), None);
/// ```
#[must_use]
pub fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.into_iter().collect();
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// Standard normal distribution function; NaN for NaN.
#[must_use]
pub fn normal_below(z: f64) -> f64 {
    0.5 * erfc(-z / std::f64::consts::SQRT_2)
}

/// 97.5 % point of Student's t: half-width of a 95 % interval in standard errors. Infinite without a degree of freedom.
#[must_use]
pub fn student_975(freedom: f64) -> f64 {
    if freedom > 1e4 {
        // Where the quantile of the beta distribution loses digits: Fisher's expansion (Abramowitz and Stegun 26.7.5,
        // from memory), good to 3e-8 here.
        const Z: f64 = 1.959_963_984_540_054;
        return Z + (Z.powi(3) + Z) / (4.0 * freedom);
    }
    StudentsT::new(0.0, 1.0, freedom).map_or(f64::INFINITY, |t| t.inverse_cdf(0.975))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two-sided 5 % points of Student's t as in every printed table (NIST/SEMATECH e-Handbook, table 1.3.6.7.2);
    /// scipy.stats.t.ppf(0.975, df) gives the same.
    #[test]
    fn truth_student_table() {
        let table = [
            (1.0, 12.706_205),
            (2.0, 4.302_653),
            (5.0, 2.570_582),
            (10.0, 2.228_139),
            (30.0, 2.042_272),
            (100.0, 1.983_971_5),
        ];
        for (freedom, t) in table {
            assert!((student_975(freedom) - t).abs() < 1e-6, "{freedom} {}", student_975(freedom));
        }
        assert!((student_975(1e6) - 1.959_966).abs() < 1e-5);
        // both ways agree where they meet
        assert!((student_975(9_999.0) - student_975(10_001.0)).abs() < 1e-6);
        assert!(student_975(0.0).is_infinite() && student_975(f64::NAN).is_infinite());
    }

    /// Standard normal table: scipy.stats.norm.cdf.
    #[test]
    fn truth_normal_table() {
        for (z, p) in [(-3.0, 0.001_349_898), (-1.0, 0.158_655_254), (0.0, 0.5), (1.96, 0.975_002_105)] {
            assert!((normal_below(z) - p).abs() < 1e-9, "{z} {}", normal_below(z));
        }
        assert!(normal_below(f64::NAN).is_nan());
    }
}
