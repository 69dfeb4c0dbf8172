//! Errors that last, at a first look: how many times more sure than it is the data looks beside priors of the set-up.
//!
//! The mean of n residuals with autocorrelation rho_l has the variance of n / (1 + 2 sum rho_l) independent ones
//! (Bartlett 1946); the sum is cut at the first lag that is not clearly positive (Geyer, Statistical Science 7 (1992)
//! 473-483, initial positive sequence).

use super::problem::Problem;

/// Mean integrated correlation of the residuals (whitened; `None`: not used), at least 1. Sightings of a marker at rest, which
/// count for less than one, say nothing here.
pub fn mean_correlation(problem: &Problem, whitened: &[Option<[f64; 2]>], share: &[f64]) -> f64 {
    let steps = super::stretch::frame_steps_s(problem);
    let mut series = vec![Vec::new(); problem.cameras.len() * problem.markers];
    for ((o, residual), share) in problem.observations.iter().zip(whitened).zip(share) {
        if let Some(residual) = residual.filter(|_| *share == 1.0) {
            series[problem.series_idx(o)].push((o.pts_s, residual));
        }
    }
    let (mut sum, mut count) = (0.0, 0.0);
    for (i, mut one) in series.into_iter().enumerate() {
        let step_s = steps[i / problem.markers];
        #[allow(clippy::cast_precision_loss)]
        let n = one.len() as f64;
        if !step_s.is_finite() || n < 30.0 {
            continue;
        }
        one.sort_by(|a: &(f64, [f64; 2]), b| a.0.total_cmp(&b.0));
        for axis in 0..2 {
            sum += n * integrated_correlation(&one, axis, step_s);
            count += n;
        }
    }
    if count > 0.0 { f64::max(sum / count, 1.0) } else { 1.0 }
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
