//! The tip path's shape in the cast plane, and the run of its speed.

use nalgebra::{Point3, Vector3};
use tipwright::model::FigureId;

use super::Dense;
use tipwright_physics::motion::RodMotion;

/// Path in W: along the chord, above it, and off the cast plane, metres.
pub struct Shape {
    start: Point3<f64>,
    end: Point3<f64>,
    up: Vector3<f64>,
    rows: Vec<[f64; 3]>,
    travel_m: f64,
}

impl Shape {
    /// `None` when the chord is vertical or of no length.
    pub fn of(motion: &RodMotion, dense: &Dense, start_s: f64, end_s: f64) -> Option<Self> {
        let (start, end) = (motion.tip_at(start_s), motion.tip_at(end_s));
        let chord = end - start;
        let level = Vector3::new(chord.x, chord.y, 0.0);
        if level.norm() < 1e-6 {
            return None;
        }
        let along = chord.normalize();
        let out = Vector3::z().cross(&level).normalize();
        let up = out.cross(&along);
        let up = if up.z < 0.0 { -up } else { up };
        let inside = (0..dense.t_s.len()).filter(|i| dense.t_s[*i] > start_s && dense.t_s[*i] < end_s);
        let mut points = vec![start];
        points.extend(inside.map(|i| dense.tip[i]));
        points.push(end);
        let travel_m = points.windows(2).map(|w| (w[1] - w[0]).norm()).sum();
        let rows = points
            .iter()
            .map(|p| {
                let d = p - start;
                [d.dot(&along), d.dot(&up), d.dot(&out)]
            })
            .collect();
        Some(Self { start, end, up, rows, travel_m })
    }

    /// From the start of W to its end.
    pub fn chord(&self) -> Vector3<f64> {
        self.end - self.start
    }

    /// Height of a point above the chord, in the cast plane.
    pub fn height_m(&self, p: &Point3<f64>) -> f64 {
        (p - self.start).dot(&self.up)
    }

    /// Root mean square of the height about its best straight line; the mean is along the path, so that it does not
    /// depend on how fast each part was travelled.
    fn slp_rms_m(&self) -> f64 {
        let step = |a: usize, b: usize| {
            (0..3).map(|k| (self.rows[b][k] - self.rows[a][k]).powi(2)).sum::<f64>().sqrt()
        };
        let last = self.rows.len() - 1;
        let weights: Vec<f64> = (0..=last)
            .map(|i| {
                0.5 * (if i > 0 { step(i - 1, i) } else { 0.0 } + if i < last { step(i, i + 1) } else { 0.0 })
            })
            .collect();
        let total: f64 = weights.iter().sum();
        let mean = |f: &dyn Fn(&[f64; 3]) -> f64| {
            self.rows.iter().zip(&weights).map(|(r, w)| w * f(r)).sum::<f64>() / total
        };
        let (s_mean, h_mean) = (mean(&|r| r[0]), mean(&|r| r[1]));
        let slope = mean(&|r| (r[0] - s_mean) * (r[1] - h_mean)) / mean(&|r| (r[0] - s_mean).powi(2));
        mean(&|r| (r[1] - h_mean - slope * (r[0] - s_mean)).powi(2)).sqrt()
    }

    /// Largest depth below the upper convex hull, and where along the chord.
    fn dip(&self) -> (f64, f64) {
        let mut sorted: Vec<[f64; 2]> = self.rows.iter().map(|r| [r[0], r[1]]).collect();
        sorted.sort_by(|a, b| a[0].total_cmp(&b[0]));
        let mut hull: Vec<[f64; 2]> = Vec::new();
        for p in &sorted {
            while hull.len() >= 2 {
                let (a, b) = (hull[hull.len() - 2], hull[hull.len() - 1]);
                let turn = (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]);
                if turn >= 0.0 {
                    hull.pop();
                } else {
                    break;
                }
            }
            hull.push(*p);
        }
        let mut deepest = (0.0, 0.0);
        let mut k = 0;
        for p in &sorted {
            while k + 2 < hull.len() && hull[k + 1][0] < p[0] {
                k += 1;
            }
            let (a, b) = (hull[k], hull[(k + 1).min(hull.len() - 1)]);
            let u = if b[0] > a[0] { (p[0] - a[0]) / (b[0] - a[0]) } else { 0.0 };
            let depth = a[1] + u * (b[1] - a[1]) - p[1];
            if depth > deepest.0 {
                deepest = (depth, p[0]);
            }
        }
        deepest
    }

    /// Enters the figures of the shape.
    pub fn put_into(&self, put: &mut impl FnMut(FigureId, f64)) {
        let chord = self.chord();
        let chord_m = chord.norm();
        put(FigureId::Chord, chord_m);
        put(FigureId::ChordAngle, (chord.z / chord_m).asin().to_degrees());
        put(FigureId::Travel, self.travel_m);
        let (dip_m, at_m) = self.dip();
        put(FigureId::DipDepth, dip_m);
        if dip_m > 0.0 {
            put(FigureId::DipAt, at_m / chord_m);
        }
        put(FigureId::DomeHeight, self.rows.iter().map(|r| r[1]).fold(0.0, f64::max));
        put(FigureId::SlpRms, self.slp_rms_m());
        put(FigureId::Straightness, self.rows.iter().map(|r| r[1].abs()).fold(0.0, f64::max) / chord_m);
        put(FigureId::OffPlaneMax, self.rows.iter().map(|r| r[2].abs()).fold(0.0, f64::max));
    }
}

/// R squared of a straight line through tip speed, and how often its slope changes sign; a rise or fall of less than
/// `least_m_s` is none.
pub fn ramp(dense: &Dense, from: usize, to: usize, least_m_s: f64) -> Option<(f64, usize)> {
    if to < from + 3 {
        return None;
    }
    let (t, v) = (&dense.t_s[from..=to], &dense.speed_m_s[from..=to]);
    let n = t.len() as f64;
    let (t_mean, v_mean) = (t.iter().sum::<f64>() / n, v.iter().sum::<f64>() / n);
    let tv: f64 = t.iter().zip(v).map(|(t, v)| (t - t_mean) * (v - v_mean)).sum();
    let tt: f64 = t.iter().map(|t| (t - t_mean).powi(2)).sum();
    let vv: f64 = v.iter().map(|v| (v - v_mean).powi(2)).sum();
    let (mut rising, mut extreme, mut changes) = (true, v[0], 0);
    for speed in v {
        if (*speed > extreme) == rising {
            extreme = *speed;
        } else if (speed - extreme).abs() >= least_m_s {
            rising = !rising;
            extreme = *speed;
            changes += 1;
        }
    }
    Some((tv * tv / (tt * vv), changes))
}
