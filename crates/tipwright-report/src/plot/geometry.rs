//! A stroke as its drawings need it: the cast plane's own coordinates, the window W, the hull over the path, and
//! the places of dip and dome.
//!
//! Side view: x along the horizontal of the cast plane, positive the way the forward cast travels; z up. Chord
//! coordinates: s along the chord from its start, h above it inside the plane, as in [`CastSample`].

use std::ops::Range;

use tipwright::model::stroke::CastSample;
use tipwright::model::{Direction, FigureId, Measured, Stroke};

/// A place on the path with what is measured there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightMark {
    /// Along the chord, metres.
    pub s_m: f64,
    /// Height of the path there.
    pub path_h_m: f64,
    /// Height of what it is measured from: the hull for a dip, the chord for a dome.
    pub from_h_m: f64,
    /// The figure.
    pub measured: Measured,
}

/// A stroke ready to draw.
#[derive(Debug, Clone)]
pub struct Geometry<'a> {
    /// The stroke.
    pub stroke: &'a Stroke,
    /// Horizontal unit vector of the cast plane in the cast frame, forward positive.
    pub along: [f64; 2],
    /// Start of the chord in the side view.
    pub chord_start: [f64; 2],
    /// Unit vector along the chord in the side view.
    pub chord_way: [f64; 2],
    /// Length of the chord.
    pub chord_m: f64,
    /// Indices of the samples in W.
    pub window: Range<usize>,
    /// Rod straight position, when known.
    pub t_rsp_s: Option<f64>,
    /// Time of peak speed, when there are samples.
    pub t_peak_s: Option<f64>,
    /// Upper convex hull of the path in W: (s, h).
    pub hull: Vec<[f64; 2]>,
    /// The dip.
    pub dip: Option<HeightMark>,
    /// The dome.
    pub dome: Option<HeightMark>,
}

impl<'a> Geometry<'a> {
    /// Prepares a stroke.
    #[must_use]
    pub fn of(stroke: &'a Stroke) -> Self {
        let [a, b] = stroke.chord_in_cast;
        let sign = if stroke.direction == Direction::Forward { 1.0 } else { -1.0 };
        let (dx, dy) = ((b.x - a.x) * sign, (b.y - a.y) * sign);
        let run = dx.hypot(dy);
        let along = if run > 1e-9 { [dx / run, dy / run] } else { [1.0, 0.0] };
        let side = |x: f64, y: f64, z: f64| [x * along[0] + y * along[1], z];
        let (start, end) = (side(a.x, a.y, a.z), side(b.x, b.y, b.z));
        let chord_m = (end[0] - start[0]).hypot(end[1] - start[1]);
        let chord_way = if chord_m > 1e-9 {
            [(end[0] - start[0]) / chord_m, (end[1] - start[1]) / chord_m]
        } else {
            [sign, 0.0]
        };
        let value = |id| stroke.figures.get(id).map(|m| m.value);
        let t_rsp_s = value(FigureId::TRsp);
        let samples = &stroke.samples;
        let first = value(FigureId::TStart).map_or(0, |t| samples.partition_point(|p| p.t_s < t - 1e-9));
        let last = t_rsp_s.map_or(samples.len(), |t| samples.partition_point(|p| p.t_s <= t + 1e-9));
        let window = first.min(last)..last;
        let t_peak_s = match (t_rsp_s, value(FigureId::PeakLead)) {
            (Some(rsp), Some(lead_ms)) => Some(rsp - lead_ms * 1e-3),
            _ => samples.iter().max_by(|p, q| speed(p).total_cmp(&speed(q))).map(|p| p.t_s),
        };
        let in_window = &samples[window.clone()];
        let hull = upper_hull(in_window);
        let dip = stroke.figures.get(FigureId::DipDepth).and_then(|measured| {
            let s_m = value(FigureId::DipAt)? * chord_m;
            Some(HeightMark {
                s_m,
                path_h_m: nearest_h(in_window, s_m)?,
                from_h_m: height_of_chain(&hull, s_m)?,
                measured,
            })
        });
        let dome = stroke.figures.get(FigureId::DomeHeight).and_then(|measured| {
            let top = in_window.iter().max_by(|p, q| p.h_m.total_cmp(&q.h_m))?;
            Some(HeightMark { s_m: top.s_m, path_h_m: top.h_m, from_h_m: 0.0, measured })
        });
        Self {
            stroke,
            along,
            chord_start: start,
            chord_way,
            chord_m,
            window,
            t_rsp_s,
            t_peak_s,
            hull,
            dip,
            dome,
        }
    }

    /// A point of the cast frame in the side view.
    #[must_use]
    pub fn side_of(&self, x_m: f64, y_m: f64, z_m: f64) -> [f64; 2] {
        [x_m * self.along[0] + y_m * self.along[1], z_m]
    }

    /// A sample in the side view.
    #[must_use]
    pub fn side(&self, sample: &CastSample) -> [f64; 2] {
        let p = sample.tip_in_cast;
        self.side_of(p.x, p.y, p.z)
    }

    /// Unit normal of the chord in the side view, upward.
    #[must_use]
    pub fn normal(&self) -> [f64; 2] {
        let [x, z] = self.chord_way;
        if x >= 0.0 { [-z, x] } else { [z, -x] }
    }

