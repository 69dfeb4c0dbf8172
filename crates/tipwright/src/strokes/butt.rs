//! The rod's axis at the butt and the bend of the rod.
//!
//! The axis runs through the two butt markers. Bend is the signed distance of the tip from that axis within the
//! rotation of the stroke: positive when the tip lags behind (the rod is loaded), negative in counterflex. The
//! chord of a bent rod shortens with the square of the bend only, so it is never used for timing.

use nalgebra::{Point3, SMatrix, SVector, Vector3};

use super::config::StrokesConfig;
use super::curve::{Curve, crossing, largest};
use super::plane::CastPlane;
use super::times::Times;

/// Two butt markers, the one nearer the cap first.
#[derive(Debug, Clone, Copy)]
pub(super) struct ButtPair<'a> {
    pub lower: Curve<'a>,
    pub upper: Curve<'a>,
}

impl ButtPair<'_> {
    /// Upper marker and unit vector towards the tip.
    pub fn axis(&self, t_s: f64) -> (Point3<f64>, Vector3<f64>) {
        let upper = self.upper.position(t_s);
        (upper, (upper - self.lower.position(t_s)).normalize())
    }

    /// Bend seen with `left` to the left of the way the stroke travels: (in the plane, out of it to the left).
    pub fn bend_m(&self, tip: &Curve<'_>, left: &Vector3<f64>, t_s: f64) -> (f64, f64) {
        let (upper, axis) = self.axis(t_s);
        let ahead = left.cross(&axis).normalize();
        let from_upper = tip.position(t_s) - upper;
        (-from_upper.dot(&ahead), from_upper.dot(&axis.cross(&ahead)))
    }

    /// How fast that lean grows, from the markers' velocities.
    pub fn turning_rad_s(&self, way: &Vector3<f64>, t_s: f64) -> f64 {
        let apart = self.upper.position(t_s) - self.lower.position(t_s);
        let rate = self.upper.velocity(t_s) - self.lower.velocity(t_s);
        let (a, z) = (apart.dot(way), apart.z);
        (z * rate.dot(way) - a * rate.z) / (a * a + z * z)
    }

    /// Lean of the axis from the vertical towards `way`, radians.
    pub fn angle_rad(&self, way: &Vector3<f64>, t_s: f64) -> f64 {
        let (_, axis) = self.axis(t_s);
        axis.dot(way).atan2(axis.z)
    }
}

/// Figures that need the axis; NaN when not to be had.
#[derive(Debug, Clone, Copy)]
pub(super) struct Load {
    pub t_rsp_s: f64,
    /// Another moment at which the rod may have come straight, where there is one.
    pub rival_rsp_s: Option<f64>,
    pub t_max_bend_s: f64,
    pub max_bend_m: f64,
    /// How far that moment moves with the stretch it is fitted over: the fit's own error.
    pub top_error_s: f64,
    pub plane: CastPlane,
}

/// How long after the stop the bend may still cross zero: twice the time from peak to stop of an abrupt cast.
pub(super) const RSP_AFTER_STOP_S: f64 = 0.2;

/// Latest instant at which the rod may come straight.
pub(super) fn rsp_limit_s(times: &Times, end_s: f64) -> f64 {
    let stop_s = if times.t_stop_s.is_finite() { times.t_stop_s } else { times.t_peak_s };
    (stop_s + RSP_AFTER_STOP_S).min(end_s)
}

