//! The nose of the loop over time: the front of something that moves ahead of the tip, upright where it is foremost.
//!
//! Points that run steeply are voted over front speed and place (Hough, US patent 3,069,654 (1962), from memory), then the
//! front of each frame is the vertex of a parabola through the steep points near the vote, and a parabola over time goes
//! through the fronts, robustly.

use super::geometry::{Flat, dot, upper_normal};
use super::side::SidePoint;
use crate::math::median;

/// Front of one frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct Front {
    /// Its frame.
    pub frame: usize,
    pub t_s: f64,
    /// Foremost place along the horizontal way.
    pub at: Flat,
    /// Radius of curvature there.
    pub radius_m: f64,
    pub lever: Flat,
}

/// The nose's track.
#[derive(Debug, Clone)]
pub(super) struct Nose {
    pub fronts: Vec<Front>,
}

/// Slowest and fastest nose, metres per second: half the fly leg's speed, and line flies at 5 to 45 m/s.
const SPEEDS_M_S: [f64; 2] = [2.5, 22.0];
const SPEED_STEP_M_S: f64 = 0.25;
/// Width of a bin of the vote: a tenth of a frame's travel at 120 a second would be finer than a parabola's error.
const BIN_M: f64 = 0.03;
/// Nose ahead of the tip while it is looked for.
const AHEAD_M: [f64; 2] = [0.3, 3.6];
/// Height of the nose over the tip.
const HEIGHT_M: [f64; 2] = [-1.6, 2.2];
/// Steepness of the points near a front, as the sine of their slope: within 45 degrees of upright.
const STEEP: f64 = 0.7;
/// More points of one frame in a bin add nothing: a bush would outvote the line.
const MOST_PER_FRAME: f64 = 8.0;
/// Scatter of fronts about their parabola at which a track is no track.
const LARGEST_SCATTER_M: f64 = 0.06;
/// Fronts looked into: the nose, waves in the fly leg behind it, someone who walks by.
const CANDIDATES: usize = 8;
/// Fronts nearer to each other than this are the same one.
const APART_M: f64 = 0.12;
/// A nose is looked for this far across a trajectory from where a circle has it.
const ACROSS_M: f64 = 0.6;
/// And so long before and after the frames in which it was found.
const BEYOND_S: f64 = 0.06;
/// Fewest fronts of a track.
const FEWEST_FRONTS: usize = 4;

/// Least squares of a parabola `c0 + c1 x + c2 x^2` with weights.
pub(super) fn parabola(points: &[(f64, f64, f64)]) -> Option<[f64; 3]> {
    let mut a = nalgebra::Matrix3::zeros();
    let mut b = nalgebra::Vector3::zeros();
    for (x, y, w) in points {
        let row = nalgebra::Vector3::new(1.0, *x, x * x);
        a += *w * row * row.transpose();
        b += *w * *y * row;
    }
    let c = a.cholesky()?.solve(&b);
    c.iter().all(|v| v.is_finite()).then_some([c[0], c[1], c[2]])
}

pub(super) fn value(c: [f64; 3], x: f64) -> f64 {
    c[0] + x * (c[1] + x * c[2])
}

/// Robust parabola: points farther off than three scatters lose their say. Returns it with the scatter and weights.
pub(super) fn robust_parabola(points: &[(f64, f64)], floor: f64) -> Option<([f64; 3], f64, Vec<f64>)> {
    let mut weights = vec![1.0; points.len()];
    let mut result = None;
    for _ in 0..12 {
        let weighted: Vec<_> = points.iter().zip(&weights).map(|((x, y), w)| (*x, *y, *w)).collect();
        let c = parabola(&weighted)?;
        let mut off: Vec<f64> = points.iter().map(|(x, y)| (y - value(c, *x)).abs()).collect();
        let each = off.clone();
        off.sort_by(f64::total_cmp);
        let scatter = (1.4826 * off[off.len() / 2]).max(floor);
        for (w, r) in weights.iter_mut().zip(&each) {
            let x = r / (3.0 * scatter);
            *w = if x < 1.0 { (1.0 - x * x).powi(2) } else { 0.0 };
        }
        if weights.iter().filter(|w| **w > 0.0).count() < 4 {
            return None;
        }
        result = Some((c, scatter, weights.clone()));
    }
    result
}

