//! Clocks: from a frame's presentation time and a shutter row to the session's time.
//!
//! `t = offset_s + (1 + drift) * pts + readout_s * (v - (rows-1)/2) / rows`; the session clock is the first
//! camera's, whose offset and drift are zero. `pts` stands for the middle of the exposure of the middle row.

use serde::{Deserialize, Serialize};

/// Clock of one camera for one set of clips.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Clock {
    /// Session time at which the camera's pts is zero, seconds.
    pub offset_s: f64,
    /// Rate error, seconds per second.
    pub drift: f64,
    /// Time from the first to one past the last row, seconds. Never negative: the sign sits in the rows.
    pub readout_s: f64,
}

impl Clock {
    /// The session clock of a camera whose clock is known against this one's camera instead of the session: `relative` takes
    /// its pts to this camera's pts.
    #[must_use]
    pub fn after(&self, relative: &Self) -> Self {
        Self {
            offset_s: self.offset_s + (1.0 + self.drift) * relative.offset_s,
            drift: (1.0 + self.drift) * (1.0 + relative.drift) - 1.0,
            readout_s: relative.readout_s,
        }
    }

    /// Session time of presentation time `pts_s` at shutter fraction `shutter_fraction`
    /// (see [`crate::model::Picture::shutter_fraction`]).
    #[must_use]
    pub fn session_s(&self, pts_s: f64, shutter_fraction: f64) -> f64 {
        self.offset_s + (1.0 + self.drift) * pts_s + self.readout_s * shutter_fraction
    }

    /// Presentation time of the middle row at session time `t_s`.
    #[must_use]
    pub fn pts_s(&self, t_s: f64) -> f64 {
        (t_s - self.offset_s) / (1.0 + self.drift)
    }
}

/// Where a coarse offset comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OffsetSource {
    /// The sound tracks of two clips.
    Sound,
    /// The recording times in the files.
    RecordingTime,
    /// The motion itself.
    Motion,
}

/// A first guess of [`Clock::offset_s`] of one camera against the first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CoarseOffset {
    /// Session time (the first camera's) at which this camera's pts is zero.
    pub value_s: f64,
    /// Its standard deviation.
    pub sd_s: f64,
    /// Source.
    pub source: OffsetSource,
}