/// Rod straight position and largest bend. The plane depends on the moment and the moment on the plane, weakly:
/// two rounds from the plane of start and peak.
pub(super) fn load(
    tip: &Curve<'_>,
    butts: &ButtPair<'_>,
    times: &Times,
    limit_s: f64,
    step_s: f64,
) -> Option<Load> {
    let start = tip.position(times.t_start_s);
    let mut plane = CastPlane::through(start, tip.position(times.t_peak_s))?;
    let stop_s = if times.t_stop_s.is_finite() { times.t_stop_s } else { limit_s };
    let bend_until_s = stop_s.min(limit_s);
    let first_left = plane.left;
    let bend = |t: f64| butts.bend_m(tip, &first_left, t).0;
    let (about_s, _) = largest(bend, times.t_start_s, bend_until_s, 2.0 * step_s);
    let (mut t_rsp_s, mut rival_rsp_s) = (f64::NAN, None);
    for _ in 0..2 {
        let bend = |t: f64| butts.bend_m(tip, &plane.left, t).0;
        t_rsp_s = first_fall(bend, about_s, limit_s, step_s);
        rival_rsp_s = rival(bend, times, t_rsp_s, limit_s, step_s);
        if t_rsp_s.is_nan() {
            return None;
        }
        plane = CastPlane::through(start, tip.position(t_rsp_s))?;
    }
    // the stroke's own plane is known only now
    let bend = |t: f64| butts.bend_m(tip, &plane.left, t).0;
    let (largest_s, max_bend_m) = largest(bend, times.t_start_s, bend_until_s, 2.0 * step_s);
    let within_s = (times.t_start_s, limit_s);
    let t_max_bend_s = top::<5>(bend, largest_s, TOP_SHARE, within_s, step_s);
    let top_error_s = top::<6>(bend, largest_s, WIDER_SHARE, within_s, step_s) - t_max_bend_s;
    Some(Load { t_rsp_s, rival_rsp_s, t_max_bend_s, max_bend_m, top_error_s, plane })
}

/// A second hump of the bend counts from this share of the largest on.
const RIVAL_SHARE: f64 = 0.5;

/// The moment at which the rod comes straight after another hump of its bend, where that is nearer to the tip's peak speed
/// than `t_rsp_s`: a rod comes straight about when its tip is fastest (within 20 ms of it in a spring-mass model, 40 ms on
/// simulated casters), so a hump larger by little or by noise may be the wrong one.
fn rival(bend: impl Fn(f64) -> f64, times: &Times, t_rsp_s: f64, limit_s: f64, step_s: f64) -> Option<f64> {
    let (mut t, mut before) = (times.t_start_s, bend(times.t_start_s));
    let (mut hump_m, mut falls) = (before, Vec::new());
    while t < limit_s {
        let next = (t + step_s).min(limit_s);
        let here = bend(next);
        if before > 0.0 && here <= 0.0 {
            falls.push((crossing(&bend, t, next), hump_m));
            hump_m = 0.0;
        }
        hump_m = hump_m.max(here);
        (t, before) = (next, here);
    }
    let largest_m = falls.iter().map(|f| f.1).fold(0.0, f64::max);
    let away_s = |t: f64| (t - times.t_peak_s).abs();
    falls
        .into_iter()
        .filter(|f| f.1 >= RIVAL_SHARE * largest_m && away_s(f.0) + step_s < away_s(t_rsp_s))
        .map(|f| f.0)
        .min_by(|a, b| away_s(*a).total_cmp(&away_s(*b)))
}

/// Share of the largest bend around whose moment the top is fitted, by a quartic. Of simulated strokes with the bend's
/// error of simulated clips the moment is 1.1 ms off (rms) so, 1.7 ms by a cubic, which a top with a shoulder defeats,
/// and 2.8 ms where the bend is largest.
const TOP_SHARE: f64 = 0.95;
/// The same by a quintic, to see how the moment depends on it.
const WIDER_SHARE: f64 = 0.9;

