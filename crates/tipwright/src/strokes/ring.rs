//! Ring-down of the rod after the stop: a damped sine about a straight line, fitted to the bend from rod straight
//! position on.
//!
//! b(t) = c + d t + exp(-z w t) (A cos w' t + B sin w' t), w' = w sqrt(1 - z^2). The line carries what the fly line's
//! pull does, which changes as the loop runs out. The fit is of the curve, not of samples: squares are summed by the
//! trapezoid rule. c, d, A and B are linear and solved for at every trial of frequency and damping (variable
//! projection: Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, from memory); the two are found on a grid and
//! refined by Gauss-Newton. Rod frequencies with a line attached are 1.2 to 1.6 Hz, of bare rods up to 4 Hz (published
//! counts of 75 to 240 cycles a minute).
//!
//! It starts at rod straight position because that moment is sharp and the swing largest: the top of counterflex is
//! flat, and begun there the fit has little more than half a swing of use left before the next stroke.

use nalgebra::{DMatrix, DVector, Matrix4, SMatrix, Vector4, Vector6};

/// A fitted ring-down.
#[derive(Debug, Clone)]
pub(super) struct Ring {
    pub frequency_hz: f64,
    pub damping: f64,
}

const LOWEST_HZ: f64 = 0.7;
const HIGHEST_HZ: f64 = 6.0;
/// 81: forty or so in a period; the trapezoid rule then moves the damping by less than 0.001.
const POINTS: usize = 81;
/// How long errors of slow butt markers last: in coded clips half of them is left after ten frames at 240 a second,
/// a fifth after twenty, for what stands behind them changes as slowly (found on simulated H.264 and HEVC clips).
const LASTS_S: f64 = 0.06;

/// Instants at which a fit over an interval needs the bend.
pub(super) fn instants(from_s: f64, to_s: f64) -> Vec<f64> {
    (0..POINTS).map(|i| from_s + (to_s - from_s) * i as f64 / (POINTS - 1) as f64).collect()
}

/// Share of each instant in the integral over the interval.
fn weight(idx: usize, points: usize) -> f64 {
    let share = 1.0 / (points - 1) as f64;
    if idx == 0 || idx + 1 == points { share / 2.0 } else { share }
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
            // of less than a swing a straight line and a damped sine make anything
            if span_s * f < LEAST_SWINGS {
                continue;
            }
            let cost = solve(&t, bend_m, f, z).map_or(f64::INFINITY, |s| s.1);
            if cost < best.0 {
                best = (cost, f, z);
            }
        }
    }
    if best.0.is_infinite() {
        return Err(TOO_SHORT);
    }
    let (_, f, z) = best;
    let (f, z) = refine(&t, bend_m, f, z, 30).ok_or("the ring-down cannot be fitted")?;
    let Some((c, mean_square)) = solve(&t, bend_m, f, z) else {
        return Err("the ring-down cannot be fitted");
    };
    let amplitude = c[2].hypot(c[3]);
    let rms = mean_square.sqrt();
    let rings = f > LOWEST_HZ && f < HIGHEST_HZ && (-0.01..0.7).contains(&z);
    if !rings {
        return Err("after the stop the rod does not ring");
    }
    if span_s * f < LEAST_SWINGS {
        return Err(TOO_SHORT);
    }
    if amplitude < 3.0 * noise_m || amplitude < 3.0 * rms {
        return Err("the ring-down is not larger than what disturbs it");
    }
    Ok(Ring { frequency_hz: f, damping: z })
}

/// Fewest swings from rod straight position to the end of the stretch.
const LEAST_SWINGS: f64 = 1.0;
const TOO_SHORT: &str = "the next stroke or the end of the path comes before the rod has swung once";

/// Frequency and damping of another bend much like one already fitted.
pub(super) fn refit(near: &Ring, t_s: &[f64], bend_m: &[f64]) -> Option<(f64, f64)> {
    let t: Vec<f64> = t_s.iter().map(|t| t - t_s[0]).collect();
    refine(&t, bend_m, near.frequency_hz, near.damping, 6)
}

