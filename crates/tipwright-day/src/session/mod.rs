//! session.toml and casters.csv: what a person writes, read once into values that cannot be wrong ([`parse`]), or findings
//! that say what is.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use tipwright::model::figures::FigureId;
use tipwright::model::{Board, Colour, ReportUnits};

mod blank;
mod casters;
mod copies;
mod date;
mod excerpt;
pub mod finding;
mod likely;
mod look;
pub mod names;
pub(crate) mod notes;
pub mod numbers;
mod offsets;
mod opened;
mod places;
mod read;
mod scene_clips;
mod schema;
mod set_ups;
#[cfg(test)]
mod tests_one_camera;
mod usable;
mod values;
mod walk;

pub use blank::{blank_session, session_id};
pub use casters::{Caster, CastersError, Hand, read_casters};
pub use date::Date;
pub(crate) use excerpt::Excerpt;
pub use finding::{Finding, Subject};
pub use look::{LookConfig, Stills, look, look_at_scene, look_at_take};
pub use names::{CameraName, CasterId, CasterKey, NameError, Phase, SessionId, SetUpName, TakeName};
pub use numbers::{
    AirC, AlongRodM, CaptureFps, ClipTimeS, LineClass, LineMassGM, LineOutM, MarkerMm, OutOfRange, ReadoutMs,
    RodLengthM, WandLengthM,
};
pub(crate) use offsets::{Heard, coarse_offset, heard, heard_together, listen, offset_between, span_s};
pub(crate) use opened::WHOLE;
pub(crate) use places::{BEHIND_S, Places};
pub(crate) use read::parse_unfinished;
pub use read::{Parsed, Refused, parse, parse_text};
pub use scene_clips::{NamedSetUp, SceneClips, SetUpClips};
pub use usable::{Usable, UsableConfig, usable, usable_of};

/// Version of session.toml this program writes; it also reads 1.
pub const SCHEMA: u32 = 2;

/// The whole session.toml. Its takes are those that can be measured as far as its text tells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Session {
    /// Version of the file's layout.
    pub schema: u32,
    /// Key of this session in every table; files of schema 1 have none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<SessionId>,
    /// Day of the session; from the clips when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<Date>,
    /// Shown on pages.
    pub title: String,
    /// Units on pages.
    #[serde(default)]
    pub report_units: ReportUnits,
    /// For the speed of sound.
    #[serde(default = "default_air_c")]
    pub air_temperature_c: AirC,
    /// The wand.
    pub wand: Wand,
    /// The rod.
    pub rod: Rod,
    /// The line, for the loop that a path makes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<Line>,
    /// Markers on the rod.
    pub marker: Markers,
    /// Cameras; the first one's clock is the session's.
    pub camera: Vec<SessionCamera>,
    /// Clips of the set-up; of the first of several.
    pub scene: SceneClips,
    /// Set-ups by name, where tripods were moved.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub set_up: Vec<NamedSetUp>,
    /// Takes.
    #[serde(default)]
    pub take: Vec<Take>,
    /// Folder of session.toml; paths in the file are relative to it.
    #[serde(skip)]
    pub folder: PathBuf,
    /// Rows of casters.csv, when there is one.
    #[serde(skip)]
    pub casters: Vec<Caster>,
}

fn default_air_c() -> AirC {
    AirC::new(18.0).unwrap_or_else(|_| unreachable!("within its limits"))
}

/// The wand: two markers a known length apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wand {
    /// Between the centres of its markers.
    pub length_m: WandLengthM,
    /// Colour of its markers; tried out when absent, the tip's first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub colour: Option<Colour>,
    /// Diameter of its markers; the tip's when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter_mm: Option<MarkerMm>,
}

/// The rod.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rod {
    /// Butt cap to tip-top.
    pub length_m: RodLengthM,
}

/// The fly line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// Standard line-weight class.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub class: Option<LineClass>,
    /// Mass per length, instead of the class.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_g_m: Option<LineMassGM>,
    /// Line beyond the tip-top.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_out_m: Option<LineOutM>,
}

/// Markers on the rod.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Markers {
    /// At the tip-top.
    pub tip: TipMarker,
    /// None, one or two below the first ferrule.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub butt: Vec<ButtMarker>,
}

/// The tip marker.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TipMarker {
    /// Colour.
    pub colour: Colour,
    /// Diameter.
    pub diameter_mm: MarkerMm,
}

/// A butt marker.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ButtMarker {
    /// Along the rod from the butt cap.
    pub at_m: AlongRodM,
    /// Colour.
    pub colour: Colour,
    /// Diameter.
    pub diameter_mm: MarkerMm,
}

/// A camera of the session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SessionCamera {
    /// Name.
    pub name: CameraName,
    /// Clip or folder of stills of the board, or a lens file.
    pub lens: PathBuf,
    /// The board; not needed for a lens file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub board: Option<Board>,
    /// Rolling-shutter readout; estimated when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub readout_ms: Option<ReadoutMs>,
    /// Rate at capture of a re-timed file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capture_fps: Option<CaptureFps>,
    /// Where its tripod will stand, roughly, for `plan`: metres from the point on the ground under the caster's hand, x the
    /// way the forward cast travels, y to the left of it, z the height of the lens.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rough_position_m: Option<[f64; 3]>,
    /// Where it will look, in the same frame; the middle of the casting volume when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rough_look_at_m: Option<[f64; 3]>,
}

