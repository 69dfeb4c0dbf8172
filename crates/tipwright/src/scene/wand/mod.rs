//! Poses, scale, vertical and clocks from two clips: a wand waved through the casting volume, and the wand hung still.
//!
//! 1. `start`: candidates linked over time; two tracks seen together in two cameras give a first relative pose and clock
//!    ([`super::bootstrap`]); which track is which end does not matter, for the ends are alike: both pairings are tried
//!    and the one that keeps the wand's length wins.
//! 2. `ends`: pieces of 3D track in pairs a wand's length apart are the wand; caps and glints have no partner. The
//!    ratio of the known length to the one found is the scale.
//! 3. `joint`: one least squares over both ends' paths, poses, clocks, readouts ([`crate::motion`]), with the wand's
//!    length as a pseudo-observation (wand calibration as practised in field biology: Theriault et al., J. Exp. Biol. 217
//!    (2014) 1843-1848).
//! 4. `plumb`: the vertical is the direction of the hung wand, averaged over its swing; the higher end in the pictures
//!    is up.
//! 5. `frame`: world frame and joint covariance of all poses, the wand's length error and the vertical's included.
//! 6. Gravity from a tossed ball, where there is a clip ([`super::toss`]).

mod ends;
mod frame;
mod gate;
mod joint;
mod plumb;
mod start;
#[cfg(test)]
mod tests;

pub use gate::GateConfig;
pub(super) use start::readout_guess;

use super::bootstrap::BootstrapConfig;
use super::hung::HungConfig;
use super::toss::{TossCamera, TossConfig, gravity};
use crate::model::{ClipSpots, CoarseOffset, Colour, Lens, Measured, OffsetSource, Scene, Severity, Warning};
use crate::motion::MotionConfig;
use crate::tracks::tracklets::LinkConfig;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One camera of the scene's clips; the wand clip's candidates name it.
#[derive(Debug, Clone, Copy)]
pub struct WandCamera<'a> {
    /// Lens.
    pub lens: &'a Lens,
    /// Candidates of its wand clip.
    pub wand: &'a ClipSpots,
    /// Candidates of its plumb clip.
    pub plumb: Option<&'a ClipSpots>,
    /// Candidates of its toss clip.
    pub toss: Option<&'a ClipSpots>,
    /// Readout known from elsewhere (session.toml), seconds.
    pub readout_s: Option<Measured>,
    /// First guess of the wand clip's offset to the first camera's.
    pub wand_offset: Option<CoarseOffset>,
    /// The same for the plumb clip (not needed: the vertical is found without clocks).
    pub plumb_offset: Option<CoarseOffset>,
    /// The same for the toss clip.
    pub toss_offset: Option<CoarseOffset>,
}

impl WandCamera<'_> {
    /// Name of the camera.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.wand.camera
    }
}

/// Everything a scene rests on.
#[derive(Debug, Clone)]
pub struct WandInput<'a> {
    /// Cameras in session order; the first one's clock is the session's.
    pub cameras: Vec<WandCamera<'a>>,
    /// Between the centres of the wand's markers, with the standard deviation of that measurement.
    pub length_m: Measured,
    /// Diameter of its markers, where it is known: held against how large they look.
    pub diameter_m: Option<f64>,
    /// Colours to try, in order.
    pub colours: Vec<Colour>,
}

