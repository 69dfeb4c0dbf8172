//! Onsets of a sound track, taken in piece by piece.

use super::SoundConfig;
use crate::math::median;
use crate::math::steps::PowerSteps;
use crate::model::footage::{Ear, Sound};

/// What of a sound track is compared: its onsets, a hundredth of its size, so that long tracks need not be held side by side.
#[derive(Debug, Clone, PartialEq)]
pub struct Onsets {
    /// Rise of the log energy, [`SoundConfig::envelope_hz`] steps a second.
    pub(super) rise: Vec<f64>,
    /// Time of the first sample.
    pub(super) start_s: f64,
}

impl Onsets {
    /// Of a track.
    #[must_use]
    pub fn of(sound: &Sound, config: &SoundConfig) -> Self {
        let mut ear = OnsetsEar::new(sound.rate_hz, sound.start_s, config);
        ear.add(&sound.samples);
        ear.onsets()
    }

    /// The part between two times of the clip's clock.
    #[must_use]
    pub fn part(&self, [from_s, to_s]: [f64; 2], config: &SoundConfig) -> Self {
        let place = |t_s: f64| ((t_s - self.start_s) * config.envelope_hz).clamp(0.0, self.rise.len() as f64);
        let (from, to) = (place(from_s).floor() as usize, place(to_s).ceil() as usize);
        Self {
            rise: self.rise[from.min(to)..to].to_vec(),
            start_s: self.start_s + from as f64 / config.envelope_hz,
        }
    }

    /// Length, seconds.
    pub(super) fn length_s(&self, config: &SoundConfig) -> f64 {
        self.rise.len() as f64 / config.envelope_hz
    }
}

/// Makes [`Onsets`] of a track that is handed over piece by piece; what is kept of it is its energy, a step at a time.
#[derive(Debug)]
pub struct OnsetsEar {
    high: OnePole,
    low: OnePole,
    start_s: f64,
    loud: PowerSteps<f64>,
}

impl OnsetsEar {
    /// For a track of so many samples a second, whose first one is at `start_s`.
    #[must_use]
    pub fn new(rate_hz: f64, start_s: f64, config: &SoundConfig) -> Self {
        Self {
            high: OnePole::new(config.band_hz[0], rate_hz),
            low: OnePole::new(config.band_hz[1].min(0.45 * rate_hz), rate_hz),
            start_s,
            loud: PowerSteps::new((rate_hz / config.envelope_hz).max(1.0), f64::floor),
        }
    }

    /// Onsets of what was heard.
    #[must_use]
    pub fn onsets(self) -> Onsets {
        Onsets { rise: rises(self.loud.whole()), start_s: self.start_s }
    }
}

impl Ear for OnsetsEar {
    fn add(&mut self, samples: &[f32]) {
        self.loud.add(samples, |s| self.low.pass(s - self.high.pass(s)));
    }
}

/// Rise of the logarithm of energies, in their place: of an hour they take fourteen megabytes.
fn rises(mut loud: Vec<f64>) -> Vec<f64> {
    loud.shrink_to_fit();
    // the quiet level of this phone is the floor of its logarithm: below it there is only its own noise
    let quiet = median(loud.iter().copied()).unwrap_or(0.0);
    let peak = loud.iter().copied().max_by(f64::total_cmp).unwrap_or(0.0);
    let floor = quiet.max(1e-6 * peak);
    if !(floor > 0.0) {
        loud.fill(0.0);
        return loud;
    }
    let mut before = f64::INFINITY;
    for l in &mut loud {
        let level = (*l / floor + 1.0).ln();
        *l = (level - before).max(0.0);
        before = level;
    }
    let mean = loud.iter().sum::<f64>() / loud.len().max(1) as f64;
    let mut rise = loud;
    for r in &mut rise {
        *r -= mean;
    }
    // 6 ms wide: phones a metre apart hear the echo of the ground at other times
    let mut before = rise.first().copied().unwrap_or(0.0);
    for i in 0..rise.len() {
        let (now, after) = (rise[i], rise[(i + 1).min(rise.len() - 1)]);
        rise[i] = 0.5 * now + 0.25 * (before + after);
        before = now;
    }
    rise
}

#[derive(Debug)]
struct OnePole {
    share: f64,
    state: f64,
}

impl OnePole {
    fn new(corner_hz: f64, rate_hz: f64) -> Self {
        Self { share: 1.0 - (-std::f64::consts::TAU * corner_hz / rate_hz).exp(), state: 0.0 }
    }
    fn pass(&mut self, x: f64) -> f64 {
        self.state += self.share * (x - self.state);
        self.state
    }
}