impl SessionCamera {
    /// Its lens is a lens file, not pictures of a board.
    #[must_use]
    pub fn has_lens_file(&self) -> bool {
        self.lens.extension().is_some_and(|e| e == "toml")
    }

    /// Rate at capture of a re-timed file, frames per second.
    #[must_use]
    pub fn capture_fps(&self) -> Option<f64> {
        self.capture_fps.map(CaptureFps::get)
    }
}

/// One clip per camera, by camera name.
pub type Clips = BTreeMap<CameraName, PathBuf>;

/// One take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Take {
    /// Name, used as a folder name.
    pub name: TakeName,
    /// Id of casters.csv.
    pub caster: CasterId,
    /// Label to compare by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub phase: Option<Phase>,
    /// One clip per camera.
    pub clips: Clips,
    /// Where the take begins in long clips, on the first camera's clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_s: Option<ClipTimeS>,
    /// Where it ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to_s: Option<ClipTimeS>,
    /// Set-up it was filmed in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_up: Option<SetUpName>,
    /// What the caster was asked to do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub goal: Option<Goal>,
    /// Which `[[take]]` of session.toml, from 0.
    #[serde(skip)]
    pub take_idx: usize,
    /// Which of [`Session::set_ups`] it was filmed in: the one it names, else the one before it in time, once its clips were
    /// opened.
    #[serde(skip)]
    pub set_up_idx: Option<usize>,
    /// The camera that alone has a usable clip, where that is enough.
    #[serde(skip)]
    pub alone: Option<AloneInTake>,
}

/// The camera that alone has a usable clip of a take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AloneInTake {
    /// The camera.
    pub camera: CameraName,
    /// Why the others have none.
    pub why: String,
}

impl Take {
    /// The part of the first camera's clip that the take is, seconds of its clock; infinite where it is open.
    #[must_use]
    pub fn part_s(&self) -> [f64; 2] {
        let bound = |given: Option<ClipTimeS>, open: f64| given.map_or(open, ClipTimeS::get);
        [bound(self.from_s, f64::NEG_INFINITY), bound(self.to_s, f64::INFINITY)]
    }

    /// The take as the subject of a finding.
    #[must_use]
    pub fn subject(&self) -> Subject {
        Subject::Take { take_idx: self.take_idx, take: self.name.to_string() }
    }
}

/// What a caster was asked to do: a figure above or below a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Goal {
    /// Figure, by its column.
    pub figure: FigureId,
    /// To be above.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub above: Option<f64>,
    /// To be below.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub below: Option<f64>,
}

impl Session {
    /// Speed of sound at the session's air temperature, metres per second: 331.3 + 0.606 T.
    #[must_use]
    pub fn speed_of_sound_m_s(&self) -> f64 {
        331.3 + 0.606 * self.air_temperature_c.get()
    }

    /// All set-ups: the single `[scene]` first, then those by name.
    #[must_use]
    pub fn set_ups(&self) -> Vec<SetUpClips<'_>> {
        let named = self.set_up.iter().map(|s| SetUpClips { name: Some(&s.name), scene: &s.scene });
        // without a [scene] the first by name stands for it
        let stands_for = self.set_up.first().is_some_and(|s| s.scene == self.scene);
        let single = (!stands_for).then_some(SetUpClips { name: None, scene: &self.scene });
        single.into_iter().chain(named).collect()
    }

    /// The set-up a take was filmed in; the first where nobody knows.
    #[must_use]
    pub fn set_up_of(&self, take: &Take) -> SetUpClips<'_> {
        let all = self.set_ups();
        take.set_up_idx.and_then(|i| all.get(i).copied()).unwrap_or(all[0])
    }

    /// There is one camera only: takes are measured in the plane that a wand hung at two places tells.
    #[must_use]
    pub fn has_one_camera(&self) -> bool {
        self.camera.len() == 1
    }

    /// Cameras that must have filmed something for it to be of use: two, or the only one.
    #[must_use]
    pub fn fewest_cameras(&self) -> usize {
        if self.has_one_camera() { 1 } else { 2 }
    }

    /// A path of session.toml as a path of the file system.
    #[must_use]
    pub fn resolve(&self, path: &Path) -> PathBuf {
        self.folder.join(path)
    }

    /// Colours the wand's markers may have: as given, or the ones that are on the day's markers, the tip's first, then all
    /// others.
    #[must_use]
    pub fn wand_colours(&self) -> Vec<Colour> {
        if let Some(colour) = self.wand.colour {
            return vec![colour];
        }
        let mut colours = vec![self.marker.tip.colour];
        for colour in self.marker.butt.iter().map(|b| b.colour).chain(Colour::ALL) {
            if !colours.contains(&colour) {
                colours.push(colour);
            }
        }
        colours
    }

    /// A camera by name.
    #[must_use]
    pub fn camera_named(&self, name: &str) -> Option<&SessionCamera> {
        self.camera.iter().find(|c| c.name == *name)
    }

    /// A camera's rate at capture, where session.toml gives it.
    #[must_use]
    pub fn capture_fps(&self, camera: &str) -> Option<f64> {
        self.camera_named(camera)?.capture_fps()
    }
}
