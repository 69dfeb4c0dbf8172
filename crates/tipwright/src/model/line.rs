//! The fly line: thin curves found in pictures, and the loop they make. Definitions and a drawing are in
//! `crates/tipwright/src/line/README.md`.

use serde::{Deserialize, Serialize};

use super::camera::{Picture, RawPixel};
use super::frame_times::FrameTimes;
use super::measured::Measured;
use super::stroke::LoopShape;

/// A point on a thin bright or dark curve, upright pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RidgePoint {
    /// To the right.
    pub x_px: f32,
    /// Downward.
    pub y_px: f32,
    /// Direction of the curve from +x towards +y (down), radians, modulo pi.
    pub angle_rad: f32,
}

/// Thin curves of one frame, as points in no order.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameRidges {
    /// Position in the clip, from 0.
    pub frame_idx: u32,
    /// Presentation time after re-timing, seconds.
    pub pts_s: f64,
    /// The points.
    pub points: Vec<RidgePoint>,
}

/// Thin curves of one clip that were not there a while before.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipRidges {
    /// Camera name.
    pub camera: String,
    /// Picture geometry of the clip.
    pub picture: Picture,
    /// Frames looked at, in order; every second or so.
    pub frames: Vec<FrameRidges>,
    /// Why the last frames are missing, when the room for points ran out.
    pub cut_short: bool,
}

impl ClipRidges {
    /// Gives the frames the times that were estimated from the clip's stamps; those whose stamps make no sense go.
    pub fn take_times(&mut self, times: &FrameTimes) {
        self.frames.retain_mut(|frame| {
            let time_s = times.of_stamp_s(frame.pts_s);
            frame.pts_s = time_s.unwrap_or(frame.pts_s);
            time_s.is_some()
        });
    }
}

/// What a loop is called by its width. Limits differ from source to source, so they are settings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LoopSize {
    /// Narrow.
    Tight,
    /// Between.
    Medium,
    /// Wide.
    Wide,
    /// So wide that it hardly is a loop.
    Open,
}

impl LoopSize {
    /// As written on pages.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Tight => "tight",
            Self::Medium => "medium",
            Self::Wide => "wide",
            Self::Open => "open",
        }
    }
}

/// A loop at one instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LoopMoment {
    /// Session time.
    pub t_s: f64,
    /// Front of the nose ahead of the tip, along the trajectory.
    pub travel_m: f64,
    /// Front of the nose in the cast frame of the take: X the way the forward cast travels, Z up, metres.
    pub nose_in_cast_m: [f64; 2],
    /// Separation of the legs at the section.
    pub width_m: Measured,
}

/// One camera's own measure of the loop at the standard moment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoopView {
    /// Camera.
    pub camera: String,
    /// Width by intersection with the cast plane, this camera alone.
    pub width_m: Measured,
    /// Points it rests on.
    pub points: u32,
}

/// The measured loop of one stroke.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StrokeLoop {
    /// Stroke, counts from 1.
    pub stroke: u32,
    /// Session time of the standard moment.
    pub t_s: f64,
    /// Shape at the standard moment, where it is certain.
    pub shape: Option<LoopShape>,
    /// Probability of the likeliest number of crossings at the standard moment.
    pub shape_probability: f64,
    /// Probability of two crossings: a tail. `None`: the legs cannot be followed.
    #[serde(default)]
    pub tail_probability: Option<f64>,
    /// Size by the settings' limits.
    pub size: LoopSize,
    /// Unit vector of the trajectory in the cast frame, X and Z.
    pub way_in_cast: [f64; 2],
    /// Rod leg at the standard moment from the tip to the nose's front, cast frame, X and Z, metres.
    pub rod_leg_in_cast_m: Vec<[f64; 2]>,
    /// Fly leg from the nose's front to where it was lost.
    pub fly_leg_in_cast_m: Vec<[f64; 2]>,
    /// Ends of the width's section: on the rod leg, on the fly leg.
    pub section_in_cast_m: [[f64; 2]; 2],
    /// Over time.
    pub moments: Vec<LoopMoment>,
    /// Camera by camera.
    pub views: Vec<LoopView>,
    /// Distance of the line from the cast plane where two cameras see it, metres; positive to the left seen the way
    /// the forward cast travels.
    pub off_plane_m: Option<Measured>,
}

/// What is known of the line that is cast.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct KnownLine {
    /// Mass of the belly per metre, grams.
    pub mass_g_m: Measured,
    /// Line beyond the tip-top, leader not counted, metres.
    pub length_out_m: Measured,
}

/// What a tip's path was changed to, to see what the loop would have been.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// The same path with its dip stretched flat: on its upper hull.
    WithoutDip,
    /// Straight from its start to rod straight.
    Straight,
    /// The same way, its speed a steady ramp from the start to rod straight.
    SteadyRamp,
}

impl Change {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::WithoutDip, Self::Straight, Self::SteadyRamp];

    /// As written on pages.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::WithoutDip => "without the dip",
            Self::Straight => "on a straight path",
            Self::SteadyRamp => "with a steady ramp of speed",
        }
    }
}

/// The loop that a changed path would have made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WhatIf {
    /// What was changed.
    pub change: Change,
    /// Width at the standard moment.
    pub width_m: Measured,
    /// Probability of crossing not at all, once, twice or oftener.
    pub crossings: [f64; 3],
    /// The line at the standard moment, from the tip, cast frame, X and Z.
    pub line_in_cast_m: Vec<[f64; 2]>,
}

/// The loop that the measured path of the tip makes, by the line model. Never a measured one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PredictedLoop {
    /// Stroke, counts from 1.
    pub stroke: u32,
    /// Width at the standard moment.
    pub width_m: Measured,
    /// Dip of the fly leg.
    pub fly_leg_dip_m: Measured,
    /// Probability of crossing not at all, once, twice or oftener.
    pub crossings: [f64; 3],
    /// The line at the standard moment, from the tip, cast frame, X and Z.
    pub line_in_cast_m: Vec<[f64; 2]>,
    /// What it would have been with other paths.
    pub what_if: Vec<WhatIf>,
}

impl RidgePoint {
    /// As a pixel.
    #[must_use]
    pub fn pixel(&self) -> RawPixel {
        RawPixel::new(f64::from(self.x_px), f64::from(self.y_px))
    }
}
