//! Cubic smoothing spline, for a path file that brings positions only.
//!
//! The equations are Reinsch's (Smoothing by spline functions, Numer. Math. 10 (1967) 177-183, from memory): the
//! natural cubic spline that minimises weighted squared residuals plus a weight times the integrated squared second
//! derivative. Knots are the samples; the band matrices make it linear in their number. The weight is the one of
//! least expected error for the noise given (Mallows, Technometrics 15 (1973) 661, from memory).

use nalgebra::Vector3;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A smoothed stretch: values and velocities at the samples, and by how much noise of the data was reduced.
#[derive(Debug, Clone)]
pub(super) struct Smoothed {
    pub values: Vec<Vector3<f64>>,
    pub velocities_s: Vec<Vector3<f64>>,
    /// Standard deviation of the result per standard deviation of the data.
    pub noise_share: f64,
}

/// Standard deviation per axis of noise that is independent from sample to sample: median absolute fourth
/// difference, which a smooth path hardly has (variance of the fourth difference of white noise: 70).
pub(super) fn noise_of(values: &[Vector3<f64>]) -> Vector3<f64> {
    let mut differences: Vec<Vec<f64>> = vec![Vec::new(); 3];
    for w in values.windows(5) {
        let d = w[0] - w[1] * 4.0 + w[2] * 6.0 - w[3] * 4.0 + w[4];
        (0..3).for_each(|axis| differences[axis].push(d[axis].abs()));
    }
    Vector3::from_fn(|axis, _| {
        let d = &mut differences[axis];
        d.sort_by(f64::total_cmp);
        d.get(d.len() / 2).map_or(0.0, |m| 1.482_6 * m / 70.0_f64.sqrt())
    })
}

/// Smooths a stretch of at least three samples.
pub(super) fn smooth(t_s: &[f64], values: &[Vector3<f64>], sd: &[Vector3<f64>]) -> Smoothed {
    let system = System::of(t_s, sd);
    let probes = system.probes();
    let risk = |log_weight: f64| system.risk(values, &probes, 10.0_f64.powf(log_weight));
    let (mut best, mut best_risk) = (-8.0, f64::INFINITY);
    for i in 0..=64 {
        let at = -8.0 + 0.25 * f64::from(i);
        let r = risk(at);
        if r < best_risk {
            (best, best_risk) = (at, r);
        }
    }
    let weight = 10.0_f64.powf(best);
    let (fit, velocities_s) = system.solve(values, weight);
    Smoothed { values: fit, velocities_s, noise_share: system.noise_share(&probes, weight) }
}

struct System {
    steps: Vec<f64>,
    /// Mean variance over the axes, per sample.
    variance: Vec<f64>,
    unit: f64,
}

impl System {
    fn of(t_s: &[f64], sd: &[Vector3<f64>]) -> Self {
        let steps: Vec<f64> = t_s.windows(2).map(|w| w[1] - w[0]).collect();
        let variance: Vec<f64> = sd.iter().map(|s| (s.norm_squared() / 3.0).max(1e-14)).collect();
        let step = steps.iter().sum::<f64>() / steps.len() as f64;
        let mean = variance.iter().sum::<f64>() / variance.len() as f64;
        // makes the weight a pure number: R is of order h, Q' D Q of order variance / h^2
        Self { steps, variance, unit: step.powi(3) / mean }
    }

    /// Values and derivatives at the samples for a weight of smoothness.
    fn solve(&self, y: &[Vector3<f64>], weight: f64) -> (Vec<Vector3<f64>>, Vec<Vector3<f64>>) {
        let (h, d, lambda) = (&self.steps, &self.variance, weight * self.unit);
        let m = y.len() - 2;
        // Q: column j has 1/h[j], -1/h[j]-1/h[j+1], 1/h[j+1] at rows j, j+1, j+2
        let q = |j: usize| [1.0 / h[j], -1.0 / h[j] - 1.0 / h[j + 1], 1.0 / h[j + 1]];
        let mut band = vec![[0.0; 3]; m];
        for j in 0..m {
            let a = q(j);
            band[j][0] =
                (h[j] + h[j + 1]) / 3.0 + lambda * (0..3).map(|k| d[j + k] * a[k] * a[k]).sum::<f64>();
            if j + 1 < m {
                let b = q(j + 1);
                band[j][1] = h[j + 1] / 6.0 + lambda * (d[j + 1] * a[1] * b[0] + d[j + 2] * a[2] * b[1]);
            }
            if j + 2 < m {
                band[j][2] = lambda * d[j + 2] * a[2] * q(j + 2)[0];
            }
        }
        let mut gamma: Vec<Vector3<f64>> = (0..m)
            .map(|j| {
                let a = q(j);
                y[j] * a[0] + y[j + 1] * a[1] + y[j + 2] * a[2]
            })
            .collect();
        solve_band(&mut band, &mut gamma);
        let curvature = |i: usize| if i == 0 || i > m { Vector3::zeros() } else { gamma[i - 1] };
        let mut fit = y.to_vec();
        for (j, g) in gamma.iter().enumerate() {
            for (k, a) in q(j).iter().enumerate() {
                fit[j + k] -= g * (lambda * d[j + k] * a);
            }
        }
        let n = y.len();
        let velocities = (0..n)
            .map(|i| {
                if i + 1 < n {
                    (fit[i + 1] - fit[i]) / h[i] - (curvature(i) * 2.0 + curvature(i + 1)) * (h[i] / 6.0)
                } else {
                    (fit[i] - fit[i - 1]) / h[i - 1]
                        + (curvature(i - 1) + curvature(i) * 2.0) * (h[i - 1] / 6.0)
                }
            })
            .collect();
        (fit, velocities)
    }

