//! When the frames of a clip were exposed, as estimated from its time stamps.

use serde::{Deserialize, Serialize};

/// What is not worth a parameter, seconds: a tenth of a millimetre at 20 m/s.
const NEGLIGIBLE_S: f64 = 5e-6;

/// A run of frames whose times hang together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    /// Position of its first frame in [`FrameTimes::times_s`].
    pub first: usize,
    /// Its frames.
    pub frames: usize,
    /// Distance of its exposures, seconds; `None`: uneven, each frame's stamp is all that is known.
    pub step_s: Option<f64>,
    /// Frames missing within it.
    pub dropped: usize,
    /// Standard deviation of the whole stretch's place in time, seconds: common to all its frames.
    pub shift_sd_s: f64,
    /// Standard deviation of its rate, seconds per second.
    pub rate_sd: f64,
    /// Standard deviation of each frame's time by itself, seconds; 0 where exposures are even.
    pub frame_sd_s: f64,
}

impl Stretch {
    /// Standard deviation of its frames' times where nothing else ties it to the rest of the clip: place and rate, root mean
    /// square over its length.
    #[must_use]
    pub fn common_sd_s(&self) -> f64 {
        let length_s = self.step_s.unwrap_or(0.0) * (self.frames + self.dropped) as f64;
        self.shift_sd_s.hypot(self.rate_sd * length_s / 12.0_f64.sqrt())
    }
}

/// Frame times of one clip.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct FrameTimes {
    /// Estimated times by the clip's clock, seconds, frame by frame.
    pub times_s: Vec<f64>,
    /// The file's own stamps of the same frames, re-timed, seconds.
    pub stamps_s: Vec<f64>,
    /// The stamps are whole multiples of this, seconds; 0 when of nothing that matters.
    pub rounding_s: f64,
    /// Standard deviation of the stamps about the times, seconds.
    pub stamp_sd_s: f64,
    /// In order; they cover all frames.
    pub stretches: Vec<Stretch>,
    /// Frames left out because their stamps make no sense.
    pub left_out: usize,
}

impl FrameTimes {
    /// Standard deviation of a frame's time by itself, seconds.
    #[must_use]
    pub fn frame_sd_s(&self, frame_pos: usize) -> f64 {
        let at = self.stretches.partition_point(|s| s.first + s.frames <= frame_pos);
        self.stretches.get(at).map_or(0.0, |s| s.frame_sd_s)
    }

    /// The time of the frame with this stamp; `None` where there is none.
    #[must_use]
    pub fn of_stamp_s(&self, stamp_s: f64) -> Option<f64> {
        let at = self.stamps_s.partition_point(|s| *s < stamp_s);
        (self.stamps_s.get(at) == Some(&stamp_s)).then(|| self.times_s[at])
    }

    /// Standard deviation of the clip's rate, seconds per second: of the stretch that lasts longest. What another clip's clock
    /// is compared with.
    #[must_use]
    pub fn rate_sd(&self) -> f64 {
        let even = self.stretches.iter().filter(|s| s.step_s.is_some());
        even.max_by_key(|s| s.frames).map_or(0.0, |s| s.rate_sd)
    }

    /// Runs of time whose place against the rest of the clip is unknown by the standard deviation given: first and last time,
    /// seconds. None of a clip that is one stretch, for its place is the clock's offset; none that is known better than matters.
    #[must_use]
    pub fn unsure_shifts(&self) -> Vec<([f64; 2], f64)> {
        if self.stretches.len() < 2 {
            return Vec::new();
        }
        let even = self.stretches.iter().filter(|s| s.step_s.is_some() && s.frames > 0);
        even.filter_map(|s| {
            let span = [*self.times_s.get(s.first)?, *self.times_s.get(s.first + s.frames - 1)?];
            let sd_s = s.common_sd_s();
            (sd_s > NEGLIGIBLE_S).then_some((span, sd_s))
        })
        .collect()
    }

    /// What a person should know of them; `None` of stamps that are even as they are.
    #[must_use]
    pub fn in_words(&self) -> Option<String> {
        let ms = |s: f64| 1e3 * s;
        let even: Vec<&Stretch> = self.stretches.iter().filter(|s| s.step_s.is_some()).collect();
        let dropped: usize = even.iter().map(|s| s.dropped).sum();
        let uneven: usize = self.stretches.iter().filter(|s| s.step_s.is_none()).map(|s| s.frames).sum();
        let total: usize = self.times_s.len();
        let moved_s = self.times_s.iter().zip(&self.stamps_s).map(|(t, s)| (t - s).abs()).fold(0.0, f64::max);
        // a hundredth of a millisecond is a fifth of a millimetre at 20 m/s
        if moved_s < 1e-5 && dropped == 0 && self.stretches.len() < 2 && uneven == 0 && self.left_out == 0 {
            return None;
        }
        let mut said = Vec::new();
        if self.rounding_s > 5e-5 {
            said.push(format!("time stamps are rounded to {:.2} ms", ms(self.rounding_s)));
        } else if self.stamp_sd_s > 5e-6 {
            said.push(format!(
                "time stamps wander by {:.3} ms about the frames (at most {:.2} ms)",
                ms(self.stamp_sd_s),
                ms(moved_s)
            ));
        }
        let steps = || even.iter().filter_map(|s| s.step_s);
        let (least, most) = (steps().fold(f64::INFINITY, f64::min), steps().fold(0.0, f64::max));
        let sd_s = even.iter().map(|s| s.common_sd_s()).fold(0.0, f64::max);
        match even.len() {
            0 => {}
            1 => said.push(format!(
                "frame times taken as evenly spaced ({:.3} ms), known to {:.3} ms",
                ms(least),
                ms(sd_s)
            )),
            n => said.push(format!(
                "frame times taken as evenly spaced in {n} stretches ({:.3} to {:.3} ms), known to {:.3} ms",
                ms(least),
                ms(most),
                ms(sd_s)
            )),
        }
        if dropped > 0 {
            said.push(format!("{dropped} frames are missing within them"));
        }
        if uneven > 0 {
            said.push(format!(
                "{uneven} of {total} frames come unevenly and keep their stamps ({:.3} ms each)",
                ms(self.stretches.iter().map(|s| s.frame_sd_s).fold(0.0, f64::max))
            ));
        }
        if self.left_out > 0 {
            said.push(format!("{} frames whose stamps make no sense were left out", self.left_out));
        }
        Some(said.join("; "))
    }
}
