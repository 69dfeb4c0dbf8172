//! Two cameras on one loop. The nose's front is one point in the air, so two rays through it, one from each
//! camera at the same session time, tell how far it lies from the cast plane: the places where the rays meet the plane
//! differ by that distance times the difference of their levers. Along the legs, which run nearly along the line
//! between the cameras, rays tell nothing of the kind (the degenerate case of matching along epipolar lines); the nose, which
//! crosses it, does.

use super::geometry::Flat;
use super::nose::Front;
use super::robust::robust_line;
use crate::model::Measured;

/// Least difference of the levers of two cameras, metres along the way per metre off the plane: cameras that look from
/// nearly the same side disagree about nothing.
const LEAST_LEVER: f64 = 0.4;
/// Error of a distance that rests on two clocks and two parabolas, one standard deviation.
const FLOOR_M: f64 = 0.015;
/// How much of that changes over the travel that counts.
const DRIFT_FLOOR_M: f64 = 0.005;
/// Looks of the other camera are bridged over so much.
const LONGEST_STEP_S: f64 = 0.06;
/// Faster than this across its plane no line goes: 8 m/s along it, 15 degrees beside it.
const FASTEST_M_S: f64 = 2.0;
/// Farther from the plane than this the two did not see the same thing.
const FARTHEST_M: f64 = 0.6;

/// The line's distance from the plane, positive to the left of the way: it changes while the loop travels, for nobody casts
/// quite along a plane.
#[derive(Debug, Clone, Copy)]
pub(super) struct OffPlane {
    /// In the middle of the travel that counts.
    pub value: Measured,
    middle_s: f64,
    drift_m_s: f64,
    /// One standard deviation of the drift.
    pub drift_sd_m_s: f64,
    span_s: [f64; 2],
}

impl OffPlane {
    /// At a time; held outside of where it was seen.
    pub fn at(&self, t_s: f64) -> f64 {
        self.value.value + self.drift_m_s * (t_s.clamp(self.span_s[0], self.span_s[1]) - self.middle_s)
    }
}

/// Distance of the nose from the plane while its front is `travel_m` ahead of the tip; `None` when the cameras cannot
/// tell, or did not see the same thing.
pub(super) fn off_plane(
    a: &[Front],
    b: &[Front],
    tip: &dyn Fn(f64) -> Option<Flat>,
    travel_m: [f64; 2],
) -> Option<OffPlane> {
    let mut found: Vec<(f64, f64)> = Vec::new();
    for front in a {
        let ahead_m = front.at[0] - tip(front.t_s)?[0];
        if ahead_m < travel_m[0] || ahead_m > travel_m[1] {
            continue;
        }
        // between two looks of the other camera: a nose that speeds up by 20 m/s2 leaves a straight line by 2 mm
        let k = b.partition_point(|f| f.t_s < front.t_s);
        let (Some(before), Some(after)) = (k.checked_sub(1).and_then(|i| b.get(i)), b.get(k)) else {
            continue;
        };
        let step_s = after.t_s - before.t_s;
        if !(step_s > 0.0 && step_s < LONGEST_STEP_S) {
            continue;
        }
        let u = (front.t_s - before.t_s) / step_s;
        let there = [0, 1].map(|i| before.at[i] + u * (after.at[i] - before.at[i]));
        let lever = [0, 1].map(|i| before.lever[i] + u * (after.lever[i] - before.lever[i]) - front.lever[i]);
        if lever[0].abs() < LEAST_LEVER {
            continue;
        }
        // place on the plane = true place + lever * -off, for a plane that the point lies `off` to the left of
        let apart = [there[0] - front.at[0], there[1] - front.at[1]];
        let off_m = -apart[0] / lever[0];
        // the heights must agree with the same distance
        if (apart[1] + lever[1] * off_m).abs() < 0.25 {
            found.push((front.t_s, off_m));
        }
    }
    if found.len() < 3 {
        return None;
    }
    let n = found.len() as f64;
    let middle_s = found.iter().map(|f| f.0).sum::<f64>() / n;
    let span_s = [found[0].0, found[found.len() - 1].0];
    let line = robust_line(&found, middle_s)?;
    let sd = (line.scatter / n.sqrt()).hypot(FLOOR_M);
    let spread_s = (found.iter().map(|f| (f.0 - middle_s).powi(2)).sum::<f64>() / n).sqrt();
    let drift_sd_m_s = (line.scatter / n.sqrt()).hypot(DRIFT_FLOOR_M) / spread_s.max(1e-3);
    let agreed = line.at.abs() < FARTHEST_M && line.scatter < 0.15 && line.slope.abs() < FASTEST_M_S;
    agreed.then(|| OffPlane {
        value: Measured::new(line.at, sd),
        middle_s,
        drift_m_s: line.slope,
        drift_sd_m_s,
        span_s,
    })
}
