//! The sound track of a clip: wind and water, and claps that arrive late by their distance.
//!
//! A clap is a sum of damped tones with a sharp start, given as a function of time, so that each phone samples the same
//! clap at its own instants, between its samples too. So are the slap of the line on the rod, and voices.

use nalgebra::Point3;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use tipwright::model::Clock;

use super::noise::between;

/// What makes a short sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Two hands meet.
    Clap,
    /// The line slaps the rod: all between 2.3 and 6.3 kHz, gone in some milliseconds (chosen by us; no measurement was found).
    Slap,
    /// Part of a word: a vowel.
    Vowel,
    /// Part of a word: a hiss or a stop, above 2 kHz.
    Consonant,
}

/// A short sound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Burst {
    /// What makes it.
    pub kind: Kind,
    /// World time of its start at its source.
    pub t_s: f64,
    /// Where.
    pub at_in_world: Point3<f64>,
    /// How loud at one metre.
    pub loudness: f64,
}

impl Burst {
    /// Hands meet.
    #[must_use]
    pub fn clap(t_s: f64, at_in_world: Point3<f64>) -> Self {
        Self { kind: Kind::Clap, t_s, at_in_world, loudness: 0.9 }
    }

    /// The line slaps the rod, so loud that its mean power in its first 5 ms, mean of dB over phones at these distances, is `level_db` over
    /// a background without gusts between 2 and 7 kHz.
    #[must_use]
    pub fn slap(t_s: f64, at_in_world: Point3<f64>, level_db: f64, background: f64, away_m: &[f64]) -> Self {
        let mut one = vec![0.0; 240];
        add_burst(&mut one, 48_000.0, 0.0, 1.0, Kind::Slap, &tones(Kind::Slap, seed_of(t_s)));
        let own_db = 10.0 * (one.iter().map(|s| s * s).sum::<f64>() / one.len() as f64).log10();
        let away_db =
            away_m.iter().map(|m| 20.0 * m.max(1.0).log10()).sum::<f64>() / away_m.len().max(1) as f64;
        let wanted_db = level_db + 10.0 * background_power(background, [2000.0, 7000.0]).log10();
        let loudness = 10.0_f64.powf((wanted_db + away_db - own_db) / 20.0);
        Self { kind: Kind::Slap, t_s, at_in_world, loudness }
    }
}

/// Every sound is a little different, but the same at every phone.
fn seed_of(t_s: f64) -> u64 {
    (t_s * 1e6).round() as u64
}

/// A phone's ear.
#[derive(Debug, Clone, PartialEq)]
pub struct Microphone {
    /// Where.
    pub at_in_world: Point3<f64>,
    /// Samples per second by the phone's own clock.
    pub rate_hz: u32,
    /// Speed of sound.
    pub speed_of_sound_m_s: f64,
    /// The sound track lags the picture by this inside the phone.
    pub lag_s: f64,
    /// Standard deviation of wind and water, 0 to 1.
    pub background: f64,
    /// Gusts make it up to so many times louder, and knock at the phone; 0: an even breeze.
    pub gusts: f64,
}

struct Tone {
    frequency_hz: f64,
    phase: f64,
    decay_per_s: f64,
    loudness: f64,
}

fn tones(kind: Kind, seed: u64) -> Vec<Tone> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (count, [lowest_hz, highest_hz], decay_per_s, half_hz) = match kind {
        // most energy between 0.5 and 5 kHz, gone in some 10 ms (from memory)
        Kind::Clap => (48, [500.0, 500.0 * 10.0_f64.powf(1.05)], [120.0, 420.0], 4000.0),
        Kind::Slap => (24, [2300.0, 6300.0], [250.0, 700.0], f64::INFINITY),
        // formants of some 500 and 1500 Hz, falling off above (from memory)
        Kind::Vowel => (24, [150.0, 4000.0], [10.0, 25.0], 600.0),
        Kind::Consonant => (24, [2000.0, 7500.0], [25.0, 150.0], f64::INFINITY),
    };
    (0..count)
        .map(|_| {
            let frequency_hz = lowest_hz * (highest_hz / lowest_hz).powf(between(&mut rng, 0.0, 1.0));
            Tone {
                frequency_hz,
                phase: between(&mut rng, 0.0, std::f64::consts::TAU),
                decay_per_s: between(&mut rng, decay_per_s[0], decay_per_s[1]),
                loudness: 1.0 / (1.0 + frequency_hz / half_hz),
            }
        })
        .collect()
}

