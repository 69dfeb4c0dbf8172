//! The way of the tip in the cast plane, as measured or changed.

use nalgebra::Vector2;

use crate::line::geometry::Flat;
use crate::model::line::Change;
use crate::model::{FigureId, MarkerPath, PathDraw, Stroke};

/// A step of the path longer than this is a gap.
const GAP_S: f64 = 0.06;
/// After the stop the tip may leave the picture: it is then held where it was, if it was seen for so long after rod straight.
const SEEN_AFTER_S: f64 = 0.12;

/// An instant of the tip: place along the cast and up, velocity.
#[derive(Debug, Clone, Copy)]
struct Moment {
    t_s: f64,
    at: Flat,
    speed: Flat,
}

/// Where the tip leads the line. Along the cast: the horizontal way of the stroke's chord.
#[derive(Debug, Clone)]
pub(super) struct Lead {
    moments: Vec<Moment>,
    /// The line begins here, straight along `behind`.
    pub from_s: f64,
    pub behind: Flat,
    start_s: f64,
    /// Rod straight.
    pub rsp_s: f64,
    /// The stroke's way in the cast frame, horizontal.
    way_in_cast: Vector2<f64>,
}

impl Lead {
    pub fn new(
        tip: &MarkerPath,
        draw: Option<&PathDraw>,
        stroke: &Stroke,
        before: Option<&Stroke>,
    ) -> Result<Self, String> {
        let when = |s: &Stroke, id| s.figures.get(id).map(|m| m.value);
        let missing = "the stroke has no start or no rod straight position";
        let (start_s, rsp_s) =
            when(stroke, FigureId::TStart).zip(when(stroke, FigureId::TRsp)).ok_or(missing)?;
        let [a, b] = stroke.chord_in_cast;
        let way = Vector2::new(b.x - a.x, b.y - a.y).normalize();
        if !(way.x.is_finite() && way.y.is_finite()) {
            return Err("the stroke has no way".into());
        }
        let moments: Vec<Moment> = tip
            .samples
            .iter()
            .enumerate()
            .map(|(k, s)| {
                let (p, v) = draw.map_or((s.position_in_world, s.velocity_in_world_m_s), |d| {
                    (d.positions_in_world[k], d.velocities_in_world_m_s[k])
                });
                let (p, v) = (stroke.cast_from_world * p, stroke.cast_from_world * v);
                Moment { t_s: s.t_s, at: [way.dot(&p.coords.xy()), p.z], speed: [way.dot(&v.xy()), v.z] }
            })
            .collect();
        let first_s = |s: &Stroke| s.samples.first().map(|c| c.t_s);
        let own_s = first_s(stroke).unwrap_or(start_s);
        let gap = |from_s: f64, to_s: f64| {
            moments.windows(2).any(|w| w[1].t_s > from_s && w[0].t_s < to_s && w[1].t_s - w[0].t_s > GAP_S)
        };
        if gap(own_s, rsp_s + SEEN_AFTER_S) {
            return Err("the tip's path has a gap in the stroke".into());
        }
        if moments.last().is_none_or(|m| m.t_s < rsp_s + SEEN_AFTER_S) {
            return Err("the tip's path ends at the stop".into());
        }
        let earlier_s = before.and_then(first_s).filter(|from_s| !gap(*from_s, own_s));
        // before the one before, the line lies out behind it: ahead of this one
        let (from_s, behind) = earlier_s.map_or((own_s, [-1.0, 0.0]), |from_s| (from_s, [1.0, 0.0]));
        Ok(Self { moments, from_s, behind, start_s, rsp_s, way_in_cast: way })
    }

    /// Place of the tip: cubic between the path's samples; held where the path ends.
    pub fn at(&self, t_s: f64) -> Option<Flat> {
        let k = self.moments.partition_point(|m| m.t_s < t_s);
        let Some(b) = self.moments.get(k) else { return self.moments.last().map(|m| m.at) };
        let Some(a) = k.checked_sub(1).map(|k| &self.moments[k]) else { return Some(b.at) };
        let h = b.t_s - a.t_s;
        let u = (t_s - a.t_s) / h;
        if h > GAP_S {
            return Some([0, 1].map(|c| a.at[c] + u * (b.at[c] - a.at[c])));
        }
        let (square, cube) = (u * u, u * u * u);
        Some([0, 1].map(|c| {
            (2.0 * cube - 3.0 * square + 1.0) * a.at[c]
                + (cube - 2.0 * square + u) * h * a.speed[c]
                + (3.0 * square - 2.0 * cube) * b.at[c]
                + (cube - square) * h * b.speed[c]
        }))
    }

    /// A place of the plane in the cast frame, X and Z.
    pub fn in_cast_m(&self, p: Flat) -> Flat {
        [p[0] * self.way_in_cast.x.signum(), p[1]]
    }

