//! Onsets of a sound track, taken in piece by piece.

use super::SoundConfig;
use crate::math::median;
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
    /// Samples to a step of the envelope.
    step: f64,
    /// Samples so far.
    heard: usize,
    /// First sample of the step at hand, and the one after its last.
    from: usize,
    to: usize,
    /// Energy of the step at hand, and mean ones of those before.
    energy: f64,
    loud: Vec<f64>,
}

impl OnsetsEar {
    /// For a track of so many samples a second, whose first one is at `start_s`.
    #[must_use]
    pub fn new(rate_hz: f64, start_s: f64, config: &SoundConfig) -> Self {
        let step = (rate_hz / config.envelope_hz).max(1.0);
        Self {
            high: OnePole::new(config.band_hz[0], rate_hz),
            low: OnePole::new(config.band_hz[1].min(0.45 * rate_hz), rate_hz),
            start_s,
            step,
            heard: 0,
            from: 0,
            to: step as usize,
            energy: 0.0,
            loud: Vec::new(),
        }
    }

    /// Onsets of what was heard; a step that was begun only is left out.
    #[must_use]
    pub fn onsets(mut self) -> Onsets {
        self.loud.truncate((self.heard as f64 / self.step) as usize);
        Onsets { rise: rises(self.loud), start_s: self.start_s }
    }
}

impl Ear for OnsetsEar {
    fn add(&mut self, mut samples: &[f32]) {
        while !samples.is_empty() {
            let (own, left) = samples.split_at(samples.len().min(self.to - self.heard));
            samples = left;
            self.heard += own.len();
            for s in own {
                let s = if s.is_finite() { f64::from(*s) } else { 0.0 };
                self.energy += self.low.pass(s - self.high.pass(s)).powi(2);
            }
            if self.heard == self.to {
                self.loud.push(self.energy / (self.to - self.from).max(1) as f64);
                self.energy = 0.0;
                self.from = self.to;
                self.to = ((self.loud.len() + 1) as f64 * self.step) as usize;
            }
        }
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
