//! Puts the sides of a dark square on its edges: a line through the steepest rises across each side, crossed with its neighbours'.

use super::read::{Grey, SIDE_WITH_RIM, Square};
use crate::model::RawPixel;

/// Places along a side that are looked at.
const PLACES: usize = 14;
/// Steps across an edge, pixels.
const STEP_PX: f64 = 0.25;
/// Farthest from the side given that its edge is looked for, pixels, and in cells of the square: not into the next cell.
const REACH_PX: f64 = 3.0;
const REACH_CELLS: f64 = 0.7;
/// Least rise over a pixel that is an edge, code values.
const LEAST_RISE: f64 = 6.0;
/// Smallest side, pixels: 1.5 px a cell.
const LEAST_SIDE_PX: f64 = 1.5 * SIDE_WITH_RIM as f64;

/// A line as a point and a direction of length 1.
#[derive(Clone, Copy)]
struct Line {
    at: [f64; 2],
    along: [f64; 2],
}

/// The square with its sides on the edges, clockwise as given; `None` where a side has none.
pub(super) fn refined(picture: &Grey<'_>, square: &Square) -> Option<Square> {
    let mut now = *square;
    // the second round begins a fraction of a pixel off and looks along the right normals
    for _ in 0..2 {
        let mut lines = Vec::with_capacity(4);
        for i in 0..4 {
            lines.push(edge(picture, now[i], now[(i + 1) % 4])?);
        }
        for (i, corner) in now.iter_mut().enumerate() {
            *corner = crossing(&lines[(i + 3) % 4], &lines[i])?;
        }
    }
    let moved = now.iter().zip(square).map(|(a, b)| (a.x_px - b.x_px).hypot(a.y_px - b.y_px));
    moved.into_iter().all(|px| px <= 3.0 * REACH_PX).then_some(now)
}

/// The edge near a side from `a` to `b`, dark to the right of the way.
fn edge(picture: &Grey<'_>, a: RawPixel, b: RawPixel) -> Option<Line> {
    let (dx, dy) = (b.x_px - a.x_px, b.y_px - a.y_px);
    let length = dx.hypot(dy);
    if !(length >= LEAST_SIDE_PX) {
        return None;
    }
    let along = [dx / length, dy / length];
    // outwards of a square that is walked clockwise on the screen
    let out = [along[1], -along[0]];
    let reach_px = REACH_PX.min(REACH_CELLS * length / SIDE_WITH_RIM as f64);
    let steps = (reach_px / STEP_PX).ceil() as i32;
    let mut points: Vec<[f64; 2]> = Vec::with_capacity(PLACES);
    for k in 0..PLACES {
        let share = 0.06 + 0.88 * k as f64 / (PLACES - 1) as f64;
        let (x, y) = (a.x_px + share * dx, a.y_px + share * dy);
        let value = |s: f64| picture.at(x + s * out[0], y + s * out[1]);
        let rise = |i: i32| {
            let s = f64::from(i) * STEP_PX;
            Some((value(s + 0.5)? - value(s - 0.5)?).max(0.0))
        };
        let rises: Vec<f64> = (-steps..=steps).map(rise).collect::<Option<_>>()?;
        let (top, most) =
            rises.iter().copied().enumerate().max_by(|p, q| p.1.total_cmp(&q.1).then(q.0.cmp(&p.0)))?;
        if !(most > LEAST_RISE) {
            continue;
        }
        // centre of what rises at least half as steeply around there
        let near = |i: &usize| rises[*i] >= 0.5 * most;
        let first = (0..=top).rev().take_while(near).last().unwrap_or(top);
        let last = (top..rises.len()).take_while(near).last().unwrap_or(top);
        let weight: f64 = rises[first..=last].iter().sum();
        let moment: f64 = (first..=last).map(|i| rises[i] * (i as f64 - f64::from(steps))).sum();
        let s = moment / weight * STEP_PX;
        points.push([x + s * out[0], y + s * out[1]]);
    }
    line(points, along, out)
}

/// A line through points by their offsets across it, without those far off: a finger, a cell at the rim's end.
fn line(mut points: Vec<[f64; 2]>, along: [f64; 2], out: [f64; 2]) -> Option<Line> {
    for round in 0..3 {
        if points.len() < PLACES / 2 {
            return None;
        }
        let n = points.len() as f64;
        let dot = |p: &[f64; 2], d: [f64; 2]| p[0] * d[0] + p[1] * d[1];
        let (ms, mo) =
            points.iter().fold((0.0, 0.0), |(s, o), p| (s + dot(p, along) / n, o + dot(p, out) / n));
        let (sxx, sxy) = points.iter().fold((0.0, 0.0), |(xx, xy), p| {
            let s = dot(p, along) - ms;
            (xx + s * s, xy + s * (dot(p, out) - mo))
        });
        if !(sxx > 0.0) {
            return None;
        }
        let slope = sxy / sxx;
        let off = |p: &[f64; 2]| (dot(p, out) - mo - slope * (dot(p, along) - ms)).abs();
        if round == 2 {
            let size = (1.0 + slope * slope).sqrt();
            let direction = [(along[0] + slope * out[0]) / size, (along[1] + slope * out[1]) / size];
            let at = [ms * along[0] + mo * out[0], ms * along[1] + mo * out[1]];
            return Some(Line { at, along: direction });
        }
        let mut offs: Vec<f64> = points.iter().map(off).collect();
        offs.sort_by(f64::total_cmp);
        let most = (3.0 * offs[offs.len() / 2]).max(0.3);
        points = points.iter().filter(|p| off(p) <= most).copied().collect();
    }
    None
}

fn crossing(a: &Line, b: &Line) -> Option<RawPixel> {
    let cross = a.along[0] * b.along[1] - a.along[1] * b.along[0];
    // sides of a square tilted by 60 degrees and seen from its corner still cross at 30
    if !(cross.abs() > 0.3) {
        return None;
    }
    let d = [b.at[0] - a.at[0], b.at[1] - a.at[1]];
    let s = (d[0] * b.along[1] - d[1] * b.along[0]) / cross;
    Some(RawPixel::new(a.at[0] + s * a.along[0], a.at[1] + s * a.along[1]))
}