/// Settings of [`solve_wand`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WandConfig {
    /// Linking over time in one picture.
    pub link: LinkConfig,
    /// First relative pose and offset.
    pub bootstrap: BootstrapConfig,
    /// The joint solution. Local smoothness is not needed: a waving hand is equally lively throughout.
    pub motion: MotionConfig,
    /// Sightings used per second and camera. 60: an arm waves at up to 3 Hz, its tenth harmonic is 30 Hz.
    pub sightings_per_s: f64,
    /// A track that stays within this angle does not wave, radians (half a metre at ten metres).
    pub least_extent_rad: f64,
    /// Epipolar distance while poses are a first guess, pixels.
    pub epipolar_px: f64,
    /// Distance from the predicted place up to which a sighting is taken in, pixels.
    pub gather_px: f64,
    /// Relative departure from the wand's length up to which two tracks may be its ends, at first.
    pub length_tolerance: f64,
    /// Standard deviation of one length pseudo-observation, metres: the wand bends a little when waved.
    pub length_each_sd_m: f64,
    /// Standard deviation of a length as people measure it: half a millimetre by tape (common practice). For callers
    /// that know no better; the solver takes [`WandInput::length_m`].
    pub length_sd_m: f64,
    /// Standard deviations of a lens whose file states none: focal length as a share of itself, principal point in pixels, k1.
    /// Half a thousandth, half a pixel, a thousandth: a board filmed with care (common practice).
    pub lens_sd: [f64; 3],
    /// What a scene must show to be one.
    pub gate: GateConfig,
    /// The plane of the cast from a wand hung at two places, where there is one camera only.
    pub hung: HungConfig,
    /// Gravity from the toss clip.
    pub toss: TossConfig,
    /// Standard deviation of the vertical beyond what was measured, radians: markers sit a millimetre off the line
    /// through a hung wand's centre of mass (common practice).
    pub vertical_floor_rad: f64,
    /// Added to the standard deviation of every readout. 0.4 ms: a wand's own waving says little about what two readouts have in
    /// common (a time that depends on height), and lens terms that are held feign some of it: readouts from the wands of simulated
    /// clinics are 0.1 to 0.6 ms off where the equations alone state 0.12.
    pub readout_floor_s: f64,
    /// How well people level a picture's lower edge, radians: to 3 degrees. For the vertical where no hung wand tells it.
    pub vertical_guess_rad: f64,
    /// How far they tilt a phone up or down to have everything in the picture, radians, one standard deviation. 10 degrees: a
    /// tripod at 1.5 m looks up by 5 to 10 at a tip three metres high, a low one by 20.
    pub pitch_guess_rad: f64,
    /// Rate errors of phones' clocks: 20 ppm for most (Akhmetyanov et al. 2021); one standard deviation of 30.
    pub drift_sd: f64,
    /// Reach of the search about a coarse offset beyond four standard deviations, seconds.
    pub offset_slack_s: f64,
}

impl Default for WandConfig {
    fn default() -> Self {
        Self {
            link: LinkConfig::default(),
            bootstrap: BootstrapConfig { rate_sd: 1e-4, ..BootstrapConfig::default() },
            motion: MotionConfig { knot_spacing_s: Some(1.0 / 60.0), ..MotionConfig::default() },
            sightings_per_s: 60.0,
            least_extent_rad: 0.05,
            epipolar_px: 5.0,
            gather_px: 3.0,
            length_tolerance: 0.04,
            length_each_sd_m: 0.002,
            length_sd_m: 5e-4,
            lens_sd: [5e-4, 0.5, 1e-3],
            gate: GateConfig::default(),
            hung: HungConfig::default(),
            toss: TossConfig::default(),
            vertical_floor_rad: 1e-3,
            readout_floor_s: 4e-4,
            vertical_guess_rad: 0.05,
            pitch_guess_rad: 0.17,
            drift_sd: 3e-5,
            offset_slack_s: 0.05,
        }
    }
}

/// A solved set-up.
#[derive(Debug, Clone, PartialEq)]
pub struct WandSolution {
    /// Poses, clocks, quality.
    pub scene: Scene,
    /// Colour the wand was found in.
    pub colour: Colour,
    /// Median angle between the two widest rays to the wand, degrees.
    pub convergence_deg: f64,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Why there is no scene.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum WandError {
    /// Not two cameras.
    #[error(
        "a scene needs wand clips of two cameras, got {got}; add them under [scene] wand in session.toml"
    )]
    TooFewCameras {
        /// Cameras given.
        got: usize,
    },
    /// Length of 0.
    #[error(
        "the wand's length is {length_m} m; measure it between the centres of its markers and set [wand] length_m"
    )]
    BadLength {
        /// As given.
        length_m: f64,
    },
    /// No two tracks.
    #[error(
        "the wand clip of {camera} shows no two moving markers together (colours tried: {colours}); check [wand] colour, that both ends stay in the picture, focus and exposure"
    )]
    NoWand {
        /// Camera.
        camera: String,
        /// Colours tried.
        colours: String,
    },
    /// No relative pose.
    #[error(
        "the wand clips of {first} and {second} could not be brought together: {reason}; check that both show the same waving, that the lens files belong to these phones, and clap once at the start"
    )]
    NoAgreement {
        /// First camera.
        first: String,
        /// The other.
        second: String,
        /// What failed.
        reason: String,
    },
    /// Time stamps that can't be.
    #[error(
        "the time stamps of the wand clip of {camera} jump by {jump_s:.0} s after frame {frame_idx}, which no clip does; copy the original file from the phone again"
    )]
    StampsJump {
        /// Camera.
        camera: String,
        /// By how much, seconds.
        jump_s: f64,
        /// The frame before.
        frame_idx: u32,
    },
    /// Solved, but from next to nothing.
    #[error(
        "the wand clips carry no scene: {missing}; check that both show the same waving of this wand in full, that the lens files belong to these phones and modes, and film it again, up and down, in front of both"
    )]
    NotEnough {
        /// Everything that was missing, each with its figure.
        missing: String,
    },
    /// The joint solution failed.
    #[error(
        "no one set-up and waving explain both wand clips; check that both show the same waving of this wand in full, that the lens files belong to these phones and modes, and film the wand again, up and down, in front of both"
    )]
    Unsolved {
        /// What the solver said, for those who mend it.
        reason: String,
    },
}

