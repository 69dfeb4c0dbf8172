//! Both legs as the likeliest paths through what is seen about one instant: heights over distance behind the front,
//! found by dynamic programming over height and slope (Viterbi, IEEE Trans. Inf. Theory 13 (1967) 260, from memory).
//!
//! The rod leg is the easier one: it ends at the tip, whose place is known. It hangs from the tip and moves little, so what
//! was seen a look before and after is laid where it was; the fly leg's shape moves with the nose (a wave in it runs at
//! half its speed, as the nose does), so what was seen of it is moved with the nose. Points that lie on the rod leg and run
//! as it does say nothing of the fly leg: that is what keeps the two apart where they cross.

use super::geometry::{Flat, dot, upper_normal};
use super::nose::value;
use super::side::SidePoint;

/// Steps along the trajectory, of height, and of slope: so that a step at a slope of `n` ends `n` heights up.
const STEP_M: f64 = 0.05;
const HEIGHT_M: f64 = 0.005;
const SLOPE: f64 = HEIGHT_M / STEP_M;
/// Steepest path: slope 2.5, 68 degrees.
const STEEPEST: i32 = 25;
const SLOPES: usize = 2 * STEEPEST as usize + 1;
/// Largest change of slope from step to step, and what a change of one slope unit costs, squared: a wave of 0.3 m half
/// width and 0.5 m depth changes by three units.
const MOST_TURN: i32 = 5;
const TURN_COST: f32 = 0.02;
/// Paths this far behind the best are given up: a leg unseen for half a metre.
const BEAM: f32 = 12.0;
/// A point speaks for heights about its own (standard deviation) and slopes about its own (radians).
const POINT_HEIGHT_M: f64 = 0.012;
const POINT_SLOPE_RAD: f64 = 0.25;
/// This many points make a step as well seen as can be.
const ENOUGH: f32 = 3.0;
/// A step is seen when its evidence, at most 1, is above this.
const SEEN: f32 = 0.3;
/// Points this near to the rod leg and running within this angle of it are its own, and count so much for the fly leg.
const OWN_M: f64 = 0.02;
const OWN_RAD: f64 = 0.25;
const OWN_SHARE: f32 = 0.1;
/// Points this near in time are laid together. 30 ms: three looks.
const TOGETHER_S: f64 = 0.03;
/// Error of the heights that the legs are followed from.
const START_SD_M: f64 = 0.03;
/// Paths stay this near to the heights of start and tip.
const REACH_M: f64 = 0.8;
/// Rod leg's end at the tip: standard deviation, heights.
const AT_TIP: f32 = 4.0;

/// The nose's motion along and across the trajectory: parabolas over the time since `t0_s`.
#[derive(Debug, Clone, Copy)]
pub(super) struct NoseFit {
    pub along: [f64; 3],
    pub across: [f64; 3],
    pub t0_s: f64,
}

impl NoseFit {
    pub fn at(&self, t_s: f64) -> Flat {
        [value(self.along, t_s - self.t0_s), value(self.across, t_s - self.t0_s)]
    }
}

/// A point in the frame of the legs: distance behind the front, height over the nose, slope over that distance.
#[derive(Debug, Clone, Copy)]
struct LegPoint {
    behind_m: f64,
    height_m: f64,
    slope: f64,
}

/// How well each step, height and slope is seen.
struct Evidence {
    low_m: f64,
    heights: usize,
    cells: Vec<f32>,
}

