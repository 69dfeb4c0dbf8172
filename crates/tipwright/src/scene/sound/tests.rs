//! Clips whose offset is known.

use super::*;
use crate::model::footage::Ear;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Claps at given session times as a phone hears them that starts at `start_s`, with its own noise and gain.
fn phone(claps_s: &[f64], start_s: f64, distance_m: f64, gain: f64, seed: u64) -> Sound {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let rate_hz = 44_100.0;
    let samples = (0..(6.0 * rate_hz) as usize)
        .map(|i| {
            let t = i as f64 / rate_hz + start_s;
            let mut s = 0.02 * (rng.random::<f64>() - 0.5);
            for clap in claps_s {
                let dt = t - clap - distance_m / 343.0;
                if (0.0..0.3).contains(&dt) {
                    s += gain * (-dt * 40.0).exp() * (2.0 * rng.random::<f64>() - 1.0);
                }
            }
            s as f32
        })
        .collect();
    Sound { samples, rate_hz, start_s: 0.0 }
}

#[test]
fn one_clap_is_enough_and_the_distance_is_taken_out() {
    let first = phone(&[3.1], 0.0, 5.0, 0.8, 1);
    let second = phone(&[3.1], 1.37, 8.0, 0.2, 2);
    let heard = offset_from_sound(&first, &second, &SoundConfig::default()).unwrap();
    // 3 m farther: the second phone's clip seems to start 8.7 ms earlier
    assert!((heard.value_s - (1.37 - 3.0 / 343.0)).abs() < 0.003, "{heard:?}");
    let true_s = correct_by_distance(heard, [5.0, 8.0], 343.0);
    assert!((true_s.value_s - 1.37).abs() < 0.003, "{true_s:?}");
}

/// The last clap of one clip and the first of the other fit each other as well as any clap fits itself.
#[test]
fn a_clap_at_each_end_is_not_taken_for_the_other() {
    for start_s in [-0.79, 0.117, 0.543] {
        let first = phone(&[1.0, 4.9], 0.0, 8.0, 0.5, 1);
        let second = phone(&[1.0, 4.9], start_s, 8.0, 0.5, 2);
        let heard = offset_from_sound(&first, &second, &SoundConfig::default()).unwrap();
        assert!((heard.value_s - start_s).abs() < 0.003, "{start_s}: {heard:?}");
    }
    // the second clip ends at 5.21 s and hears only one of two like claps: undecided
    let first = phone(&[1.0, 5.3], 0.0, 8.0, 0.5, 1);
    let second = phone(&[1.0, 5.3], -0.79, 8.0, 0.5, 2);
    let heard = offset_from_sound(&first, &second, &SoundConfig::default());
    assert!(matches!(heard, Err(SoundError::NoClearPeak { .. })), "{heard:?}");
}

/// Twenty-five minutes with clocks 20 millionths apart: over all of it onsets lie 30 ms apart at the ends.
#[test]
fn long_tracks_are_compared_in_their_middle_and_parts_keep_their_times() {
    let config = SoundConfig::default();
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let claps: Vec<f64> = (0..150).map(|i| 10.0 * f64::from(i) + rng.random_range(0.0..9.0)).collect();
    let track = |start_s: f64, drift: f64, seed: u64| {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let rise = (0..750_000).map(|i| {
            let t_s = f64::from(i) / config.envelope_hz * (1.0 + drift) + start_s;
            let near = claps.iter().any(|c| (0.0..0.006).contains(&(t_s - c)));
            f64::from(u8::from(near)) + 0.02 * rng.random::<f64>() - 0.01
        });
        Onsets { rise: rise.collect(), start_s: 0.0 }
    };
    let (first, second) = (track(0.0, 0.0, 1), track(7.3, 2e-5, 2));
    let found = likeness(&first, &second, &config).unwrap();
    // clocks agree at the start: in the middle, 750 s on, they are 15 ms apart
    assert!((found.offset.value_s - 7.315).abs() < 0.008, "{found:?}");
    assert!(found.share > 0.5, "{found:?}");
    let (early, late) = (first.part([5.0, 65.0], &config), second.part([0.0, 70.0], &config));
    let early = offset_from_onsets(&early, &late, &config).unwrap();
    assert!((early.value_s - 7.3).abs() < 0.006, "{early:?}");
}