    /// Noise of the data's variance, the same for every stretch of a length.
    fn probes(&self) -> Vec<Vec<Vector3<f64>>> {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        (0..4)
            .map(|_| {
                let draw = |v: &f64| Vector3::from_fn(|_, _| StandardNormal.sample(&mut rng)) * v.sqrt();
                self.variance.iter().map(draw).collect()
            })
            .collect()
    }

    /// Mallows' C: residuals plus twice the degrees of freedom, the trace estimated from the probes.
    fn risk(&self, y: &[Vector3<f64>], probes: &[Vec<Vector3<f64>>], weight: f64) -> f64 {
        let against = |a: &[Vector3<f64>], f: &dyn Fn(&Vector3<f64>, &Vector3<f64>) -> f64| {
            let (fit, _) = self.solve(a, weight);
            a.iter().zip(&fit).zip(&self.variance).map(|((a, b), var)| f(a, b) / var).sum::<f64>()
        };
        let trace: f64 =
            probes.iter().map(|p| against(p, &|a, b| a.dot(b))).sum::<f64>() / probes.len() as f64;
        against(y, &|a, b| (a - b).norm_squared()) + 2.0 * trace
    }

    /// By how much the probes shrink.
    fn noise_share(&self, probes: &[Vec<Vector3<f64>>], weight: f64) -> f64 {
        let (mut before, mut after) = (0.0, 0.0);
        for noise in probes {
            let (fit, _) = self.solve(noise, weight);
            before += noise.iter().map(Vector3::norm_squared).sum::<f64>();
            after += fit.iter().map(Vector3::norm_squared).sum::<f64>();
        }
        (after / before).sqrt()
    }
}

/// Solves a symmetric positive system with two upper diagonals in place (L D L').
fn solve_band(band: &mut [[f64; 3]], right: &mut [Vector3<f64>]) {
    let m = band.len();
    for i in 0..m {
        let [pivot, b1, b2] = band[i];
        let (l1, l2) = (b1 / pivot, b2 / pivot);
        let r = right[i];
        if i + 1 < m {
            band[i + 1][0] -= l1 * b1;
            band[i + 1][1] -= l1 * b2;
            right[i + 1] -= r * l1;
        }
        if i + 2 < m {
            band[i + 2][0] -= l2 * b2;
            right[i + 2] -= r * l2;
        }
        band[i] = [pivot, l1, l2];
    }
    for i in (0..m).rev() {
        let [pivot, l1, l2] = band[i];
        let mut x = right[i] / pivot;
        if i + 1 < m {
            x -= right[i + 1] * l1;
        }
        if i + 2 < m {
            x -= right[i + 2] * l2;
        }
        right[i] = x;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_noisy_swing_comes_back_with_its_velocity() {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let t: Vec<f64> = (0..480).map(|i| f64::from(i) / 240.0).collect();
        let w = 8.0;
        let truth: Vec<_> = t.iter().map(|t| Vector3::new(1.5 * (w * t).sin(), 0.2 * t, 3.0)).collect();
        let sd = 0.004;
        let noisy: Vec<Vector3<f64>> = truth
            .iter()
            .map(|p| p + Vector3::from_fn(|_, _| -> f64 { StandardNormal.sample(&mut rng) }) * sd)
            .collect();
        let estimate = noise_of(&noisy);
        assert!(estimate.iter().all(|e| (e / sd - 1.0).abs() < 0.15), "{estimate}");
        let got = smooth(&t, &noisy, &vec![Vector3::repeat(sd); t.len()]);
        let rms = |f: &dyn Fn(usize) -> f64| ((20..460).map(|i| f(i).powi(2)).sum::<f64>() / 440.0).sqrt();
        let position = rms(&|i| (got.values[i].x - truth[i].x).abs());
        let velocity = rms(&|i| got.velocities_s[i].x - 1.5 * w * (w * t[i]).cos());
        assert!(position < 0.5 * sd, "{position}");
        // 12 m/s at most; raw central differences would give 0.68 m/s
        assert!(velocity < 0.08, "{velocity}");
        assert!((got.noise_share * sd / position - 1.0).abs() < 0.5, "{} {position}", got.noise_share);
    }

    #[test]
    fn a_straight_line_stays() {
        let t: Vec<f64> = [0.0, 0.1, 0.25, 0.3, 0.5, 0.6].to_vec();
        let line: Vec<_> = t.iter().map(|t| Vector3::new(3.0 * t, 1.0 - t, 2.0)).collect();
        let got = smooth(&t, &line, &vec![Vector3::repeat(0.01); t.len()]);
        for (v, (f, y)) in got.velocities_s.iter().zip(got.values.iter().zip(&line)) {
            assert!((v - Vector3::new(3.0, -1.0, 0.0)).norm() < 1e-6 && (f - y).norm() < 1e-9);
        }
    }
}