impl Evidence {
    fn of(points: &[(LegPoint, f32)], steps: usize, low_m: f64, heights: usize) -> Self {
        let mut cells = vec![0.0f32; steps * heights * SLOPES];
        for (p, weight) in points {
            let step = (p.behind_m / STEP_M).round();
            if step < 0.0 || step >= steps as f64 {
                continue;
            }
            let here_m = p.height_m + p.slope * (step * STEP_M - p.behind_m);
            let middle = ((here_m - low_m) / HEIGHT_M).round();
            if middle < 0.0 || middle >= heights as f64 {
                continue;
            }
            let angle = p.slope.atan();
            let alike: Vec<(usize, f32)> = (0..SLOPES)
                .filter_map(|k| {
                    let off = (SLOPE * (k as f64 - f64::from(STEEPEST))).atan() - angle;
                    (off.abs() < 2.4 * POINT_SLOPE_RAD)
                        .then(|| (k, (-0.5 * (off / POINT_SLOPE_RAD).powi(2)).exp() as f32))
                })
                .collect();
            let (first, last) = ((middle as usize).saturating_sub(6), (middle as usize + 7).min(heights));
            for i in first..last {
                let off = (low_m + i as f64 * HEIGHT_M - here_m) / POINT_HEIGHT_M;
                let near = weight * (-0.5 * off * off).exp() as f32;
                for (k, g) in &alike {
                    cells[(step as usize * SLOPES + k) * heights + i] += near * g;
                }
            }
        }
        for c in &mut cells {
            *c = (*c / ENOUGH).min(1.0);
        }
        Self { low_m, heights, cells }
    }

    fn at(&self, step: usize, height: usize, slope: usize) -> f32 {
        self.cells[(step * SLOPES + slope) * self.heights + height]
    }

    /// All of a step: slope by slope, heights in a row.
    fn step(&self, step: usize) -> &[f32] {
        &self.cells[step * SLOPES * self.heights..][..SLOPES * self.heights]
    }
}

/// A path: height and slope at each step from the first.
struct Path {
    heights_m: Vec<f64>,
    slopes: Vec<f64>,
    seen: f64,
}

/// Where a path starts, and where it must end, if so.
struct Ends {
    first: usize,
    last: usize,
    start_m: f64,
    end_m: Option<f64>,
}

/// The likeliest path. Scores lie slope by slope, heights in a row: a change of slope then moves whole rows.
fn likeliest(seen: &Evidence, ends: &Ends) -> Option<Path> {
    let heights = seen.heights;
    let mut score: Vec<f32> = (0..SLOPES)
        .flat_map(|k| {
            (0..heights).map(move |i| {
                let off = (seen.low_m + i as f64 * HEIGHT_M - ends.start_m) / START_SD_M;
                -0.5 * (off * off) as f32 + seen.at(ends.first, i, k)
            })
        })
        .collect();
    let mut next = score.clone();
    // as wide as a score, so that both are chosen by the same comparison
    let mut turns = vec![0i32; score.len()];
    let mut came_from: Vec<Vec<i8>> = Vec::with_capacity(ends.last - ends.first);
    for step in ends.first + 1..=ends.last {
        let best = score.iter().copied().fold(f32::MIN, f32::max);
        score.iter_mut().for_each(|s| *s = if *s < best - BEAM { f32::MIN } else { *s });
        next.fill(f32::MIN);
        turns.fill(0);
        for k in 0..SLOPES as i32 {
            let row = &score[k as usize * heights..][..heights];
            // those not given up lie together
            let is_left = |s: &f32| *s != f32::MIN;
            let (Some(low), Some(high)) = (row.iter().position(is_left), row.iter().rposition(is_left))
            else {
                continue;
            };
            for turn in (-MOST_TURN).max(-k)..=MOST_TURN.min(SLOPES as i32 - 1 - k) {
                let (to, cost) = ((k + turn) as usize, TURN_COST * (turn * turn) as f32);
                // a row at slope `to` ends so many heights up
                let up = to as i32 - STEEPEST;
                let from = low.max(up.min(0).unsigned_abs() as usize);
                let until = (high + 1).min(heights.saturating_sub(up.max(0) as usize));
                if from >= until {
                    continue;
                }
                let len = until - from;
                let first = (to * heights + from).wrapping_add_signed(up as isize);
                let reached = first..first + len;
                let (next, turns) = (&mut next[reached.clone()], &mut turns[reached]);
                for ((s, n), t) in row[from..from + len].iter().zip(next).zip(turns) {
                    let value = s - cost;
                    let better = value > *n;
                    *n = if better { value } else { *n };
                    *t = if better { turn } else { *t };
                }
            }
        }
        // what has no score stays at the least there is
        next.iter_mut().zip(seen.step(step)).for_each(|(n, c)| *n += c);
        came_from.push(turns.iter().map(|t| *t as i8).collect());
        std::mem::swap(&mut score, &mut next);
    }
    if let Some(end_m) = ends.end_m {
        for (n, s) in score.iter_mut().enumerate() {
            let height_m = seen.low_m + (n % heights) as f64 * HEIGHT_M;
            let off = ((height_m - end_m) / HEIGHT_M) as f32 / AT_TIP;
            *s -= 0.5 * off * off;
        }
    }
    let state = (0..score.len()).max_by(|a, b| score[*a].total_cmp(&score[*b]))?;
    if score[state] < -1e6 {
        return None;
    }
    let (mut i, mut k) = ((state % heights) as i32, (state / heights) as i32);
    let mut way = vec![(i, k)];
    for turns in came_from.iter().rev() {
        let turn = i32::from(turns[k as usize * heights + i as usize]);
        i -= k - STEEPEST;
        k -= turn;
        way.push((i, k));
    }
    way.reverse();
    let well = way
        .iter()
        .enumerate()
        .filter(|(n, (i, k))| seen.at(ends.first + n, *i as usize, *k as usize) > SEEN)
        .count();
    Some(Path {
        heights_m: way.iter().map(|(i, _)| seen.low_m + f64::from(*i) * HEIGHT_M).collect(),
        slopes: way.iter().map(|(_, k)| SLOPE * f64::from(k - STEEPEST)).collect(),
        seen: well as f64 / way.len() as f64,
    })
}

