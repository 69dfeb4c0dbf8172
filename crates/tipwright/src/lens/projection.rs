//! Projection through Brown's lens model and its inverse.
//!
//! With normalised coordinates (x, y) and r2 = x2 + y2 the distorted ones are
//! `x' = x (1 + k1 r2 + k2 r4 + k3 r6) + 2 p1 x y + p2 (r2 + 2 x2)`,
//! `y' = y (1 + k1 r2 + k2 r4 + k3 r6) + p1 (r2 + 2 y2) + 2 p2 x y`, and the pixel is `(fx x' + cx, fy y' + cy)`
//! (Brown 1966; order and signs as OpenCV documents for its five-coefficient model).
//! Points behind the camera and pixels outside the range where the model can be inverted give `None`.

use nalgebra::{Matrix2, Matrix2x3, Point3, Unit, Vector2, Vector3};

use crate::model::{Camera, Lens, RawPixel, UndistortedRay};

/// Nearest depth that projects, metres (or the scene's unit).
const NEAREST_DEPTH: f64 = 1e-6;
/// Newton's method on this smooth map gains two digits a step; 20 steps are ample or it does not converge at all.
const MOST_STEPS: usize = 20;
/// Step in normalised coordinates below which the inverse has converged: 1e-12 of a focal length.
const SMALLEST_STEP: f64 = 1e-12;

impl Lens {
    /// Distorted normalised coordinates and their 2x2 derivative by the undistorted ones.
    #[must_use]
    pub fn distort_with_jacobian(&self, ray: UndistortedRay) -> (Vector2<f64>, Matrix2<f64>) {
        let [k1, k2, p1, p2, k3] = self.distortion;
        let (x, y) = (ray.x, ray.y);
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
        let radial_by_r2 = k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3);
        let distorted = Vector2::new(
            x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
            y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        );
        let cross = 2.0 * x * y * radial_by_r2 + 2.0 * p1 * x + 2.0 * p2 * y;
        let jacobian = Matrix2::new(
            radial + 2.0 * x * x * radial_by_r2 + 2.0 * p1 * y + 6.0 * p2 * x,
            cross,
            cross,
            radial + 2.0 * y * y * radial_by_r2 + 6.0 * p1 * y + 2.0 * p2 * x,
        );
        (distorted, jacobian)
    }

    /// Pixel of a direction.
    #[must_use]
    pub fn distort(&self, ray: UndistortedRay) -> RawPixel {
        let (d, _) = self.distort_with_jacobian(ray);
        RawPixel::new(self.fx_px * d.x + self.cx_px, self.fy_px * d.y + self.cy_px)
    }

    /// Direction of a pixel by Newton's method; `None` where the model folds over (far outside the picture).
    ///
    /// ```
    /// use tipwright::model::{Lens, RawPixel};
    /// let lens = Lens::new([1920, 1080], 1569.2, 1572.0, 956.6, 533.1, [0.189, -0.627, -0.0014, 0.0004, 0.606]);
    /// let ray = lens.undistort(RawPixel::new(100.0, 900.0)).unwrap();
    /// let back = lens.distort(ray);
    /// assert!((back.x_px - 100.0).abs() < 1e-9 && (back.y_px - 900.0).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn undistort(&self, pixel: RawPixel) -> Option<UndistortedRay> {
        let wanted =
            Vector2::new((pixel.x_px - self.cx_px) / self.fx_px, (pixel.y_px - self.cy_px) / self.fy_px);
        let mut guess = wanted;
        for _ in 0..MOST_STEPS {
            let (d, jacobian) = self.distort_with_jacobian(UndistortedRay { x: guess.x, y: guess.y });
            if jacobian.determinant() <= 0.0 {
                return None;
            }
            let step = jacobian.try_inverse()? * (wanted - d);
            guess += step;
            if step.norm() < SMALLEST_STEP {
                let ray = UndistortedRay { x: guess.x, y: guess.y };
                return (ray.x.is_finite() && ray.y.is_finite()).then_some(ray);
            }
        }
        None
    }

    /// Pixel of a point in the camera frame; `None` behind or at the camera.
    #[must_use]
    pub fn project(&self, in_camera: &Point3<f64>) -> Option<RawPixel> {
        if !(in_camera.z > NEAREST_DEPTH) {
            return None;
        }
        Some(self.distort(UndistortedRay { x: in_camera.x / in_camera.z, y: in_camera.y / in_camera.z }))
    }

    /// Pixel of a point in the camera frame and its 2x3 derivative by that point, pixels per unit of length.
    #[must_use]
    pub fn project_with_jacobian(&self, in_camera: &Point3<f64>) -> Option<(RawPixel, Matrix2x3<f64>)> {
        if !(in_camera.z > NEAREST_DEPTH) {
            return None;
        }
        let inv_z = 1.0 / in_camera.z;
        let (x, y) = (in_camera.x * inv_z, in_camera.y * inv_z);
        let (d, by_ray) = self.distort_with_jacobian(UndistortedRay { x, y });
        let ray_by_point = Matrix2x3::new(inv_z, 0.0, -x * inv_z, 0.0, inv_z, -y * inv_z);
        let scale = Matrix2::new(self.fx_px, 0.0, 0.0, self.fy_px);
        let pixel = RawPixel::new(self.fx_px * d.x + self.cx_px, self.fy_px * d.y + self.cy_px);
        Some((pixel, scale * by_ray * ray_by_point))
    }

    /// A lens without a record of its own accuracy.
    #[must_use]
    pub fn new(
        resolution_px: [u32; 2],
        fx_px: f64,
        fy_px: f64,
        cx_px: f64,
        cy_px: f64,
        distortion: [f64; 5],
    ) -> Self {
        Self {
            resolution_px,
            fx_px,
            fy_px,
            cx_px,
            cy_px,
            distortion,
            rms_px: None,
            fx_sd_px: None,
            fy_sd_px: None,
            cx_sd_px: None,
            cy_sd_px: None,
            distortion_sd: None,
            views_used: None,
            views_left_out: None,
        }
    }
}

