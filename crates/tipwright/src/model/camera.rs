//! Lens, pose and picture geometry.
//!
//! Lens model: pinhole with Brown's radial and decentring terms in the order k1, k2, p1, p2, k3 (Brown, D. C.,
//! Photogrammetric Engineering 32 (1966) 444-462; the same order and sign as OpenCV's five-coefficient model).
//! Projection and its inverse are in [`crate::lens::projection`].

use nalgebra::{
    Isometry3, Matrix3, Matrix6, Point3, Quaternion, Rotation3, Translation3, UnitQuaternion, Vector3,
};
use serde::{Deserialize, Serialize};

/// A position in the upright, distorted picture, pixels; (0, 0) is the centre of the top-left pixel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RawPixel {
    /// To the right.
    pub x_px: f64,
    /// Downward.
    pub y_px: f64,
}

impl RawPixel {
    /// A pixel position.
    #[must_use]
    pub fn new(x_px: f64, y_px: f64) -> Self {
        Self { x_px, y_px }
    }
}

/// A direction in the camera frame as normalised coordinates: the point (x, y, 1). Distortion removed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UndistortedRay {
    /// X over Z.
    pub x: f64,
    /// Y over Z.
    pub y: f64,
}

/// Intrinsics of one camera mode, as in a lens file. Optional entries are what a calibration knows about itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lens {
    /// Width and height of the upright picture.
    pub resolution_px: [u32; 2],
    /// Focal length along x.
    pub fx_px: f64,
    /// Focal length along y.
    pub fy_px: f64,
    /// Principal point.
    pub cx_px: f64,
    /// Principal point.
    pub cy_px: f64,
    /// k1, k2, p1, p2, k3.
    pub distortion: [f64; 5],
    /// Root mean square of the corner residuals (both axes together, per corner, as OpenCV reports it).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rms_px: Option<f64>,
    /// Standard deviation of `fx_px`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fx_sd_px: Option<f64>,
    /// Standard deviation of `fy_px`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fy_sd_px: Option<f64>,
    /// Standard deviation of `cx_px`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cx_sd_px: Option<f64>,
    /// Standard deviation of `cy_px`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cy_sd_px: Option<f64>,
    /// Standard deviations of `distortion`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distortion_sd: Option<[f64; 5]>,
    /// Views the solution rests on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub views_used: Option<u32>,
    /// Views with a board that were left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub views_left_out: Option<u32>,
}

/// How the stored picture is turned to stand upright: the clockwise turn that the file's rotation tag asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Rotation {
    /// Stored upright.
    #[default]
    R0,
    /// Turn the stored picture 90 degrees clockwise.
    R90,
    /// Turn it upside down.
    R180,
    /// Turn it 270 degrees clockwise (90 counter-clockwise).
    R270,
}

impl Rotation {
    /// From a clockwise angle in degrees; `None` unless a multiple of 90.
    #[must_use]
    pub fn from_clockwise_deg(angle_deg: i32) -> Option<Self> {
        match angle_deg.rem_euclid(360) {
            0 => Some(Self::R0),
            90 => Some(Self::R90),
            180 => Some(Self::R180),
            270 => Some(Self::R270),
            _ => None,
        }
    }
}

/// Size and turn of a clip's picture: translates between stored and upright pixels and gives shutter rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Picture {
    /// Width and height as stored, before rotation.
    pub stored_px: [u32; 2],
    /// Turn from stored to upright.
    pub rotation: Rotation,
}

impl Rotation {
    /// A direction of the stored picture, radians from +x towards +y, in the upright one, modulo pi.
    #[must_use]
    pub fn upright_angle_rad(self, stored_rad: f64) -> f64 {
        let turned = match self {
            Self::R0 | Self::R180 => stored_rad,
            Self::R90 | Self::R270 => stored_rad + std::f64::consts::FRAC_PI_2,
        };
        turned.rem_euclid(std::f64::consts::PI)
    }
}

impl Picture {
    /// Width and height of the upright picture.
    #[must_use]
    pub fn upright_px(&self) -> [u32; 2] {
        let [w, h] = self.stored_px;
        match self.rotation {
            Rotation::R0 | Rotation::R180 => [w, h],
            Rotation::R90 | Rotation::R270 => [h, w],
        }
    }

    /// Upright position of a stored position (column `u_px`, row `v_px`).
    #[must_use]
    pub fn upright_from_stored(&self, u_px: f64, v_px: f64) -> RawPixel {
        let (w, h) = (f64::from(self.stored_px[0]) - 1.0, f64::from(self.stored_px[1]) - 1.0);
        match self.rotation {
            Rotation::R0 => RawPixel::new(u_px, v_px),
            Rotation::R90 => RawPixel::new(h - v_px, u_px),
            Rotation::R180 => RawPixel::new(w - u_px, h - v_px),
            Rotation::R270 => RawPixel::new(v_px, w - u_px),
        }
    }

    /// Stored position (column, row) of an upright position.
    #[must_use]
    pub fn stored_from_upright(&self, p: RawPixel) -> (f64, f64) {
        let (w, h) = (f64::from(self.stored_px[0]) - 1.0, f64::from(self.stored_px[1]) - 1.0);
        match self.rotation {
            Rotation::R0 => (p.x_px, p.y_px),
            Rotation::R90 => (p.y_px, h - p.x_px),
            Rotation::R180 => (w - p.x_px, h - p.y_px),
            Rotation::R270 => (w - p.y_px, p.x_px),
        }
    }

