//! What is drawn into the film of a stroke: the path of the tip so far, a ring round the tip, the chord, and, once they
//! can be known, the dip and the loop's width. All of it is projected through the camera's pose and distorted lens.
//!
//! In time to the frame: the tip is seen on some row of the frame, and that row was taken at its own instant. So the
//! path is drawn up to the instant `t` that solves `t = clock(pts, row(project(path(t))))`; the projection of the
//! path there is where the marker is in this frame.

use nalgebra::{Point3, Vector3};

use super::plot::geometry::Geometry;
use tipwright::model::film::{DrawnLine, FilmInk, FilmMoment};
use tipwright::model::line::StrokeLoop;
use tipwright::model::results::PathPoint;
use tipwright::model::{Camera, Clock, Direction, FigureId, RawPixel, Stroke};

/// A camera with its clock in one take.
#[derive(Debug, Clone, PartialEq)]
pub struct FilmCamera {
    /// Lens, pose, picture.
    pub camera: Camera,
    /// Clock of the take.
    pub clock: Clock,
}

impl FilmCamera {
    /// How squarely it looks at a cast plane, 0 along it to 1 at right angles.
    #[must_use]
    pub fn squareness(&self, stroke: &Stroke) -> f64 {
        let geometry = Geometry::of(stroke);
        let across = Vector3::new(-geometry.along[1], geometry.along[0], 0.0);
        let across_in_world = stroke.cast_from_world.rotation.inverse() * across;
        let view_in_world = self.camera.pose.camera_from_world.rotation.inverse() * Vector3::z();
        across_in_world.dot(&view_in_world).abs()
    }
}

/// The drawing of one stroke for one camera.
#[derive(Debug, Clone)]
pub struct StrokeDrawing<'a> {
    camera: &'a FilmCamera,
    path: &'a [PathPoint],
    ink: FilmInk,
    begin_s: f64,
    rsp_s: Option<f64>,
    chord: [Point3<f64>; 2],
    dip: Option<[Point3<f64>; 2]>,
    loop_seen: Option<LoopInWorld>,
}

/// A measured loop in the world, drawn from its standard moment on.
#[derive(Debug, Clone)]
struct LoopInWorld {
    t_s: f64,
    section: [Point3<f64>; 2],
}

/// Step of the drawn path, seconds: at 20 m/s and 5 mm a pixel 8 pixels, over which a path curved by 500 m/s² leaves its
/// chord by a thirtieth of a pixel.
const STEP_S: f64 = 0.002;
/// How far below the tip's path a caster reaches: a 9 ft rod upright and a person, less what the hand is raised.
const BELOW_M: f64 = 3.4;
/// Radius of the ring round the tip, pixels of the source; leaves the marker itself to be seen.
const RING_PX: f64 = 11.0;

impl<'a> StrokeDrawing<'a> {
    /// Prepares the drawing; `path` is the take's tip path in the world frame, `found` the loop where it was measured.
    #[must_use]
    pub fn new(
        camera: &'a FilmCamera,
        path: &'a [PathPoint],
        stroke: &Stroke,
        found: Option<&StrokeLoop>,
    ) -> Self {
        let geometry = Geometry::of(stroke);
        let world_from_cast = stroke.cast_from_world.inverse();
        let [a, _] = stroke.chord_in_cast;
        // A point of the cast plane given in the side view.
        let in_world = |p: [f64; 2]| {
            let run = p[0] - geometry.chord_start[0];
            let in_cast = Point3::new(a.x + run * geometry.along[0], a.y + run * geometry.along[1], p[1]);
            world_from_cast * in_cast
        };
        let value = |id| stroke.figures.get(id).map(|m| m.value);
        let dip = geometry
            .dip
            .filter(|d| d.measured.value > d.measured.half_width_95())
            .map(|d| [d.from_h_m, d.path_h_m].map(|h| in_world(geometry.side_of_chord(d.s_m, h))));
        // The line is measured in the vertical plane through the tip along the chord.
        let along_x = geometry.along[0];
        let loop_seen = found.filter(|_| along_x.abs() > 0.1).map(|l| LoopInWorld {
            t_s: l.t_s,
            section: l.section_in_cast_m.map(|p| {
                let run = (p[0] - a.x) / along_x;
                world_from_cast * Point3::new(p[0], a.y + run * geometry.along[1], p[1])
            }),
        });
        let first_s = stroke.samples.first().map_or(0.0, |p| p.t_s);
        Self {
            camera,
            path,
            ink: if stroke.direction == Direction::Forward { FilmInk::Forward } else { FilmInk::Back },
            begin_s: value(FigureId::TStart).unwrap_or(first_s),
            rsp_s: geometry.t_rsp_s,
            chord: stroke.chord_in_cast.map(|p| world_from_cast * p),
            dip,
            loop_seen,
        }
    }