/// Standard deviations of frequency and damping when the bend's error is `bend_sd_m` and lasts, instead of being new at
/// every frame as the draws of a path have it.
pub(super) fn lasting_sd(ring: &Ring, t_s: &[f64], bend_m: &[f64], bend_sd_m: f64) -> Option<[f64; 2]> {
    let t: Vec<f64> = t_s.iter().map(|t| t - t_s[0]).collect();
    let (f, z) = (ring.frequency_hz, ring.damping);
    let (c, _) = solve(&t, bend_m, f, z)?;
    let step = 1e-5;
    let rows: Vec<Vector6<f64>> = t
        .iter()
        .map(|&t| {
            let by_f = (basis(t, f + step, z) - basis(t, f - step, z)).dot(&c) / (2.0 * step);
            let by_z = (basis(t, f, z + step) - basis(t, f, z - step)).dot(&c) / (2.0 * step);
            let g = basis(t, f, z);
            Vector6::new(by_f, by_z, g[0], g[1], g[2], g[3])
        })
        .collect();
    let mut normal = SMatrix::<f64, 6, 6>::zeros();
    for (i, row) in rows.iter().enumerate() {
        normal += row * row.transpose() * weight(i, rows.len());
    }
    let inverse = normal.try_inverse()?;
    // how much each instant's error moves frequency and damping
    let gain: Vec<[f64; 2]> = rows
        .iter()
        .enumerate()
        .map(|(i, row)| {
            let g = inverse * row * weight(i, rows.len());
            [g[0], g[1]]
        })
        .collect();
    let mut variance = [0.0; 2];
    for (a, ga) in t.iter().zip(&gain) {
        for (b, gb) in t.iter().zip(&gain) {
            let together = (-(a - b).abs() / LASTS_S).exp();
            variance[0] += ga[0] * gb[0] * together;
            variance[1] += ga[1] * gb[1] * together;
        }
    }
    Some(variance.map(|v| bend_sd_m * v.max(0.0).sqrt()))
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

fn basis(t: f64, f: f64, z: f64) -> Vector4<f64> {
    let w = std::f64::consts::TAU * f;
    let (sin, cos) = (w * (1.0 - z * z).sqrt() * t).sin_cos();
    let decay = (-z * w * t).exp();
    Vector4::new(1.0, t, decay * cos, decay * sin)
}

/// Linear coefficients and mean square of what is left.
fn solve(t: &[f64], b: &[f64], f: f64, z: f64) -> Option<(Vector4<f64>, f64)> {
    let (mut normal, mut right, mut square) = (Matrix4::zeros(), Vector4::zeros(), 0.0);
    let n = t.len();
    for (i, (t, b)) in t.iter().zip(b).enumerate() {
        let (g, share) = (basis(*t, f, z), weight(i, n));
        normal += g * g.transpose() * share;
        right += g * (*b * share);
        square += b * b * share;
    }
    let c = normal.cholesky()?.solve(&right);
    Some((c, (square - c.dot(&right)).max(0.0)))
}

/// Residual, each by the root of its share.
fn residual(t: &[f64], b: &[f64], f: f64, z: f64, c: &Vector4<f64>) -> DVector<f64> {
    let n = t.len();
    let rest = |(i, (t, b)): (usize, (&f64, &f64))| (basis(*t, f, z).dot(c) - b) * weight(i, n).sqrt();
    DVector::from_iterator(n, t.iter().zip(b).enumerate().map(rest))
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
                0.02 + 0.05 * t - 0.3 * (-z * w * t).exp() * (w * (1.0 - z * z).sqrt() * t + 0.2).cos()
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

    /// Errors that last 60 ms, drawn as a first-order autoregression, move the fit as far as `lasting_sd` says: of 400
    /// draws an sd is known to 3.5 %, linearisation takes another few per cent.
    #[test]
    fn errors_that_last_move_the_fit_as_far_as_said() {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let (t, b) = damped(2.3, 0.2, 0.9);
        let ring = fit(&t, &b, 0.001).unwrap();
        let sd_m = 0.002;
        let said = lasting_sd(&ring, &t, &b, sd_m).unwrap();
        let keep = (-(t[1] - t[0]) / LASTS_S).exp();
        let mut squares = [0.0; 2];
        for _ in 0..400 {
            let mut error: f64 = StandardNormal.sample(&mut rng);
            let moved: Vec<f64> = b
                .iter()
                .map(|b| {
                    let new: f64 = StandardNormal.sample(&mut rng);
                    error = keep * error + (1.0 - keep * keep).sqrt() * new;
                    b + sd_m * error
                })
                .collect();
            let (f, z) = refit(&ring, &t, &moved).unwrap();
            squares[0] += (f - ring.frequency_hz).powi(2) / 400.0;
            squares[1] += (z - ring.damping).powi(2) / 400.0;
        }
        for (said, square) in said.into_iter().zip(squares) {
            assert!((square.sqrt() / said - 1.0).abs() < 0.12, "{} {said}", square.sqrt());
        }
    }

    #[test]
    fn nothing_is_made_of_stillness_or_of_less_than_a_swing() {
        let t = instants(0.0, 1.0);
        assert!(fit(&t, &vec![0.01; t.len()], 0.005).is_err());
        let (t, b) = damped(1.4, 0.1, 0.4);
        assert!(fit(&t, &b, 0.001).is_err());
    }
}