/// Moment of a flat maximum: where a value is largest is moved far by little noise, so a polynomial of N coefficients is
/// fitted to the stretch around it in which the bend keeps a share of the largest, and its maximum is taken.
fn top<const N: usize>(
    f: impl Fn(f64) -> f64,
    near_s: f64,
    share: f64,
    within_s: (f64, f64),
    step_s: f64,
) -> f64 {
    const POINTS: usize = 41;
    let height = f(near_s);
    let edge = |sign: f64| {
        let mut t = near_s;
        while t > within_s.0 && t < within_s.1 && f(t) > share * height {
            t += sign * step_s / 4.0;
        }
        t.clamp(within_s.0, within_s.1)
    };
    let (a, b) = (edge(-1.0), edge(1.0));
    let half_s = (b - a) / 2.0;
    if half_s < 2.0 * step_s {
        return near_s;
    }
    let at = |u: f64| (a + b) / 2.0 + u * half_s;
    let row = |u: f64| SVector::<f64, N>::from_fn(|k, _| u.powi(k as i32));
    let (mut normal, mut right) = (SMatrix::<f64, N, N>::zeros(), SVector::<f64, N>::zeros());
    for i in 0..POINTS {
        let u = 2.0 * i as f64 / (POINTS - 1) as f64 - 1.0;
        normal += row(u) * row(u).transpose();
        right += row(u) * f(at(u));
    }
    let Some(c) = normal.try_inverse().map(|n| n * right) else { return near_s };
    let (u, _) = largest(|u| row(u).dot(&c), -1.0, 1.0, 0.05);
    at(u)
}

/// First moment after `from_s` at which a positive `f` is no longer positive.
fn first_fall(f: impl Fn(f64) -> f64, from_s: f64, to_s: f64, step_s: f64) -> f64 {
    let mut t = from_s;
    if f(t) <= 0.0 {
        return f64::NAN;
    }
    while t < to_s {
        let next = (t + step_s).min(to_s);
        if f(next) <= 0.0 {
            return crossing(&f, t, next);
        }
        t = next;
    }
    f64::NAN
}

/// Rotation of the butt over W in its plane, degrees, positive the way of the stroke; more than a turn counts.
pub(super) fn arc_deg(butts: &ButtPair<'_>, plane: &CastPlane, from_s: f64, to_s: f64) -> f64 {
    const STEPS: usize = 16;
    let at = |i: usize| butts.angle_rad(&plane.way, from_s + (to_s - from_s) * i as f64 / STEPS as f64);
    let turn = std::f64::consts::TAU;
    let wrapped = |a: f64| a - turn * (a / turn).round();
    (0..STEPS).map(|i| wrapped(at(i + 1) - at(i))).sum::<f64>().to_degrees()
}

/// Largest bend the other way after the rod came straight, and when.
pub(super) fn counterflex(
    tip: &Curve<'_>,
    butts: &ButtPair<'_>,
    plane: &CastPlane,
    from_s: f64,
    to_s: f64,
    step_s: f64,
) -> (f64, f64) {
    if to_s <= from_s || to_s.is_nan() || from_s.is_nan() {
        return (f64::NAN, f64::NAN);
    }
    largest(|t| -butts.bend_m(tip, &plane.left, t).0, from_s, to_s, step_s)
}

/// End of counterflex: `counterflex_within_s` after the stop, or the next stroke's start.
pub(super) fn counterflex_end_s(times: &Times, next_start_s: f64, config: &StrokesConfig) -> f64 {
    (times.t_stop_s + config.counterflex_within_s).min(next_start_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two humps of nearly one height: the tip is fastest near the end of the second, so that is a rival of the first; a
    /// crossing further from the peak, or one after a ripple, is none.
    #[test]
    fn a_second_hump_nearer_to_the_peak_speed_is_a_rival() {
        let bend = |second_m: f64| {
            move |t: f64| {
                let hump = |from: f64, m: f64| {
                    let u = (t - from) / 0.2;
                    if (0.0..1.0).contains(&u) { m * (std::f64::consts::PI * u).sin() } else { -0.01 }
                };
                hump(0.2, 1.0).max(hump(0.5, second_m))
            }
        };
        let times = |t_peak_s| Times { t_start_s: 0.1, t_peak_s, t_stop_s: 0.8, peak_m_s: 20.0 };
        let found = |second_m: f64, peak_s: f64| rival(bend(second_m), &times(peak_s), 0.4, 0.9, 0.002);
        assert!((found(0.95, 0.68).unwrap() - 0.7).abs() < 1e-3);
        assert!(found(0.95, 0.41).is_none() && found(0.2, 0.68).is_none());
    }
}
