//! The curve of the loop at one instant, and what the instants say together: shape, dip, narrowest width.

use super::LoopConfig;
use super::geometry::{Flat, LoopLook, dot, look, upper_normal};
use super::legs::{Cells, Leg};
use super::nose::{robust_parabola, value};
use super::side::SidePoint;
use crate::math::median;
use crate::model::Measured;
use crate::model::stroke::LoopShape;

/// Points this near in time are laid onto one curve, moved with the nose. 27 ms: three looks.
const TOGETHER_S: f64 = 0.027;

/// The curve of one look.
pub(super) struct Reading {
    pub t_s: f64,
    pub look: LoopLook,
    pub rod_leg: Leg,
    pub fly_leg: Vec<Flat>,
    pub points: usize,
}

/// The curve at one instant.
#[allow(clippy::too_many_arguments, reason = "what one look has to go by")]
pub(super) fn read(
    seen: &[SidePoint],
    t_s: f64,
    [along, across]: [[f64; 3]; 2],
    t0_s: f64,
    way: Flat,
    tip: &dyn Fn(f64) -> Option<Flat>,
    rod_end_shift: Flat,
    config: &LoopConfig,
) -> Option<Reading> {
    let up = upper_normal(way);
    let nose_at = |t: f64| [value(along, t - t0_s), value(across, t - t0_s)];
    let here = nose_at(t_s);
    let front = [here[0] * way[0] + here[1] * up[0], here[0] * way[1] + here[1] * up[1]];
    let tip = tip(t_s)?;
    let mut points = Vec::new();
    for p in seen.iter().filter(|p| (p.t_s - t_s).abs() < TOGETHER_S) {
        let then = nose_at(p.t_s);
        let moved = [here[0] - then[0], here[1] - then[1]];
        let at =
            [p.at[0] + moved[0] * way[0] + moved[1] * up[0], p.at[1] + moved[0] * way[1] + moved[1] * up[1]];
        // nothing ahead of the nose belongs to it
        if dot(at, way) < here[0] + 0.15 {
            points.push(SidePoint { at, ..*p });
        }
    }
    let cells = Cells::new(&points)?;
    let longest_m = config.fly_leg_m + 0.3;
    let down = [-up[0], -up[1]];
    let follow = |first: Flat, tip: Flat| cells.follow(front, first, tip, way, longest_m);
    let (upper, lower) = (follow(up, tip), follow(down, tip));
    let nowhere = [f64::NAN, f64::NAN];
    // the rod leg comes to the tip; when neither or both do, it is the lower one
    let (rod, fly) = if upper.at_tip && !lower.at_tip {
        (upper, follow(down, nowhere))
    } else {
        (lower, follow(up, nowhere))
    };
    let mut rod = rod;
    // the rod leg runs from the nose to the tip, which is not in the plane that the nose is in
    let length_m = (here[0] - dot(tip, way)).max(0.1);
    for p in &mut rod.curve {
        let share = ((here[0] - dot(*p, way)) / length_m).clamp(0.0, 1.0);
        *p = [p[0] + share * rod_end_shift[0], p[1] + share * rod_end_shift[1]];
    }
    let mut curve: Vec<Flat> = rod.curve.iter().rev().copied().collect();
    curve.extend(&fly.curve[1..]);
    let look = look(&curve, way, config)?;
    let travel_m = here[0] - dot(tip, way);
    let look = LoopLook { travel_m, ..look };
    let share_seen = rod.share_seen(way, look.section_m).min(fly.share_seen(way, look.section_m));
    if share_seen < config.least_seen || (look.front_m - here[0]).abs() > 0.12 {
        return None;
    }
    Some(Reading { t_s, look, rod_leg: rod, fly_leg: fly.curve, points: points.len() })
}

