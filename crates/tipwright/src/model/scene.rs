//! A solved set-up: where the cameras stand and how their clocks run.

use serde::{Deserialize, Serialize};

use super::camera::{CameraPose, Lens};
use super::clock::Clock;
use super::hung_wands::HungWands;

/// One camera of scene.toml.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SceneCamera {
    /// Name in the session.
    pub name: String,
    /// Rotation of camera_from_world as a unit quaternion w, x, y, z.
    pub rotation_wxyz: [f64; 4],
    /// Standard deviation of a small turn about the camera's x, y, z axes, degrees.
    pub rotation_sd_deg: [f64; 3],
    /// Translation of camera_from_world, metres.
    pub translation_m: [f64; 3],
    /// Its standard deviation.
    pub translation_sd_m: [f64; 3],
    /// Clock of the scene's clips.
    pub offset_s: f64,
    /// Its standard deviation.
    pub offset_sd_s: f64,
    /// Rate error, seconds per second.
    pub drift: f64,
    /// Its standard deviation.
    pub drift_sd: f64,
    /// Rolling-shutter readout.
    pub readout_s: f64,
    /// Its standard deviation.
    pub readout_sd_s: f64,
}

impl SceneCamera {
    /// The pose.
    #[must_use]
    pub fn pose(&self) -> CameraPose {
        CameraPose::of(self.rotation_wxyz, self.translation_m)
    }

    /// Sets rotation and translation from a pose.
    pub fn set_pose(&mut self, pose: &CameraPose) {
        self.rotation_wxyz = pose.rotation_wxyz();
        self.translation_m = pose.camera_from_world.translation.vector.into();
    }

    /// The clock of the scene's clips.
    #[must_use]
    pub fn clock(&self) -> Clock {
        Clock { offset_s: self.offset_s, drift: self.drift, readout_s: self.readout_s }
    }
}

/// How good a scene is.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SceneQuality {
    /// Root mean square of the wand's measured length about its known one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wand_rms_mm: Option<f64>,
    /// Median distance between the wand's two markers over the wand clip, as the cameras saw it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wand_measured_m: Option<f64>,
    /// Root mean square distance between observed and predicted pixels, accepted observations.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reprojection_rms_px: Option<f64>,
    /// Gravity from a tossed ball.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gravity_m_s2: Option<f64>,
    /// Its standard deviation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gravity_sd_m_s2: Option<f64>,
    /// Relative standard deviation of the scale; absent when the unit is the first baseline.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale_sd_relative: Option<f64>,
    /// Observations used.
    #[serde(default)]
    pub observations_accepted: u64,
    /// Observations set aside.
    #[serde(default)]
    pub observations_rejected: u64,
}

/// What the wand says of a lens beyond its file: added to the file's values wherever the scene is used.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct LensCorrection {
    /// Natural logarithm of a factor on both focal lengths.
    pub focal_log: f64,
    /// Shift of the principal point, pixels.
    pub centre_shift_px: [f64; 2],
    /// Addition to k1.
    pub k1_shift: f64,
}

impl LensCorrection {
    /// The lens with this correction.
    #[must_use]
    pub fn applied(&self, lens: &Lens) -> Lens {
        let mut out = lens.clone();
        out.fx_px *= self.focal_log.exp();
        out.fy_px *= self.focal_log.exp();
        out.cx_px += self.centre_shift_px[0];
        out.cy_px += self.centre_shift_px[1];
        out.distortion[0] += self.k1_shift;
        out
    }
}

/// scene.toml.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Scene {
    /// Version of this layout.
    pub schema: u32,
    /// Unit of translations: "m" or "first_baseline".
    pub length_unit: String,
    /// Cameras in session order; the first one's clock is the session's.
    #[serde(default, rename = "camera")]
    pub cameras: Vec<SceneCamera>,
    /// Distance over the ground from the origin, which is the middle of the wand's volume, within which 95 of 100 places of the
    /// wand lie (of a wand that was hung at two places both), metres; absent where no wand was filmed. Who casts beyond it is somebody else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wand_reach_m: Option<f64>,
    /// The plane of the cast, where there is one camera only: y = 0, as a wand hung still at two places tells it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hung: Option<HungWands>,
    /// Quality figures.
    #[serde(default)]
    pub quality: SceneQuality,
    /// Joint covariance of all cameras' small pose errors, row-major 6N x 6N in SI (turn x, y, z in radians about
    /// the camera axes, then translation x, y, z in metres of camera_from_world, camera by camera); empty when
    /// not known. Used for draws; the wand's length error is in it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pose_covariance: Vec<f64>,
    /// Corrections of the lens files, camera by camera; empty when the scene took them as they are.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lens_correction: Vec<LensCorrection>,
    /// Joint covariance of everything about the set-up that a take inherits, row-major, [`Scene::PARAMETERS`] a camera: turn
    /// and translation as in `pose_covariance`, readout (seconds), focal logarithm, principal point x, y (pixels), k1; empty
    /// when not known. What the wand ties together stays tied in the takes.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub set_up_covariance: Vec<f64>,
}

impl Scene {
    /// Parameters of one camera in `set_up_covariance`.
    pub const PARAMETERS: usize = 11;

    /// The lens of a camera as the scene corrects it.
    #[must_use]
    pub fn lens_of(&self, camera_idx: usize, lens: &Lens) -> Lens {
        self.lens_correction.get(camera_idx).map_or_else(|| lens.clone(), |c| c.applied(lens))
    }
}
