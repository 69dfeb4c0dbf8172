//! Before filming: what two rough tripod positions will be able to tell, and how to stand better.
//!
//! Frame: x the way the forward cast travels, y to the left of it, z up, origin on the ground under the caster's hand;
//! metres. A model wand is waved and model strokes are cast through the volume in that frame, seen by the cameras as the
//! real ones will be (rolling shutter, frame by frame, each at its own instant), and the equations of the real solution
//! ([`crate::motion`]) are set up for them: their covariance is what a measurement there can be expected to have. So clocks,
//! readouts and poses that would have to be found along with the path are in it, and a set-up whose epipolar lines run
//! along the cast shows as what it is.
//!
//! - `expect`: the wand's and the strokes' equations. `model_cast`: their movements.
//! - `advice`: the same for set-ups with one thing changed, and which changes help.
//! - `page`: maps as SVG, page, table.
//!
//! What stays out: how well a marker shows against its background, and lens files that are wrong.

mod advice;
mod expect;
mod model_cast;
#[cfg(test)]
mod tests;

use nalgebra::{Point3, Vector3};
use serde::Serialize;

pub use advice::{Advice, Change};
pub use expect::{Cell, Expected, SetUp};

use crate::model::{Camera, CameraPose, Lens, Picture, Warning};

/// A camera as it is meant to stand.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanCamera {
    /// Name.
    pub name: String,
    /// Lens centre.
    pub position_m: Point3<f64>,
    /// Where it looks.
    pub look_at_m: Point3<f64>,
    /// Its lens, or one of the same field of view ([`lens_of_field`]).
    pub lens: Lens,
    /// Readout where it is known, seconds.
    pub readout_s: Option<f64>,
}

/// Settings of [`plan`].
#[derive(Debug, Clone, PartialEq)]
pub struct PlanConfig {
    /// Frames per second. 240: what phones offer for slow motion.
    pub fps: f64,
    /// Standard deviation of a marker's place in a picture, pixels. 0.15: a 40 mm marker at 8 m against a plain
    /// background, blur and uneven lighting included (measured on simulated pictures: 0.06 to 0.3).
    pub sigma_px: f64,
    /// Diameter of the tip marker, metres.
    pub marker_m: f64,
    /// Middle of a stroke of the tip: 3.3 m up, for a 2.74 m rod held by a person.
    pub middle_m: Point3<f64>,
    /// Half the size of the casting volume. A 9 ft rod through 90 degrees needs 5 m by 4.5 m; half a caster's step to
    /// either side (common practice).
    pub half_size_m: Vector3<f64>,
    /// Distance of the map's cells.
    pub cell_m: f64,
    /// Strokes in a take: the clocks are found from all of them. 4: a short take.
    pub strokes: u32,
    /// How long the wand is waved. 20 s: what the instructions ask for.
    pub wand_s: f64,
    /// Length of the wand and its standard deviation.
    pub wand_length_m: [f64; 2],
    /// Readout when it is unknown, as a share of the frame step, and its standard deviation: published phones read out in
    /// 0.45 to 0.97 of it (Ringaby & Forssen, IJCV 96 (2011) 335; Oth et al., CVPR 2013).
    pub readout_share: [f64; 2],
    /// Rate errors of phones' clocks: 20 ppm for most (Akhmetyanov et al. 2021).
    pub drift_sd: f64,
    /// Settling of a tripod between wand and take: turn, radians, and translation, metres.
    pub settle: [f64; 2],
    /// A point must be this far inside the picture to count as seen, pixels.
    pub margin_px: f64,
}

impl Default for PlanConfig {
    fn default() -> Self {
        Self {
            fps: 240.0,
            sigma_px: 0.15,
            marker_m: 0.04,
            middle_m: Point3::new(0.0, 0.0, 3.3),
            half_size_m: Vector3::new(2.2, 1.0, 1.0),
            cell_m: 0.5,
            strokes: 4,
            wand_s: 20.0,
            wand_length_m: [1.0, 5e-4],
            readout_share: [0.7, 0.2],
            drift_sd: 3e-5,
            settle: [3e-5, 2e-4],
            margin_px: 10.0,
        }
    }
}

/// NaN lies in no range.
fn in_range(what: &'static str, value: f64, [low, high]: [f64; 2]) -> Result<(), PlanError> {
    if value >= low && value <= high { Ok(()) } else { Err(PlanError::OutOfRange { what, value, low, high }) }
}

impl PlanConfig {
    /// Settings that a plan can be reckoned with: frames times strokes stay below a million.
    fn check(&self) -> Result<(), PlanError> {
        in_range("fps", self.fps, [10.0, 2000.0])?;
        in_range("sigma_px", self.sigma_px, [1e-3, 100.0])?;
        in_range("marker_m", self.marker_m, [1e-3, 1.0])?;
        in_range("tip_height_m", self.middle_m.z, [0.5, 20.0])?;
        in_range("cell_m", self.cell_m, [0.05, 10.0])?;
        in_range("half_size_m", self.half_size_m.min(), [0.1, 20.0])?;
        in_range("half_size_m", self.half_size_m.max(), [0.1, 20.0])?;
        in_range("strokes", f64::from(self.strokes), [1.0, 100.0])?;
        in_range("wand_s", self.wand_s, [1.0, 300.0])?;
        in_range("wand_length_m", self.wand_length_m[0], [0.05, 20.0])
    }
}

