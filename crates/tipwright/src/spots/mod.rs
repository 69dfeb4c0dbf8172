//! Markers in the picture: where something of the marker's colour and size stands in each frame, to a fraction of a
//! pixel, with its own covariance.
//!
//! One camera alone cannot tell a marker from everything that looks like one. So each frame keeps a short list of
//! candidates, best first; which of them is the marker is decided in `path` by agreement between the cameras.
//!
//! Per frame: the picture is brought to half size (`grid`), places brighter or more coloured than their surroundings are
//! found, standing or moving (`search`), each is measured in its first rough form (`blob`), and the best are fitted with
//! the picture of a moving disc on the full-size planes (`fit`, `profile`). After the clip, sizes and motion over three
//! frames are known, and the lists are cut to the best few (`finish`).
//!
//! Pixels are upright pixels of the picture; angles are radians from +x towards +y.

mod blob;
mod causes;
mod colour;
mod finder;
mod finish;
mod fit;
mod grid;
mod light;
mod patch;
mod profile;
mod search;
mod still;
mod streaks;
#[cfg(test)]
mod tests;

pub use causes::{Cause, Sight};

use crate::model::footage::{FootageError, FrameSource};
use crate::model::{ClipSpots, Colour, Severity, Still, Warning};
use crate::times::timed;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What a marker looks like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MarkerLook {
    /// Its colour.
    pub colour: Colour,
    /// Its diameter.
    pub diameter_m: f64,
}

/// Settings of the search.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SpotsConfig {
    /// Candidates kept per colour and frame. Default 11: two markers of a wand, and a handful each of things that
    /// look alike and move (glints on water) and that look alike and stand (caps); more costs time in `path`.
    pub keep_per_colour: usize,
    /// Focal length, when the lens is known. Default none: then 0.8 of the longer side, a phone's main camera.
    pub focal_px: Option<f64>,
    /// Rate at which the phone filmed, when the session gives it. Default none: then the file's own, whose tag slow motion often lacks.
    pub capture_fps: Option<f64>,
    /// Nearest and farthest distance of a marker. Default 3 to 20 m: nearer the rod leaves the picture, farther a
    /// 40 mm marker is 3 px wide.
    pub distance_m: [f64; 2],
    /// Blur of lens and processing, one standard deviation. Default 0.8 px: sharp phone video, common practice.
    pub blur_px: f64,
    /// Longest streak at 120 frames a second and more, as a share of the longer side of the picture; at lower rates, where a shutter
    /// can be open for longer, as much longer. Default 0.02 (38 px of 1920): 25 m/s at 8 m seen for 1/120 s.
    pub longest_streak: f64,
    /// Least standard deviation of a white marker's position. Default 0.025 px: what compression and tone curve leave on
    /// simulated clips however strong the spot is (`spots_truth`, an example of the footage crate, prints it).
    pub sigma_floor_px: f64,
    /// The same for coloured markers. Default 0.15 px: chroma has half the resolution, its samples sit where the phone
    /// likes, and a rod runs through a butt marker (measured the same way).
    pub coloured_sigma_floor_px: f64,
}

impl Default for SpotsConfig {
    fn default() -> Self {
        Self {
            keep_per_colour: 11,
            focal_px: None,
            capture_fps: None,
            distance_m: [3.0, 20.0],
            blur_px: 0.8,
            longest_streak: 0.02,
            sigma_floor_px: 0.025,
            coloured_sigma_floor_px: 0.15,
        }
    }
}

/// Frame rate up to which [`SpotsConfig::longest_streak`] holds.
const USUAL_FPS: f64 = 120.0;

/// How many places were looked at and what became of them. `places` is the sum of the other counts but `frames`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SpotCounts {
    /// Frames read.
    pub frames: u64,
    /// Peaks of the search.
    pub places: u64,
    /// No blob of a marker's size: edges, clouds, clothes.
    pub not_a_blob: u64,
    /// Another peak of the same spot.
    pub same_spot: u64,
    /// Blobs left out because better ones filled the list before the fit.
    pub outranked: u64,
    /// The fit did not settle or did not fit.
    pub no_fit: u64,
    /// Fitted, but left out of the final list.
    pub cut: u64,
    /// Candidates kept.
    pub kept: u64,
}

/// Candidates of a clip with what a person should know of it.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundSpots {
    /// Candidates of every frame.
    pub spots: ClipSpots,
    /// Counts.
    pub counts: SpotCounts,
    /// Frames that could not be decoded.
    pub damaged_frames: u64,
    /// Diameter in the picture per colour as the clip itself shows it, where it does.
    pub diameter_px: Vec<(Colour, f64)>,
    /// What was seen of each colour, and why not more.
    pub sights: Vec<(Colour, Sight)>,
    /// What stood still at the clip's beginning and at its end; `None` of a clip of less than 64 frames.
    pub stills: Option<[Still; 2]>,
    /// Warnings of the footage and the search.
    pub warnings: Vec<Warning>,
}

