//! Figures of a loop from a curve in the cast plane. Pure geometry; definitions and a drawing are in README.md.
//!
//! The curve runs from the tip along the rod leg around the nose and back along the fly leg, as (along the stroke's
//! horizontal way, up) in metres. Terms follow the Fly Casting Definitions of Fly Fishers International (1 Aug 2025):
//! fly leg, rod leg, nose; straight, convex (domed away from the rod leg), concave (dipping toward it); a trailing loop's
//! fly leg crosses the rod leg without being concave, a tailing loop's crosses it twice (Arden; Dore).

use crate::model::stroke::LoopShape;

use super::LoopConfig;

/// A point or vector in the cast plane: along the way, up.
pub type Flat = [f64; 2];

/// Step between sections along the loop, metres: finer than any wave of interest in a line.
const SECTION_STEP_M: f64 = 0.02;

/// How well the separation of two legs is known, one standard deviation.
const LEGS_SD_M: f64 = 0.01;

pub(super) fn dot(a: Flat, b: Flat) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

pub(super) fn minus(a: Flat, b: Flat) -> Flat {
    [a[0] - b[0], a[1] - b[1]]
}

/// Unit normal of a trajectory, on the upper side.
#[must_use]
pub fn upper_normal(way: Flat) -> Flat {
    if way[0] >= 0.0 { [-way[1], way[0]] } else { [way[1], -way[0]] }
}

/// What can be read off one curve.
#[derive(Debug, Clone, PartialEq)]
pub struct LoopLook {
    /// Position of the nose's front along the trajectory, and the point.
    pub front_m: f64,
    /// The front.
    pub front: Flat,
    /// Index of the curve's vertex nearest the front.
    pub front_idx: usize,
    /// Front ahead of the curve's first point, along the trajectory.
    pub travel_m: f64,
    /// Distance of the section behind the front.
    pub section_m: f64,
    /// The section's ends on the rod leg and on the fly leg.
    pub section: [Flat; 2],
    /// Separation of the legs there; negative when the fly leg is the lower one.
    pub width_m: f64,
    /// Error of the width by where the section lies, one standard deviation: legs that part at the section's own slope
    /// leave its place open.
    pub section_sd_m: f64,
    /// Largest dip of the fly leg toward the rod leg, below the straight line joining its ends.
    pub dip_m: f64,
    /// Largest dome the other way.
    pub dome_m: f64,
    /// Length of that straight line.
    pub fly_leg_m: f64,
    /// Separations from the section backward to the end of the shorter leg: distance behind the front, separation. The sign is that
    /// of the width: negative where the fly leg has crossed.
    pub separations: Vec<(f64, f64)>,
}

/// Walks from vertex `from` in steps of `step` until the curve falls behind `level` along `way`.
fn leg_at(curve: &[Flat], way: Flat, from: usize, step: isize, level: f64) -> Option<(Flat, f64)> {
    let mut i = from;
    loop {
        let j = i.checked_add_signed(step).filter(|j| *j < curve.len())?;
        let (a, b) = (dot(curve[i], way), dot(curve[j], way));
        if b < level {
            let share = if a > b { ((a - level) / (a - b)).clamp(0.0, 1.0) } else { 0.0 };
            let at = [
                curve[i][0] + share * (curve[j][0] - curve[i][0]),
                curve[i][1] + share * (curve[j][1] - curve[i][1]),
            ];
            return Some((at, i as f64 + share * step as f64));
        }
        i = j;
    }
}

/// Reads a curve from the tip to the fly. `way`: unit vector of the trajectory. `None` when there is no nose ahead of
/// the tip, or a leg is too short for a section.
#[must_use]
pub fn look(curve: &[Flat], way: Flat, config: &LoopConfig) -> Option<LoopLook> {
    let along: Vec<f64> = curve.iter().map(|p| dot(*p, way)).collect();
    if along.iter().any(|a| !a.is_finite()) {
        return None;
    }
    let front_idx = (0..curve.len()).max_by(|a, b| along[*a].total_cmp(&along[*b]))?;
    if front_idx == 0 || front_idx + 1 >= curve.len() {
        return None;
    }
    let (front, front_m) = rounded_front(curve, way, front_idx);
    let up = upper_normal(way);
    let travel_m = front_m - along[0];
    let pair = |behind_m: f64| {
        let (rod, _) = leg_at(curve, way, front_idx, -1, front_m - behind_m)?;
        let (fly, fly_idx) = leg_at(curve, way, front_idx, 1, front_m - behind_m)?;
        Some((rod, fly, fly_idx))
    };
    // The first section, no nearer than the least one, at which the legs are no further apart than twice its distance
    // from the front: where a semicircle ends.
    let section = |wider_m: f64| {
        let mut section_m = config.least_section_m;
        loop {
            let (rod, fly, idx) = pair(section_m)?;
            let width_m = dot(minus(fly, rod), up);
            if width_m.abs() + wider_m <= 2.0 * section_m {
                return Some((section_m, width_m, rod, (fly, idx)));
            }
            section_m += 0.25 * SECTION_STEP_M;
        }
    };
    let (section_m, width_m, rod, (fly, fly_idx)) = section(0.0)?;
    let off_by = |wider_m: f64| section(wider_m).map_or(0.0, |s| s.1 - width_m);
    let section_sd_m = 0.5 * (off_by(LEGS_SD_M) - off_by(-LEGS_SD_M)).abs();
    let side = width_m.signum();
    let mut separations = Vec::new();
    let mut behind_m = section_m;
    while behind_m < travel_m {
        let Some((rod, fly, _)) = pair(behind_m) else { break };
        separations.push((behind_m, side * dot(minus(fly, rod), up)));
        behind_m += SECTION_STEP_M;
    }
    let (dip_m, dome_m, fly_leg_m) = fly_leg(curve, way, (fly, fly_idx), front_m, side, config);
    Some(LoopLook {
        front_m,
        front,
        front_idx,
        travel_m,
        section_m,
        section: [rod, fly],
        width_m,
        section_sd_m,
        dip_m,
        dome_m,
        fly_leg_m,
        separations,
    })
}