/// Finds the nose among one camera's points. `tip_at`: the tip in the side view.
pub(super) fn track(
    points: &[SidePoint],
    tip_at: &dyn Fn(f64) -> Option<Flat>,
) -> Result<Nose, &'static str> {
    let steep: Vec<SidePoint> = points
        .iter()
        .filter(|p| {
            let Some(tip) = tip_at(p.t_s) else { return false };
            let (s, h) = (p.at[0] - tip[0], p.at[1] - tip[1]);
            p.along[1].abs() > STEEP && s > AHEAD_M[0] && s < AHEAD_M[1] && h > HEIGHT_M[0] && h < HEIGHT_M[1]
        })
        .copied()
        .collect();
    if steep.len() < 12 {
        return Err("no line is seen ahead of the tip after the stop");
    }
    let mut best: Option<Nose> = None;
    let mut reason = "too little of the loop's nose is seen";
    for (k, candidate) in votes(&steep).into_iter().enumerate() {
        match along_line(&steep, candidate) {
            Ok(nose) => {
                // a wave in the fly leg runs behind the nose at the nose's speed: nothing of the line is ahead of the nose
                let better = best.as_ref().is_none_or(|b| {
                    let (few, many) = (nose.fronts.len(), b.fronts.len());
                    5 * few >= 8 * many || (5 * few >= 3 * many && nose.ahead_of(b) > APART_M)
                });
                if better {
                    best = Some(nose);
                }
            }
            Err(why) if k == 0 => reason = why,
            Err(_) => {}
        }
    }
    best.ok_or(reason)
}

impl Nose {
    /// How far it is ahead of another at the same time, in the middle.
    fn ahead_of(&self, other: &Self) -> f64 {
        let mut ahead: Vec<f64> = self
            .fronts
            .iter()
            .filter_map(|f| {
                other.fronts.iter().find(|o| (o.t_s - f.t_s).abs() < 0.008).map(|o| f.at[0] - o.at[0])
            })
            .collect();
        ahead.sort_by(f64::total_cmp);
        ahead.get(ahead.len() / 2).copied().unwrap_or(0.0)
    }
}

/// The nose near a straight front in time and place.
fn along_line(
    steep: &[SidePoint],
    (speed_m_s, place_m, t0_s): (f64, f64, f64),
) -> Result<Nose, &'static str> {
    let mut fronts = Vec::new();
    let mut i = 0;
    while i < steep.len() {
        let frame = steep[i].frame;
        let end = i + steep[i..].iter().take_while(|p| p.frame == frame).count();
        fronts.extend(front(&steep[i..end], |t_s| place_m + speed_m_s * (t_s - t0_s)));
        i = end;
    }
    if fronts.len() < FEWEST_FRONTS {
        return Err("too little of the loop's nose is seen");
    }
    let over_time: Vec<(f64, f64)> = fronts.iter().map(|f| (f.t_s - t0_s, f.at[0])).collect();
    let (c, scatter, weights) =
        robust_parabola(&over_time, 0.004).ok_or("the loop's nose cannot be followed")?;
    if scatter > LARGEST_SCATTER_M {
        return Err("the loop's nose cannot be told from what moves around it");
    }
    let kept: Vec<Front> = fronts.iter().zip(&weights).filter(|(_, w)| **w > 0.1).map(|(f, _)| *f).collect();
    let heights: Vec<(f64, f64)> = kept.iter().map(|f| (f.t_s - t0_s, f.at[1])).collect();
    let (_, height_scatter, weights) =
        robust_parabola(&heights, 0.01).ok_or("the height of the loop's nose is not steady")?;
    let kept: Vec<Front> = kept.iter().zip(&weights).filter(|(_, w)| **w > 0.1).map(|(f, _)| *f).collect();
    let span_s = kept.last().map_or(0.0, |f| f.t_s) - kept.first().map_or(0.0, |f| f.t_s);
    let speed =
        c[1] + c[2] * (kept.first().map_or(0.0, |f| f.t_s) + kept.last().map_or(0.0, |f| f.t_s) - 2.0 * t0_s);
    if kept.len() < FEWEST_FRONTS
        || 2 * kept.len() < fronts.len()
        || height_scatter > 3.0 * LARGEST_SCATTER_M
        || !(speed * span_s > 0.6)
        || !(speed > SPEEDS_M_S[0])
    {
        return Err("the loop's nose is seen too shortly or too unsteadily");
    }
    Ok(Nose { fronts: kept })
}