    /// The tip at an instant, cubic between the path's points (Hermite: positions and velocities of both ends).
    fn tip_in_world(&self, t_s: f64) -> Option<Point3<f64>> {
        let k = self.path.partition_point(|p| p.t_s < t_s).max(1);
        let (a, b) = (self.path.get(k - 1)?, self.path.get(k)?);
        let step_s = b.t_s - a.t_s;
        if t_s < a.t_s - 1e-9 || t_s > b.t_s + 1e-9 || !(step_s > 0.0) {
            return None;
        }
        let u = ((t_s - a.t_s) / step_s).clamp(0.0, 1.0);
        let (u2, u3) = (u * u, u * u * u);
        let at = |i: usize| {
            (2.0 * u3 - 3.0 * u2 + 1.0) * a.position_m[i]
                + (u3 - 2.0 * u2 + u) * step_s * a.velocity_m_s[i]
                + (3.0 * u2 - 2.0 * u3) * b.position_m[i]
                + (u3 - u2) * step_s * b.velocity_m_s[i]
        };
        Some(Point3::new(at(0), at(1), at(2)))
    }

    fn pixel(&self, t_s: f64) -> Option<RawPixel> {
        self.camera.camera.project(&self.tip_in_world(t_s)?)
    }

    /// Session time at which the frame with this presentation time saw the tip, and where; `None` where the path has no
    /// point then.
    #[must_use]
    pub fn tip(&self, pts_s: f64) -> Option<(f64, RawPixel)> {
        let mut t_s = self.camera.clock.session_s(pts_s, 0.0);
        let mut pixel = self.pixel(t_s)?;
        // Each round shrinks the error by tip speed times readout over the picture's height: under a hundredth.
        for _ in 0..4 {
            t_s = self.camera.clock.session_s(pts_s, self.camera.camera.picture.shutter_fraction(pixel));
            pixel = self.pixel(t_s)?;
        }
        Some((t_s, pixel))
    }

    /// A straight line in space: bent by the lens, so drawn in pieces.
    fn straight(
        &self,
        [a, b]: [Point3<f64>; 2],
        ink: FilmInk,
        width_px: f64,
        is_chain: bool,
    ) -> Option<DrawnLine> {
        const PIECES: u32 = 24;
        let points = (0..=PIECES)
            .map(|k| self.camera.camera.project(&(a + (b - a) * (f64::from(k) / f64::from(PIECES)))))
            .collect::<Option<Vec<_>>>()?;
        Some(DrawnLine { points, ink, width_px, is_chain })
    }

    /// A dimension with slanted ends.
    fn dimension(&self, ends: [Point3<f64>; 2], ink: FilmInk, out: &mut Vec<DrawnLine>) {
        let Some(line) = self.straight(ends, ink, 2.0, false) else { return };
        for end in [line.points.first(), line.points.last()].into_iter().flatten() {
            out.push(DrawnLine {
                points: vec![
                    RawPixel::new(end.x_px - 9.0, end.y_px + 5.0),
                    RawPixel::new(end.x_px + 9.0, end.y_px - 5.0),
                ],
                ..line.clone()
            });
        }
        out.push(line);
    }

    /// Part of the upright picture that holds the path between two session times and the caster below it: left, top,
    /// width, height, pixels.
    #[must_use]
    pub fn region_px(&self, from_s: f64, to_s: f64) -> [f64; 4] {
        let [width, height] = self.camera.camera.picture.upright_px().map(f64::from);
        let below = Vector3::new(0.0, 0.0, -BELOW_M);
        let mut points: Vec<RawPixel> = self
            .path
            .iter()
            .filter(|p| (from_s..=to_s).contains(&p.t_s))
            .flat_map(|p| {
                let tip = Point3::from(p.position_m);
                [self.camera.camera.project(&tip), self.camera.camera.project(&(tip + below))]
            })
            .flatten()
            .collect();
        if points.is_empty() {
            return [0.0, 0.0, width, height];
        }
        let of_loop = self.loop_seen.iter().filter(|l| l.t_s <= to_s).flat_map(|l| l.section);
        points.extend(of_loop.filter_map(|p| self.camera.camera.project(&p)));
        let ends = |pick: fn(&RawPixel) -> f64, most: f64| {
            let (low, high) = points
                .iter()
                .map(pick)
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
            let air = 0.1 * (high - low).max(60.0);
            ((low - air).clamp(0.0, most), (high + air).clamp(0.0, most))
        };
        let (left, right) = ends(|p| p.x_px, width);
        let (top, foot) = ends(|p| p.y_px, height);
        // Never taller than wide nor flatter than 16 to 9: widened about its middle.
        let wide = (right - left).max(foot - top).min(width);
        let tall = (foot - top).max(wide * 9.0 / 16.0).min(height);
        let start = |low: f64, high: f64, size: f64, most: f64| {
            (0.5 * (low + high) - 0.5 * size).clamp(0.0, (most - size).max(0.0))
        };
        [start(left, right, wide, width), start(top, foot, tall, height), wide, tall]
    }

