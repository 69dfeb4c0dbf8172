//! Everything a session yields, in the form that pages, tables and comparisons are made from and that `day`
//! keeps on disk to go on where it stopped.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::camera::{Camera, CameraPose, Lens, Picture};
use super::clock::Clock;
use super::consistency::{CasterSteadiness, PhaseDifference};
use super::evidence::StrokeEvidence;
use super::figures::FigureId;
use super::film::StrokeFilm;
use super::line::{PredictedLoop, StrokeLoop};
use super::measured::Measured;
use super::path::PathSample;
use super::scene::Scene;
use super::stroke::Stroke;
use super::tip_plane::{OneView, TipPlane};
use super::verdict::Warning;

/// Units a report also shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ReportUnits {
    /// Metres only.
    #[default]
    M,
    /// Feet and inches as well.
    Ft,
}

/// How a take ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TakeStatus {
    /// Measured.
    Done,
    /// Could not be measured; the warnings say why.
    Failed,
}

/// Bend and butt angle at one instant (rod.csv). Signs are those of the forward cast at every instant, so that the
/// columns run on without a jump at a reversal; in a stroke's own figures and samples loaded is positive both ways.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RodSample {
    /// Session time.
    pub t_s: f64,
    /// Elevation of the butt's axis, degrees: 0 level the way the forward cast travels, 90 upright, more than 90
    /// leaning back.
    pub butt_angle_deg: f64,
    /// Signed offset of the tip from the butt's axis in the cast plane; positive: the tip lies behind it, seen the way
    /// the forward cast travels (a loaded forward stroke is positive, a loaded back stroke negative).
    pub bend_m: f64,
    /// Its standard deviation.
    pub bend_sigma_m: f64,
}

/// Clock of one camera in one take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeClock {
    /// Camera.
    pub camera: String,
    /// The clock.
    #[serde(flatten)]
    pub clock: Clock,
    /// Standard deviation of the offset.
    pub offset_sd_s: f64,
    /// Standard deviation of the drift.
    pub drift_sd: f64,
    /// Standard deviation of the readout.
    pub readout_sd_s: f64,
}

/// A camera as one take's own solution has it: pose and lens of the scene with the small corrections that the take asks
/// for (a tripod that settled, a focus that breathed). The path fits the pictures through these, not through scene.toml.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeCameraFit {
    /// Camera.
    pub camera: String,
    /// Rotation of camera_from_world as a unit quaternion w, x, y, z.
    pub rotation_wxyz: [f64; 4],
    /// Translation of camera_from_world, metres.
    pub translation_m: [f64; 3],
    /// Lens with the scene's and the take's corrections.
    pub lens: Lens,
    /// Size and turn of the take's clip: the shutter runs along the stored rows.
    pub picture: Picture,
}

impl TakeCameraFit {
    /// Ready to project.
    #[must_use]
    pub fn camera(&self) -> Camera {
        Camera {
            name: self.camera.clone(),
            lens: self.lens.clone(),
            pose: CameraPose::of(self.rotation_wxyz, self.translation_m),
            picture: self.picture,
        }
    }
}

/// Observations in = accepted + rejected, by reason.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Tally {
    /// Offered.
    pub offered: u64,
    /// Used.
    pub accepted: u64,
    /// Set aside, by reason.
    pub rejected: BTreeMap<String, u64>,
}

/// A camera that stands otherwise in a take than in the scene.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MovedCamera {
    /// Which one; where only the paths tell, of two cameras the one that explains it best.
    pub camera: String,
    /// Turn since the scene, degrees: its own from what stands still in its picture, against the other camera from the paths.
    pub turn_deg: f64,
    /// Shift, metres; `None` where it cannot be told.
    pub shift_m: Option<f64>,
}

/// One instant of a path for drawing and comparison: world frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PathPoint {
    /// Session time.
    pub t_s: f64,
    /// Position, metres.
    pub position_m: [f64; 3],
    /// Velocity, metres per second.
    pub velocity_m_s: [f64; 3],
    /// Standard deviation of the position per axis.
    pub sd_m: [f64; 3],
    /// Cameras that saw it.
    pub views: u8,
}

