//! What needs the butt: bend, arc, counterflex; and the travel before and after the stroke.

use nalgebra::{Point3, Vector3};
use tipwright::model::FigureId;

use super::shape::Shape;
use super::{Dense, peak};
use tipwright_physics::motion::RodMotion;

/// Counterflex is over so long after the stop: half a period at 1.4 Hz.
const COUNTERFLEX_S: f64 = 0.35;
/// Step of everything read between frames.
const STEP_S: f64 = 0.5e-3;

/// The butt's axis: through two points of the rod below the first ferrule.
#[derive(Debug, Clone, Copy)]
pub struct ButtAxis {
    lower_at_m: f64,
    upper_at_m: f64,
}

impl ButtAxis {
    /// `None` with fewer than two butt markers.
    #[must_use]
    pub fn of(butts_at_m: &[f64]) -> Option<Self> {
        let [lower_at_m, .., upper_at_m] = *butts_at_m else { return None };
        Some(Self { lower_at_m, upper_at_m })
    }

    fn at(&self, motion: &RodMotion, t_s: f64) -> (Point3<f64>, Vector3<f64>) {
        let upper = motion.rod_point_at(t_s, self.upper_at_m);
        (upper, (upper - motion.rod_point_at(t_s, self.lower_at_m)).normalize())
    }

    /// Distance of the tip from the axis against the way of the cast, in the cast plane.
    #[must_use]
    pub fn bend_m(&self, motion: &RodMotion, t_s: f64, chord: &Vector3<f64>) -> f64 {
        let (point, axis) = self.at(motion, t_s);
        let out = Vector3::z().cross(chord).normalize();
        let across = out.cross(&axis).normalize();
        -(motion.tip_at(t_s) - point).dot(&across)
    }

    /// Lean of the axis from the vertical toward the horizontal part of `toward`.
    #[must_use]
    pub fn lean_rad(&self, motion: &RodMotion, t_s: f64, toward: &Vector3<f64>) -> f64 {
        let way = Vector3::new(toward.x, toward.y, 0.0).normalize();
        let (_, axis) = self.at(motion, t_s);
        axis.dot(&way).atan2(axis.z)
    }

    /// First zero of the bend after its maximum. The maximum is looked for between the start of W and the reversal
    /// after, the zero on to `until` (frames).
    pub(super) fn rod_straight_s(
        &self,
        motion: &RodMotion,
        dense: &Dense,
        chord: &Vector3<f64>,
        (start, reversal, until): (usize, usize, usize),
    ) -> Option<f64> {
        let t = &dense.t_s;
        let bend: Vec<f64> = (start..=until).map(|i| self.bend_m(motion, t[i], chord)).collect();
        let most = (0..=reversal - start).max_by(|a, b| bend[*a].total_cmp(&bend[*b]))?;
        (most + 1..bend.len()).find_map(|i| {
            let (a, b) = (bend[i - 1], bend[i]);
            (a > 0.0 && b <= 0.0).then(|| t[start + i - 1] + (t[start + i] - t[start + i - 1]) * a / (a - b))
        })
    }

    /// Enters bend, its lead, counterflex and arc; returns the time of counterflex. Times: start of W, rod straight, stop,
    /// next movement.
    pub(super) fn put_into(
        &self,
        motion: &RodMotion,
        dense: &Dense,
        chord: &Vector3<f64>,
        (start_s, rsp_s, stop_s, until_s): (f64, f64, f64, f64),
        put: &mut impl FnMut(FigureId, f64),
    ) -> f64 {
        let end_s = (stop_s + COUNTERFLEX_S).min(until_s);
        let (start, rsp, end) = (dense.idx_at(start_s), dense.idx_at(rsp_s), dense.idx_at(end_s));
        let t: Vec<f64> = dense.t_s[start..=end].to_vec();
        let bend: Vec<f64> = t.iter().map(|t| self.bend_m(motion, *t, chord)).collect();
        let (_, most_s, most_m) = peak(&t, &bend, 0, rsp - start);
        put(FigureId::MaxBend, most_m);
        put(FigureId::BendLead, 1e3 * (rsp_s - most_s));
        let other: Vec<f64> = bend.iter().map(|b| -b).collect();
        let (_, counter_s, counter_m) = peak(&t, &other, rsp - start, end - start);
        put(FigureId::Counterflex, counter_m);
        // turn within the cast plane, positive the way of the stroke
        let lean = |t_s: f64| self.lean_rad(motion, t_s, chord);
        put(FigureId::Arc, (lean(rsp_s) - lean(start_s)).to_degrees());
        counter_s
    }

