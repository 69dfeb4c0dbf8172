//! From pixels to the cast plane: each ridge point is a ray; where it meets the plane is its place in the side view.

use nalgebra::{Point3, Unit, Vector3};

use crate::model::line::ClipRidges;
use crate::model::{Camera, Clock, RawPixel};

use super::geometry::{Flat, dot};

/// The vertical plane of a stroke: along its horizontal way and up.
#[derive(Debug, Clone, Copy)]
pub(super) struct SidePlane {
    /// A point of the plane.
    pub origin: Point3<f64>,
    /// Horizontal unit vector the way the stroke travels.
    pub way: Vector3<f64>,
    /// Horizontal unit vector to its left.
    pub left: Vector3<f64>,
}

impl SidePlane {
    /// The plane through a point along a direction; `None` when that is vertical or nothing.
    pub fn new(origin: Point3<f64>, toward: Vector3<f64>) -> Option<Self> {
        let way = Vector3::new(toward.x, toward.y, 0.0).try_normalize(1e-9)?;
        Some(Self { origin, way, left: Vector3::z().cross(&way) })
    }

    /// A world point seen from the side: along the way from the origin, height in the world.
    pub fn flat(&self, point: &Point3<f64>) -> Flat {
        [(point - self.origin).dot(&self.way), point.z]
    }

    /// Where a ray meets the plane moved `off_m` to the left, with the shift of that place per metre of such a move and the
    /// distance from the eye. `None` where the ray runs along the plane.
    pub fn hit(&self, eye: &Point3<f64>, ray: &Unit<Vector3<f64>>, off_m: f64) -> Option<(Flat, Flat, f64)> {
        let across = ray.dot(&self.left);
        if !(across.abs() > LEAST_ACROSS) {
            return None;
        }
        let distance_m = (off_m - (eye - self.origin).dot(&self.left)) / across;
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
    pub contrast: f64,
    pub sigma_m: f64,
    /// Shift per metre off the plane.
    pub lever: Flat,
    pub distance_m: f64,
}

impl View<'_> {
    /// Points of the frames between two session times, on the plane moved by `off_m`.
    pub fn points(&self, plane: &SidePlane, span_s: [f64; 2], off_m: f64) -> Vec<SidePoint> {
        let eye = self.camera.centre_in_world();
        let mut out = Vec::new();
        let hit = |x: f64, y: f64| {
            let ray = self.camera.ray_in_world(RawPixel::new(x, y))?;
            plane.hit(&eye, &ray, off_m)
        };
        for (frame, ridges) in self.ridges.frames.iter().enumerate() {
            let middle_s = self.clock.session_s(ridges.pts_s, 0.0);
            if middle_s < span_s[0] || middle_s > span_s[1] {
                continue;
            }
            for p in &ridges.points {
                let (x, y) = (f64::from(p.x_px), f64::from(p.y_px));
                let (sin, cos) = f64::from(p.angle_rad).sin_cos();
                let (Some((at, lever, distance_m)), Some((ahead, ..))) = (hit(x, y), hit(x + cos, y + sin))
                else {
                    continue;
                };
                let step = [ahead[0] - at[0], ahead[1] - at[1]];
                let length = dot(step, step).sqrt();
                if !(length > 1e-9) {
                    continue;
                }
                let fraction = self.camera.picture.shutter_fraction(p.pixel());
                out.push(SidePoint {
                    frame,
                    t_s: self.clock.session_s(ridges.pts_s, fraction),
                    at,
                    along: [step[0] / length, step[1] / length],
                    contrast: f64::from(p.contrast),
                    sigma_m: f64::from(p.sigma_px) * length,
                    lever,
                    distance_m,
                });
            }
        }
        out
    }
}
