//! A board corner seen through a lens, with the derivatives that calibration needs.
//!
//! Model: Brown (1966), see [`crate::model::camera`]. Parameters of the lens in this order everywhere inside
//! the calibration: fx, fy, cx, cy, k1, k2, p1, p2, k3. A pose is turned by `exp(w)` from the left and moved by
//! `u`: `camera_from_board = (exp(w) R, t + u)`, parameters w then u.

use nalgebra::{
    Isometry3, Matrix2x3, Matrix3, Point3, SMatrix, SVector, Translation3, UnitQuaternion, Vector3,
};

use crate::model::{Lens, UndistortedRay};

/// Number of lens parameters.
pub(crate) const LENS_PARAMS: usize = 9;
/// fx, fy, cx, cy, k1, k2, p1, p2, k3.
pub(crate) type LensVector = SVector<f64, LENS_PARAMS>;
/// A matrix over the lens parameters.
pub(crate) type LensMatrix = SMatrix<f64, LENS_PARAMS, LENS_PARAMS>;

/// A predicted pixel with its derivatives.
pub(crate) struct Prediction {
    /// Pixel x, y.
    pub pixel: SVector<f64, 2>,
    /// By the lens parameters.
    pub by_lens: SMatrix<f64, 2, LENS_PARAMS>,
    /// By the pose's small turn and move.
    pub by_pose: SMatrix<f64, 2, 6>,
    /// By the point in the camera frame.
    pub by_point: Matrix2x3<f64>,
}

/// The lens parameters of a lens.
pub(crate) fn vector_from_lens(lens: &Lens) -> LensVector {
    let [k1, k2, p1, p2, k3] = lens.distortion;
    LensVector::from([lens.fx_px, lens.fy_px, lens.cx_px, lens.cy_px, k1, k2, p1, p2, k3])
}

/// A lens without figures about itself from its parameters.
pub(crate) fn lens_from_vector(v: &LensVector, resolution_px: [u32; 2]) -> Lens {
    Lens::new(resolution_px, v[0], v[1], v[2], v[3], [v[4], v[5], v[6], v[7], v[8]])
}

/// The cross-product matrix of a vector.
pub(crate) fn cross_matrix(v: &Vector3<f64>) -> Matrix3<f64> {
    Matrix3::new(0.0, -v.z, v.y, v.z, 0.0, -v.x, -v.y, v.x, 0.0)
}

/// Moves a pose by a small turn (first three) and translation (last three).
pub(crate) fn moved(pose: &Isometry3<f64>, step: &SVector<f64, 6>) -> Isometry3<f64> {
    let turn = UnitQuaternion::from_scaled_axis(Vector3::new(step[0], step[1], step[2]));
    let mut rotation = turn * pose.rotation;
    rotation.renormalize();
    let translation = pose.translation.vector + Vector3::new(step[3], step[4], step[5]);
    Isometry3::from_parts(Translation3::from(translation), rotation)
}

/// Predicts where a board point lands; `None` on or behind the camera's plane (NaN counts as behind).
pub(crate) fn predict(
    lens: &LensVector,
    camera_from_board: &Isometry3<f64>,
    point_in_board: &Point3<f64>,
) -> Option<Prediction> {
    let turned = camera_from_board.rotation * point_in_board.coords;
    let p = turned + camera_from_board.translation.vector;
    if !(p.z > 1e-9) {
        return None;
    }
    let (x, y) = (p.x / p.z, p.y / p.z);
    let lens = lens_from_vector(lens, [0, 0]);
    let (fx, fy) = (lens.fx_px, lens.fy_px);
    let r2 = x * x + y * y;
    let (r4, r6) = (r2 * r2, r2 * r2 * r2);
    let (distorted, by_ray) = lens.distort_with_jacobian(UndistortedRay { x, y });
    let (xd, yd) = (distorted.x, distorted.y);
    let (ux, uy) = (fx * by_ray[(0, 0)], fx * by_ray[(0, 1)]);
    let (vx, vy) = (fy * by_ray[(1, 0)], fy * by_ray[(1, 1)]);
    let inverse_z = 1.0 / p.z;
    let by_point = Matrix2x3::new(
        ux * inverse_z,
        uy * inverse_z,
        -(ux * x + uy * y) * inverse_z,
        vx * inverse_z,
        vy * inverse_z,
        -(vx * x + vy * y) * inverse_z,
    );
    #[rustfmt::skip]
    let by_lens = SMatrix::<f64, 2, LENS_PARAMS>::from_row_slice(&[
        xd, 0.0, 1.0, 0.0, fx * x * r2, fx * x * r4, fx * 2.0 * x * y, fx * (r2 + 2.0 * x * x), fx * x * r6,
        0.0, yd, 0.0, 1.0, fy * y * r2, fy * y * r4, fy * (r2 + 2.0 * y * y), fy * 2.0 * x * y, fy * y * r6,
    ]);
    let mut by_pose = SMatrix::<f64, 2, 6>::zeros();
    by_pose.fixed_view_mut::<2, 3>(0, 0).copy_from(&(-by_point * cross_matrix(&turned)));
    by_pose.fixed_view_mut::<2, 3>(0, 3).copy_from(&by_point);
    Some(Prediction {
        pixel: SVector::<f64, 2>::new(fx * xd + lens.cx_px, fy * yd + lens.cy_px),
        by_lens,
        by_pose,
        by_point,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lens() -> LensVector {
        LensVector::from([1500.0, 1510.0, 960.0, 540.0, 0.19, -0.63, -0.0014, 0.0004, 0.6])
    }

    #[test]
    fn derivatives_agree_with_central_differences() {
        let lens = lens();
        let pose = Isometry3::new(Vector3::new(0.05, -0.1, 0.8), Vector3::new(0.3, -0.4, 0.2));
        let point = Point3::new(0.12, 0.05, 0.0);
        let at = predict(&lens, &pose, &point).unwrap();
        for i in 0..LENS_PARAMS {
            let h = 1e-6 * lens[i].abs().max(1.0);
            let (mut up, mut down) = (lens, lens);
            up[i] += h;
            down[i] -= h;
            let numeric = (predict(&up, &pose, &point).unwrap().pixel
                - predict(&down, &pose, &point).unwrap().pixel)
                / (2.0 * h);
            assert!((numeric - at.by_lens.column(i)).norm() < 1e-5 * (1.0 + numeric.norm()), "lens {i}");
        }
        for i in 0..6 {
            let mut step = SVector::<f64, 6>::zeros();
            step[i] = 1e-6;
            let numeric = (predict(&lens, &moved(&pose, &step), &point).unwrap().pixel
                - predict(&lens, &moved(&pose, &-step), &point).unwrap().pixel)
                / 2e-6;
            assert!((numeric - at.by_pose.column(i)).norm() < 1e-5 * (1.0 + numeric.norm()), "pose {i}");
        }
    }

    #[test]
    fn point_behind_camera_and_nan_have_no_pixel() {
        let pose = Isometry3::translation(0.0, 0.0, -1.0);
        assert!(predict(&lens(), &pose, &Point3::origin()).is_none());
        let pose = Isometry3::translation(0.0, 0.0, f64::NAN);
        assert!(predict(&lens(), &pose, &Point3::origin()).is_none());
    }
}
