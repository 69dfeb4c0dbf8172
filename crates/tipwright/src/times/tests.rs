//! Each kind of stamps, drawn with seeds that chose no constant of the stage (chosen on seeds from 100 up).

use super::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, StandardNormal};

/// Exposures of a phone: 240 a second less some parts in a million, from anywhere in a tick.
fn exposures(frames: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let step_s = (1.0 + 3e-5 * normal(rng)) / 240.0;
    let start_s: f64 = rng.random();
    (0..frames).map(|k| start_s + k as f64 * step_s).collect()
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn rounded(times: &[f64], ticks_per_s: f64) -> Vec<f64> {
    times.iter().map(|t| (t * ticks_per_s).round() / ticks_per_s).collect()
}

/// Like a phone's: most within 25 us, every tenth late by up to 0.4 ms.
fn late(times: &[f64], rng: &mut ChaCha8Rng) -> Vec<f64> {
    let one = |t: &f64, rng: &mut ChaCha8Rng| {
        let late: f64 = if rng.random::<f64>() < 0.1 { Exp1.sample(rng) } else { 0.0 };
        t + 2.5e-5 * normal(rng) + (1.2e-4 * late).min(4.4e-4)
    };
    let out: Vec<f64> = times.iter().map(|t| one(t, rng)).collect();
    rounded(&out, 90_000.0)
}

fn dropped(times: &[f64], share: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let keep = |i: usize, rng: &mut ChaCha8Rng| i == 0 || rng.random::<f64>() >= share;
    times.iter().enumerate().filter_map(|(i, t)| keep(i, rng).then_some(*t)).collect()
}

/// Root mean square error after a constant shift (the clock's zero) and a rate, which the clocks of a take find.
fn error_s(found: &[f64], truth: &[f64]) -> f64 {
    let n = found.len() as f64;
    let mean = |v: &[f64]| v.iter().sum::<f64>() / n;
    let (mf, mt) = (mean(found), mean(truth));
    let pairs = || found.iter().zip(truth).map(|(f, t)| (t - mt, f - mf - (t - mt)));
    let rate = pairs().map(|(t, e)| t * e).sum::<f64>() / pairs().map(|(t, _)| t * t).sum::<f64>();
    (pairs().map(|(t, e)| (e - rate * t).powi(2)).sum::<f64>() / n).sqrt()
}

#[test]
fn rounding_of_every_tick_is_taken_out() {
    for ticks_per_s in [600.0, 1000.0, 90_000.0, 19_200.0, 29_921.0, 1e6] {
        for seed in 0..10 {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            let truth = exposures(1200, &mut rng);
            let stamps = rounded(&truth, ticks_per_s);
            let (found, kept) = frame_times(&stamps, Some(1.0 / ticks_per_s));
            assert_eq!(kept.len(), 1200);
            assert_eq!(found.stretches.len(), 1, "{ticks_per_s} {seed}: {:?}", found.stretches);
            assert!((found.rounding_s * ticks_per_s - 1.0).abs() < 1e-3, "{}", found.rounding_s);
            let left_s = error_s(&found.times_s, &truth);
            assert!(left_s < 1e-7, "{ticks_per_s} {seed}: {left_s}");
        }
    }
}

/// Stated rates hold: the errors over the stated standard deviations have unit size. Their shape is not normal (a polygon).
#[test]
fn the_stated_rate_of_rounded_stamps_is_honest() {
    for ticks_per_s in [600.0, 1000.0] {
        let (mut square, mut n) = (0.0, 0.0);
        for seed in 0..300 {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            // rates that are no simple fraction of the ticks: beside one, rounding repeats itself and says less
            let slower = rng.random_range(1.0..1.3);
            let truth: Vec<f64> =
                exposures(rng.random_range(200..3000), &mut rng).iter().map(|t| slower * t).collect();
            let (found, _) = frame_times(&rounded(&truth, ticks_per_s), Some(1.0 / ticks_per_s));
            let true_step_s = truth[1] - truth[0];
            let off = found.stretches[0].step_s.unwrap() / true_step_s - 1.0;
            square += (off / found.rate_sd()).powi(2);
            n += 1.0;
        }
        let z = f64::sqrt(square / n);
        // the slack for arithmetic widens the smallest polygons
        assert!((0.4..1.25).contains(&z), "{ticks_per_s}: {z}");
    }
}

#[test]
fn late_stamps_are_noise_and_their_size_is_found() {
    for seed in 0..20 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let truth = exposures(900, &mut rng);
        let stamps = late(&truth, &mut rng);
        let (found, _) = frame_times(&stamps, Some(1.0 / 90_000.0));
        assert_eq!(found.stretches.len(), 1, "{seed}: {:?}", found.stretches);
        assert!(error_s(&found.times_s, &truth) < 1e-8, "{seed}");
        let (rms, found_rms) = (error_s(&stamps, &truth), found.stamp_sd_s);
        assert!((found_rms / rms - 1.0).abs() < 0.25, "{seed}: {found_rms} {rms}");
        let off = found.stretches[0].step_s.unwrap() / (truth[1] - truth[0]) - 1.0;
        assert!(off.abs() < 4.0 * found.rate_sd(), "{seed}: {off} {}", found.rate_sd());
        assert!(found.in_words().unwrap().contains("evenly"), "{:?}", found.in_words());
    }
}

