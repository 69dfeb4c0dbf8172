//! Why a scene could not be solved.

use std::path::PathBuf;

use super::bootstrap::BootstrapError;
use crate::motion::MotionError;

/// Errors of the stage `scene`. The message says what is wrong and what to do; the path comes last.
#[derive(Debug, thiserror::Error)]
pub enum SceneError {
    /// A file could not be read.
    #[error("cannot be read: {source}. Check the name and the rights: {path}")]
    Unreadable {
        /// What the system said.
        source: std::io::Error,
        /// The file.
        path: PathBuf,
    },
    /// A TOML file with a wrong key, type or value.
    #[error("{reason}. Correct the file: {path}")]
    BadToml {
        /// What the parser said, with line and column.
        reason: String,
        /// The file.
        path: PathBuf,
    },
    /// A value out of its range.
    #[error("camera {camera}: {key} is {got}, {wanted}: {path}")]
    BadValue {
        /// Camera.
        camera: String,
        /// Key.
        key: &'static str,
        /// Value found.
        got: f64,
        /// What would do.
        wanted: &'static str,
        /// The file.
        path: PathBuf,
    },
    /// A row that is no `frame x y`.
    #[error("row {row}: {reason}; a row is `frame x y`, white space or comma between: {path}")]
    BadRow {
        /// Line, from 1.
        row: usize,
        /// What is wrong.
        reason: String,
        /// The file.
        path: PathBuf,
    },
    /// Fewer than two cameras.
    #[error("{got} camera given, 2 needed: a single camera sees no depth. Add a [[camera]] for each")]
    TooFewCameras {
        /// Cameras given.
        got: usize,
    },
    /// Two cameras share a name.
    #[error("two cameras are called {name}. Give each its own name")]
    SameName {
        /// The name.
        name: String,
    },
    /// A camera without usable sightings.
    #[error(
        "camera {camera}: {got} usable points, {needed} needed. Label more frames or leave the camera out"
    )]
    TooFewPoints {
        /// Camera.
        camera: String,
        /// Usable points.
        got: usize,
        /// Points needed.
        needed: usize,
    },
    /// A frame number far from all others.
    #[error(
        "camera {camera}: frame {frame} is {away_h:.0} hours away from the middle of its labels; one clip is {longest_h:.0} hours long at most. Correct the frame number, or fps"
    )]
    StrayFrame {
        /// Camera.
        camera: String,
        /// Frame number.
        frame: f64,
        /// Distance, hours.
        away_h: f64,
        /// Longest clip, hours.
        longest_h: f64,
    },
    /// A camera that agrees with no other.
    #[error("cameras {cameras:?} could not be related to the others: {source}")]
    Unrelated {
        /// The cameras left over.
        cameras: Vec<String>,
        /// Why the last attempt failed.
        source: BootstrapError,
    },
    /// The cameras do not agree on one path.
    #[error(
        "cameras {cameras:?} do not agree on one path: {what}. Check the labels, the frame rates and that each lens file belongs to its camera and mode"
    )]
    NoOnePath {
        /// The cameras that were left.
        cameras: Vec<String>,
        /// What was missing, with its figure.
        what: String,
    },
    /// The joint estimate failed.
    #[error(transparent)]
    Motion(#[from] MotionError),
}