/// Speeds and places with the most points close behind a straight front and few ahead of it: the best first, the others
/// apart from those before.
fn votes(steep: &[SidePoint]) -> Vec<(f64, f64, f64)> {
    let t0_s = steep[steep.len() / 2].t_s;
    // best of every half metre of place at every speed
    let mut all: Vec<(f64, f64, f64)> = Vec::new();
    let mut speed_m_s = SPEEDS_M_S[0];
    while speed_m_s <= SPEEDS_M_S[1] {
        let place = |p: &SidePoint| p.at[0] - speed_m_s * (p.t_s - t0_s);
        let (low, high) =
            steep.iter().map(place).fold((f64::MAX, f64::MIN), |(l, h), x| (l.min(x), h.max(x)));
        let bins = ((high - low) / BIN_M) as usize + 2;
        let mut total = vec![0.0f64; bins + 12];
        let mut own = vec![0.0f64; bins + 12];
        let mut i = 0;
        while i < steep.len() {
            let frame = steep[i].frame;
            let end = i + steep[i..].iter().take_while(|p| p.frame == frame).count();
            for p in &steep[i..end] {
                own[((place(p) - low) / BIN_M) as usize] += 1.0;
            }
            for (t, o) in total.iter_mut().zip(&mut own) {
                *t += o.min(MOST_PER_FRAME);
                *o = 0.0;
            }
            i = end;
        }
        for k in 0..bins {
            let behind = total[k] + total[k + 1] + if k > 0 { total[k - 1] } else { 0.0 };
            let ahead: f64 = total[k + 3..k + 11].iter().sum();
            all.push((behind - 0.5 * ahead, speed_m_s, low + (k as f64 + 0.5) * BIN_M));
        }
        speed_m_s += SPEED_STEP_M_S;
    }
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut out: Vec<(f64, f64, f64)> = Vec::new();
    for (_, speed_m_s, place_m) in all {
        if out.iter().all(|o| (o.1 - place_m).abs() > APART_M || (o.0 - speed_m_s).abs() > 1.5) {
            out.push((speed_m_s, place_m, t0_s));
            if out.len() == CANDIDATES {
                break;
            }
        }
    }
    out
}

/// Vertex of the parabola through the steep points of one frame near where the front should be.
fn front(points: &[SidePoint], foreseen: impl Fn(f64) -> f64) -> Option<Front> {
    let near: Vec<&SidePoint> = points.iter().filter(|p| (p.at[0] - foreseen(p.t_s)).abs() < 0.3).collect();
    if near.len() < 4 {
        return None;
    }
    // middle of the fullest 6 cm along the way and 40 cm of height
    let (_, s0, h0) = near
        .iter()
        .map(|p| {
            let n = near
                .iter()
                .filter(|q| (q.at[0] - p.at[0]).abs() < 0.03 && (q.at[1] - p.at[1]).abs() < 0.2)
                .count();
            (n, p.at[0], p.at[1])
        })
        .max_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)))?;
    let mut c = [s0, 0.0, 0.0];
    let mut gate = 0.06;
    let mut middle = h0;
    for round in 0..5 {
        let chosen: Vec<(f64, f64, f64)> = near
            .iter()
            .filter(|p| {
                let x = p.at[1] - h0;
                (p.at[0] - value(c, x)).abs() < gate && (p.at[1] - middle).abs() < 0.6
            })
            .map(|p| (p.at[1] - h0, p.at[0], 1.0))
            .collect();
        let used = chosen.len();
        if used < 4 {
            return None;
        }
        middle = h0 + chosen.iter().map(|p| p.0).sum::<f64>() / used as f64;
        c = parabola(&chosen)?;
        gate = if round < 2 { 0.05 } else { 0.03 };
    }
    // it must bulge forward, with a radius between that of a hand and that of a barn door
    let radius_m = -0.5 / c[2];
    if !(radius_m > 0.04 && radius_m < 3.0) {
        return None;
    }
    let x = -0.5 * c[1] / c[2];
    if x.abs() > 0.5 {
        return None;
    }
    let nearest = near.iter().min_by(|a, b| {
        let d = |p: &SidePoint| (p.at[1] - h0 - x).abs() + (p.at[0] - value(c, x)).abs();
        d(a).total_cmp(&d(b))
    })?;
    Some(Front {
        frame: nearest.frame,
        t_s: nearest.t_s,
        at: [value(c, x), h0 + x],
        radius_m,
        lever: nearest.lever,
    })
}