/// Top of the parabola through the foremost vertex and its neighbours.
fn rounded_front(curve: &[Flat], way: Flat, i: usize) -> (Flat, f64) {
    let [a, b, c] = [i - 1, i, i + 1].map(|k| dot(curve[k], way));
    let bend = a - 2.0 * b + c;
    let u = if bend < -1e-12 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    let at = |k: usize| {
        let (p, q, r) = (curve[i - 1][k], curve[i][k], curve[i + 1][k]);
        q + 0.5 * u * (r - p) + 0.5 * u * u * (p - 2.0 * q + r)
    };
    ([at(0), at(1)], b + 0.5 * u * (c - a) + 0.5 * u * u * bend)
}

/// Dip, dome and length of the fly leg from the section to `fly_leg_m` behind the front, or to the end of the curve.
fn fly_leg(
    curve: &[Flat],
    way: Flat,
    (start, start_idx): (Flat, f64),
    front_m: f64,
    side: f64,
    config: &LoopConfig,
) -> (f64, f64, f64) {
    let first = start_idx.ceil() as usize;
    let mut leg = vec![start];
    for p in &curve[first.min(curve.len())..] {
        if dot(*p, way) < front_m - config.fly_leg_m {
            break;
        }
        leg.push(*p);
    }
    if let Some((end, _)) = leg_at(curve, way, first.min(curve.len() - 1), 1, front_m - config.fly_leg_m) {
        leg.push(end);
    }
    let (dip_m, dome_m) = dip_and_dome(&leg, side);
    let chord = minus(leg[leg.len() - 1], leg[0]);
    (dip_m, dome_m, dot(chord, chord).sqrt())
}

/// Largest distances of a leg from the straight line joining its ends, toward the rod leg and away from it.
pub(super) fn dip_and_dome(leg: &[Flat], side: f64) -> (f64, f64) {
    let (Some(a), Some(b)) = (leg.first(), leg.last()) else { return (0.0, 0.0) };
    let chord = minus(*b, *a);
    let length = dot(chord, chord).sqrt();
    if !(length > 1e-6) {
        return (0.0, 0.0);
    }
    let mut away = upper_normal([chord[0] / length, chord[1] / length]);
    away = [side * away[0], side * away[1]];
    leg.iter().fold((0.0, 0.0), |(dip, dome): (f64, f64), p| {
        let off = dot(minus(*p, *a), away);
        (dip.max(-off), dome.max(off))
    })
}

/// How often the fly leg crosses the rod leg, seen from the side: changes of sign of the separation, counted only
/// when it goes on to at least `least_m` on the other side.
#[must_use]
pub fn crossings(separations: &[(f64, f64)], least_m: f64) -> u32 {
    let (mut side, mut count) = (1.0, 0);
    for (_, w) in separations {
        if w * side < -least_m {
            side = -side;
            count += 1;
        }
    }
    count
}

impl LoopLook {
    /// Shape in the words of the FFI definitions.
    #[must_use]
    pub fn shape(&self, config: &LoopConfig) -> LoopShape {
        match crossings(&self.separations, config.least_crossing_m) {
            0 => self.leg_shape(config),
            1 => LoopShape::Crossing,
            _ => LoopShape::Tailing,
        }
    }

    fn leg_shape(&self, config: &LoopConfig) -> LoopShape {
        let straight_m = config.straight_share * self.fly_leg_m;
        if self.dip_m.max(self.dome_m) <= straight_m {
            LoopShape::Straight
        } else if self.dip_m > self.dome_m {
            LoopShape::Concave
        } else {
            LoopShape::Convex
        }
    }
}

/// Direction of the nose's travel from its places over time: slope of the least-squares line, the way it travels.
#[must_use]
pub fn way_of_travel(fronts: &[Flat]) -> Option<Flat> {
    if fronts.len() < 3 {
        return None;
    }
    let n = fronts.len() as f64;
    let mean = fronts.iter().fold([0.0, 0.0], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n]);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for p in fronts {
        let d = minus(*p, mean);
        (xx, xy, yy) = (xx + d[0] * d[0], xy + d[0] * d[1], yy + d[1] * d[1]);
    }
    let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
    let (s, c) = angle.sin_cos();
    let chord = minus(fronts[fronts.len() - 1], fronts[0]);
    let sign = if dot([c, s], chord) < 0.0 { -1.0 } else { 1.0 };
    (xx + yy > 0.0).then_some([sign * c, sign * s])
}
