//! session.toml and casters.csv: what a person writes.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use tipwright::model::{Board, Colour, ReportUnits};

pub mod check;

/// Version of session.toml this program reads.
pub const SCHEMA: u32 = 1;

/// The whole session.toml.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Session {
    /// Version of the file's layout.
    pub schema: u32,
    /// Shown on pages.
    pub title: String,
    /// Units on pages.
    #[serde(default)]
    pub report_units: ReportUnits,
    /// For the speed of sound.
    #[serde(default = "default_air_c")]
    pub air_temperature_c: f64,
    /// The wand.
    pub wand: Wand,
    /// The rod.
    pub rod: Rod,
    /// Markers on the rod.
    pub marker: Markers,
    /// Cameras; the first one's clock is the session's.
    pub camera: Vec<SessionCamera>,
    /// Clips of the set-up.
    pub scene: SceneClips,
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

fn default_air_c() -> f64 {
    18.0
}

/// The wand: two markers a known length apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wand {
    /// Between the centres of its markers.
    pub length_m: f64,
    /// Colour of its markers; tried out when absent, the tip's first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub colour: Option<Colour>,
    /// Diameter of its markers; the tip's when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter_mm: Option<f64>,
}

/// The rod.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rod {
    /// Butt cap to tip-top.
    pub length_m: f64,
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
    pub diameter_mm: f64,
}

/// A butt marker.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ButtMarker {
    /// Along the rod from the butt cap.
    pub at_m: f64,
    /// Colour.
    pub colour: Colour,
    /// Diameter.
    pub diameter_mm: f64,
}

/// A camera of the session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SessionCamera {
    /// Name.
    pub name: String,
    /// Clip or folder of stills of the board, or a lens file.
    pub lens: PathBuf,
    /// The board; not needed for a lens file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub board: Option<Board>,
    /// Rolling-shutter readout; estimated when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub readout_ms: Option<f64>,
    /// Rate at capture of a re-timed file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capture_fps: Option<f64>,
    /// Where its tripod will stand, roughly, for `plan`: metres from the point on the ground under the caster's hand, x the
    /// way the forward cast travels, y to the left of it, z the height of the lens.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rough_position_m: Option<[f64; 3]>,
    /// Where it will look, in the same frame; the middle of the casting volume when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rough_look_at_m: Option<[f64; 3]>,
}

/// One clip per camera, by camera name.
pub type Clips = BTreeMap<String, PathBuf>;

/// Clips of the set-up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SceneClips {
    /// Wand waved through the casting volume.
    pub wand: Clips,
    /// Wand hung still from one end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plumb: Option<Clips>,
    /// A bright ball tossed freely.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub toss: Option<Clips>,
}

/// One take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Take {
    /// Name, used as a folder name.
    pub name: String,
    /// Id of casters.csv.
    pub caster: String,
    /// Label to compare by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub phase: Option<String>,
    /// One clip per camera.
    pub clips: Clips,
}

/// A row of casters.csv.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Caster {
    /// Id, as used in takes.
    pub id: String,
    /// Shown instead of a name.
    pub alias: String,
    /// right or left.
    #[serde(default)]
    pub hand: String,
    /// Own rod's length, when it differs.
    #[serde(default)]
    pub rod_length_m: Option<f64>,
    /// Free text.
    #[serde(default)]
    pub note: String,
}

/// Why a session cannot be used at all.
#[derive(Debug, thiserror::Error)]
pub enum SessionError {
    /// No file.
    #[error("there is no session.toml here; `tipwright new {}` writes one: {}", folder.display(), folder.join("session.toml").display())]
    Missing {
        /// Folder looked in.
        folder: PathBuf,
    },
    /// Not TOML, wrong key, wrong type.
    #[error("session.toml cannot be read:\n{reason}\nmend the line named above: {}", path.display())]
    Malformed {
        /// What the reader said, with line.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// casters.csv cannot be read.
    #[error("casters.csv cannot be read ({reason}); its columns are id,alias,hand,rod_length_m,note: {}", path.display())]
    Casters {
        /// What the reader said.
        reason: String,
        /// File.
        path: PathBuf,
    },
}

impl Session {
    /// Speed of sound at the session's air temperature, metres per second: 331.3 + 0.606 T.
    #[must_use]
    pub fn speed_of_sound_m_s(&self) -> f64 {
        331.3 + 0.606 * self.air_temperature_c
    }

    /// A path of session.toml as a path of the file system.
    #[must_use]
    pub fn resolve(&self, path: &Path) -> PathBuf {
        self.folder.join(path)
    }

    /// Reads session.toml and casters.csv from a session folder (or from the path of a session.toml).
    /// Values are not judged here; see `check`.
    ///
    /// # Errors
    /// Missing or malformed files.
    pub fn read(folder_or_file: &Path) -> Result<Self, SessionError> {
        let folder = if folder_or_file.is_file() {
            folder_or_file.parent().map(Path::to_path_buf).unwrap_or_default()
        } else {
            folder_or_file.to_path_buf()
        };
        let path =
            if folder_or_file.is_file() { folder_or_file.to_path_buf() } else { folder.join("session.toml") };
        if !path.is_file() {
            return Err(SessionError::Missing { folder });
        }
        let malformed = |reason: String| SessionError::Malformed { reason, path: path.clone() };
        let bytes = std::fs::read(&path).map_err(|e| malformed(e.to_string()))?;
        let text = String::from_utf8(bytes).map_err(|_| malformed("it is not UTF-8 text".into()))?;
        let mut session: Self = toml::from_str(&text).map_err(|e| malformed(e.to_string()))?;
        session.folder.clone_from(&folder);
        let casters_path = folder.join("casters.csv");
        if casters_path.is_file() {
            let casters_error = |reason: String| SessionError::Casters { reason, path: casters_path.clone() };
            let mut reader = csv::ReaderBuilder::new()
                .trim(csv::Trim::All)
                .flexible(false)
                .from_path(&casters_path)
                .map_err(|e| casters_error(e.to_string()))?;
            session.casters = reader
                .deserialize()
                .collect::<Result<Vec<Caster>, _>>()
                .map_err(|e| casters_error(e.to_string()))?;
        }
        Ok(session)
    }
}