/// Why no spots can be had.
#[derive(Debug, Clone, thiserror::Error)]
pub enum SpotsError {
    /// The clip cannot be read.
    #[error(transparent)]
    Footage(#[from] FootageError),
    /// Nothing to look for.
    #[error("no marker to look for; give at least one marker with a diameter above 0 in session.toml")]
    NoLook,
    /// A coloured marker in footage without colour.
    #[error("the clip has no colour, but the {colour:?} marker is known by its colour; use a white marker or record in colour: {}", path.display())]
    NoColour {
        /// Colour looked for.
        colour: Colour,
        /// File.
        path: std::path::PathBuf,
    },
    /// Too small a picture.
    #[error("the picture is too small ({width_px} x {height_px}); at least 64 x 64 is needed: {}", path.display())]
    TooSmall {
        /// Columns.
        width_px: u32,
        /// Rows.
        height_px: u32,
        /// File.
        path: std::path::PathBuf,
    },
}

/// Finds the candidates of every frame of a clip. `progress` is told the number of frames done, now and then.
/// `camera` is the camera's name in the session, for the result.
///
/// # Errors
/// An unreadable clip, nothing to look for, colour looked for in grey footage.
pub fn find_clip(
    camera: &str,
    source: &mut dyn FrameSource,
    looks: &[MarkerLook],
    config: &SpotsConfig,
    progress: &mut dyn FnMut(u64),
) -> Result<FoundSpots, SpotsError> {
    let looks = one_per_colour(looks);
    if looks.is_empty() {
        return Err(SpotsError::NoLook);
    }
    let (picture, path) = (source.info().picture, source.info().path.clone());
    let [width_px, height_px] = picture.stored_px;
    if width_px < 64 || height_px < 64 {
        return Err(SpotsError::TooSmall { width_px, height_px, path });
    }
    let info = source.info();
    let fps = config.capture_fps.or(info.capture_fps_tag).or(info.container_fps);
    let fps = fps.filter(|fps| *fps > 1.0).unwrap_or(USUAL_FPS);
    let mut finder = finder::Finder::new(picture, fps, &looks, config);
    let mut frames = Vec::new();
    while let Some(frame) = source.next_frame()? {
        if frame.now.cb.is_none()
            && let Some(look) = looks.iter().find(|l| l.colour != Colour::White)
        {
            return Err(SpotsError::NoColour { colour: look.colour, path });
        }
        frames.push(finder.look_at(&frame));
        if frames.len() % 8 == 0 {
            progress(frames.len() as u64);
        }
    }
    progress(frames.len() as u64);
    let mut counts = finder.counts();
    let stills = finder.stills();
    // By its looks alone: a marker that hangs still is a marker.
    let sights = finder.sights();
    let (frames, diameter_px) = finish::finish(frames, picture, &looks, config, &mut counts);
    let mut warnings = source.warnings();
    let spots = timed(camera, picture, frames, source.tick_s());
    let times = &spots.times;
    if let Some(what) = times.in_words() {
        let (severity, remedy) = if times.left_out > 0 {
            (Severity::Warning, "Copy the clip from the phone again if the frames matter")
        } else {
            (Severity::Note, "Nothing to do: what is unsure of them is in every figure's interval")
        };
        warnings.push(Warning::new(severity, path.display().to_string(), what, remedy));
    }
    warnings.extend(sights.iter().filter_map(|(colour, sight)| unlikely(*colour, sight, &path)));
    Ok(FoundSpots {
        spots,
        counts,
        damaged_frames: source.damaged_frames(),
        diameter_px,
        sights,
        stills,
        warnings,
    })
}

/// A warning when hardly a frame has anything that looks like a marker, with the cause that was measured.
fn unlikely(colour: Colour, sight: &Sight, path: &std::path::Path) -> Option<Warning> {
    if !sight.is_rare() {
        return None;
    }
    let (why, remedy) = sight.main_cause()?.words(colour);
    let (likely, frames) = (sight.likely, sight.frames());
    let article = if matches!(colour, Colour::Orange) { "an" } else { "a" };
    let what = format!("{article} {colour} marker is likely in only {likely} of {frames} frames: {why}");
    Some(Warning::new(Severity::Warning, path.display().to_string(), what, remedy))
}

/// Looks without doubles: markers of one colour are searched once, with the mean of their sizes.
fn one_per_colour(looks: &[MarkerLook]) -> Vec<MarkerLook> {
    let mut out: Vec<MarkerLook> = Vec::new();
    for colour in Colour::ALL {
        let sizes: Vec<f64> = looks
            .iter()
            .filter(|l| l.colour == colour && l.diameter_m > 0.0)
            .map(|l| l.diameter_m.ln())
            .collect();
        if !sizes.is_empty() {
            let mean = sizes.iter().sum::<f64>() / sizes.len() as f64;
            out.push(MarkerLook { colour, diameter_m: mean.exp() });
        }
    }
    out
}