    /// The same lead with another path or other speeds from the stroke's start to rod straight.
    pub fn changed(&self, change: Change) -> Option<Self> {
        const STEP_S: f64 = 0.004;
        let n = ((self.rsp_s - self.start_s) / STEP_S).ceil().max(8.0) as usize;
        let length_s = self.rsp_s - self.start_s;
        let ways: Vec<Flat> =
            (0..=n).map(|k| self.at(self.start_s + length_s * k as f64 / n as f64)).collect::<Option<_>>()?;
        let (times, places): (Vec<f64>, Vec<Flat>) = match change {
            Change::WithoutDip | Change::Straight => {
                let even = (0..=n).map(|k| self.start_s + length_s * k as f64 / n as f64).collect();
                (even, if change == Change::Straight { on_chord(&ways) } else { on_hull(&ways) })
            }
            Change::SteadyRamp => (ramp_times(&ways, self.start_s, self.rsp_s)?, ways),
        };
        // what came before moves with the start, so that the path runs on
        let earlier_s = times[0] - self.start_s;
        let mut moments: Vec<Moment> = self
            .moments
            .iter()
            .filter(|m| m.t_s < self.start_s)
            .map(|m| Moment { t_s: m.t_s + earlier_s, ..*m })
            .collect();
        moments.extend(within(&times, &places));
        moments.extend(self.moments.iter().filter(|m| m.t_s > self.rsp_s));
        Some(Self { moments, from_s: self.from_s + earlier_s, start_s: times[0], ..self.clone() })
    }
}

/// Moments through places, velocities by differences.
fn within(times: &[f64], places: &[Flat]) -> Vec<Moment> {
    let last = times.len() - 1;
    (0..=last)
        .map(|k| {
            let (a, b) = (k.saturating_sub(1), (k + 1).min(last));
            let speed = [0, 1].map(|c| (places[b][c] - places[a][c]) / (times[b] - times[a]));
            Moment { t_s: times[k], at: places[k], speed }
        })
        .collect()
}

/// Height above the chord of a path, and along it.
fn about_chord(ways: &[Flat]) -> (Flat, Flat, Vec<Flat>) {
    let (a, b) = (ways[0], ways[ways.len() - 1]);
    let length = (b[0] - a[0]).hypot(b[1] - a[1]).max(1e-9);
    let unit = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
    let flat = ways
        .iter()
        .map(|p| {
            let d = [p[0] - a[0], p[1] - a[1]];
            [d[0] * unit[0] + d[1] * unit[1], unit[0] * d[1] - unit[1] * d[0]]
        })
        .collect();
    (a, unit, flat)
}

fn from_chord((start, unit): (Flat, Flat), p: Flat) -> Flat {
    [start[0] + p[0] * unit[0] - p[1] * unit[1], start[1] + p[0] * unit[1] + p[1] * unit[0]]
}

fn on_chord(ways: &[Flat]) -> Vec<Flat> {
    let (start, unit, flat) = about_chord(ways);
    flat.into_iter().map(|p| from_chord((start, unit), [p[0], 0.0])).collect()
}

/// On the upper hull: Andrew's monotone chain along the chord (1979, from memory).
fn on_hull(ways: &[Flat]) -> Vec<Flat> {
    let (start, unit, flat) = about_chord(ways);
    let mut hull: Vec<Flat> = Vec::new();
    let mut sorted = flat.clone();
    sorted.sort_by(|a, b| a[0].total_cmp(&b[0]));
    for p in sorted {
        while let [.., a, b] = hull[..] {
            if (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) < 0.0 {
                break;
            }
            hull.pop();
        }
        hull.push(p);
    }
    let height = |s: f64| {
        let k = hull.partition_point(|h| h[0] < s).clamp(1, hull.len() - 1);
        let (a, b) = (hull[k - 1], hull[k]);
        let u = if b[0] > a[0] { ((s - a[0]) / (b[0] - a[0])).clamp(0.0, 1.0) } else { 0.0 };
        a[1] + u * (b[1] - a[1])
    };
    flat.into_iter().map(|p| from_chord((start, unit), [p[0], height(p[0]).max(p[1])])).collect()
}

/// When a path's places are reached at a speed that rises evenly from that of its start to that of its end.
fn ramp_times(ways: &[Flat], start_s: f64, end_s: f64) -> Option<Vec<f64>> {
    let mut along = vec![0.0];
    for w in ways.windows(2) {
        along.push(along[along.len() - 1] + (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1]));
    }
    let n = ways.len() - 1;
    let step_s = (end_s - start_s) / n as f64;
    let (slow, fast) = (along[1] / step_s, (along[n] - along[n - 1]) / step_s);
    if !(slow > 0.0 && fast > slow) {
        return None;
    }
    // s = slow t + a t^2 / 2 with a = (fast^2 - slow^2) / (2 s_end)
    let a = (fast * fast - slow * slow) / (2.0 * along[n]);
    let length_s = (fast - slow) / a;
    Some(along.iter().map(|s| end_s - length_s + ((slow * slow + 2.0 * a * s).sqrt() - slow) / a).collect())
}
