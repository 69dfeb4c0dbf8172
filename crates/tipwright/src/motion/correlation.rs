//! Errors that last: how much standard deviations must grow when residuals are correlated in time.
//!
//! The mean of n residuals with autocorrelation rho_l has the variance of n / (1 + 2 sum rho_l) independent ones
//! (Bartlett 1946); the sum is cut at the first lag that is not clearly positive (Geyer, Statistical Science 7 (1992)
//! 473-483, initial positive sequence).

use super::problem::Problem;

/// Mean integrated correlation of the residuals (whitened; `None`: not used), at least 1: of all, and marker by marker.
pub fn integrated_correlations(problem: &Problem, whitened: &[Option<[f64; 2]>]) -> (f64, Vec<f64>) {
    let steps = super::stretch::frame_steps_s(problem);
    let mut series = vec![Vec::new(); problem.cameras.len() * problem.markers];
    for (o, residual) in problem.observations.iter().zip(whitened) {
        if let Some(residual) = residual {
            series[problem.series_idx(o)].push((o.pts_s, *residual));
        }
    }
    let mut sums = vec![(0.0, 0.0); problem.markers];
    for (i, mut one) in series.into_iter().enumerate() {
        let step_s = steps[i / problem.markers];
        #[allow(clippy::cast_precision_loss)]
        let n = one.len() as f64;
        if !step_s.is_finite() || n < 30.0 {
            continue;
        }
        one.sort_by(|a: &(f64, [f64; 2]), b| a.0.total_cmp(&b.0));
        for axis in 0..2 {
            let (sum, count) = &mut sums[i % problem.markers];
            *sum += n * integrated_correlation(&one, axis, step_s);
            *count += n;
        }
    }
    let mean = |(sum, count): (f64, f64)| if count > 0.0 { f64::max(sum / count, 1.0) } else { 1.0 };
    let all = sums.iter().fold((0.0, 0.0), |a, s| (a.0 + s.0, a.1 + s.1));
    (mean(all), sums.into_iter().map(mean).collect())
}

/// `1 + 2 sum rho` over the initial positive pairs of lags.
fn integrated_correlation(series: &[(f64, [f64; 2])], axis: usize, step_s: f64) -> f64 {
    let variance: f64 = series.iter().map(|(_, r)| r[axis] * r[axis]).sum();
    if !(variance > 0.0) {
        return 1.0;
    }
    #[allow(clippy::cast_precision_loss)]
    let mean_square = variance / series.len() as f64;
    let lag_correlation = |lag: usize| {
        let (mut sum, mut n) = (0.0, 0.0);
        for i in lag..series.len() {
            #[allow(clippy::cast_precision_loss)]
            let expected_s = lag as f64 * step_s;
            // Only across unbroken frames.
            if (series[i].0 - series[i - lag].0 - expected_s).abs() < 0.5 * step_s {
                sum += series[i].1[axis] * series[i - lag].1[axis];
                n += 1.0;
            }
        }
        if n > 10.0 { sum / n / mean_square } else { 0.0 }
    };
    let mut total = 1.0;
    let mut lag = 1;
    while lag + 1 < series.len() / 4 {
        let pair = lag_correlation(lag) + lag_correlation(lag + 1);
        if pair <= 0.0 {
            break;
        }
        total += 2.0 * pair;
        lag += 2;
    }
    total.max(1.0)
}
