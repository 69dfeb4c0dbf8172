//! How often the slap of the line on the rod is found, how well it is timed, and how often one is invented: takes of four strokes,
//! heard by two phones (or by one), at levels of 0 to 20 dB over the background, in a breeze, in gusts, with voices and with onlookers who
//! clap. No picture is made; the moments of rod straight are told with an error of 1.5 ms.
//!
//! `cargo run --release -p tipwright-simulate --example slaps -- FROM TO` for takes of seeds FROM to TO, less one.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::unwrap_used,
    reason = "an example that prints a table"
)]

use std::process::ExitCode;

use nalgebra::Point3;
use rand::RngExt;
use rand_distr::{Distribution, Normal};
use rayon::prelude::*;
use tipwright::model::footage::Sound;
use tipwright::model::{Clock, Measured, SlapWord};
use tipwright::slap::{Ear, Levels, Slap, SlapConfig, slaps};
use tipwright_simulate::day::Sounds;
use tipwright_simulate::day::sounds::{BACKGROUND, GUSTS, slap_times_s};
use tipwright_simulate::phone::noise::{between, stream};
use tipwright_simulate::phone::sound::{Burst, Microphone, record};

const SPEED_M_S: f64 = 342.2;
const RSP_SD_S: f64 = 1.5e-3;
/// Of the delay of one phone's sound against its pictures, and of what a clap says of the difference between two.
const DELAY_SD_S: f64 = 0.02;
const LATER_SD_S: f64 = 0.006;
const LEVELS_DB: [i32; 11] = [0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20];

/// What became of a stroke.
struct Asked {
    /// When the line slapped the rod after rod straight, if it did.
    true_s: Option<f64>,
    slap: Slap,
    /// What the phones' sound is late on the average: nothing in a take tells it.
    shared_s: f64,
}

fn take(seed: u64, sounds: Sounds, phones: usize) -> Vec<Asked> {
    let mut rng = stream(seed, "slap study");
    let normal = |sd: f64, rng: &mut _| Normal::new(0.0, sd).map_or(0.0, |n| n.sample(rng));
    let mut t_s = between(&mut rng, 1.6, 1.9);
    let rsp_s: Vec<f64> = (0..4)
        .map(|_| {
            let here_s = t_s;
            t_s += between(&mut rng, 1.1, 1.3);
            here_s
        })
        .collect();
    let duration_s = t_s + 0.35;
    let at = Point3::new(0.1, 0.0, 1.7);
    let eyes: Vec<Point3<f64>> = (0..phones)
        .map(|k| {
            let (sin, cos) = between(&mut rng, -0.7, 0.2).sin_cos();
            let away_m = between(&mut rng, 6.0, 10.0);
            Point3::new(away_m * if k == 0 { sin } else { -sin }, -away_m * cos, 1.5)
        })
        .collect();
    let away_m: Vec<f64> = eyes.iter().map(|eye| (eye - at).norm()).collect();
    let slaps_s = slap_times_s(&rsp_s, &mut rng);
    let clap = |t_s: f64| Burst::clap(t_s, Point3::new(0.25, -0.8, 1.3));
    let mut bursts = vec![clap(1.0), clap(duration_s - 0.4)];
    let level_db = f64::from(sounds.slap_db.unwrap_or(0));
    bursts.extend(slaps_s.iter().flatten().map(|t_s| Burst::slap(*t_s, at, level_db, BACKGROUND, &away_m)));
    bursts.extend(sounds.chatter([0.0, duration_s], &mut rng));
    let config = SlapConfig::default();
    let delays_s: Vec<f64> = (0..phones).map(|_| normal(DELAY_SD_S, &mut rng)).collect();
    let ears: Vec<Ear> = (0..phones)
        .map(|k| {
            let clock = Clock {
                offset_s: if k == 0 { 0.0 } else { between(&mut rng, -0.5, 0.5) },
                ..Clock::default()
            };
            let microphone = Microphone {
                at_in_world: eyes[k],
                rate_hz: 48_000,
                speed_of_sound_m_s: SPEED_M_S,
                lag_s: delays_s[k],
                background: BACKGROUND,
                gusts: if sounds.wind { GUSTS } else { 0.0 },
            };
            let samples = record(&microphone, &bursts, &clock, clock.pts_s(duration_s), rng.random());
            let later_s = delays_s[k] - delays_s[0];
            Ear {
                levels: Levels::of(&Sound { samples, rate_hz: 48_000.0, start_s: 0.0 }, &config),
                clock,
                away_m: Measured::new(away_m[k] + normal(0.2, &mut rng), 0.3),
                later: if k == 0 {
                    Measured::new(0.0, 0.0)
                } else {
                    Measured::new(later_s + normal(LATER_SD_S, &mut rng), 0.01)
                },
            }
        })
        .collect();
    let told: Vec<Measured> =
        rsp_s.iter().map(|t_s| Measured::new(t_s + normal(RSP_SD_S, &mut rng), RSP_SD_S)).collect();
    let shared_s = delays_s.iter().sum::<f64>() / phones as f64;
    slaps(&ears, &told, SPEED_M_S, &config)
        .into_iter()
        .zip(rsp_s.iter().zip(slaps_s))
        .map(|(slap, (rsp_s, slap_s))| Asked { true_s: slap_s.map(|t| t - rsp_s), slap, shared_s })
        .collect()
}