impl Path {
    /// Moves each step to the middle of the points that lie on it and run as it does.
    fn refine(&mut self, points: &[(LegPoint, f32)], first: usize) {
        let mut sums = vec![(0.0, 0.0); self.heights_m.len()];
        for (p, weight) in points {
            let step = (p.behind_m / STEP_M).round() - first as f64;
            if step < 0.0 || step >= sums.len() as f64 {
                continue;
            }
            let i = step as usize;
            let slope = self.slopes[i];
            let off = p.height_m + slope * ((step + first as f64) * STEP_M - p.behind_m) - self.heights_m[i];
            if off.abs() < OWN_M && (p.slope.atan() - slope.atan()).abs() < OWN_RAD {
                sums[i].0 += f64::from(*weight);
                sums[i].1 += f64::from(*weight) * off;
            }
        }
        for (h, (w, off)) in self.heights_m.iter_mut().zip(sums) {
            // as much again for the path, so that a single point does not carry it away
            *h += off / (w + 1.0);
        }
    }
}

/// Value at a fractional place of evenly spaced samples, held at the ends.
fn between(samples: &[f64], place: f64) -> f64 {
    let place = place.clamp(0.0, (samples.len() - 1) as f64);
    let i = (place as usize).min(samples.len().saturating_sub(2));
    let (a, b) = (samples[i], samples[(i + 1).min(samples.len() - 1)]);
    a + (place - i as f64) * (b - a)
}

/// Samples of a leg.
pub(super) const SAMPLES: usize = 25;

/// Both legs at one instant in one camera: heights over the nose.
#[derive(Debug, Clone)]
pub(super) struct Legs {
    pub travel_m: f64,
    /// Rod leg, evenly from the start to the tip: both its ends move, and it lies still between them.
    pub rod_m: [f64; SAMPLES],
    /// Fly leg, evenly from the start to the standard moment's travel behind the front: it moves with the nose.
    pub fly_m: [f64; SAMPLES],
    /// Share of the steps seen: rod leg, fly leg.
    pub seen: [f64; 2],
}

/// Where the legs are followed from: distance behind the front, heights of rod leg and fly leg over the nose, and how
/// far behind the front the standard moment's tip is.
#[derive(Debug, Clone, Copy)]
pub(super) struct LegStart {
    pub behind_m: f64,
    pub heights_m: [f64; 2],
    pub standard_m: f64,
}

impl LegStart {
    /// Distance behind the front of a sample of a leg that ends so far behind it.
    pub fn sample_m(&self, k: usize, end_m: f64) -> f64 {
        self.behind_m + (end_m - self.behind_m) * k as f64 / (SAMPLES - 1) as f64
    }
}