/// What can be expected.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// Cameras with what each sees.
    pub cameras: Vec<CameraReport>,
    /// Angle between the two widest rays to the middle, degrees.
    pub convergence_deg: f64,
    /// In the middle of the volume.
    pub middle: Expected,
    /// Map seen from above, at the height of the middle.
    pub above: Vec<Cell>,
    /// Map seen from the side, through the middle.
    pub beside: Vec<Cell>,
    /// Cells of both maps that every camera sees.
    pub seen_share: f64,
    /// Distance of the cells.
    pub cell_m: f64,
    /// What would help, the most helpful first.
    pub advice: Vec<Advice>,
    /// What is wrong whatever the numbers say.
    pub warnings: Vec<Warning>,
}

/// A camera of a plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CameraReport {
    /// Name.
    pub name: String,
    /// Where it stands.
    pub position_m: [f64; 3],
    /// Distance to the middle.
    pub distance_m: f64,
    /// Millimetres a pixel there.
    pub mm_per_px: f64,
    /// Size of the tip marker there.
    pub marker_px: f64,
}

/// Why nothing can be planned.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// Not two cameras.
    #[error(
        "a plan needs rough positions of two cameras, got {got}; add rough_position_m = [x, y, z] to each [[camera]], or give --camera NAME=X,Y,Z"
    )]
    TooFewCameras {
        /// With a position.
        got: usize,
    },
    /// A setting that cannot be: with it the reckoning would not end, or mean nothing.
    #[error("{what} = {value} does not lie between {low} and {high}; correct it")]
    OutOfRange {
        /// Setting.
        what: &'static str,
        /// As given.
        value: f64,
        /// Least.
        low: f64,
        /// Largest.
        high: f64,
    },
    /// A camera looks at nothing.
    #[error(
        "camera {camera} stands where it looks, or straight below or above; give it a place beside the casting volume"
    )]
    LooksAtItself {
        /// Camera.
        camera: String,
    },
    /// Nobody sees the middle.
    #[error("{what}; stand farther back or look elsewhere")]
    Unseen {
        /// What is not seen by whom.
        what: String,
    },
}

/// A lens of a given horizontal field of view without distortion.
#[must_use]
pub fn lens_of_field(field_deg: f64, resolution_px: [u32; 2]) -> Lens {
    let [w, h] = resolution_px.map(f64::from);
    let f_px = 0.5 * w / (0.5 * field_deg.to_radians()).tan();
    Lens::new(resolution_px, f_px, f_px, 0.5 * (w - 1.0), 0.5 * (h - 1.0), [0.0; 5])
}

impl PlanCamera {
    /// Ready to project; `None` when it looks straight up, down or at itself.
    #[must_use]
    pub fn camera(&self) -> Option<Camera> {
        Some(Camera {
            name: self.name.clone(),
            lens: self.lens.clone(),
            pose: CameraPose::looking(self.position_m, self.look_at_m)?,
            picture: Picture { stored_px: self.lens.resolution_px, rotation: crate::model::Rotation::R0 },
        })
    }
}

/// What can be expected in the middle of the volume, and the angle between the two widest rays to it, degrees: the part of [`plan`]
/// that takes a moment.
///
/// # Errors
/// See [`PlanError`].
pub fn expected_in_the_middle(
    cameras: &[PlanCamera],
    config: &PlanConfig,
) -> Result<(Expected, f64), PlanError> {
    config.check()?;
    let set_up = SetUp::expect(cameras, config)?;
    let (middle, _) = set_up.middle(config)?;
    Ok((middle, set_up.convergence_deg(config)))
}

/// What two or more cameras at these places can be expected to tell. `progress` gets the share that is done.
///
/// # Errors
/// See [`PlanError`].
pub fn plan(
    cameras: &[PlanCamera],
    config: &PlanConfig,
    progress: &(dyn Fn(f64) + Sync),
) -> Result<Plan, PlanError> {
    if cameras.len() < 2 {
        return Err(PlanError::TooFewCameras { got: cameras.len() });
    }
    config.check()?;
    for camera in cameras {
        let farthest_m = camera.position_m.coords.amax().max(camera.look_at_m.coords.amax());
        in_range("a camera's rough place", farthest_m, [0.0, 1000.0])?;
    }
    let set_up = SetUp::expect(cameras, config)?;
    progress(0.1);
    let (middle, start) = set_up.middle(config)?;
    let (above, beside) = set_up.maps(config, &start);
    progress(0.4);
    let cells = above.len() + beside.len();
    let seen = above.iter().chain(&beside).filter(|c| c.unseen_by.is_empty()).count();
    #[allow(clippy::cast_precision_loss)]
    let seen_share = seen as f64 / cells.max(1) as f64;
    let advice = advice::advise(cameras, config, &middle, seen_share, &|done| progress(0.4 + 0.6 * done));
    let reports: Vec<CameraReport> = cameras
        .iter()
        .map(|c| {
            let distance_m = (c.position_m - config.middle_m).norm();
            CameraReport {
                name: c.name.clone(),
                position_m: c.position_m.coords.into(),
                distance_m,
                mm_per_px: 1e3 * distance_m / c.lens.fx_px,
                marker_px: config.marker_m * c.lens.fx_px / distance_m,
            }
        })
        .collect();
    let convergence_deg = set_up.convergence_deg(config);
    let warnings = advice::warn(&reports, convergence_deg, &middle, seen_share, &above, &beside);
    Ok(Plan {
        cameras: reports,
        convergence_deg,
        middle,
        above,
        beside,
        seen_share,
        cell_m: config.cell_m,
        advice,
        warnings,
    })
}
