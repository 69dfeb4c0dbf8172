//! Ring-down of the rod after the stop: a damped sine about a constant, fitted to the bend.
//!
//! b(t) = c + exp(-z w t) (A cos w' t + B sin w' t), w' = w sqrt(1 - z^2). c, A and B are linear and solved for at
//! every trial of frequency and damping (variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413,
//! from memory); the two are found on a grid and refined by Gauss-Newton. Rod frequencies with a line attached are
//! 1.2 to 1.6 Hz, of bare rods up to 4 Hz (published counts of 75 to 240 cycles a minute).

use nalgebra::{DMatrix, DVector, Matrix3, Vector3};

/// A fitted ring-down.
#[derive(Debug, Clone)]
pub(super) struct Ring {
    pub frequency_hz: f64,
    pub damping: f64,
}

const LOWEST_HZ: f64 = 0.7;
const HIGHEST_HZ: f64 = 6.0;
const POINTS: usize = 60;

/// Instants at which a fit over an interval needs the bend.
pub(super) fn instants(from_s: f64, to_s: f64) -> Vec<f64> {
    (0..POINTS).map(|i| from_s + (to_s - from_s) * i as f64 / (POINTS - 1) as f64).collect()
}

/// Fits; the reason when there is no ring-down to be had.
pub(super) fn fit(t_s: &[f64], bend_m: &[f64], noise_m: f64) -> Result<Ring, &'static str> {
    let start_s = t_s[0];
    let span_s = t_s[t_s.len() - 1] - start_s;
    let t: Vec<f64> = t_s.iter().map(|t| t - start_s).collect();
    let mut best = (f64::INFINITY, 0.0, 0.0);
    for i in 0..40 {
        let f = LOWEST_HZ * (HIGHEST_HZ / LOWEST_HZ).powf(f64::from(i) / 39.0);
        for z in [0.01, 0.03, 0.06, 0.1, 0.15, 0.2, 0.3, 0.4] {
            let cost = solve(&t, bend_m, f, z).map_or(f64::INFINITY, |s| s.1);
            if cost < best.0 {
                best = (cost, f, z);
            }
        }
    }
    let (_, f, z) = best;
    let (f, z) = refine(&t, bend_m, f, z, 30).ok_or("the ring-down cannot be fitted")?;
    let Some((c, cost)) = solve(&t, bend_m, f, z) else {
        return Err("the ring-down cannot be fitted");
    };
    let amplitude = c[1].hypot(c[2]);
    let rms = (cost / t.len() as f64).sqrt();
    let rings = f > LOWEST_HZ && f < HIGHEST_HZ && (-0.01..0.7).contains(&z);
    if !rings {
        return Err("after the stop the rod does not ring");
    }
    if span_s * f < 0.9 {
        return Err("the next stroke or the end of the path comes before the rod has swung once");
    }
    if amplitude < 3.0 * noise_m || amplitude < 3.0 * rms {
        return Err("the ring-down is not larger than what disturbs it");
    }
    Ok(Ring { frequency_hz: f, damping: z })
}

/// Frequency and damping of another bend much like one already fitted.
pub(super) fn refit(near: &Ring, t_s: &[f64], bend_m: &[f64]) -> Option<(f64, f64)> {
    let t: Vec<f64> = t_s.iter().map(|t| t - t_s[0]).collect();
    refine(&t, bend_m, near.frequency_hz, near.damping, 6)
}

/// Gauss-Newton on frequency and damping.
fn refine(t: &[f64], bend_m: &[f64], mut f: f64, mut z: f64, most: usize) -> Option<(f64, f64)> {
    for _ in 0..most {
        let (jacobian, (coefficients, _)) = (jacobian(t, bend_m, f, z)?, solve(t, bend_m, f, z)?);
        let rest = residual(t, bend_m, f, z, &coefficients);
        let step = (jacobian.transpose() * &jacobian)
            .try_inverse()
            .map(|inverse| -inverse * jacobian.transpose() * rest)?;
        let scale = (0.3 * f / step[0].abs()).min(0.1 / step[1].abs()).min(1.0);
        f = (f + scale * step[0]).clamp(LOWEST_HZ / 2.0, 2.0 * HIGHEST_HZ);
        z = (z + scale * step[1]).clamp(-0.05, 0.9);
        if step[0].abs() < 1e-9 && step[1].abs() < 1e-9 {
            break;
        }
    }
    Some((f, z))
}

