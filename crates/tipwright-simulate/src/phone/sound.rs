//! The sound track of a clip: wind and water, and claps that arrive late by their distance.
//!
//! A clap is a sum of damped tones with a sharp start, given as a function of time, so that each phone samples the same
//! clap at its own instants, between its samples too.

use nalgebra::Point3;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use tipwright::model::Clock;

use super::noise::between;

/// Two hands meet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clap {
    /// World time of the start of the sound at the hands.
    pub t_s: f64,
    /// Where.
    pub at_in_world: Point3<f64>,
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
}

struct Tone {
    frequency_hz: f64,
    phase: f64,
    decay_per_s: f64,
    loudness: f64,
}

fn clap_tones(seed: u64) -> Vec<Tone> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..48)
        .map(|_| {
            // hand claps: most energy between 0.5 and 5 kHz, gone in some 10 ms (from memory)
            let frequency_hz = 500.0 * 10.0_f64.powf(between(&mut rng, 0.0, 1.05));
            Tone {
                frequency_hz,
                phase: between(&mut rng, 0.0, std::f64::consts::TAU),
                decay_per_s: between(&mut rng, 120.0, 420.0),
                loudness: 1.0 / (1.0 + frequency_hz / 4000.0),
            }
        })
        .collect()
}

/// The track of a clip of `duration_s` on the file's clock.
#[must_use]
pub fn record(
    microphone: &Microphone,
    claps: &[Clap],
    clock: &Clock,
    duration_s: f64,
    seed: u64,
) -> Vec<f32> {
    let rate = f64::from(microphone.rate_hz);
    let count = (duration_s * rate).round() as usize;
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5011_d000);
    let mut slow = 0.0;
    let mut samples: Vec<f64> = (0..count)
        .map(|_| {
            let white: f64 = StandardNormal.sample(&mut rng);
            // a first-order low pass: wind has more bass than hiss
            slow += 0.06 * (white - slow);
            microphone.background * (3.0 * slow + 0.35 * white)
        })
        .collect();
    for clap in claps {
        // every clap sounds a little different, but the same at every phone
        let tones = clap_tones((clap.t_s * 1e6).round() as u64);
        let distance_m = (microphone.at_in_world - clap.at_in_world).norm();
        let heard_s = clap.t_s + distance_m / microphone.speed_of_sound_m_s;
        let start_s = clock.pts_s(heard_s) + microphone.lag_s;
        let loudness = 0.9 / distance_m.max(1.0);
        add_clap(&mut samples, rate, start_s, loudness, &tones);
        // one echo from the far bank
        add_clap(&mut samples, rate, start_s + 0.19 + 0.002 * distance_m, 0.06 * loudness, &tones);
    }
    samples.into_iter().map(|s| s.clamp(-1.0, 1.0) as f32).collect()
}

fn add_clap(samples: &mut [f64], rate: f64, start_s: f64, loudness: f64, tones: &[Tone]) {
    let first = (start_s * rate).ceil().max(0.0) as usize;
    let end = ((start_s + 0.06) * rate).ceil().max(0.0) as usize;
    let end = end.min(samples.len());
    for (i, sample) in samples.iter_mut().enumerate().take(end).skip(first) {
        let t = i as f64 / rate - start_s;
        // rises within 0.15 ms, so that the sampled start is band-limited
        let rise = 1.0 - (-t / 1.5e-4).exp();
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
        let clap = Clap { t_s: 0.2, at_in_world: Point3::origin() };
        let onset = |distance: f64| {
            let microphone = Microphone {
                at_in_world: Point3::new(distance, 0.0, 0.0),
                rate_hz: 48_000,
                speed_of_sound_m_s: 343.42,
                lag_s: 0.0,
                background: 0.0,
            };
            let samples = record(&microphone, &[clap], &Clock::default(), 0.5, 1);
            samples.iter().position(|s| s.abs() > 1e-4).map(|i| i as f64 / 48_000.0).unwrap_or(f64::NAN)
        };
        let per_metre = (onset(9.0) - onset(2.0)) / 7.0;
        assert!((per_metre - 2.912e-3).abs() < 3e-5, "{per_metre}");
    }
}
