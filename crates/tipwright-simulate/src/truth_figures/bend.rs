//! What needs the butt: bend, arc, counterflex, ring-down; and the travel before and after the stroke.

use nalgebra::{Point3, Vector3};
use tipwright::model::FigureId;

use super::shape::Shape;
use super::{Dense, peak};
use crate::motion::RodMotion;

/// Bend at a frame: distance of the tip from the butt's axis against the way of the cast, in the cast plane.
fn bend_m(motion: &RodMotion, i: usize, chord: &Vector3<f64>) -> f64 {
    let frame = &motion.frames[i];
    let out = Vector3::z().cross(chord).normalize();
    let axis = frame.butt_axis_in_world;
    let axis = (axis - axis.dot(&out) * out).normalize();
    let across = chord - chord.dot(&out) * out;
    let across = (across - across.dot(&axis) * axis).normalize();
    -(frame.tip_in_world() - frame.butt_in_world).dot(&across)
}

/// First zero of the bend after its maximum. The maximum is looked for between the start of W and the reversal after,
/// the zero on to `until` (frames).
pub fn rod_straight_s(
    motion: &RodMotion,
    dense: &Dense,
    chord: &Vector3<f64>,
    (start, reversal, until): (usize, usize, usize),
) -> Option<f64> {
    let bend: Vec<f64> = (start..=until).map(|i| bend_m(motion, i, chord)).collect();
    let most = (0..=reversal - start).max_by(|a, b| bend[*a].total_cmp(&bend[*b]))?;
    (most + 1..bend.len()).find_map(|i| {
        let (a, b) = (bend[i - 1], bend[i]);
        (a > 0.0 && b <= 0.0).then(|| {
            dense.t_s[start + i - 1] + (dense.t_s[start + i] - dense.t_s[start + i - 1]) * a / (a - b)
        })
    })
}

/// Net advance along `toward` between two instants: with `to_end`, from where the point was furthest back to where
/// it is at the end; otherwise from the start to where it is furthest on. Never negative. Every half millisecond.
pub fn largest_advance_m(
    point: impl Fn(f64) -> Point3<f64>,
    toward: &Vector3<f64>,
    from_s: f64,
    to_s: f64,
    to_end: bool,
) -> f64 {
    let steps = ((to_s - from_s) / 0.5e-3).ceil().max(1.0) as usize;
    let at = |i: usize| point(from_s + (to_s - from_s) * i as f64 / steps as f64).coords.dot(toward);
    if to_end {
        at(steps) - (0..=steps).map(at).fold(f64::INFINITY, f64::min)
    } else {
        (0..=steps).map(at).fold(f64::NEG_INFINITY, f64::max) - at(0)
    }
}

/// Proxy of the loop: height of the SLP above the tip's lowest point in counterflex. The SLP is the chord.
pub fn tip_in_counterflex(
    dense: &Dense,
    shape: &Shape,
    (rsp_s, until_s): (f64, f64),
    put: &mut impl FnMut(FigureId, f64),
) {
    // counterflex is over within 0.18 s of the stop beginning (Ekander, Perkins & Richards 2025)
    let (from, to) = (dense.idx_at(rsp_s), dense.idx_at((rsp_s + 0.25).min(until_s)));
    let lowest = (from..=to).map(|i| shape.height_m(&dense.tip[i])).fold(0.0, f64::min);
    put(FigureId::LoopWidthProxy, -lowest);
}

/// Enters the figures that need the butt.
pub fn put_into(
    motion: &RodMotion,
    dense: &Dense,
    upper_at_m: f64,
    chord: &Vector3<f64>,
    (start_s, rsp_s, until_s): (f64, f64, f64),
    put: &mut impl FnMut(FigureId, f64),
) {
    let (start, rsp, until) = (dense.idx_at(start_s), dense.idx_at(rsp_s), dense.idx_at(until_s));
    let bend: Vec<f64> =
        (0..=until).map(|i| if i < start { 0.0 } else { bend_m(motion, i, chord) }).collect();
    let (_, most_s, most_m) = peak(&dense.t_s, &bend, start, rsp);
    put(FigureId::MaxBend, most_m);
    put(FigureId::BendLead, 1e3 * (rsp_s - most_s));
    let other: Vec<f64> = bend.iter().map(|b| -b).collect();
    // the first swing the other way: up to where the bend comes back through zero
    let back =
        (rsp + 1..=until).find(|i| other[i - 1] > 0.0 && other[*i] <= 0.0 && *i > rsp + 4).unwrap_or(until);
    let (_, _, counter_m) = peak(&dense.t_s, &other, rsp, back);
    put(FigureId::Counterflex, counter_m);
    let (first, last) = (motion.grip_at(start_s), motion.grip_at(rsp_s));
    put(FigureId::Arc, first.butt_axis_in_world.angle(&last.butt_axis_in_world).to_degrees());
    let step_s = 0.5e-3;
    let speed = |t_s: f64| {
        (motion.rod_point_at(t_s + step_s, upper_at_m) - motion.rod_point_at(t_s - step_s, upper_at_m)).norm()
            / (2.0 * step_s)
    };
    let fastest = (start..=rsp).map(|i| speed(dense.t_s[i])).fold(0.0, f64::max);
    put(FigureId::ButtSpeed, fastest);
}
