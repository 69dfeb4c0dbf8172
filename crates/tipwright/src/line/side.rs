//! From pixels to the cast plane: each ridge point is a ray; where it meets the plane is its place in the side view.

use nalgebra::{Point3, Unit, Vector3};

use crate::model::line::ClipRidges;
use crate::model::{Camera, Clock, RawPixel};

use super::geometry::{Flat, dot};

/// The side view of a stroke, along its horizontal way and up, and the plane in which the line is taken to be: the
/// line follows the tip, so it lies in the plane the tip swung in, which a canted rod leans to one side.
#[derive(Debug, Clone, Copy)]
pub(super) struct SidePlane {
    /// A point of the plane.
    pub origin: Point3<f64>,
    /// Horizontal unit vector the way the stroke travels.
    pub way: Vector3<f64>,
    /// Horizontal unit vector to its left.
    pub left: Vector3<f64>,
    /// How far the plane leans to the left per metre along the way and per metre up.
    pub lean: Flat,
}

/// Leans stay within this, one standard deviation: a rod canted by 15 degrees (common practice: most cast within that of
/// upright).
const LEAN_SD: f64 = 0.27;
/// Scatter of the tip about its plane that the fit counts with.
const TIP_SCATTER_M: f64 = 0.05;

impl SidePlane {
    /// The plane that the places of the tip lie in best, its side view along `toward`; `None` when that is vertical or nothing.
    pub fn through(tips: &[Point3<f64>], toward: Vector3<f64>) -> Option<Self> {
        let way = Vector3::new(toward.x, toward.y, 0.0).try_normalize(1e-9)?;
        let left = Vector3::z().cross(&way);
        let n = tips.len() as f64;
        let origin = Point3::from(tips.iter().map(|p| p.coords).sum::<Vector3<f64>>() / n);
        let mut normal = nalgebra::Matrix2::identity() * (TIP_SCATTER_M / LEAN_SD).powi(2);
        let mut right = nalgebra::Vector2::zeros();
        for p in tips {
            let r = p - origin;
            let row = nalgebra::Vector2::new(r.dot(&way), r.z);
            normal += row * row.transpose();
            right += row * r.dot(&left);
        }
        let lean = normal.cholesky()?.solve(&right);
        let plane = Self { origin, way, left, lean: [lean.x, lean.y] };
        (lean.x.is_finite() && lean.y.is_finite()).then_some(plane)
    }

    /// A world point seen from the side: along the way from the origin, height in the world.
    pub fn flat(&self, point: &Point3<f64>) -> Flat {
        [(point - self.origin).dot(&self.way), point.z]
    }

    /// Distance of a world point from the plane, to the left, along the horizontal.
    pub fn off_m(&self, point: &Point3<f64>) -> f64 {
        let r = point - self.origin;
        r.dot(&self.left) - self.lean[0] * r.dot(&self.way) - self.lean[1] * r.z
    }

    /// Where a ray meets the plane moved `off_m` to the left, with the shift of that place per metre of such a move and the
    /// distance from the eye. `None` where the ray runs along the plane.
    pub fn hit(&self, eye: &Point3<f64>, ray: &Unit<Vector3<f64>>, off_m: f64) -> Option<(Flat, Flat, f64)> {
        let normal = self.left - self.lean[0] * self.way - self.lean[1] * Vector3::z();
        let across = ray.dot(&normal);
        if !(across.abs() > LEAST_ACROSS) {
            return None;
        }
        let distance_m = (off_m - (eye - self.origin).dot(&normal)) / across;
        if !(distance_m > 0.5) {
            return None;
        }
        let at = self.flat(&(eye + distance_m * ray.into_inner()));
        Some((at, [ray.dot(&self.way) / across, ray.z / across], distance_m))
    }
}

/// Least cosine between a ray and the plane's normal: at 0.2 (78 degrees off broadside) a pixel is five times as long
/// along the way as it is high.
const LEAST_ACROSS: f64 = 0.2;

/// One camera's ridge points, with what turns them into places and times.
pub(super) struct View<'a> {
    pub camera: &'a Camera,
    pub clock: &'a Clock,
    pub ridges: &'a ClipRidges,
}

/// A ridge point in the side view.
#[derive(Debug, Clone, Copy)]
pub(super) struct SidePoint {
    pub frame: usize,
    pub t_s: f64,
    pub at: Flat,
    /// Unit vector along the curve, either way.
    pub along: Flat,
    /// Shift per metre off the plane.
    pub lever: Flat,
    pub distance_m: f64,
}

/// A ridge point as two rays, through it and through its neighbour along the curve.
pub(super) struct Rays {
    frame: usize,
    t_s: f64,
    rays: [Unit<Vector3<f64>>; 2],
}

impl View<'_> {
    /// Points of the frames between two session times that lie within `reach_m` of the tip.
    pub fn rays(
        &self,
        plane: &SidePlane,
        span_s: [f64; 2],
        tip_at: &dyn Fn(f64) -> Option<Flat>,
        reach_m: [f64; 2],
    ) -> Vec<Rays> {
        let eye = self.camera.centre_in_world();
        let mut out = Vec::new();
        for (frame, ridges) in self.ridges.frames.iter().enumerate() {
            let middle_s = self.clock.session_s(ridges.pts_s, 0.0);
            if middle_s < span_s[0] || middle_s > span_s[1] {
                continue;
            }
            let Some(tip) = tip_at(middle_s) else { continue };
            for p in &ridges.points {
                let Some(ray) = self.camera.ray_in_world(p.pixel()) else { continue };
                let Some((at, ..)) = plane.hit(&eye, &ray, 0.0) else { continue };
                if (at[0] - tip[0]).abs() > reach_m[0] || (at[1] - tip[1]).abs() > reach_m[1] {
                    continue;
                }
                let (sin, cos) = f64::from(p.angle_rad).sin_cos();
                let beside = RawPixel::new(f64::from(p.x_px) + cos, f64::from(p.y_px) + sin);
                let Some(ahead) = self.camera.ray_in_world(beside) else { continue };
                let fraction = self.camera.picture.shutter_fraction(p.pixel());
                out.push(Rays {
                    frame,
                    t_s: self.clock.session_s(ridges.pts_s, fraction),
                    rays: [ray, ahead],
                });
            }
        }
        out
    }

    /// Where the rays meet the plane moved by `off_m` of the time.
    pub fn points(&self, plane: &SidePlane, rays: &[Rays], off_m: &dyn Fn(f64) -> f64) -> Vec<SidePoint> {
        let eye = self.camera.centre_in_world();
        rays.iter()
            .filter_map(|r| {
                let off_m = off_m(r.t_s);
                let (at, lever, distance_m) = plane.hit(&eye, &r.rays[0], off_m)?;
                let (ahead, ..) = plane.hit(&eye, &r.rays[1], off_m)?;
                let step = [ahead[0] - at[0], ahead[1] - at[1]];
                let length = dot(step, step).sqrt();
                (length > 1e-9).then_some(SidePoint {
                    frame: r.frame,
                    t_s: r.t_s,
                    at,
                    along: [step[0] / length, step[1] / length],
                    lever,
                    distance_m,
                })
            })
            .collect()
    }
}