impl From<&PathSample> for PathPoint {
    fn from(sample: &PathSample) -> Self {
        Self {
            t_s: sample.t_s,
            position_m: sample.position_in_world.coords.into(),
            velocity_m_s: sample.velocity_in_world_m_s.into(),
            sd_m: sample.position_sd_m.into(),
            views: sample.views,
        }
    }
}

/// What keeps the rows of one session apart from those of any other in a data set of many.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct TakeKeys {
    /// The session's id, made by `new` and never changed; absent in files of schema 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub session_id: Option<String>,
    /// Day of the session, `YYYY-MM-DD`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// Key of the caster that holds beyond the session, where casters.csv gives one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caster_key: Option<String>,
    /// The caster's class, where casters.csv gives one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caster_class: Option<String>,
}

impl TakeKeys {
    /// One key per person over all sessions: the one given, otherwise the session's id and the caster's number in it, so that
    /// caster 01 of two clinics is never one person by accident. `None` where the session has no id.
    #[must_use]
    pub fn of_caster(&self, caster: &str) -> Option<String> {
        self.caster_key.clone().or_else(|| Some(format!("{}/{caster}", self.session_id.as_ref()?)))
    }
}

/// What an instructor wrote beside a caster or a stroke (`notes.toml` beside the session).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// Beside what.
    #[serde(flatten)]
    pub on: NoteOn,
    /// The words.
    pub text: String,
}

/// What a note stands beside.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum NoteOn {
    /// A caster, by id.
    Caster {
        /// Id in casters.csv.
        caster: String,
    },
    /// A stroke.
    Stroke {
        /// Name of its take.
        take: String,
        /// Its number in the take, from 1.
        stroke: u32,
    },
}

/// What a caster was asked to do in a take: a figure above a limit, below one, or between two.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TakeGoal {
    /// The figure.
    pub figure: FigureId,
    /// To be above.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub above: Option<f64>,
    /// To be below.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub below: Option<f64>,
}

impl TakeGoal {
    /// Whether a value lies in it.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        self.above.is_none_or(|low| value > low) && self.below.is_none_or(|high| value < high)
    }

    /// As written on pages.
    #[must_use]
    pub fn words(&self) -> String {
        let unit = match self.figure.info().unit {
            "" => String::new(),
            unit => format!(" {unit}"),
        };
        match (self.above, self.below) {
            (Some(low), Some(high)) => format!("between {low} and {high}{unit}"),
            (Some(low), None) => format!("above {low}{unit}"),
            (None, Some(high)) => format!("below {high}{unit}"),
            (None, None) => "any".into(),
        }
    }
}

/// One take, measured or failed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeResults {
    /// Title of the session.
    pub session: String,
    /// Session id, date, the caster's own key.
    #[serde(default)]
    pub keys: TakeKeys,
    /// Take's name.
    pub take: String,
    /// Caster's id.
    pub caster: String,
    /// Caster's alias (the id when casters.csv has none).
    pub alias: String,
    /// Label to compare by.
    pub phase: Option<String>,
    /// What the caster was asked to do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub goal: Option<TakeGoal>,
    /// Set-up of the tripods it was filmed in, where the session has several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_up: Option<String>,
    /// How it ended.
    pub status: TakeStatus,
    /// What a person should know.
    pub warnings: Vec<Warning>,
    /// Clips by camera, relative to the session folder.
    pub clips: BTreeMap<String, String>,
    /// Clocks by camera.
    pub clocks: Vec<TakeClock>,
    /// Cameras as the take's own solution has them, in the order of the clocks.
    #[serde(default)]
    pub cameras: Vec<TakeCameraFit>,
    /// Spots and what became of them.
    pub tally: Tally,
    /// Strokes.
    pub strokes: Vec<Stroke>,
    /// Movements that were not counted as strokes: start, end, reason.
    pub set_aside: Vec<(f64, f64, String)>,
    /// Tip path.
    pub path: Vec<PathPoint>,
    /// Bend and butt angle; empty without butt markers.
    pub rod: Vec<RodSample>,
    /// Why a figure is missing in every stroke (figure key to reason).
    pub missing: BTreeMap<String, String>,
    /// What the figures of each stroke speak for.
    #[serde(default)]
    pub evidence: Vec<StrokeEvidence>,
    /// Cameras that stood otherwise than in the scene.
    #[serde(default)]
    pub moved: Vec<MovedCamera>,
    /// The camera that measured it alone, where one did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub one_view: Option<OneView>,
    /// The plane that the tip moved about, where two cameras saw it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tip_plane: Option<TipPlane>,
    /// Loops, of the strokes whose line was measured.
    #[serde(default)]
    pub loops: Vec<StrokeLoop>,
    /// Loops that the tip's path makes by the line model.
    #[serde(default)]
    pub predicted: Vec<PredictedLoop>,
    /// Film with drawing, where it was asked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub film: Vec<StrokeFilm>,
}

