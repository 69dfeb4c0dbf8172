//! Power of a track in the click's band, by steps of half a millisecond, and the clicks in it.
//!
//! Band pass: second-order Butterworth high and low pass, by the bilinear transform (any textbook on digital filters).

use std::f64::consts::{FRAC_1_SQRT_2, TAU};

use super::{SlapConfig, middle};
use crate::math::steps::PowerSteps;
use crate::model::footage::{Ear, Sound};

const STEP_S: f64 = 0.5e-3;
/// The background is the median power of a click's length over so much to each side, seconds: gusts last longer than that.
const AROUND_S: f64 = 0.4;
/// How often the background is told, seconds.
const TOLD_S: f64 = 0.1;
/// Between two clicks of a track at least, seconds.
const APART_S: f64 = 0.012;
/// A background in a window so much over the track's usual, as power: 6 dB.
const LOUD: f64 = 4.0;
/// Less than this is no sound, as power of samples from -1 to 1: the last of 16 bits, spread over the band, has ten times that.
const SILENCE: f64 = 1e-12;

/// What of a sound track the slap is looked for in: its power in the click's band, a 24th of a track of 48 kHz.
#[derive(Debug, Clone, PartialEq)]
pub struct Levels {
    /// Mean power of each step of half a millisecond.
    power: Vec<f32>,
    start_s: f64,
}

impl Levels {
    /// Of a track by the clock of its pictures; `None` where its rate does not hold the band.
    #[must_use]
    pub fn of(sound: &Sound, config: &SlapConfig) -> Option<Self> {
        let mut ear = LevelsEar::new(sound.rate_hz, sound.start_s, config)?;
        ear.add(&sound.samples);
        Some(ear.levels())
    }

    /// The part between two times of the clip's clock.
    #[must_use]
    pub fn part(&self, [from_s, to_s]: [f64; 2]) -> Self {
        let place = |t_s: f64| ((t_s - self.start_s) / STEP_S).clamp(0.0, self.power.len() as f64) as usize;
        let (from, to) = (place(from_s), place(to_s));
        Self { power: self.power[from.min(to)..to].to_vec(), start_s: self.start_s + from as f64 * STEP_S }
    }
}

/// Makes [`Levels`] of a track that is handed over piece by piece.
#[derive(Debug)]
pub struct LevelsEar {
    high: Biquad,
    low: Biquad,
    start_s: f64,
    power: PowerSteps<f32>,
}

impl LevelsEar {
    /// For a track by the clock of its pictures; `None` where its rate does not hold the band.
    #[must_use]
    pub fn new(rate_hz: f64, start_s: f64, config: &SlapConfig) -> Option<Self> {
        (rate_hz > 2.2 * config.band_hz[1] && start_s.is_finite()).then(|| Self {
            high: Biquad::new(config.band_hz[0], rate_hz, true),
            low: Biquad::new(config.band_hz[1], rate_hz, false),
            start_s,
            power: PowerSteps::new(STEP_S * rate_hz, f64::round),
        })
    }

    /// Levels of what was heard.
    #[must_use]
    pub fn levels(self) -> Levels {
        Levels { power: self.power.whole(), start_s: self.start_s }
    }
}

impl Ear for LevelsEar {
    fn add(&mut self, samples: &[f32]) {
        self.power.add(samples, |s| self.low.pass(self.high.pass(s)));
    }
}

/// A click, by the clip's clock.
pub(super) struct Found {
    pub pts_s: f64,
    pub level_db: f64,
    pub is_sharp: bool,
}

/// A track, ready to be asked.
pub(super) struct Track {
    /// Mean power of a click's length from each step on.
    power: Vec<f64>,
    /// Sum of the steps' powers up to each.
    sum: Vec<f64>,
    background: Vec<f64>,
    start_s: f64,
}

impl Track {
    /// `None` where nothing is heard in it.
    pub fn of(levels: &Levels, config: &SlapConfig) -> Option<Self> {
        let mut sum = vec![0.0];
        let mut total = 0.0;
        sum.extend(levels.power.iter().map(|p| {
            total += f64::from(*p);
            total
        }));
        let long = (config.click_s / STEP_S).round().max(1.0) as usize;
        let power: Vec<f64> =
            sum.windows(long + 1).map(|w| ((w[long] - w[0]) / long as f64).max(0.0)).collect();
        let around = (AROUND_S / STEP_S) as usize;
        let background: Vec<f64> = (0..power.len())
            .step_by((TOLD_S / STEP_S) as usize)
            .map(|i| middle(&power[i.saturating_sub(around)..(i + around).min(power.len())]))
            .collect();
        (middle(&background) > SILENCE).then_some(Self { power, sum, background, start_s: levels.start_s })
    }

    /// From the first to the last step, by the clip's clock.
    pub fn span_s(&self) -> [f64; 2] {
        [self.start_s, self.start_s + self.power.len() as f64 * STEP_S]
    }

    fn background(&self, i: usize) -> f64 {
        let at = (i as f64 * STEP_S / TOLD_S).round() as usize;
        self.background.get(at).or(self.background.last()).copied().unwrap_or(0.0).max(SILENCE)
    }