/// Five claps in two minutes of noise as large as half of them.
#[test]
fn few_claps_in_long_noise_are_heard_together() {
    let config = SoundConfig::default();
    let claps = [11.3, 29.8, 57.1, 83.6, 104.2];
    let track = |start_s: f64, seed: u64| {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let rise = (0..60_000).map(|i| {
            let t_s = f64::from(i) / config.envelope_hz + start_s;
            let near = claps.iter().any(|c| (0.0..0.006).contains(&(t_s - c)));
            // as log energies of noise rise: often a little, seldom much
            let noise = -0.25 * rng.random_range(1e-6..1.0_f64).ln() - 0.25;
            noise + 4.0 * f64::from(u8::from(near))
        });
        Onsets { rise: rise.collect(), start_s: 0.0 }
    };
    let found = offset_from_onsets(&track(0.0, 1), &track(2.4, 2), &config).unwrap();
    assert!((found.value_s - 2.4).abs() < 0.003, "{found:?}");
    let alone = |start_s: f64, seed: u64| {
        let quiet = track(start_s, seed);
        Onsets { rise: quiet.rise.iter().map(|r| r.min(1.5)).collect(), start_s: 0.0 }
    };
    let none = offset_from_onsets(&alone(500.0, 3), &alone(500.0, 4), &config);
    assert!(matches!(none, Err(SoundError::NoClearPeak { .. })), "{none:?}");
}

#[test]
fn start_times_of_the_tracks_count() {
    let mut first = phone(&[2.0, 2.9], 0.0, 5.0, 0.5, 1);
    let second = phone(&[2.0, 2.9], -0.8, 5.0, 0.5, 2);
    first.start_s = 0.05;
    let heard = offset_from_sound(&first, &second, &SoundConfig::default()).unwrap();
    assert!((heard.value_s - (-0.8 + 0.05)).abs() < 0.003, "{heard:?}");
}

#[test]
fn hiss_silence_and_regular_ticks_are_refused() {
    let config = SoundConfig::default();
    let (a, b) = (phone(&[], 0.0, 5.0, 0.5, 1), phone(&[], 0.3, 5.0, 0.5, 2));
    assert!(matches!(offset_from_sound(&a, &b, &config), Err(SoundError::NoClearPeak { .. })));
    let silent = Sound { samples: vec![0.0; 300_000], rate_hz: 44_100.0, start_s: 0.0 };
    assert_eq!(offset_from_sound(&a, &silent, &config), Err(SoundError::Silent));
    let ticks: Vec<f64> = (0..24).map(|i| -6.0 + 0.5 * f64::from(i) + 1.0).collect();
    let (a, b) = (phone(&ticks, 0.0, 5.0, 0.5, 3), phone(&ticks, 0.13, 5.0, 0.5, 4));
    let refused = offset_from_sound(&a, &b, &config);
    assert!(matches!(refused, Err(SoundError::NoClearPeak { .. })), "{refused:?}");
    let short = Sound { samples: vec![0.1; 100], rate_hz: 44_100.0, start_s: 0.0 };
    assert!(matches!(offset_from_sound(&a, &short, &config), Err(SoundError::TooShort { .. })));
}

/// Pieces of any length give the bits of the whole, at rates whose steps hold no whole number of samples too.
#[test]
fn a_track_in_pieces_has_the_onsets_of_the_whole() {
    let config = SoundConfig::default();
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    for rate_hz in [48_000.0, 44_100.0, 8_000.0 / 3.0, 300.0] {
        let whole = Sound { rate_hz, ..phone(&[0.4, 2.0], 0.0, 5.0, 0.8, 7) };
        let mut ear = OnsetsEar::new(rate_hz, whole.start_s, &config);
        let mut left = &whole.samples[..];
        while !left.is_empty() {
            let (piece, rest) = left.split_at(rng.random_range(0..3000).min(left.len()));
            ear.add(piece);
            left = rest;
        }
        let onsets = ear.onsets();
        assert_eq!(onsets, Onsets::of(&whole, &config), "{rate_hz}");
        // no step that was begun only, and none lost
        let steps = whole.samples.len() as f64 / (rate_hz / config.envelope_hz).max(1.0);
        assert_eq!(onsets.rise.len(), steps as usize, "{rate_hz}");
    }
}

/// Against the sums themselves at some lags, whichever is longer, in one block, in several and in a begun one.
#[test]
fn truth_blocks_of_a_long_track_are_correlated_as_the_whole() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let mut track = |count: usize| -> Vec<f64> { (0..count).map(|_| rng.random_range(-1.0..1.0)).collect() };
    let (long, short) = (track(700_001), track(3_000));
    for (a, b) in [
        (&long[..], &short[..]),
        (&short, &long),
        (&long[..2_000], &short),
        (&long[..300_000], &long[..299_000]),
    ] {
        let found = correlate(a, b);
        assert_eq!(found.len(), a.len() + b.len() - 1);
        for i in (0..found.len()).step_by(997).chain([found.len() - 1]) {
            let lag = i as i64 + 1 - b.len() as i64;
            let from = (-lag).max(0);
            let count = (a.len() as i64 - lag).min(b.len() as i64) - from;
            // sums over 300 000 take long
            if count > 20_000 && !i.is_multiple_of(7) {
                continue;
            }
            let sum: f64 = (from..from + count).map(|k| a[(k + lag) as usize] * b[k as usize]).sum();
            // rounding of a transform: some units of the last place of the largest sum
            assert!((found[i] - sum).abs() < 1e-8, "{} {} at {lag}: {} {sum}", a.len(), b.len(), found[i]);
        }
    }
}