    /// `(v - (rows-1)/2) / rows` of the contract for an upright position: -0.5 to 0.5 along the shutter.
    #[must_use]
    pub fn shutter_fraction(&self, p: RawPixel) -> f64 {
        let (_, v_px) = self.stored_from_upright(p);
        let rows = f64::from(self.stored_px[1]);
        (v_px - (rows - 1.0) / 2.0) / rows
    }

    /// Derivative of [`Self::shutter_fraction`] with respect to upright x and y, per pixel.
    #[must_use]
    pub fn shutter_gradient_per_px(&self) -> [f64; 2] {
        let per_row = 1.0 / f64::from(self.stored_px[1]);
        match self.rotation {
            Rotation::R0 => [0.0, per_row],
            Rotation::R90 => [-per_row, 0.0],
            Rotation::R180 => [0.0, -per_row],
            Rotation::R270 => [per_row, 0.0],
        }
    }
}

/// Where a camera stands: takes world points to camera points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CameraPose {
    /// Rotation and translation, metres.
    pub camera_from_world: Isometry3<f64>,
}

impl CameraPose {
    /// From the numbers of a file: a unit quaternion w, x, y, z and a translation in metres.
    #[must_use]
    pub fn of([w, x, y, z]: [f64; 4], translation_m: [f64; 3]) -> Self {
        let rotation = UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z));
        Self { camera_from_world: Isometry3::from_parts(Translation3::from(translation_m), rotation) }
    }

    /// Its rotation as a unit quaternion w, x, y, z, as files have it.
    #[must_use]
    pub fn rotation_wxyz(&self) -> [f64; 4] {
        let q = self.camera_from_world.rotation.quaternion();
        [q.w, q.i, q.j, q.k]
    }

    /// A level camera at `from_m` that looks at `at_m`; `None` when it looks straight up, down or at itself.
    #[must_use]
    pub fn looking(from_m: Point3<f64>, at_m: Point3<f64>) -> Option<Self> {
        let forward = (at_m - from_m).try_normalize(1e-6)?;
        let right = forward.cross(&Vector3::z()).try_normalize(1e-6)?;
        let down = forward.cross(&right);
        let world_from_camera =
            Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[right, down, forward]));
        let rotation = UnitQuaternion::from_rotation_matrix(&world_from_camera).inverse();
        let translation = Translation3::from(-(rotation * from_m.coords));
        Some(Self { camera_from_world: Isometry3::from_parts(translation, rotation) })
    }

    /// Covariance of the pose's small errors (turn about the camera's axes, radians; translation of `camera_from_world`,
    /// metres) when the tripod may have been knocked: a turn about the camera itself, and a shift of its centre. A turn
    /// about the camera moves the translation along: it carries the world's origin to the camera.
    #[must_use]
    pub fn knock_covariance(&self, turn_sd_rad: f64, shift_sd_m: f64) -> Matrix6<f64> {
        let mut by_turn = nalgebra::Matrix6x3::zeros();
        by_turn.fixed_view_mut::<3, 3>(0, 0).fill_with_identity();
        let carried = -self.camera_from_world.translation.vector.cross_matrix();
        by_turn.fixed_view_mut::<3, 3>(3, 0).copy_from(&carried);
        let mut out = by_turn * by_turn.transpose() * turn_sd_rad.powi(2);
        for axis in 3..6 {
            out[(axis, axis)] += shift_sd_m.powi(2);
        }
        out
    }
}

/// A camera ready to project: lens, pose and picture geometry.
#[derive(Debug, Clone, PartialEq)]
pub struct Camera {
    /// Name in the session.
    pub name: String,
    /// Intrinsics.
    pub lens: Lens,
    /// Pose.
    pub pose: CameraPose,
    /// Picture size and rotation.
    pub picture: Picture,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rotation_there_and_back_is_identity() {
        for rotation in [Rotation::R0, Rotation::R90, Rotation::R180, Rotation::R270] {
            let picture = Picture { stored_px: [1920, 1080], rotation };
            let up = picture.upright_from_stored(13.25, 900.5);
            let (u, v) = picture.stored_from_upright(up);
            assert!((u - 13.25).abs() < 1e-12 && (v - 900.5).abs() < 1e-12, "{rotation:?}");
            let g = picture.shutter_gradient_per_px();
            let step = RawPixel::new(up.x_px + 1.0, up.y_px + 2.0);
            let d = picture.shutter_fraction(step) - picture.shutter_fraction(up);
            assert!((d - (g[0] + 2.0 * g[1])).abs() < 1e-12, "{rotation:?}");
        }
    }

    #[test]
    fn shutter_fraction_of_first_and_last_row() {
        let picture = Picture { stored_px: [1920, 1080], rotation: Rotation::R0 };
        let top = picture.shutter_fraction(RawPixel::new(5.0, 0.0));
        assert!((top + 539.5 / 1080.0).abs() < 1e-12);
        let turned = Picture { stored_px: [1920, 1080], rotation: Rotation::R180 };
        assert!((turned.shutter_fraction(RawPixel::new(5.0, 0.0)) - 539.5 / 1080.0).abs() < 1e-12);
    }
}