    /// The background between two times of the clip's clock is louder than the track's usual one, or the track has a hole there.
    pub fn is_deaf(&self, span_s: [f64; 2]) -> bool {
        let [from, to] =
            span_s.map(|t| ((t - self.start_s) / STEP_S).clamp(0.0, self.power.len() as f64) as usize);
        if from >= to {
            return true;
        }
        let (here, usual) = (middle(&self.power[from..to]), middle(&self.background));
        here > LOUD * usual || here < usual / LOUD / LOUD
    }

    /// Mean power from a step on, by seconds after it.
    fn mean(&self, i: usize, span_s: [f64; 2]) -> f64 {
        let [from, to] =
            span_s.map(|s| (i as f64 + s / STEP_S).round().clamp(0.0, (self.sum.len() - 1) as f64) as usize);
        (self.sum[to] - self.sum[from]) / to.saturating_sub(from).max(1) as f64
    }

    /// Where power stands out from the background, the largest of each some milliseconds.
    pub fn clicks(&self, config: &SlapConfig) -> Vec<Found> {
        let near = (APART_S / STEP_S) as usize;
        let mut found = Vec::new();
        for (i, &power) in self.power.iter().enumerate() {
            let background = self.background(i);
            if !(power >= config.least_ratio * background) {
                continue;
            }
            let (from, to) = (i.saturating_sub(near), (i + near + 1).min(self.power.len()));
            if (from..to).any(|k| self.power[k] > power || (self.power[k] == power && k < i)) {
                continue;
            }
            let excess = power - background;
            let before = self.mean(i, [-5e-3, -1e-3]);
            let left = self.mean(i, [12e-3, 30e-3]) - background;
            found.push(Found {
                pts_s: self.start_s + i as f64 * STEP_S,
                level_db: 10.0 * (excess / background).log10(),
                is_sharp: power >= config.least_rise * before && left <= config.most_left * excess,
            });
        }
        found
    }
}

#[derive(Debug)]
struct Biquad {
    b: [f64; 3],
    a: [f64; 2],
    state: [f64; 2],
}

impl Biquad {
    fn new(corner_hz: f64, rate_hz: f64, is_high: bool) -> Self {
        let (sin, cos) = (TAU * corner_hz / rate_hz).sin_cos();
        let alpha = sin * FRAC_1_SQRT_2;
        let (outer, inner) =
            if is_high { (0.5 * (1.0 + cos), -1.0 - cos) } else { (0.5 * (1.0 - cos), 1.0 - cos) };
        let a0 = 1.0 + alpha;
        Self {
            b: [outer / a0, inner / a0, outer / a0],
            a: [-2.0 * cos / a0, (1.0 - alpha) / a0],
            state: [0.0; 2],
        }
    }

    fn pass(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.state[0];
        self.state[0] = self.b[1] * x - self.a[0] * y + self.state[1];
        self.state[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Butterworth: half the power at either corner, all of it between; wind at 200 Hz loses four orders.
    #[test]
    fn truth_the_band_passes_half_the_power_at_its_corners() {
        let config = SlapConfig::default();
        let power = |hz: f64| {
            let samples = (0..48_000).map(|i| (TAU * hz * f64::from(i) / 48_000.0).sin() as f32).collect();
            let levels = Levels::of(&Sound { samples, rate_hz: 48_000.0, start_s: 0.0 }, &config).unwrap();
            2.0 * f64::from(levels.power[200..1800].iter().sum::<f32>()) / 1600.0
        };
        for corner_hz in config.band_hz {
            // the other corner takes a little too
            assert!((power(corner_hz) - 0.5).abs() < 0.02, "{corner_hz}: {}", power(corner_hz));
        }
        assert!(power(3700.0) > 0.85 && power(200.0) < 2e-4, "{} {}", power(3700.0), power(200.0));
    }

    #[test]
    fn a_track_too_slow_for_the_band_or_silent_is_not_asked() {
        let config = SlapConfig::default();
        let track = |rate_hz: f64, value: f32| {
            let samples = (0..8_000).map(|i| if i % 3 == 0 { value } else { -value }).collect();
            let levels = Levels::of(&Sound { samples, rate_hz, start_s: 0.0 }, &config);
            levels.and_then(|l| Track::of(&l, &config)).is_some()
        };
        assert!(track(48_000.0, 0.1) && !track(8_000.0, 0.1) && !track(48_000.0, 0.0));
        assert!(!track(48_000.0, f32::NAN) && !track(f64::NAN, 0.1));
    }

    /// Pieces of any length give the bits of the whole, at rates whose steps hold no whole number of samples too.
    #[test]
    fn a_track_in_pieces_has_the_levels_of_the_whole() {
        let config = SlapConfig::default();
        for (rate_hz, count, steps) in
            [(48_000.0, 48_011, 2000), (44_100.0, 44_100, 2000), (44_100.0, 22, 0), (44_100.0, 23, 1)]
        {
            let samples: Vec<f32> =
                (0..count).map(|i| (0.7 * f64::from(i * i % 1013)).sin() as f32).collect();
            let whole =
                Levels::of(&Sound { samples: samples.clone(), rate_hz, start_s: 0.1 }, &config).unwrap();
            assert_eq!(whole.power.len(), steps, "{count} samples at {rate_hz}");
            for piece in [1, 7, 1024] {
                let mut ear = LevelsEar::new(rate_hz, 0.1, &config).unwrap();
                samples.chunks(piece).for_each(|s| ear.add(s));
                assert_eq!(ear.levels(), whole, "{count} samples at {rate_hz}, {piece} at a time");
            }
        }
    }
}
