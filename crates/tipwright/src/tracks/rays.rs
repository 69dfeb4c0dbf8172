//! Rays from cameras that stand somewhere known: epipolar distance and the point nearest to several rays.
//!
//! The epipolar distance is Sampson's first-order approximation (Hartley & Zisserman, Multiple View Geometry, 2nd
//! edition 2004, section 11.4.3) in undistorted normalised coordinates, given in pixels of the first camera's focal
//! length. The point nearest to rays is the weighted least squares of the distances across each ray; its covariance is
//! the inverse of that normal matrix.

use nalgebra::{Isometry3, Matrix3, Point3, Unit, Vector3};

use crate::model::CameraPose;

/// Essential matrix between two cameras: `ray_b' E ray_a = 0`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Epipolar {
    /// The matrix, of b from a.
    pub essential: Matrix3<f64>,
    /// Pixels per unit of normalised coordinates.
    pub focal_px: f64,
}

impl Epipolar {
    /// From two poses.
    #[must_use]
    pub fn between(a: &CameraPose, b: &CameraPose, focal_px: f64) -> Self {
        Self::of(&(b.camera_from_world * a.camera_from_world.inverse()), focal_px)
    }

    /// From the relative pose.
    #[must_use]
    pub fn of(b_from_a: &Isometry3<f64>, focal_px: f64) -> Self {
        let t = b_from_a.translation.vector;
        let essential = t.cross_matrix() * b_from_a.rotation.to_rotation_matrix().matrix();
        Self { essential, focal_px }
    }

    /// Sampson distance in pixels, signed.
    #[must_use]
    pub fn distance_px(&self, ray_a: [f64; 2], ray_b: [f64; 2]) -> f64 {
        let a = Vector3::new(ray_a[0], ray_a[1], 1.0);
        let b = Vector3::new(ray_b[0], ray_b[1], 1.0);
        let line_b = self.essential * a;
        let line_a = self.essential.tr_mul(&b);
        let norm =
            (line_b.x * line_b.x + line_b.y * line_b.y + line_a.x * line_a.x + line_a.y * line_a.y).sqrt();
        // Sampson's distance is that of two halves: times sqrt 2 it is one camera's distance to the other's line
        std::f64::consts::SQRT_2 * b.dot(&line_b) / norm * self.focal_px
    }
}

/// A ray in the world with its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WorldRay {
    /// Centre of the camera.
    pub origin: Point3<f64>,
    /// Unit direction.
    pub direction: Unit<Vector3<f64>>,
    /// Standard deviation across it, radians.
    pub sd_rad: f64,
}

impl WorldRay {
    /// The ray of undistorted normalised coordinates.
    #[must_use]
    pub fn new(pose: &CameraPose, ray: [f64; 2], sd_rad: f64) -> Self {
        let inverse = pose.camera_from_world.inverse();
        Self {
            origin: inverse * Point3::origin(),
            direction: Unit::new_normalize(inverse.rotation * Vector3::new(ray[0], ray[1], 1.0)),
            sd_rad,
        }
    }
}

/// A point between rays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RayPoint {
    /// The point.
    pub position: Point3<f64>,
    /// Its covariance.
    pub covariance: Matrix3<f64>,
}

/// The point nearest to two or more rays, weighted by their standard deviations at its distance. `None` for parallel
/// rays and for a point behind a camera.
///
/// ```
/// use nalgebra::{Point3, Unit, Vector3};
/// use tipwright::tracks::rays::{WorldRay, nearest_point};
/// let ray = |x: f64, dx: f64| WorldRay {
///     origin: Point3::new(x, 0.0, 0.0),
///     direction: Unit::new_normalize(Vector3::new(dx, 0.0, 1.0)),
///     sd_rad: 1e-4,
/// };
/// let point = nearest_point(&[ray(-1.0, 0.5), ray(1.0, -0.5)]).unwrap();
/// assert!((point.position - Point3::new(0.0, 0.0, 2.0)).norm() < 1e-12);
/// // across the depth both rays count at their slant distance: sd = sqrt(5) x 1e-4 m / sqrt(2)
/// assert!((point.covariance[(1, 1)].sqrt() - 5.0f64.sqrt() * 1e-4 / 2.0f64.sqrt()).abs() < 1e-9);
/// ```
#[must_use]
pub fn nearest_point(rays: &[WorldRay]) -> Option<RayPoint> {
    let mut distances = vec![1.0; rays.len()];
    let mut result = None;
    // the weights need the distances and these the point: two rounds are enough, weights matter little
    for _ in 0..3 {
        let mut normal = Matrix3::zeros();
        let mut right = Vector3::zeros();
        for (ray, distance) in rays.iter().zip(&distances) {
            let d = ray.direction.into_inner();
            let sd = ray.sd_rad * distance;
            let across = (Matrix3::identity() - d * d.transpose()) / (sd * sd);
            normal += across;
            right += across * ray.origin.coords;
        }
        let values = normal.symmetric_eigenvalues();
        let (smallest, largest) = (values.min(), values.max());
        // rays within about 0.06 degrees of each other have no crossing worth the name
        if !(smallest > 1e-6 * largest) {
            return None;
        }
        let covariance = normal.try_inverse()?;
        let position = Point3::from(covariance * right);
        for (ray, distance) in rays.iter().zip(&mut distances) {
            *distance = (position - ray.origin).dot(&ray.direction);
            if !(*distance > 1e-6) {
                return None;
            }
        }
        result = Some(RayPoint { position, covariance });
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(pose: &CameraPose, p: &Point3<f64>) -> [f64; 2] {
        let c = pose.camera_from_world * p;
        [c.x / c.z, c.y / c.z]
    }

    #[test]
    fn epipolar_distance_is_zero_for_the_same_point_and_grows_with_the_offset() {
        let a = CameraPose::looking(Point3::new(0.0, -8.0, 1.5), Point3::new(0.0, 0.0, 2.5)).unwrap();
        let b = CameraPose::looking(Point3::new(6.0, -5.0, 1.2), Point3::new(0.0, 0.0, 2.5)).unwrap();
        let epipolar = Epipolar::between(&a, &b, 1500.0);
        let p = Point3::new(0.4, 0.3, 3.0);
        let (ra, rb) = (seen(&a, &p), seen(&b, &p));
        assert!(epipolar.distance_px(ra, rb).abs() < 1e-9);
        let off = epipolar.distance_px(ra, [rb[0], rb[1] + 2.0 / 1500.0]).abs();
        assert!(off > 1.0 && off < 2.5, "{off}");
    }

    #[test]
    fn parallel_rays_and_a_point_behind_the_camera_give_none() {
        let ray = |x: f64, dx: f64, dz: f64| WorldRay {
            origin: Point3::new(x, 0.0, 0.0),
            direction: Unit::new_normalize(Vector3::new(dx, 0.0, dz)),
            sd_rad: 1e-4,
        };
        assert!(nearest_point(&[ray(-1.0, 0.0, 1.0), ray(1.0, 0.0, 1.0)]).is_none());
        assert!(nearest_point(&[ray(-1.0, -0.5, 1.0), ray(1.0, 0.5, 1.0)]).is_none());
        assert!(nearest_point(&[ray(-1.0, f64::NAN, 1.0), ray(1.0, 0.5, 1.0)]).is_none());
        assert!(nearest_point(&[ray(-1.0, 0.1, 1.0)]).is_none());
    }
}