impl Kind {
    /// How fast it begins, and after what it is over, seconds.
    fn rise_and_length_s(self) -> [f64; 2] {
        match self {
            // within 0.15 ms, so that the sampled start is band-limited
            Self::Clap => [1.5e-4, 0.06],
            Self::Slap => [1.5e-4, 0.04],
            Self::Vowel => [0.02, 0.25],
            Self::Consonant => [1e-3, 0.12],
        }
    }
}

/// A first-order low pass of white noise, and white noise: wind has more bass than hiss.
const SLOW: f64 = 0.06;
const OF_SLOW: f64 = 3.0;
const OF_WHITE: f64 = 0.35;

/// Power of an even background of a given strength in a band, at 48 kHz: its filter's response, integrated.
fn background_power(background: f64, [from_hz, to_hz]: [f64; 2]) -> f64 {
    let steps = 1000;
    let step_hz = (to_hz - from_hz) / f64::from(steps);
    let density = |hz: f64| {
        let (sin, cos) = (std::f64::consts::TAU * hz / 48_000.0).sin_cos();
        // OF_SLOW SLOW / (1 - (1 - SLOW) z^-1) + OF_WHITE
        let (re, im) = (1.0 - (1.0 - SLOW) * cos, (1.0 - SLOW) * sin);
        let gain = OF_SLOW * SLOW / (re * re + im * im);
        (OF_WHITE + gain * re).powi(2) + (gain * im).powi(2)
    };
    let sum: f64 = (0..steps).map(|i| density(from_hz + (f64::from(i) + 0.5) * step_hz)).sum();
    // white noise of variance 1 has 1 / 24,000 per hertz
    background * background * sum * step_hz / 24_000.0
}

/// The track of a clip of `duration_s` on the file's clock.
#[must_use]
pub fn record(
    microphone: &Microphone,
    bursts: &[Burst],
    clock: &Clock,
    duration_s: f64,
    seed: u64,
) -> Vec<f32> {
    let rate = f64::from(microphone.rate_hz);
    let count = (duration_s * rate).round() as usize;
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5011_d000);
    let mut slow = 0.0;
    let wind = Wind::new(microphone.gusts, duration_s, seed);
    let mut samples: Vec<f64> = (0..count)
        .map(|i| {
            let white: f64 = StandardNormal.sample(&mut rng);
            slow += SLOW * (white - slow);
            wind.at(i as f64 / rate) * microphone.background * (OF_SLOW * slow + OF_WHITE * white)
        })
        .collect();
    for burst in bursts {
        let tones = tones(burst.kind, seed_of(burst.t_s));
        let distance_m = (microphone.at_in_world - burst.at_in_world).norm();
        let heard_s = burst.t_s + distance_m / microphone.speed_of_sound_m_s;
        let start_s = clock.pts_s(heard_s) + microphone.lag_s;
        let loudness = burst.loudness / distance_m.max(1.0);
        add_burst(&mut samples, rate, start_s, loudness, burst.kind, &tones);
        // one echo from the far bank
        let echo_s = start_s + 0.19 + 0.002 * distance_m;
        add_burst(&mut samples, rate, echo_s, 0.06 * loudness, burst.kind, &tones);
    }
    samples.into_iter().map(|s| s.clamp(-1.0, 1.0) as f32).collect()
}

/// Gusts at one phone, and knocks of the wind at it.
struct Wind {
    gusts: f64,
    phases: [f64; 2],
    knocks_s: Vec<f64>,
}