fn basis(t: f64, f: f64, z: f64) -> Vector3<f64> {
    let w = std::f64::consts::TAU * f;
    let (sin, cos) = (w * (1.0 - z * z).sqrt() * t).sin_cos();
    let decay = (-z * w * t).exp();
    Vector3::new(1.0, decay * cos, decay * sin)
}

/// Linear coefficients and sum of squares.
fn solve(t: &[f64], b: &[f64], f: f64, z: f64) -> Option<(Vector3<f64>, f64)> {
    let (mut normal, mut right, mut square) = (Matrix3::zeros(), Vector3::zeros(), 0.0);
    for (t, b) in t.iter().zip(b) {
        let g = basis(*t, f, z);
        normal += g * g.transpose();
        right += g * *b;
        square += b * b;
    }
    let c = normal.cholesky()?.solve(&right);
    Some((c, (square - c.dot(&right)).max(0.0)))
}

fn residual(t: &[f64], b: &[f64], f: f64, z: f64, c: &Vector3<f64>) -> DVector<f64> {
    DVector::from_iterator(t.len(), t.iter().zip(b).map(|(t, b)| basis(*t, f, z).dot(c) - b))
}

/// Derivative of the projected residual by frequency and damping, central differences.
fn jacobian(t: &[f64], b: &[f64], f: f64, z: f64) -> Option<DMatrix<f64>> {
    let column = |df: f64, dz: f64| {
        let (plus, _) = solve(t, b, f + df, z + dz)?;
        let (minus, _) = solve(t, b, f - df, z - dz)?;
        let change = residual(t, b, f + df, z + dz, &plus) - residual(t, b, f - df, z - dz, &minus);
        Some(change / (2.0 * (df + dz)))
    };
    Some(DMatrix::from_columns(&[column(1e-5, 0.0)?, column(0.0, 1e-5)?]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn damped(f: f64, z: f64, span_s: f64) -> (Vec<f64>, Vec<f64>) {
        let t = instants(3.0, 3.0 + span_s);
        let w = std::f64::consts::TAU * f;
        let b = t
            .iter()
            .map(|t| {
                let t = t - 3.0;
                0.02 - 0.3 * (-z * w * t).exp() * (w * (1.0 - z * z).sqrt() * t + 0.2).cos()
            })
            .collect();
        (t, b)
    }

    #[test]
    fn frequency_and_damping_come_back() {
        for (f, z) in [(1.4, 0.12), (2.0, 0.05), (3.1, 0.2), (1.3, 0.02)] {
            let (t, b) = damped(f, z, 1.2);
            let ring = fit(&t, &b, 0.001).unwrap();
            assert!((ring.frequency_hz - f).abs() < 1e-6 && (ring.damping - z).abs() < 1e-6, "{ring:?}");
        }
    }

    #[test]
    fn a_refit_from_nearby_is_the_fit_itself() {
        let (t, b) = damped(1.8, 0.1, 1.0);
        let ring = fit(&t, &b, 0.001).unwrap();
        let moved: Vec<f64> = b.iter().enumerate().map(|(i, b)| b + 1e-3 * (i as f64 * 0.7).sin()).collect();
        let again = fit(&t, &moved, 0.001).unwrap();
        let (f, z) = refit(&ring, &t, &moved).unwrap();
        assert!(
            (again.frequency_hz - f).abs() < 1e-7 && (again.damping - z).abs() < 1e-7,
            "{f} {z} {again:?}"
        );
        assert!((again.frequency_hz - ring.frequency_hz).abs() > 1e-5);
    }

    #[test]
    fn nothing_is_made_of_stillness_or_of_less_than_a_swing() {
        let t = instants(0.0, 1.0);
        assert!(fit(&t, &vec![0.01; t.len()], 0.005).is_err());
        let (t, b) = damped(1.4, 0.1, 0.4);
        assert!(fit(&t, &b, 0.001).is_err());
    }
}
