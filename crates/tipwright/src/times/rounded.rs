//! Evenly spaced exposures whose stamps were rounded.
//!
//! Every stamp says that its exposure lies within half a tick of it: two lines in the plane of (place, step). What is left of
//! all of them is a convex polygon (digital straight lines: O'Rourke, CVGIP 12 (1980) 377, from memory). A line fitted by least
//! squares is far worse here: at 240 frames and 600 ticks a second every second frame is rounded alike for seconds on end.

use super::{FEWEST, Line, TimesFound};

/// Half widths tried, in ticks: rounding alone (the slack is for arithmetic), then some noise on top.
const HALF_WIDTHS: [f64; 3] = [0.501, 0.75, 1.1];
/// Even spacing is believed where stretches hold at least so many frames on average. By chance a line meets stamps that wander
/// freely for a few frames more than [`FEWEST`].
const FRAMES_A_STRETCH: usize = 60;

/// Stretches that rounding explains; `None` when it does not.
pub(super) fn stretches(stamps_s: &[f64], numbers: &[u64], rounding_s: f64) -> Option<Vec<TimesFound>> {
    if !(rounding_s > 0.0) {
        return None;
    }
    HALF_WIDTHS.iter().find_map(|half| {
        let most = 1 + stamps_s.len() / FRAMES_A_STRETCH;
        parted(stamps_s, numbers, half * rounding_s, rounding_s / 12.0_f64.sqrt(), most)
    })
}

fn parted(
    stamps_s: &[f64],
    numbers: &[u64],
    half_s: f64,
    frame_sd_s: f64,
    most: usize,
) -> Option<Vec<TimesFound>> {
    let points: Vec<(f64, f64)> = numbers.iter().map(|k| *k as f64).zip(stamps_s.iter().copied()).collect();
    let mut ends = vec![0];
    let last = |ends: &[usize]| ends.last().copied().unwrap_or(0);
    // more pieces than that are given up early
    while last(&ends) < points.len() && ends.len() <= 3 * most {
        let from = last(&ends);
        ends.push(from + Polygon::of(points[from..].iter(), half_s).0);
    }
    if last(&ends) < points.len() {
        return None;
    }
    // a line goes on past its stretch for as long as the next one's frames happen to fit, and would be turned by them: only
    // frames that the next line, run back, does not reach are surely its own
    let mut out: Vec<TimesFound> = Vec::new();
    for (j, pair) in ends.windows(2).enumerate() {
        let (from, reach) = (pair[0], pair[1]);
        let back = ends.get(j + 2).map_or(reach, |next_end| {
            let run_back = Polygon::of(points[from..*next_end].iter().rev(), half_s).0;
            (next_end - run_back).clamp(from, reach)
        });
        let line = (back - from >= FEWEST)
            .then(|| Polygon::of(points[from..back].iter(), half_s).1.line(points[from], half_s));
        let to = if j + 2 < ends.len() { back.midpoint(reach) } else { reach };
        out.push(TimesFound { from: out.last().map_or(0, |f| f.to), to, line, frame_sd_s });
    }
    out.retain(|f| f.to > f.from);
    let even = out.iter().filter(|f| f.line.is_some()).count();
    let short: usize = out.iter().filter(|f| f.line.is_none()).map(|f| f.to - f.from).sum();
    (even > 0 && even <= most && 20 * short <= points.len()).then_some(out)
}

/// Lines that explain the stamps so far: place of the first frame and correction of the step, both in half widths.
#[derive(Debug, Clone)]
struct Polygon {
    step_s: f64,
    corners: Vec<[f64; 2]>,
}