impl Front {
    /// Where the same nose is foremost along a trajectory `way`, were it a circle.
    fn of_circle(&self, way: Flat, radius_m: f64) -> Flat {
        [self.at[0] + radius_m * (way[0] - 1.0), self.at[1] + radius_m * way[1]]
    }
}

/// Fronts along a trajectory `way`: time, and place as (along, across). Where the nose itself is seen there, in enough of
/// the frames, it is placed as it is in the horizontal; no nose is quite a circle, and a steep trajectory meets it far
/// from where it is horizontally foremost.
pub(super) fn fronts_along(points: &[SidePoint], fronts: &[Front], way: Flat) -> Vec<(f64, Flat)> {
    let radius_m = median(fronts.iter().map(|f| f.radius_m)).unwrap_or(f64::NAN);
    let up = upper_normal(way);
    let turned = |p: Flat| [dot(p, way), dot(p, up)];
    let guess: Vec<(f64, Flat)> =
        fronts.iter().map(|f| (f.t_s, turned(f.of_circle(way, radius_m)))).collect();
    let look = |own: &[SidePoint], there: Flat| {
        let own: Vec<SidePoint> = own
            .iter()
            .map(|p| SidePoint { at: turned(p.at), along: turned(p.along), ..*p })
            .filter(|p| p.along[1].abs() > STEEP && (p.at[1] - there[1]).abs() < ACROSS_M)
            .collect();
        front(&own, |_| there[0]).map(|g| (g.t_s, g.at))
    };
    let frames: Vec<&[SidePoint]> = points.chunk_by(|a, b| a.frame == b.frame).collect();
    let mut seen: Vec<(f64, Flat)> = Vec::new();
    let mut left: Vec<&[SidePoint]> = Vec::new();
    for own in frames {
        let there = fronts.iter().position(|f| f.frame == own[0].frame).map(|i| guess[i].1);
        match there.and_then(|there| look(own, there)) {
            Some(at) => seen.push(at),
            None => left.push(own),
        }
    }
    if 3 * seen.len() < 2 * guess.len() {
        return guess;
    }
    // frames in which it was not found foremost, by its way before and after
    let Some((first, last)) = seen.first().zip(seen.last()).map(|(a, b)| (a.0, b.0)) else { return guess };
    let t0_s = 0.5 * (first + last);
    let rows = |k: usize| seen.iter().map(|(t, p)| (t - t0_s, p[k])).collect::<Vec<_>>();
    let fits = [0, 1].map(|k| robust_parabola(&rows(k), 0.01).map(|f| f.0));
    if let [Some(along), Some(across)] = fits {
        let near = |own: &&[SidePoint]| own[0].t_s > first - BEYOND_S && own[0].t_s < last + BEYOND_S;
        for own in left.into_iter().filter(near) {
            let t_s = own[own.len() / 2].t_s - t0_s;
            let there = [value(along, t_s), value(across, t_s)];
            let found = look(own, there)
                .filter(|(_, at)| (at[0] - there[0]).abs() < 0.1 && (at[1] - there[1]).abs() < 0.25);
            seen.extend(found);
        }
        seen.sort_by(|a, b| a.0.total_cmp(&b.0));
    }
    seen
}