impl Wind {
    fn new(gusts: f64, duration_s: f64, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x0009_0575);
        let phases = [0; 2].map(|_| between(&mut rng, 0.0, std::f64::consts::TAU));
        // about three in two seconds
        let count = if gusts > 0.0 { (1.5 * duration_s) as usize } else { 0 };
        let knocks_s = (0..count).map(|_| between(&mut rng, 0.0, duration_s)).collect();
        Self { gusts, phases, knocks_s }
    }

    fn at(&self, t_s: f64) -> f64 {
        if self.gusts == 0.0 {
            return 1.0;
        }
        let swell = (1.3 * t_s + self.phases[0]).sin() + (3.1 * t_s + self.phases[1]).sin();
        let knocks: f64 = self.knocks_s.iter().map(|k| (-(t_s - k).abs() / 6e-3).exp()).sum();
        1.0 + self.gusts * (swell.max(0.0) / 2.0 + knocks)
    }
}

fn add_burst(samples: &mut [f64], rate: f64, start_s: f64, loudness: f64, kind: Kind, tones: &[Tone]) {
    let [rise_s, length_s] = kind.rise_and_length_s();
    let first = (start_s * rate).ceil().max(0.0) as usize;
    let end = ((start_s + length_s) * rate).ceil().max(0.0) as usize;
    let end = end.min(samples.len());
    for (i, sample) in samples.iter_mut().enumerate().take(end).skip(first) {
        let t = i as f64 / rate - start_s;
        let rise = 1.0 - (-t / rise_s).exp();
        let sum: f64 = tones
            .iter()
            .map(|x| {
                x.loudness
                    * (-t * x.decay_per_s).exp()
                    * (std::f64::consts::TAU * x.frequency_hz * t + x.phase).sin()
            })
            .sum();
        *sample += loudness * rise * sum / 4.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clap_arrives_2_9_ms_later_per_metre() {
        // 331.3 + 0.606 T m/s at 20 C: 343.4 m/s, that is 2.912 ms per metre
        let clap = Burst::clap(0.2, Point3::origin());
        let onset = |distance: f64| {
            let microphone = Microphone {
                at_in_world: Point3::new(distance, 0.0, 0.0),
                rate_hz: 48_000,
                speed_of_sound_m_s: 343.42,
                lag_s: 0.0,
                background: 0.0,
                gusts: 0.0,
            };
            let samples = record(&microphone, &[clap], &Clock::default(), 0.5, 1);
            samples.iter().position(|s| s.abs() > 1e-4).map(|i| i as f64 / 48_000.0).unwrap_or(f64::NAN)
        };
        let per_metre = (onset(9.0) - onset(2.0)) / 7.0;
        assert!((per_metre - 2.912e-3).abs() < 3e-5, "{per_metre}");
    }

    /// A slap's level against what a track holds.
    #[test]
    fn a_slap_is_as_loud_as_told() {
        let ear = |background: f64, bursts: &[Burst]| {
            let microphone = Microphone {
                at_in_world: Point3::new(8.0, 0.0, 0.0),
                rate_hz: 48_000,
                speed_of_sound_m_s: 342.2,
                lag_s: 0.0,
                background,
                gusts: 0.0,
            };
            record(&microphone, bursts, &Clock::default(), 1.0, 3)
        };
        // the band by sines and cosines of the whole second: Parseval
        let in_band = |samples: &[f32]| -> f64 {
            (2000..7000)
                .step_by(5)
                .map(|hz| {
                    let (mut re, mut im) = (0.0, 0.0);
                    for (i, s) in samples.iter().enumerate() {
                        let (sin, cos) =
                            (std::f64::consts::TAU * f64::from(hz) * i as f64 / 48_000.0).sin_cos();
                        re += f64::from(*s) * cos;
                        im += f64::from(*s) * sin;
                    }
                    5.0 * 2.0 * (re * re + im * im) / 48_000.0_f64.powi(2)
                })
                .sum()
        };
        let noise = in_band(&ear(0.004, &[]));
        assert!((noise / background_power(0.004, [2000.0, 7000.0]) - 1.0).abs() < 0.1, "{noise}");
        let slap = Burst::slap(0.3, Point3::origin(), 12.0, 0.004, &[8.0]);
        // its whole energy, of which 5 ms hold nearly all; the echo has 0.4 %
        let energy: f64 = ear(0.0, &[slap]).iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / 48_000.0;
        let level_db = 10.0 * (energy / 5e-3 / noise).log10();
        assert!((level_db - 12.0).abs() < 0.8, "{level_db}");
    }
}
