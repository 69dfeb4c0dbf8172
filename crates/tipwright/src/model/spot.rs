//! Marker candidates in one clip.

use serde::{Deserialize, Serialize};

use super::camera::{Picture, RawPixel};
use super::frame_times::FrameTimes;
use crate::math::median;

/// Colours a marker may have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Colour {
    /// Bright and without hue.
    White,
    /// Red.
    Red,
    /// Orange.
    Orange,
    /// Yellow.
    Yellow,
    /// Green.
    Green,
    /// Blue.
    Blue,
    /// Magenta.
    Magenta,
}

impl Colour {
    /// All colours, in the order of the contract.
    pub const ALL: [Self; 7] =
        [Self::White, Self::Red, Self::Orange, Self::Yellow, Self::Green, Self::Blue, Self::Magenta];
}

/// The word that session.toml has for it.
impl std::fmt::Display for Colour {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::White => "white",
            Self::Red => "red",
            Self::Orange => "orange",
            Self::Yellow => "yellow",
            Self::Green => "green",
            Self::Blue => "blue",
            Self::Magenta => "magenta",
        })
    }
}

/// What a marker is on the rod (`tip`, `butt1`, `butt2` in files).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// At the tip-top.
    Tip,
    /// First butt marker of session.toml.
    Butt1,
    /// Second butt marker of session.toml.
    Butt2,
}

/// Motion blur: the marker was seen as a segment over the exposure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Streak {
    /// Length of the path of the marker's centre during the exposure, pixels.
    pub length_px: f64,
    /// Standard deviation of `length_px`.
    pub length_sd_px: f64,
    /// Direction in the upright picture, radians from +x towards +y (down), modulo pi: time's arrow is unknown.
    pub angle_rad: f64,
}

/// Area of a ball in a picture, square pixels: a disc `across_px` wide, drawn out along a streak of `streak_px`.
#[must_use]
pub fn ball_area_px2(across_px: f64, streak_px: f64) -> f64 {
    std::f64::consts::FRAC_PI_4 * across_px * across_px + streak_px * across_px
}

/// One thing in one frame that may be a marker. Positions are upright pixels.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// Centre: the marker's position in the middle of the exposure of its row.
    pub centre: RawPixel,
    /// Covariance of `centre`, xx, xy, yy in square pixels.
    pub cov_px2: [f64; 3],
    /// Blur, when longer than the marker's own outline can explain.
    pub streak: Option<Streak>,
    /// Which configured colour it matches.
    pub colour: Colour,
    /// Area above half contrast, square pixels.
    pub area_px2: f64,
    /// Peak contrast to the surroundings, 0 to 1 of full scale.
    pub contrast: f64,
    /// How well colour, size, shape and motion fit: 0 to 1.
    pub score: f64,
    /// It moved against the picture before (0 still, 1 certainly moving).
    pub moving: f64,
    /// The sensor was saturated in its middle.
    pub saturated: bool,
    /// What of the centre's error is the same in every frame of the clip (it is lit from one side): one standard deviation, along
    /// this vector. `cov_px2` holds it too.
    #[serde(default)]
    pub steady_px: [f64; 2],
    /// What of the centre's error changes as the ball turns (its surface is not even): one standard deviation along either axis.
    #[serde(default)]
    pub uneven_px: f64,
}

impl Candidate {
    /// Root of the mean variance per axis: `sigma_px` of the spots files.
    #[must_use]
    pub fn sigma_px(&self) -> f64 {
        (0.5 * (self.cov_px2[0] + self.cov_px2[2])).sqrt()
    }
}

/// Candidates of one frame, best first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameSpots {
    /// Position in the clip, from 0.
    pub frame_idx: u32,
    /// Middle of its exposure by the clip's clock, seconds: estimated from the time stamps ([`crate::times`]).
    pub pts_s: f64,
    /// At most a few per colour.
    pub candidates: Vec<Candidate>,
}

/// All candidates of one clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClipSpots {
    /// Camera name.
    pub camera: String,
    /// Picture geometry of the clip.
    pub picture: Picture,
    /// Every frame, in order, also those without candidates.
    pub frames: Vec<FrameSpots>,
    /// How the frames' times were found, with the stamps as the file has them. Empty: they are given.
    #[serde(default)]
    pub times: FrameTimes,
}

impl ClipSpots {
    /// First step of the time stamps that no clip makes, back or by more than [`Self::LONGEST_PAUSE_S`]: the frame before it,
    /// and the step in seconds.
    #[must_use]
    pub fn stamps_jump(&self) -> Option<(u32, f64)> {
        let steps = self.frames.windows(2).map(|w| (w[0].frame_idx, w[1].pts_s - w[0].pts_s));
        steps.into_iter().find(|(_, step_s)| !(-1.0..=Self::LONGEST_PAUSE_S).contains(step_s))
    }

    /// Longest pause between two frames of one clip, seconds. An hour: phones leave out seconds at most.
    pub const LONGEST_PAUSE_S: f64 = 3600.0;

    /// Median frame step, seconds; a thirtieth of a clip without two frames.
    #[must_use]
    pub fn frame_step_s(&self) -> f64 {
        let steps = self.frames.windows(2).map(|w| w[1].pts_s - w[0].pts_s);
        median(steps.filter(|s| *s > 0.0)).unwrap_or(1.0 / 30.0)
    }
}
