//! The tip path's shape in the cast plane, and the run of its speed.

use nalgebra::{Point3, Vector3};
use tipwright::model::FigureId;

use super::Dense;
use crate::motion::RodMotion;

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

    /// Height of the best straight line at `s_m`: (offset, slope).
    fn best_line(&self) -> (f64, f64) {
        let n = self.rows.len() as f64;
        let s_mean = self.rows.iter().map(|r| r[0]).sum::<f64>() / n;
        let h_mean = self.rows.iter().map(|r| r[1]).sum::<f64>() / n;
        let sh: f64 = self.rows.iter().map(|r| (r[0] - s_mean) * (r[1] - h_mean)).sum();
        let ss: f64 = self.rows.iter().map(|r| (r[0] - s_mean).powi(2)).sum();
        let slope = sh / ss;
        (h_mean - slope * s_mean, slope)
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
        put(FigureId::DipAt, at_m / chord_m);
        put(FigureId::DomeHeight, self.rows.iter().map(|r| r[1]).fold(0.0, f64::max));
        let (offset, slope) = self.best_line();
        let square = self.rows.iter().map(|r| (r[1] - offset - slope * r[0]).powi(2)).sum::<f64>()
            / self.rows.len() as f64;
        put(FigureId::SlpRms, square.sqrt());
        put(FigureId::Straightness, self.rows.iter().map(|r| r[1].abs()).fold(0.0, f64::max) / chord_m);
        put(FigureId::OffPlaneMax, self.rows.iter().map(|r| r[2].abs()).fold(0.0, f64::max));
    }
}

/// R squared of a straight line through tip speed, and sign changes of its slope.
pub fn ramp(dense: &Dense, from: usize, to: usize) -> Option<(f64, usize)> {
    if to < from + 3 {
        return None;
    }
    let (t, v) = (&dense.t_s[from..=to], &dense.speed_m_s[from..=to]);
    let n = t.len() as f64;
    let (t_mean, v_mean) = (t.iter().sum::<f64>() / n, v.iter().sum::<f64>() / n);
    let tv: f64 = t.iter().zip(v).map(|(t, v)| (t - t_mean) * (v - v_mean)).sum();
    let tt: f64 = t.iter().map(|t| (t - t_mean).powi(2)).sum();
    let vv: f64 = v.iter().map(|v| (v - v_mean).powi(2)).sum();
    let slopes: Vec<f64> = v.windows(2).map(|w| w[1] - w[0]).filter(|d| *d != 0.0).collect();
    let changes = slopes.windows(2).filter(|w| (w[0] > 0.0) != (w[1] > 0.0)).count();
    Some((tv * tv / (tt * vv), changes))
}
