use std::f64::consts::TAU;

use super::*;
use crate::model::footage::Sound;

const RATE_HZ: f64 = 48_000.0;
const SPEED_M_S: f64 = 342.2;
const LASTS_S: f64 = 7.0;
const RSP_S: [f64; 4] = [1.6, 2.8, 4.0, 5.2];

/// Two phones and what both hear: time at the rod, level in dB over the background, how fast it dies away.
struct Made {
    away_m: [f64; 2],
    delay_s: [f64; 2],
    clicks: Vec<(f64, f64, f64)>,
    /// Clicks that one phone alone hears.
    knocks: Vec<(usize, f64)>,
    seed: u32,
}

impl Default for Made {
    fn default() -> Self {
        Self { away_m: [7.2, 8.6], delay_s: [0.0; 2], clicks: Vec::new(), knocks: Vec::new(), seed: 1 }
    }
}

/// White noise of a standard deviation of 0.01: 5000 of 24,000 Hz in the band.
const NOISE: f64 = 0.01;

impl Made {
    /// The phone's track; its pictures start 0.3 s after the first's.
    fn ear(&self, k: usize) -> Ear {
        let clock = Clock { offset_s: 0.3 * k as f64, ..Clock::default() };
        let mut state = self.seed.wrapping_mul(2_654_435_761).wrapping_add(k as u32 + 1);
        let mut even = || {
            state ^= state << 13;
            state ^= state >> 17;
            state ^= state << 5;
            f64::from(state) / f64::from(u32::MAX) - 0.5
        };
        // the sum of twelve even numbers has variance 1
        let mut samples: Vec<f64> =
            (0..(LASTS_S * RATE_HZ) as usize).map(|_| NOISE * (0..12).map(|_| even()).sum::<f64>()).collect();
        let own = self.knocks.iter().filter(|n| n.0 == k).map(|n| (n.1, 20.0, 400.0));
        for (t_s, level_db, decay_per_s) in self.clicks.iter().copied().chain(own) {
            let start_s = clock.pts_s(t_s + self.away_m[k] / SPEED_M_S + self.delay_s[k]);
            // energy of a damped tone of amplitude a: a^2 / 4 decay; over the 5 ms all of it but exp(-10 ms decay)
            let in_band = NOISE * NOISE * 5000.0 / 24_000.0;
            let energy = 10.0_f64.powf(level_db / 10.0) * in_band * 5e-3;
            let a = (energy * 4.0 * decay_per_s / (1.0 - (-10e-3 * decay_per_s).exp())).sqrt();
            for (i, s) in samples.iter_mut().enumerate() {
                let t = i as f64 / RATE_HZ - start_s;
                if (0.0..0.3).contains(&t) {
                    *s += a * (-decay_per_s * t).exp() * (TAU * 3_700.0 * t).sin();
                }
            }
        }
        let samples = samples.into_iter().map(|s| s as f32).collect();
        Ear {
            levels: Levels::of(&Sound { samples, rate_hz: RATE_HZ, start_s: 0.0 }, &SlapConfig::default()),
            clock,
            away_m: Measured::new(self.away_m[k], 0.3),
            later: Measured::new(0.0, if k == 0 { 0.0 } else { 0.01 }),
        }
    }
    fn asked(&self) -> Vec<Slap> {
        self.by(&[self.ear(0), self.ear(1)])
    }
    fn by(&self, ears: &[Ear]) -> Vec<Slap> {
        slaps(ears, &RSP_S.map(|t| Measured::new(t, 1e-3)), SPEED_M_S, &SlapConfig::default())
    }
}

fn words(slaps: &[Slap]) -> Vec<SlapWord> {
    slaps.iter().map(|s| s.word).collect()
}

use SlapWord::{CouldNotBeHeard as Deaf, Heard, NotHeard};

#[test]
fn truth_clicks_of_6_db_are_found_with_their_time_and_level() {
    let after_s = [0.030, 0.055, 0.080];
    let (mut found, mut all) = (0, 0);
    for seed in 1..=20 {
        let clicks = after_s.iter().zip(RSP_S).map(|(a, t)| (t + a, 6.0, 400.0)).collect();
        let asked = Made { clicks, seed, ..Made::default() }.asked();
        assert_eq!(asked[3].word, NotHeard, "{seed}: {:?}", asked[3]);
        for (slap, true_s) in asked.iter().zip(after_s) {
            all += 1;
            let Some(after) = slap.after_s else { continue };
            found += 1;
            assert!((after.value - true_s).abs() < 0.003, "{seed}: {after:?} {true_s}");
            let level = slap.level_db.unwrap();
            assert!((level.value - 6.0).abs() < 4.0 * level.sd, "{seed}: {level:?}");
            // what the phones delay is not known
            assert!(after.sd > 0.7 * 0.02 && after.sd < 0.02, "{after:?}");
        }
    }
    assert!(found * 10 >= all * 9, "{found} of {all}");
}