    /// Everything to draw into the frame with this presentation time.
    #[must_use]
    pub fn lines(&self, pts_s: f64) -> Vec<DrawnLine> {
        let mut out = Vec::new();
        out.extend(self.straight(self.chord, FilmInk::Plain, 1.3, true));
        let now = self.tip(pts_s);
        let t_s = now.map_or_else(|| self.camera.clock.session_s(pts_s, 0.0), |(t_s, _)| t_s);
        // The path so far.
        let mut points = Vec::new();
        let mut at_s = self.begin_s;
        while at_s < t_s {
            points.extend(self.pixel(at_s));
            at_s += STEP_S;
        }
        if t_s > self.begin_s {
            points.extend(now.map(|(_, pixel)| pixel));
        }
        if points.len() > 1 {
            out.push(DrawnLine { points, ink: self.ink, width_px: 2.4, is_chain: false });
        }
        if let (Some(dip), true) = (self.dip, self.rsp_s.is_some_and(|rsp| t_s >= rsp)) {
            self.dimension(dip, FilmInk::Dip, &mut out);
        }
        if let Some(found) = self.loop_seen.as_ref().filter(|l| t_s >= l.t_s) {
            self.dimension(found.section, FilmInk::Loop, &mut out);
        }
        if let Some((_, centre)) = now {
            let ring = (0..=32).map(|k| {
                let (sin, cos) = (f64::from(k) * std::f64::consts::TAU / 32.0).sin_cos();
                RawPixel::new(centre.x_px + RING_PX * cos, centre.y_px + RING_PX * sin)
            });
            out.push(DrawnLine {
                points: ring.collect(),
                ink: FilmInk::Plain,
                width_px: 1.4,
                is_chain: false,
            });
        }
        out
    }
}

/// The four moments of a stroke with a still: session times.
#[must_use]
pub fn moments(stroke: &Stroke) -> Vec<(FilmMoment, f64)> {
    let value = |id| stroke.figures.get(id).map(|m| m.value);
    let (start_s, rsp_s, stop_s) = (value(FigureId::TStart), value(FigureId::TRsp), value(FigureId::TStop));
    let bend_s = rsp_s.zip(value(FigureId::BendLead)).map(|(rsp, lead_ms)| rsp - 1e-3 * lead_ms);
    let middle_s = start_s.zip(rsp_s).map(|(a, b)| 0.5 * (a + b));
    let after_s = rsp_s.and_then(|rsp| {
        stroke
            .samples
            .iter()
            .filter(|p| p.t_s > rsp && stop_s.is_none_or(|stop| p.t_s < stop + 0.2))
            .filter_map(|p| Some((p.t_s, p.bend_m?)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(t_s, _)| t_s)
    });
    [
        (FilmMoment::Start, start_s),
        (FilmMoment::LargestBend, bend_s.or(middle_s)),
        (FilmMoment::RodStraight, rsp_s),
        (FilmMoment::Counterflex, after_s.or(stop_s)),
    ]
    .into_iter()
    .filter_map(|(moment, t_s)| Some((moment, t_s?)))
    .collect()
}

/// Session times between which a stroke is filmed.
#[must_use]
pub fn span_s(stroke: &Stroke, found: Option<&StrokeLoop>, margin_s: f64) -> Option<(f64, f64)> {
    let times = moments(stroke);
    let value = |id| stroke.figures.get(id).map(|m| m.value);
    let first = value(FigureId::TStart)?;
    let last = times
        .iter()
        .map(|(_, t)| *t)
        .chain(value(FigureId::TStop))
        .chain(found.map(|l| l.t_s))
        .fold(first, f64::max);
    Some((first - margin_s, last + margin_s))
}