/// Smallest width over the travel that counts, with its error: the least value of a parabola through the widths, for the
/// smallest of several noisy widths is too small. Beyond what was seen the parabola is not followed.
pub(super) fn narrowest(readings: &[Reading], travel_m: [f64; 2]) -> (f64, f64) {
    let rows: Vec<(f64, f64)> = readings.iter().map(|r| (r.look.travel_m, r.look.width_m.abs())).collect();
    let least_seen = || {
        let least = rows.iter().fold(f64::INFINITY, |m, r| m.min(r.1));
        let middle = median(rows.iter().map(|r| r.1)).unwrap_or(f64::NAN);
        (least, 0.5 * (middle - least))
    };
    if rows.len() < 5 {
        return least_seen();
    }
    let middle_m = rows.iter().map(|r| r.0).sum::<f64>() / rows.len() as f64;
    let centred: Vec<(f64, f64)> = rows.iter().map(|(x, y)| (x - middle_m, *y)).collect();
    let Some((c, scatter, weights)) = robust_parabola(&centred, 0.005) else { return least_seen() };
    let seen = rows.iter().fold([f64::INFINITY, f64::NEG_INFINITY], |s, r| [s[0].min(r.0), s[1].max(r.0)]);
    let (from, to) = (seen[0].max(travel_m[0]) - middle_m, seen[1].min(travel_m[1]) - middle_m);
    let turn = if c[2] > 1e-9 { (-0.5 * c[1] / c[2]).clamp(from, to) } else { from };
    let least = [from, turn, to].map(|x| value(c, x)).into_iter().fold(f64::INFINITY, f64::min);
    let kept = weights.iter().filter(|w| **w > 0.05).count().max(4) as f64;
    // looks share two of three frames; a parabola's value at an end is three times as uncertain as a mean
    let sd = 3.0 * scatter / (0.5 * kept).sqrt();
    // how much less it may have been where it was not seen
    let unseen = (seen[0] - travel_m[0]).max(travel_m[1] - seen[1]).max(0.0);
    let slope = (c[1] + 2.0 * c[2] * from).abs().max((c[1] + 2.0 * c[2] * to).abs());
    (least.max(0.0), sd.hypot(0.5 * unseen * slope))
}

/// Shape of a fly leg that does not cross, by the looks about the standard moment.
pub(super) fn leg_shape(readings: &[Reading], config: &LoopConfig) -> Option<LoopShape> {
    let near: Vec<&Reading> = about_standard(readings, config).filter(|r| long_enough(r, config)).collect();
    let middle = |f: fn(&LoopLook) -> f64| median(near.iter().map(|r| f(&r.look))).unwrap_or(f64::NAN);
    let first = near.first()?;
    let typical = LoopLook {
        dip_m: middle(|l| l.dip_m),
        dome_m: middle(|l| l.dome_m),
        fly_leg_m: middle(|l| l.fly_leg_m),
        separations: Vec::new(),
        ..first.look.clone()
    };
    Some(typical.shape(config))
}

fn long_enough(reading: &Reading, config: &LoopConfig) -> bool {
    reading.look.fly_leg_m > 0.5 * (config.fly_leg_m - config.least_section_m)
}

fn about_standard<'a>(readings: &'a [Reading], config: &'a LoopConfig) -> impl Iterator<Item = &'a Reading> {
    readings.iter().filter(|r| (r.look.travel_m - config.standard_travel_m).abs() < 0.35)
}

/// Dip of the fly leg about the standard moment. `meet`: probability that the legs cross. Beyond a crossing the fly leg may be taken for the
/// rod leg, and what it dips there may be the other's: then the dip is as unsure as it is deep.
pub(super) fn dip_of(readings: &[Reading], meet: f64, config: &LoopConfig) -> Option<Measured> {
    let dips: Vec<f64> =
        about_standard(readings, config).filter(|r| long_enough(r, config)).map(|r| r.look.dip_m).collect();
    if dips.len() < 2 {
        return None;
    }
    let middle = median(dips.iter().copied()).unwrap_or(f64::NAN);
    let scatter = 1.4826 * median(dips.iter().map(|d| (d - middle).abs())).unwrap_or(f64::NAN);
    let sd = (scatter / (dips.len() as f64).sqrt()).hypot(0.01);
    Some(Measured::new(middle, sd.hypot(meet * middle)))
}