    /// A point given along and above the chord, in the side view.
    #[must_use]
    pub fn side_of_chord(&self, s_m: f64, h_m: f64) -> [f64; 2] {
        let n = self.normal();
        [
            self.chord_start[0] + s_m * self.chord_way[0] + h_m * n[0],
            self.chord_start[1] + s_m * self.chord_way[1] + h_m * n[1],
        ]
    }

    /// The sample interpolated at a time: side view point, and (s, h). `None` outside the stroke.
    #[must_use]
    pub fn at(&self, t_s: f64) -> Option<CastSample> {
        let samples = &self.stroke.samples;
        let k = samples.partition_point(|p| p.t_s < t_s);
        let b = samples.get(k.max(1))?;
        let a = samples.get(k.max(1) - 1)?;
        if t_s < a.t_s - 1e-9 || t_s > b.t_s + 1e-9 {
            return None;
        }
        let f = if b.t_s > a.t_s { ((t_s - a.t_s) / (b.t_s - a.t_s)).clamp(0.0, 1.0) } else { 0.0 };
        let mix = |p: f64, q: f64| p + f * (q - p);
        let mix_maybe = |p: Option<f64>, q: Option<f64>| p.zip(q).map(|(p, q)| mix(p, q));
        Some(CastSample {
            t_s,
            tip_in_cast: a.tip_in_cast + (b.tip_in_cast - a.tip_in_cast) * f,
            velocity_in_cast_m_s: a.velocity_in_cast_m_s.lerp(&b.velocity_in_cast_m_s, f),
            height_sd_m: mix(a.height_sd_m, b.height_sd_m),
            s_m: mix(a.s_m, b.s_m),
            h_m: mix(a.h_m, b.h_m),
            off_plane_m: mix(a.off_plane_m, b.off_plane_m),
            bend_m: mix_maybe(a.bend_m, b.bend_m),
            butt_angle_deg: mix_maybe(a.butt_angle_deg, b.butt_angle_deg),
        })
    }

    /// The samples of W with its very ends, which lie between samples: a curve ends at its mark, not a frame before.
    #[must_use]
    pub fn whole_window(&self) -> Vec<CastSample> {
        let inside = &self.stroke.samples[self.window.clone()];
        let start_s = self.stroke.figures.get(FigureId::TStart).map(|m| m.value);
        let before = start_s.filter(|t| inside.first().is_some_and(|p| p.t_s > *t)).and_then(|t| self.at(t));
        let after =
            self.t_rsp_s.filter(|t| inside.last().is_some_and(|p| p.t_s < *t)).and_then(|t| self.at(t));
        before.into_iter().chain(inside.iter().copied()).chain(after).collect()
    }

    /// Class of the path's ink.
    #[must_use]
    pub fn ink(&self) -> &'static str {
        crate::tables::direction_word(self.stroke.direction)
    }
}

/// Tip speed of a sample.
#[must_use]
pub fn speed(sample: &CastSample) -> f64 {
    sample.velocity_in_cast_m_s.norm()
}

/// Upper convex hull of the path in chord coordinates, from small s to large (Andrew's monotone chain,
/// Inf. Process. Lett. 9 (1979) 216).
fn upper_hull(samples: &[CastSample]) -> Vec<[f64; 2]> {
    let mut points: Vec<[f64; 2]> = samples.iter().map(|p| [p.s_m, p.h_m]).collect();
    points.sort_by(|p, q| p[0].total_cmp(&q[0]).then(p[1].total_cmp(&q[1])));
    let mut hull: Vec<[f64; 2]> = Vec::new();
    for p in points {
        while let [.., a, b] = hull[..] {
            if (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) >= 0.0 {
                hull.pop();
            } else {
                break;
            }
        }
        hull.push(p);
    }
    hull
}

/// Height of a chain of points at s, linear in between.
fn height_of_chain(chain: &[[f64; 2]], s_m: f64) -> Option<f64> {
    let k = chain.partition_point(|p| p[0] < s_m).clamp(1, chain.len().max(2) - 1);
    let (a, b) = (chain.get(k - 1)?, chain.get(k)?);
    let f = if b[0] > a[0] { ((s_m - a[0]) / (b[0] - a[0])).clamp(0.0, 1.0) } else { 0.0 };
    Some(a[1] + f * (b[1] - a[1]))
}

/// Height of the path at s: between the two neighbouring samples that enclose it, else at the nearest.
fn nearest_h(samples: &[CastSample], s_m: f64) -> Option<f64> {
    let crossing =
        samples.windows(2).find(|w| (w[0].s_m - s_m) * (w[1].s_m - s_m) <= 0.0 && w[0].s_m != w[1].s_m);
    if let Some([a, b]) = crossing.and_then(|w| <&[CastSample; 2]>::try_from(w).ok()) {
        return Some(a.h_m + (s_m - a.s_m) / (b.s_m - a.s_m) * (b.h_m - a.h_m));
    }
    samples.iter().min_by(|p, q| (p.s_m - s_m).abs().total_cmp(&(q.s_m - s_m).abs())).map(|p| p.h_m)
}