impl Camera {
    /// Pixel of a world point; `None` behind the camera.
    #[must_use]
    pub fn project(&self, in_world: &Point3<f64>) -> Option<RawPixel> {
        self.lens.project(&(self.pose.camera_from_world * in_world))
    }

    /// Centre of the camera in the world.
    #[must_use]
    pub fn centre_in_world(&self) -> Point3<f64> {
        self.pose.camera_from_world.inverse() * Point3::origin()
    }

    /// Unit direction in the world of the ray through a pixel.
    #[must_use]
    pub fn ray_in_world(&self, pixel: RawPixel) -> Option<Unit<Vector3<f64>>> {
        let ray = self.lens.undistort(pixel)?;
        let direction = self.pose.camera_from_world.rotation.inverse() * Vector3::new(ray.x, ray.y, 1.0);
        Some(Unit::new_normalize(direction))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn phone() -> Lens {
        Lens::new(
            [1920, 1080],
            1569.2133510353567,
            1572.0082312735778,
            956.6414016207103,
            533.1129574904855,
            [
                0.1888803002995303,
                -0.6268259695581048,
                -0.0014010104725158184,
                0.0003932341772251142,
                0.6061741343069857,
            ],
        )
    }

    proptest! {
        #[test]
        fn undistort_then_distort_is_identity(x_px in 0.0..1919.0f64, y_px in 0.0..1079.0f64) {
            let lens = phone();
            let back = lens.distort(lens.undistort(RawPixel::new(x_px, y_px)).unwrap());
            prop_assert!((back.x_px - x_px).abs() < 1e-8 && (back.y_px - y_px).abs() < 1e-8);
        }

        #[test]
        fn jacobian_agrees_with_differences(x in -3.0..3.0f64, y in -1.5..1.5f64, z in 4.0..10.0f64) {
            let lens = phone();
            let p = Point3::new(x, y, z);
            let (_, jacobian) = lens.project_with_jacobian(&p).unwrap();
            for axis in 0..3 {
                let step = 1e-6;
                let (mut a, mut b) = (p, p);
                a[axis] -= step;
                b[axis] += step;
                let (pa, pb) = (lens.project(&a).unwrap(), lens.project(&b).unwrap());
                let numeric = [(pb.x_px - pa.x_px) / (2.0 * step), (pb.y_px - pa.y_px) / (2.0 * step)];
                prop_assert!((jacobian[(0, axis)] - numeric[0]).abs() < 1e-4);
                prop_assert!((jacobian[(1, axis)] - numeric[1]).abs() < 1e-4);
            }
        }
    }

    #[test]
    fn a_point_behind_the_camera_and_nan_give_none() {
        assert!(phone().project(&Point3::new(0.0, 0.0, -1.0)).is_none());
        assert!(phone().project(&Point3::new(0.0, 0.0, f64::NAN)).is_none());
        assert!(phone().undistort(RawPixel::new(f64::NAN, 0.0)).is_none());
    }
}
