//! Film with drawing: what a stroke's clip and stills are, and the outside world that makes them, as a trait.
//!
//! Nothing is written into a picture but lines: words and numbers stand on the page, where they can be read out.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::camera::RawPixel;
use super::footage::FootageError;

/// A moment with a still of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FilmMoment {
    /// Start of W.
    Start,
    /// Largest bend; without butt markers the middle of W.
    LargestBend,
    /// Rod straight position.
    RodStraight,
    /// Largest bend the other way; without butt markers the stop.
    Counterflex,
}

/// One still.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FilmStill {
    /// Which moment.
    pub moment: FilmMoment,
    /// Session time of the tip in this frame.
    pub t_s: f64,
    /// File, relative to the page's folder.
    pub file: String,
}

/// Film of one stroke by one camera. Of a stroke's films the first is by the camera that looks most squarely at the cast plane.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StrokeFilm {
    /// The stroke, counts from 1.
    pub stroke: u32,
    /// Camera.
    pub camera: String,
    /// Clip, relative to the page's folder.
    pub clip: String,
    /// Width and height of its picture, pixels.
    pub size_px: [u32; 2],
    /// Frames a second as played.
    pub played_fps: f64,
    /// Session time of the tip in each frame.
    pub frame_t_s: Vec<f64>,
    /// The four moments; of the films after the first the one that stands for it until it plays.
    pub stills: Vec<FilmStill>,
}

impl StrokeFilm {
    /// The still that stands for the film until it plays: rod straight, or the first where that moment is not known.
    #[must_use]
    pub fn poster(&self) -> Option<&FilmStill> {
        self.stills.iter().find(|s| s.moment == FilmMoment::RodStraight).or(self.stills.first())
    }
}

/// Inks in a picture: light ones with a dark edge, to be seen on sky and on trees.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FilmInk {
    /// The tip's path, forward stroke.
    Forward,
    /// The tip's path, back stroke.
    Back,
    /// Chord and construction.
    Plain,
    /// Dip.
    Dip,
    /// Loop.
    Loop,
}

/// A line drawn into a picture, in pixels of the upright, distorted picture.
#[derive(Debug, Clone, PartialEq)]
pub struct DrawnLine {
    /// Points in order.
    pub points: Vec<RawPixel>,
    /// Ink.
    pub ink: FilmInk,
    /// Width, pixels of the finished clip.
    pub width_px: f64,
    /// Chain-dotted.
    pub is_chain: bool,
}

/// What is drawn into the frame with this presentation time.
pub type DrawFrame<'a> = &'a (dyn Fn(f64) -> Vec<DrawnLine> + Sync);

/// One stretch of a clip to be filmed.
pub struct FilmSpan<'a> {
    /// First presentation time.
    pub from_pts_s: f64,
    /// Last.
    pub to_pts_s: f64,
    /// Part of the upright picture to show: left, top, width, height, pixels.
    pub crop_px: [f64; 4],
    /// File to write.
    pub clip: PathBuf,
    /// Stills to write: presentation time, file. The frame nearest in time is taken.
    pub stills: Vec<(f64, PathBuf)>,
    /// The drawing.
    pub draw: DrawFrame<'a>,
}

/// What came of a stretch.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FilmedSpan {
    /// Width and height of the finished picture, pixels.
    pub size_px: [u32; 2],
    /// Presentation times of the clip's frames.
    pub frame_pts_s: Vec<f64>,
    /// Presentation times of the stills, in order of the asked ones; `None` where no frame lies near.
    pub still_pts_s: Vec<Option<f64>>,
}

/// How films are made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FilmConfig {
    /// Largest height of the finished picture. Default 720: the marker is still some pixels wide, and a clip stays at
    /// one or two megabytes.
    pub height_px: u32,
    /// Frames a second as played. Default 30: every frame of a clip at 120 or 240 a second is seen, four or eight
    /// times slower than it went.
    pub played_fps: u32,
    /// Constant quality, the encoder's scale. Default 26, a little under the usual 23: films are for looking, the
    /// originals stay (own choice).
    pub quality: f32,
    /// Time before the start of W and after the stop, seconds. Default 0.15: shows how the stroke begins and the
    /// rod's counterflex.
    pub margin_s: f64,
}

impl Default for FilmConfig {
    fn default() -> Self {
        Self { height_px: 720, played_fps: 30, quality: 26.0, margin_s: 0.15 }
    }
}

/// Why there is no film.
#[derive(Debug, Clone, thiserror::Error)]
pub enum FilmError {
    /// The clip cannot be read.
    #[error(transparent)]
    Read(#[from] FootageError),
    /// The clip has no picture there.
    #[error("no frame lies in the stroke; this camera did not film it: {}", path.display())]
    NoFrame {
        /// Clip.
        path: PathBuf,
    },
    /// The film cannot be written.
    #[error("the film cannot be written ({reason}); free space or choose another folder with -o: {}", path.display())]
    Write {
        /// What the writer said.
        reason: String,
        /// File.
        path: PathBuf,
    },
}

/// Maker of films: decodes a clip once, only where a stretch is wanted, draws, encodes.
pub trait FilmMaker: Sync {
    /// Films stretches of one clip in one pass; results in the order given. A stretch fails by itself: the clip cannot be read as far,
    /// has no frame there, or the film cannot be written.
    fn film(
        &self,
        source: &Path,
        capture_fps: Option<f64>,
        spans: &[FilmSpan<'_>],
        config: &FilmConfig,
    ) -> Vec<Result<FilmedSpan, FilmError>>;
}