impl Polygon {
    /// How many points (number, stamp) one after the other one line explains, and the lines that do.
    fn of<'a>(mut points: impl Iterator<Item = &'a (f64, f64)> + Clone, half_s: f64) -> (usize, Self) {
        let ahead = points.clone().take(FEWEST + 1).last();
        let first = points.next();
        let (Some(&(k0, y0)), Some(&(k1, y1))) = (first, ahead) else {
            return (0, Self { step_s: 0.0, corners: Vec::new() });
        };
        let step_s = if k1 == k0 { 0.0 } else { (y1 - y0) / (k1 - k0) };
        let wide = 0.5 * step_s.abs() / half_s + 2.0;
        let corners = vec![[-1.0, -wide], [1.0, -wide], [1.0, wide], [-1.0, wide]];
        let mut polygon = Self { step_s, corners };
        let mut explained = 1;
        for (k, y) in points {
            let next = polygon.with(k - k0, (y - y0 - step_s * (k - k0)) / half_s);
            if next.corners.len() < 3 {
                break;
            }
            polygon = next;
            explained += 1;
        }
        (explained, polygon)
    }

    /// What a stamp leaves of it: |place + k step - y| <= 1.
    fn with(&self, k: f64, y: f64) -> Self {
        let upper = cut(&self.corners, |[a, b]| y + 1.0 - (a + k * b));
        Self { step_s: self.step_s, corners: cut(&upper, |[a, b]| a + k * b - (y - 1.0)) }
    }

    /// Centre and second moments (standard formulas of a polygon, triangle by triangle from its first corner).
    fn line(&self, (first, first_s): (f64, f64), half_s: f64) -> Line {
        let origin = self.corners.first().copied().unwrap_or_default();
        let from_origin = |p: &[f64; 2]| [p[0] - origin[0], p[1] - origin[1]];
        let (mut area, mut mean, mut square) = (0.0, [0.0; 2], [0.0; 3]);
        for pair in self.corners.windows(2).skip(1) {
            let [p, q] = [from_origin(&pair[0]), from_origin(&pair[1])];
            let twice = (p[0] * q[1] - p[1] * q[0]).abs();
            area += twice;
            for i in 0..2 {
                mean[i] += twice * (p[i] + q[i]) / 3.0;
            }
            for (at, (i, j)) in square.iter_mut().zip([(0, 0), (0, 1), (1, 1)]) {
                *at += twice * (2.0 * p[i] * p[j] + 2.0 * q[i] * q[j] + p[i] * q[j] + q[i] * p[j]) / 12.0;
            }
        }
        let (mean, [aa, ab, bb]) = if area > 0.0 {
            let m = mean.map(|v| v / area);
            let c = square.map(|v| v / area);
            (m, [c[0] - m[0] * m[0], c[1] - m[0] * m[1], c[2] - m[1] * m[1]])
        } else {
            ([0.0; 2], [0.0; 3])
        };
        let (place, step) = ((origin[0] + mean[0]) * half_s, (origin[1] + mean[1]) * half_s);
        // where place and step are independent the place is surest
        let middle = if bb > 0.0 { (-ab / bb).max(0.0) } else { 0.0 };
        let at_sd = (aa + ab * middle).max(0.0).sqrt();
        let step_s = self.step_s + step;
        Line {
            middle: first + middle,
            at_s: first_s + place + step_s * middle,
            step_s,
            at_sd_s: at_sd * half_s,
            step_sd_s: bb.max(0.0).sqrt() * half_s,
        }
    }
}

/// The part of a convex polygon where a linear function is not negative (Sutherland and Hodgman 1974).
fn cut(corners: &[[f64; 2]], inside: impl Fn([f64; 2]) -> f64) -> Vec<[f64; 2]> {
    let mut out = Vec::with_capacity(corners.len() + 1);
    for (i, p) in corners.iter().enumerate() {
        let q = corners[(i + 1) % corners.len()];
        let (dp, dq) = (inside(*p), inside(q));
        if dp >= 0.0 {
            out.push(*p);
        }
        if (dp > 0.0 && dq < 0.0) || (dp < 0.0 && dq > 0.0) {
            let u = dp / (dp - dq);
            out.push([p[0] + u * (q[0] - p[0]), p[1] + u * (q[1] - p[1])]);
        }
    }
    out
}