impl TakeResults {
    /// The take without the samples of its whole path and rod: what a day holds of all its takes at once. Strokes have their own.
    #[must_use]
    pub fn without_paths(self) -> Self {
        Self { path: Vec::new(), rod: Vec::new(), ..self }
    }

    /// A failed take without anything; to be filled by struct update.
    #[must_use]
    pub fn failed() -> Self {
        Self {
            session: String::new(),
            keys: TakeKeys::default(),
            take: String::new(),
            caster: String::new(),
            alias: String::new(),
            phase: None,
            goal: None,
            set_up: None,
            status: TakeStatus::Failed,
            warnings: Vec::new(),
            clips: BTreeMap::new(),
            clocks: Vec::new(),
            cameras: Vec::new(),
            tally: Tally::default(),
            strokes: Vec::new(),
            set_aside: Vec::new(),
            path: Vec::new(),
            rod: Vec::new(),
            missing: BTreeMap::new(),
            evidence: Vec::new(),
            moved: Vec::new(),
            one_view: None,
            tip_plane: None,
            loops: Vec::new(),
            predicted: Vec::new(),
            film: Vec::new(),
        }
    }
}

/// Quality of one lens, for the page.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LensSummary {
    /// Camera.
    pub camera: String,
    /// Focal length along x.
    pub fx_px: f64,
    /// Its standard deviation where known.
    pub fx_sd_px: Option<f64>,
    /// Residual of the calibration where known.
    pub rms_px: Option<f64>,
    /// Views used and left out where known.
    pub views_used: Option<u32>,
    /// Views left out.
    pub views_left_out: Option<u32>,
}

/// A set-up of the tripods.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SolvedSetUp {
    /// Its name, where a session has several.
    pub name: Option<String>,
    /// Poses, clocks and how good they are.
    pub scene: Scene,
    /// Angle between the two cameras' axes, degrees, where there are two.
    pub convergence_deg: Option<f64>,
    /// Wand length as measured, mean and spread.
    pub wand_length_m: Option<Measured>,
}

/// A whole session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SessionResults {
    /// Version of this layout.
    pub schema: u32,
    /// Program version.
    pub tipwright_version: String,
    /// Title.
    pub title: String,
    /// The instructor's notes.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Note>,
    /// Units on pages.
    pub report_units: ReportUnits,
    /// Rod length, metres.
    pub rod_length_m: f64,
    /// Lenses.
    pub lenses: Vec<LensSummary>,
    /// Set-ups of the tripods that takes were measured in, in session order.
    #[serde(default)]
    pub set_ups: Vec<SolvedSetUp>,
    /// Warnings of the set-ups.
    pub warnings: Vec<Warning>,
    /// Takes in session order.
    pub takes: Vec<TakeResults>,
    /// How steady each caster is.
    #[serde(default)]
    pub steadiness: Vec<CasterSteadiness>,
    /// What differs between the phases of a caster.
    #[serde(default)]
    pub differences: Vec<PhaseDifference>,
}