#[test]
fn dropped_frames_leave_the_grid_as_it_is() {
    for seed in 0..20 {
        for (kind, ticks_per_s) in [(0, 1000.0), (0, 600.0), (1, 90_000.0)] {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            let truth = dropped(&exposures(1200, &mut rng), 0.02, &mut rng);
            let stamps = if kind == 0 { rounded(&truth, ticks_per_s) } else { late(&truth, &mut rng) };
            let (found, kept) = frame_times(&stamps, None);
            assert_eq!(kept.len(), truth.len());
            assert_eq!(found.stretches.len(), 1, "{seed} {kind}: {:?}", found.stretches);
            assert_eq!(found.stretches[0].dropped + truth.len(), {
                let last = (truth[truth.len() - 1] - truth[0]) * 240.0;
                last.round() as usize + 1
            });
            assert!(error_s(&found.times_s, &truth) < 1e-7, "{seed} {kind}");
        }
    }
}

#[test]
fn a_change_of_rate_parts_the_clip_and_the_stated_place_holds() {
    for (kind, ticks_per_s) in [(0, 600.0), (0, 1000.0), (0, 90_000.0), (1, 90_000.0)] {
        let (mut square, mut n) = (0.0, 0.0);
        for seed in 0..60 {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            let mut truth = exposures(500, &mut rng);
            let step_s = 1.0 / rng.random_range(150.0..210.0);
            let start_s = truth[499] + step_s;
            truth.extend((0..500).map(|k| start_s + f64::from(k) * step_s));
            let stamps = if kind == 0 { rounded(&truth, ticks_per_s) } else { late(&truth, &mut rng) };
            let (found, _) = frame_times(&stamps, None);
            assert!((2..=4).contains(&found.stretches.len()), "{kind} {seed}: {:?}", found.stretches);
            // place of one stretch against the other
            let off = |at: usize| found.times_s[at] - truth[at];
            let apart = off(750) - off(250);
            let of = |at: usize| found.stretches.iter().find(|s| s.first + s.frames > at).unwrap();
            let sd_s = of(250).common_sd_s().hypot(of(750).common_sd_s());
            square += (apart / sd_s).powi(2);
            n += 1.0;
            assert!(ticks_per_s > 1e3 || !found.unsure_shifts().is_empty(), "{:?}", found.stretches);
        }
        let z = f64::sqrt(square / n);
        // late stamps are late: the noise is no shift, but its mean wanders with it
        assert!((0.4..1.4).contains(&z), "{kind} {ticks_per_s}: {z}");
    }
}

/// Automatic exposure: 30, 24, 30, 20 frames a second, each for a while.
#[test]
fn exposure_steps_that_last_stay_as_they_are() {
    for seed in 0..20 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut t = 0.0;
        let mut truth = Vec::new();
        for (fps, frames) in [(30.0, 120), (24.0, 60), (30.0, 90), (20.0, 40)] {
            for _ in 0..frames {
                t += 1.0 / fps;
                truth.push(t);
            }
        }
        let (found, _) = frame_times(&late(&truth, &mut rng), None);
        let worst = found.times_s.iter().zip(&truth).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(worst < 5e-4, "{seed}: {worst} {:?}", found.stretches);
        let even: usize = found.stretches.iter().filter(|s| s.step_s.is_some()).map(|s| s.frames).sum();
        assert!(even >= 300, "{seed}: {:?}", found.stretches);
    }
}