/// Without the sound's way taken off it would come 23 ms late, and the delays of phones with what a clap said of them.
#[test]
fn a_difference_of_delays_that_is_known_brings_the_phones_together() {
    let made =
        Made { clicks: vec![(RSP_S[1] + 0.05, 12.0, 400.0)], delay_s: [-0.04, 0.04], ..Made::default() };
    let apart = made.asked();
    assert_eq!(apart[1].word, Deaf, "{apart:?}");
    assert!(apart[1].why.unwrap().contains("the other did not"), "{apart:?}");
    let mut ears = [made.ear(0), made.ear(1)];
    ears[1].later.value = 0.08;
    let slap = &made.by(&ears)[1];
    assert!((slap.after_s.unwrap().value - 0.05).abs() < 0.002, "{slap:?}");
}

#[test]
fn a_knock_on_one_phone_is_no_slap() {
    let made = Made { knocks: vec![(0, RSP_S[2] + 0.05)], ..Made::default() };
    assert_eq!(words(&made.asked()), [NotHeard, NotHeard, Deaf, NotHeard]);
}

/// One phone with sound is asked alone, and is less sure of the time.
#[test]
fn one_phone_with_sound_is_asked_alone() {
    let made = Made { clicks: vec![(RSP_S[0] + 0.05, 12.0, 400.0)], ..Made::default() };
    let mut ears = [made.ear(0), made.ear(1)];
    ears[0].levels = None;
    let asked = made.by(&ears);
    assert_eq!(words(&asked), [Heard, NotHeard, NotHeard, NotHeard]);
    let after = asked[0].after_s.unwrap();
    assert!((after.value - 0.05).abs() < 0.002 && after.sd >= 0.02, "{after:?}");
    ears[1].levels = None;
    assert_eq!(words(&made.by(&ears)), [Deaf; 4]);
}

/// Clicks at any time: one near a stop is not believed.
#[test]
fn clicks_that_are_heard_at_other_times_too_are_not_believed() {
    let mut clicks = vec![(RSP_S[1] + 0.05, 12.0, 400.0)];
    assert_eq!(Made { clicks: clicks.clone(), ..Made::default() }.asked()[1].word, Heard);
    clicks.extend([(2.2, 11.0, 400.0), (4.6, 14.0, 400.0)]);
    let slap = Made { clicks: clicks.clone(), ..Made::default() }.asked()[1].clone();
    assert!(slap.word == Deaf && slap.why.unwrap().contains("at other times"), "{slap:?}");
    // far fainter ones are others
    clicks[1].1 = 5.0;
    clicks[2].1 = 5.0;
    assert_eq!(Made { clicks, ..Made::default() }.asked()[1].word, Heard);
}

#[test]
fn long_sounds_claps_and_two_clicks_are_not_slaps() {
    let one = |clicks: Vec<(f64, f64, f64)>| Made { clicks, ..Made::default() }.asked()[2].clone();
    let at_s = RSP_S[2] + 0.05;
    for (clicks, said) in [
        (vec![(at_s, 12.0, 15.0)], "a longer sound"),
        (vec![(at_s - 0.2, 32.0, 400.0)], "a loud clap"),
        (vec![(at_s - 0.03, 12.0, 400.0), (at_s + 0.03, 12.0, 400.0)], "several clicks"),
    ] {
        let slap = one(clicks);
        assert!(slap.word == Deaf && slap.why.unwrap().contains(said), "{said}: {slap:?}");
    }
    // where little else is heard a slap is as loud as a clap, which would be heard at other times too
    assert_eq!(one(vec![(at_s, 32.0, 400.0)]).word, Heard);
    assert_eq!(one(vec![(at_s, 32.0, 400.0), (2.2, 34.0, 400.0)]).word, Deaf);
}

#[test]
fn where_the_sound_ends_or_rod_straight_is_not_known_nothing_is_said() {
    let made = Made::default();
    let ears = [made.ear(0), made.ear(1)];
    let rsp = [f64::NAN, 0.2, 3.0, 6.95].map(|t| Measured::new(t, 1e-3));
    let asked = slaps(&ears, &rsp, SPEED_M_S, &SlapConfig::default());
    assert_eq!(words(&asked), [Deaf, Deaf, NotHeard, Deaf]);
    assert_eq!(words(&slaps(&ears, &rsp, f64::NAN, &SlapConfig::default())), [Deaf; 4]);
    assert_eq!(words(&slaps(&[], &rsp, SPEED_M_S, &SlapConfig::default())), [Deaf; 4]);
}

/// Two seconds of sound around a stop say nothing of how rare a click is.
#[test]
fn a_short_take_does_not_tell_a_slap() {
    let made = Made { clicks: vec![(RSP_S[1] + 0.05, 12.0, 400.0)], ..Made::default() };
    let ears = [0, 1].map(|k| {
        let ear = made.ear(k);
        Ear { levels: ear.levels.as_ref().map(|l| l.part([1.8, 4.0])), ..ear }
    });
    let slap = &made.by(&ears)[1];
    assert!(slap.word == Deaf && slap.why.unwrap().contains("too short"), "{slap:?}");
}

/// x exp(-x) is largest at 1: 1/e. With one more, x (1 + x) exp(-x) at (1 + sqrt 5) / 2: 0.840 (derived).
#[test]
fn truth_the_worst_rate() {
    assert!((worst(0) - (-1.0_f64).exp()).abs() < 1e-6);
    let x = 0.5 * (1.0 + 5.0_f64.sqrt());
    assert!((worst(1) - x * (1.0 + x) * (-x).exp()).abs() < 1e-3, "{}", worst(1));
}
