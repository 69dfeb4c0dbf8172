//! Runs of frames that may be shifted in time.

use crate::model::FrameTimes;

/// A run of frames whose place in time against the rest of its clip is unsure: frame times are estimated from stamps
/// ([`crate::times`]), and where the rate changes the rest of the clip says little of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockShift {
    /// Which camera.
    pub camera_idx: usize,
    /// First and last presentation time of its frames.
    pub span_pts_s: [f64; 2],
    /// Standard deviation of their common shift, seconds.
    pub sd_s: f64,
}

impl ClockShift {
    /// The shifts of cameras whose clips have these frame times, in the cameras' order.
    #[must_use]
    pub fn of_clips<'a>(clips: impl IntoIterator<Item = &'a FrameTimes>) -> Vec<Self> {
        let of_clip = |(camera_idx, times): (usize, &FrameTimes)| {
            let shifts = times.unsure_shifts().into_iter();
            shifts.map(move |(span_pts_s, sd_s)| Self { camera_idx, span_pts_s, sd_s }).collect::<Vec<_>>()
        };
        clips.into_iter().enumerate().flat_map(of_clip).collect()
    }
}