fn percent(of: usize, all: usize) -> String {
    if all == 0 { "     -".into() } else { format!("{:5.1}%", 100.0 * of as f64 / all as f64) }
}

/// A line of the table.
fn line(name: &str, level_db: i32, asked: &[Asked]) {
    let with: Vec<&Asked> = asked.iter().filter(|a| a.true_s.is_some()).collect();
    let without: Vec<&Asked> = asked.iter().filter(|a| a.true_s.is_none()).collect();
    let said =
        |of: &[&Asked], word: SlapWord| percent(of.iter().filter(|a| a.slap.word == word).count(), of.len());
    // time, error less what no take tells, stated sd
    let timed: Vec<(f64, f64, f64)> = with
        .iter()
        .filter_map(|a| {
            let after = a.slap.after_s?;
            let off_s = after.value - a.true_s?;
            Some((off_s - a.shared_s, off_s, after.half_width_95()))
        })
        .collect();
    let near = percent(timed.iter().filter(|t| t.0.abs() < 3e-3).count(), timed.len());
    let held = percent(timed.iter().filter(|t| t.1.abs() <= t.2).count(), timed.len());
    let rms_ms = 1e3 * (timed.iter().map(|t| t.0.powi(2)).sum::<f64>() / timed.len().max(1) as f64).sqrt();
    let db: Vec<f64> =
        with.iter().filter_map(|a| Some(a.slap.level_db?.value - f64::from(level_db))).collect();
    let db_mean = db.iter().sum::<f64>() / db.len().max(1) as f64;
    let db_sd = (db.iter().map(|d| (d - db_mean).powi(2)).sum::<f64>() / db.len().max(1) as f64).sqrt();
    println!(
        "{name:8} {level_db:3} dB  slapped {:4}: heard {} not heard {} could not {}   within 3 ms {near} rms {rms_ms:4.1} ms  in the interval {held}  level off {db_mean:+4.1} sd {db_sd:3.1} dB   not slapped {:4}: invented {} could not {}",
        with.len(),
        said(&with, SlapWord::Heard),
        said(&with, SlapWord::NotHeard),
        said(&with, SlapWord::CouldNotBeHeard),
        without.len(),
        said(&without, SlapWord::Heard),
        said(&without, SlapWord::CouldNotBeHeard),
    );
}

fn main() -> ExitCode {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    let [from, to] = numbers[..] else {
        eprintln!("usage: slaps FROM TO");
        return ExitCode::from(2);
    };
    let quiet = Sounds::default();
    let noises = [
        ("breeze", quiet, 2),
        ("gusts", Sounds { wind: true, ..quiet }, 2),
        ("voices", Sounds { voices: true, ..quiet }, 2),
        ("claps", Sounds { claps: true, ..quiet }, 2),
        ("one ear", quiet, 1),
        ("1, claps", Sounds { claps: true, ..quiet }, 1),
        ("1, gusts", Sounds { wind: true, ..quiet }, 1),
    ];
    for (name, sounds, phones) in noises {
        let plain = name == "breeze";
        for level_db in LEVELS_DB.into_iter().filter(|db| plain || [6, 12].contains(db)) {
            let sounds = Sounds { slap_db: Some(level_db), ..sounds };
            let asked: Vec<Asked> =
                (from..to).into_par_iter().flat_map(|s| take(s, sounds, phones)).collect();
            line(name, level_db, &asked);
        }
    }
    ExitCode::SUCCESS
}
