//! The rod's ring-down: the damped sine about a straight line that comes nearest to the bend from rod straight position
//! on, by a search of its own.
//!
//! b(t) = c + d t + exp(-a t) (A cos w t + B sin w t): for a trial of a and w the rest is linear (normal equations of
//! four unknowns, inverted; squares summed by the midpoint rule); a and w by a compass search (Hooke & Jeeves, J. ACM 8 (1961) 212, from memory). Damping
//! ratio a / sqrt(a^2 + w^2), frequency sqrt(a^2 + w^2) / 2 pi.

use nalgebra::{Matrix4, Vector4};

/// Longest stretch fitted: the figure's definition, two to four periods.
pub const LONGEST_S: f64 = 1.5;
const SAMPLES: usize = 400;

/// A ring-down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ring {
    /// Undamped frequency.
    pub frequency_hz: f64,
    /// Damping ratio.
    pub damping: f64,
}

struct Fit {
    cost: f64,
    swing: f64,
}

/// `None` when the rod does not swing once before `to_s`, does not ring, or what disturbs it is as large.
pub fn fit(bend_m: impl Fn(f64) -> f64, from_s: f64, to_s: f64) -> Option<Ring> {
    let span_s = to_s - from_s;
    if !(span_s > 0.1) {
        return None;
    }
    let samples: Vec<(f64, f64)> = (0..SAMPLES)
        .map(|i| span_s * (i as f64 + 0.5) / SAMPLES as f64)
        .map(|t| (t, bend_m(from_s + t)))
        .collect();
    let cost = |p: [f64; 2]| linear(&samples, p).map_or(f64::INFINITY, |f| f.cost);
    // p: logarithm of w, and a / w
    let mut best = [0.0, 0.0];
    let mut least = f64::INFINITY;
    for i in 0..60 {
        for j in 0..12 {
            let p = [(4.4_f64 * 8.6_f64.powf(f64::from(i) / 59.0)).ln(), 0.04 * f64::from(j)];
            // of less than a swing a straight line and a damped sine make anything
            if p[0].exp() * span_s < std::f64::consts::TAU {
                continue;
            }
            let c = cost(p);
            if c < least {
                (best, least) = (p, c);
            }
        }
    }
    let mut step = 0.04;
    while step > 1e-9 {
        let around = [[step, 0.0], [-step, 0.0], [0.0, step], [0.0, -step]];
        let better = around.iter().map(|d| [best[0] + d[0], best[1] + d[1]]).find(|p| cost(*p) < least);
        match better {
            Some(p) => (best, least) = (p, cost(p)),
            None => step *= 0.5,
        }
    }
    let fit = linear(&samples, best)?;
    let (w, a) = (best[0].exp(), best[0].exp() * best[1]);
    let natural = w.hypot(a);
    let ring = Ring { frequency_hz: natural / std::f64::consts::TAU, damping: a / natural };
    let rms = (fit.cost / SAMPLES as f64).sqrt();
    let rings = (0.7..6.0).contains(&ring.frequency_hz) && (-0.01..0.7).contains(&ring.damping);
    (rings && span_s * ring.frequency_hz >= 1.0 && fit.swing >= 3.0 * rms).then_some(ring)
}

fn linear(samples: &[(f64, f64)], [log_w, share]: [f64; 2]) -> Option<Fit> {
    let w = log_w.exp();
    let (mut normal, mut right) = (Matrix4::zeros(), Vector4::zeros());
    let rows = |t: f64| {
        let decay = (-share * w * t).exp();
        Vector4::new(1.0, t, decay * (w * t).cos(), decay * (w * t).sin())
    };
    for (t, b) in samples {
        let g = rows(*t);
        normal += g * g.transpose();
        right += g * *b;
    }
    let c = normal.try_inverse()? * right;
    let cost = samples.iter().map(|(t, b)| (rows(*t).dot(&c) - b).powi(2)).sum();
    Some(Fit { cost, swing: c[2].hypot(c[3]) })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Textbook: x(t) = exp(-z wn t) cos(wn sqrt(1 - z^2) t) is the free swing of a damped oscillator.
    #[test]
    fn a_damped_swing_comes_back() {
        for (f, z) in [(1.4_f64, 0.12_f64), (2.0, 0.05), (1.3, 0.25)] {
            let wn = std::f64::consts::TAU * f;
            let bend = |t: f64| {
                0.03 + 0.02 * t - 0.4 * (-z * wn * t).exp() * (wn * (1.0 - z * z).sqrt() * t + 0.3).cos()
            };
            let ring = fit(bend, 0.0, 1.2).unwrap();
            assert!(
                (ring.frequency_hz - f).abs() < 1e-5 && (ring.damping - z).abs() < 1e-5,
                "{ring:?} for {f} {z}"
            );
        }
        assert!(fit(|_| 0.1, 0.0, 1.0).is_none());
        assert!(fit(|t| (9.0 * t).cos(), 0.0, 0.3).is_none());
    }
}