impl WandError {
    /// The camera that stands in the way, where it is one.
    #[must_use]
    pub fn camera(&self) -> Option<&str> {
        match self {
            Self::NoWand { camera, .. }
            | Self::StampsJump { camera, .. }
            | Self::NoAgreement { second: camera, .. } => Some(camera),
            _ => None,
        }
    }
}

/// Solves the set-up from the wand and plumb clips.
///
/// # Errors
/// See [`WandError`].
pub fn solve_wand(input: &WandInput, config: &WandConfig) -> Result<WandSolution, WandError> {
    if input.cameras.len() < 2 {
        return Err(WandError::TooFewCameras { got: input.cameras.len() });
    }
    if !(input.length_m.is_usable() && input.length_m.value > 0.0) {
        return Err(WandError::BadLength { length_m: input.length_m.value });
    }
    for c in &input.cameras {
        if let Some((frame_idx, jump_s)) = c.wand.stamps_jump() {
            return Err(WandError::StampsJump { camera: c.name().to_string(), jump_s, frame_idx });
        }
    }
    let mut warnings = Vec::new();
    let mut begun = start::begin(input, config)?;
    let wand = ends::find_ends(input, config, &begun)?;
    let joint = joint::solve_joint(input, config, &mut begun, &wand)?;
    for (c, s) in input.cameras.iter().zip(joint.solution.cameras()) {
        if c.readout_s.is_none() && s.clock.readout_s < 0.0 {
            warnings.push(super::last_row_first(c.name(), s.clock.readout_s));
        }
        if let Some(coarse) = c.wand_offset.filter(|o| o.source == OffsetSource::Sound) {
            let off_s = s.clock.offset_s - coarse.value_s;
            if off_s.abs() > 4.0 * coarse.sd_s + config.offset_slack_s {
                warnings.push(Warning::new(
                    Severity::Warning,
                    format!("scene, {}", c.name()),
                    format!(
                        "the sound of its wand clip says {:+.3} s against {}, the wand's motion says {:+.3} s; the motion was believed",
                        coarse.value_s,
                        input.cameras[0].name(),
                        s.clock.offset_s
                    ),
                    "If this is slow motion, set capture_fps; clap once where both phones hear it",
                ));
            }
        }
    }
    let vertical = plumb::vertical(input, config, &begun, &joint, &mut warnings);
    let mut solved = frame::finish(input, config, &begun, &joint, &vertical, warnings);
    gate::pass(input, config, &joint, solved.scene.quality.wand_rms_mm.map(|mm| 1e-3 * mm))?;
    weigh(input, config, &mut solved);
    Ok(solved)
}

/// Gravity from the toss clips, when every camera has one.
fn weigh(input: &WandInput, config: &WandConfig, solved: &mut WandSolution) {
    let cameras: Option<Vec<TossCamera>> = input
        .cameras
        .iter()
        .zip(&solved.scene.cameras)
        .map(|(c, s)| {
            Some(TossCamera {
                lens: c.lens,
                spots: c.toss?,
                pose: s.pose(),
                readout_s: s.readout_s,
                drift: s.drift,
                coarse_offset: c.toss_offset,
            })
        })
        .collect();
    let Some(cameras) = cameras else { return };
    let mut colours = vec![solved.colour];
    colours.extend(input.colours.iter().copied().filter(|c| *c != solved.colour));
    match gravity(&cameras, &colours, &config.toss) {
        Some(found) => {
            solved.scene.quality.gravity_m_s2 = Some(found.gravity_m_s2.value);
            solved.scene.quality.gravity_sd_m_s2 = Some(found.gravity_m_s2.sd);
            solved.warnings.extend(found.warnings);
        }
        None => solved.warnings.push(Warning::new(
            Severity::Note,
            "scene, toss clip",
            "no free flight of a ball was found in two cameras",
            "Toss a bright, heavy ball a metre up where both phones see it against a plain background",
        )),
    }
}
