//! The curve of the loop at one instant, and what the instants say together: shape, dip, narrowest width.

use super::LoopConfig;
use super::geometry::{Flat, LoopLook, crossings, dot, look, upper_normal};
use super::legs::{Cells, Leg};
use super::nose::value;
use super::robust::median;
use super::side::SidePoint;
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
pub(super) fn read(
    seen: &[SidePoint],
    t_s: f64,
    [along, across]: [[f64; 3]; 2],
    t0_s: f64,
    way: Flat,
    tip: &dyn Fn(f64) -> Option<Flat>,
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

/// Smallest of the widths, each the median of itself and its neighbours.
pub(super) fn narrowest(readings: &[Reading]) -> f64 {
    let widths: Vec<f64> = readings.iter().map(|r| r.look.width_m.abs()).collect();
    if widths.len() < 3 {
        return widths.iter().copied().fold(f64::INFINITY, f64::min);
    }
    widths
        .windows(3)
        .map(|w| {
            let mut w = [w[0], w[1], w[2]];
            w.sort_by(f64::total_cmp);
            w[1]
        })
        .fold(f64::INFINITY, f64::min)
}

/// Shape at the standard moment by the looks about it: shape, its probability, crossings where certain.
pub(super) fn shape_of(readings: &[Reading], config: &LoopConfig) -> (Option<LoopShape>, f64, Option<u32>) {
    let near: Vec<&Reading> = about_standard(readings, config)
        .filter(|r| r.rod_leg.at_tip && r.look.fly_leg_m > 0.5 * (config.fly_leg_m - config.least_section_m))
        .collect();
    if near.len() < 2 {
        return (None, 0.0, None);
    }
    let counts: Vec<u32> =
        near.iter().map(|r| crossings(&r.look.separations, config.least_crossing_m).min(2)).collect();
    let share = |n: u32| counts.iter().filter(|c| **c == n).count() as f64 / counts.len() as f64;
    let most = [0, 1, 2].into_iter().max_by(|a, b| share(*a).total_cmp(&share(*b))).unwrap_or(0);
    let probability = (share(most) * counts.len() as f64 + 0.5) / (counts.len() as f64 + 1.0);
    // a leg that comes out by about as much as counts is neither here nor there
    let least = median(
        near.iter().map(|r| r.look.separations.iter().fold(f64::INFINITY, |m, (_, w)| m.min(*w))).collect(),
    );
    if share(most) < 0.65 || (least + config.least_crossing_m).abs() < config.crossing_margin_m {
        return (None, probability, None);
    }
    let shape = match most {
        1 => LoopShape::Crossing,
        2 => LoopShape::Tailing,
        _ => {
            let middle = |f: fn(&LoopLook) -> f64| median(near.iter().map(|r| f(&r.look)).collect());
            let typical = LoopLook {
                dip_m: middle(|l| l.dip_m),
                dome_m: middle(|l| l.dome_m),
                fly_leg_m: middle(|l| l.fly_leg_m),
                separations: Vec::new(),
                ..near[0].look.clone()
            };
            typical.shape(config)
        }
    };
    (Some(shape), probability, Some(most))
}

fn about_standard<'a>(readings: &'a [Reading], config: &'a LoopConfig) -> impl Iterator<Item = &'a Reading> {
    readings.iter().filter(|r| (r.look.travel_m - config.standard_travel_m).abs() < 0.35)
}

pub(super) fn dip_of(readings: &[Reading], config: &LoopConfig) -> Option<Measured> {
    let dips: Vec<f64> = about_standard(readings, config)
        .filter(|r| r.look.fly_leg_m > 0.5 * (config.fly_leg_m - config.least_section_m))
        .map(|r| r.look.dip_m)
        .collect();
    if dips.len() < 2 {
        return None;
    }
    let middle = median(dips.clone());
    let scatter = 1.4826 * median(dips.iter().map(|d| (d - middle).abs()).collect());
    Some(Measured::new(middle, (scatter / (dips.len() as f64).sqrt()).hypot(0.01)))
}