/// Steps that add up are no noise of the stamps, whether each is drawn by itself or the rate wanders.
#[test]
fn truly_variable_rates_keep_their_stamps() {
    for seed in 0..20 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (mut t, mut slow) = (0.0, 0.0);
        let mut truth = Vec::new();
        for _ in 0..600 {
            slow = 0.98 * slow + 4e-5 * normal(&mut rng);
            t += 1.0 / 120.0 + if seed % 2 == 0 { 2e-4 * normal(&mut rng) } else { slow };
            truth.push(t);
        }
        let (found, _) = frame_times(&rounded(&truth, 90_000.0), None);
        let worst = found.times_s.iter().zip(&truth).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(worst < 2e-5, "{seed}: {worst} {:?}", found.stretches);
        assert!(found.frame_sd_s(300) > 2e-6 && found.frame_sd_s(300) < 6e-5, "{}", found.frame_sd_s(300));
        assert!(found.in_words().unwrap().contains("unevenly"), "{:?}", found.in_words());
    }
}

/// Noise of the stamps that lasts for ten frames comes back to even spacing: it is no change of the exposures.
#[test]
fn noise_that_lasts_is_noise_still() {
    let mut even = 0;
    for seed in 0..20 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let truth = exposures(1500, &mut rng);
        let mut slow = 0.0;
        let stamps: Vec<f64> = truth
            .iter()
            .map(|t| {
                slow = 0.9 * slow + 3e-5 * normal(&mut rng);
                t + slow
            })
            .collect();
        let (found, _) = frame_times(&stamps, None);
        even += usize::from(found.stretches.iter().all(|s| s.step_s.is_some()));
    }
    assert!(even >= 17, "{even} of 20");
}

#[test]
fn even_stamps_stay_and_say_nothing() {
    let stamps: Vec<f64> = (0..300).map(|k| f64::from(k) / 29.921).collect();
    let (found, kept) = frame_times(&stamps, Some(1.0 / 29_921.0));
    assert_eq!(kept, (0..300).collect::<Vec<_>>());
    assert!(found.times_s.iter().zip(&stamps).all(|(a, b)| (a - b).abs() < 1e-9));
    assert_eq!(found.in_words(), None);
}

#[test]
fn clips_of_few_frames() {
    for n in 0..FEWEST {
        let stamps: Vec<f64> = (0..n).map(|k| k as f64 / 30.0).collect();
        let (found, kept) = frame_times(&stamps, Some(1.0 / 600.0));
        assert_eq!((found.times_s.clone(), kept.len()), (stamps, n));
        assert!(n == 0 || found.frame_sd_s(0) > 4e-4);
        assert_eq!(found.frame_sd_s(100), 0.0);
    }
}

/// A stamp that is no number, a jump to 9e8 s and back, one that stays there, doubles, and frames that run back.
#[test]
fn senseless_stamps_are_left_out_and_told() {
    let even: Vec<f64> = (0..400).map(|k| f64::from(k) / 120.0).collect();
    let with = |change: &dyn Fn(&mut Vec<f64>)| {
        let mut stamps = even.clone();
        change(&mut stamps);
        frame_times(&stamps, None)
    };
    for (wild, lost) in [(f64::NAN, 1), (f64::INFINITY, 1), (9e8, 1), (-9e8, 1), (even[199], 1)] {
        let (found, kept) = with(&|s| s[200] = wild);
        assert_eq!((kept.len(), found.left_out), (400 - lost, lost), "{wild}");
        assert!(!kept.contains(&200) && found.times_s.iter().all(|t| *t < 4.0));
        assert!(found.in_words().unwrap().contains("left out"));
        assert_eq!(found.stretches.iter().map(|s| s.dropped).sum::<usize>(), 1);
    }
    let (found, kept) = with(&|s| s[150..].iter_mut().for_each(|t| *t += 9e8));
    assert_eq!((kept[0], kept.len(), found.left_out), (150, 250, 150));
    let (found, kept) = with(&|s| s[390..].iter_mut().for_each(|t| *t = f64::NAN));
    assert_eq!((kept.len(), found.left_out), (390, 10));
    let (found, kept) = with(&|s| s.fill(f64::NAN));
    assert_eq!((kept.len(), found.times_s.len(), found.stretches.len()), (0, 0, 0));
}