/// Follows both legs at one instant. `rod_end_off_m`: the tip's distance from the plane that the points are laid into.
/// `None` where they leave the field or the tip is too near.
pub(super) fn legs(
    points: &[SidePoint],
    t_s: f64,
    nose: &NoseFit,
    way: Flat,
    tip: &dyn Fn(f64) -> Option<Flat>,
    start: &LegStart,
    rod_end_off_m: f64,
) -> Option<Legs> {
    let up = upper_normal(way);
    let here = nose.at(t_s);
    let tip_now = tip(t_s)?;
    let travel_m = here[0] - dot(tip_now, way);
    let tip_height_m = dot(tip_now, up) - here[1];
    let first = (start.behind_m / STEP_M).round() as usize;
    let last = (travel_m / STEP_M).round() as usize;
    let beyond = last.max((start.standard_m / STEP_M).ceil() as usize) + 6;
    if last < first + 4 || beyond > 80 {
        return None;
    }
    let (mut rod, mut fly) = (Vec::new(), Vec::new());
    for p in points.iter().filter(|p| (p.t_s - t_s).abs() < TOGETHER_S) {
        let (along, across) = (dot(p.along, way), dot(p.along, up));
        if along.abs() < 1e-3 {
            continue;
        }
        let slope = (-across / along).clamp(-20.0, 20.0);
        let (s, h) = (dot(p.at, way), dot(p.at, up));
        let then = nose.at(p.t_s);
        fly.push(LegPoint { behind_m: then[0] - s, height_m: h - then[1], slope });
        // the rod leg goes with the tip, less so toward the nose
        let behind_m = here[0] - s;
        let share = (behind_m / travel_m).clamp(0.0, 1.0);
        let moved = tip(p.t_s).map_or(0.0, |then| dot(tip_now, up) - dot(then, up));
        let off = share * rod_end_off_m * dot(p.lever, up);
        rod.push(LegPoint { behind_m, height_m: h + share * moved + off - here[1], slope });
    }
    let [rod_start_m, fly_start_m] = start.heights_m;
    let low_m = rod_start_m.min(fly_start_m).min(tip_height_m) - REACH_M;
    let high_m = rod_start_m.max(fly_start_m).max(tip_height_m) + REACH_M;
    let heights = ((high_m - low_m) / HEIGHT_M) as usize;
    if heights > 1200 {
        return None;
    }
    let one: Vec<(LegPoint, f32)> = rod.iter().map(|p| (*p, 1.0)).collect();
    let ends = Ends { first, last, start_m: rod_start_m, end_m: Some(tip_height_m) };
    let mut rod_leg = likeliest(&Evidence::of(&one, last + 1, low_m, heights), &ends)?;
    rod_leg.refine(&one, first);
    let weighed: Vec<(LegPoint, f32)> = fly
        .iter()
        .zip(&rod)
        .map(|(f, r)| {
            let place = r.behind_m / STEP_M - first as f64;
            let inside = place > -1.0 && place < rod_leg.heights_m.len() as f64;
            let own = inside
                && (r.height_m - between(&rod_leg.heights_m, place)).abs() < OWN_M
                && (r.slope.atan() - between(&rod_leg.slopes, place).atan()).abs() < OWN_RAD;
            (*f, if own { OWN_SHARE } else { 1.0 })
        })
        .collect();
    // some way beyond the tip, so that its end is not free where it counts
    let ends = Ends { first, last: beyond, start_m: fly_start_m, end_m: None };
    let mut fly_leg = likeliest(&Evidence::of(&weighed, beyond + 1, low_m, heights), &ends)?;
    fly_leg.refine(&weighed, first);
    let sampled = |path: &Path, end_m: f64| {
        std::array::from_fn(|k| between(&path.heights_m, start.sample_m(k, end_m) / STEP_M - first as f64))
    };
    Some(Legs {
        travel_m,
        rod_m: sampled(&rod_leg, travel_m),
        fly_m: sampled(&fly_leg, start.standard_m),
        seen: [rod_leg.seen, fly_leg.seen],
    })
}