    /// When the butt sets off for a stroke: going back from the start of W, the first moment it turns slower than a
    /// tenth of its fastest in W, less 50 ms, in which a constant acceleration over half a second takes it there.
    pub(super) fn sets_off_s(
        &self,
        motion: &RodMotion,
        chord: &Vector3<f64>,
        (not_before_s, start_s, rsp_s): (f64, f64, f64),
    ) -> f64 {
        let lean = |t_s: f64| self.lean_rad(motion, t_s, chord);
        let rate = |t_s: f64| lean(t_s + STEP_S) - lean(t_s - STEP_S);
        let fastest =
            (0..=400).map(|i| rate(start_s + (rsp_s - start_s) * f64::from(i) / 400.0)).fold(0.0, f64::max);
        let mut t_s = start_s;
        while t_s > not_before_s && rate(t_s) > 0.1 * fastest {
            t_s -= STEP_S;
        }
        t_s - 0.05
    }
}

/// Largest advance of a point along `toward` within `from_s..=to_s`, against where it is at `against_s`. Never negative
/// when that instant is one of them.
pub fn furthest_m(
    point: impl Fn(f64) -> Point3<f64>,
    toward: &Vector3<f64>,
    from_s: f64,
    to_s: f64,
    against_s: f64,
) -> f64 {
    let steps = ((to_s - from_s) / STEP_S).ceil().max(1.0) as usize;
    let at = |t_s: f64| point(t_s).coords.dot(toward);
    let most = (0..=steps)
        .map(|i| at(from_s + (to_s - from_s) * i as f64 / steps as f64))
        .fold(f64::NEG_INFINITY, f64::max);
    most - at(against_s)
}

/// Advance of the tip since it last turned toward the stroke.
pub fn tip_creep_m(motion: &RodMotion, toward: &Vector3<f64>, from_s: f64, to_s: f64) -> f64 {
    let mut t_s = to_s;
    while t_s > from_s && motion.tip_velocity_at(t_s).dot(toward) > 0.0 {
        t_s -= STEP_S;
    }
    (motion.tip_at(to_s) - motion.tip_at(t_s.max(from_s))).dot(toward).max(0.0)
}

/// Proxy of the loop: depth of the tip's lowest point below the prolonged chord, from rod straight position until the
/// tip turns back after the stop.
pub fn tip_in_counterflex(
    dense: &Dense,
    shape: &Shape,
    (rsp_s, stop_s, until_s): (f64, f64, f64),
    put: &mut impl FnMut(FigureId, f64),
) {
    let along = shape.chord().normalize();
    let from = dense.idx_at(rsp_s);
    let limit = dense.idx_at((stop_s + COUNTERFLEX_S).min(until_s));
    let stop = dense.idx_at(stop_s.max(rsp_s)).min(limit);
    let turned = (stop + 1..limit).find(|i| (dense.tip[*i] - dense.tip[*i - 1]).dot(&along) <= 0.0);
    let to = turned.unwrap_or(limit).max(from);
    let lowest = (from..=to).map(|i| shape.height_m(&dense.tip[i])).fold(f64::INFINITY, f64::min);
    put(FigureId::LoopWidthProxy, -lowest);
}

/// Peak speed of the upper butt marker in W.
pub fn put_butt_speed(
    motion: &RodMotion,
    upper_at_m: f64,
    (start_s, rsp_s): (f64, f64),
    put: &mut impl FnMut(FigureId, f64),
) {
    let at = |t_s: f64| motion.rod_point_at(t_s, upper_at_m);
    let steps = ((rsp_s - start_s) / STEP_S).ceil().max(1.0) as usize;
    let fastest = (0..=steps)
        .map(|i| start_s + (rsp_s - start_s) * i as f64 / steps as f64)
        .map(|t| (at(t + STEP_S) - at(t - STEP_S)).norm() / (2.0 * STEP_S))
        .fold(0.0, f64::max);
    put(FigureId::ButtSpeed, fastest);
}
