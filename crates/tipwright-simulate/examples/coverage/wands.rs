//! Wand clips of tripods at every angle, level and not, of every pair of rates: solved within what is stated, or refused?

use std::collections::BTreeMap;

use nalgebra::{Point3, Vector3};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use tipwright::model::{Camera, ClipSpots, Clock, Colour, Lens, Picture, Rotation};
use tipwright::scene::wand::{WandConfig, solve_wand};
use tipwright_simulate::casters::Habit;
use tipwright_simulate::day::place::{HungWand, MIDDLE, WavedWand, looking, phone_lens};
use tipwright_simulate::phone::noise::{between, stream};

use crate::film::{Detector, Marker, film};
use crate::set_up::scene_rows;
use crate::{PLUMB_S, WAND_S, World, heard, normal, readout, wand_input, with_lens_errors};

const ANGLES_DEG: [f64; 6] = [20.0, 30.0, 45.0, 60.0, 90.0, 120.0];
const RATES_HZ: [f64; 4] = [30.0, 60.0, 120.0, 240.0];

/// What became of a pair of clips.
enum Outcome {
    /// Everything within three stated standard deviations.
    Good,
    /// Solved; this is further off than that, by so many.
    Off(String, f64),
    /// In these words.
    Refused(String),
}

/// Prints a table of angles, levels and pairs of rates.
pub fn study(first: u64, seeds: u64, rates: Option<&str>) {
    let mut cases = Vec::new();
    for angle_deg in ANGLES_DEG {
        for level in [true, false] {
            for (i, a) in RATES_HZ.into_iter().enumerate() {
                for b in RATES_HZ.into_iter().skip(i) {
                    let name = format!("{a}+{b}");
                    if rates.is_none_or(|r| r == name) {
                        cases.extend((first..first + seeds).map(|seed| (angle_deg, level, [a, b], seed)));
                    }
                }
            }
        }
    }
    let outcomes: Vec<Outcome> = cases.par_iter().map(|c| one(c.0, c.1, c.2, c.3)).collect();
    let mut by: BTreeMap<(u64, bool), [usize; 3]> = BTreeMap::new();
    let mut by_rates: BTreeMap<[u64; 2], [usize; 3]> = BTreeMap::new();
    for ((angle_deg, level, rates_hz, seed), outcome) in cases.iter().zip(&outcomes) {
        let column = match outcome {
            Outcome::Good => 0,
            Outcome::Off(what, by) => {
                println!(
                    "{angle_deg} degrees, level {level}, {rates_hz:?}, seed {seed}: {what} off by {by:.1} sd"
                );
                1
            }
            Outcome::Refused(why) => {
                println!("{angle_deg} degrees, level {level}, {rates_hz:?}, seed {seed}: refused: {why}");
                2
            }
        };
        by.entry((*angle_deg as u64, *level)).or_default()[column] += 1;
        by_rates.entry(rates_hz.map(|r| r as u64)).or_default()[column] += 1;
    }
    println!("{:24} {:>8} {:>8} {:>8}", "", "within 3", "off", "refused");
    for ((angle_deg, level), n) in &by {
        let how = if *level { "level" } else { "not level" };
        println!("{:24} {:>8} {:>8} {:>8}", format!("{angle_deg} degrees, {how}"), n[0], n[1], n[2]);
    }
    for (rates_hz, n) in &by_rates {
        println!(
            "{:24} {:>8} {:>8} {:>8}",
            format!("{} and {} Hz", rates_hz[0], rates_hz[1]),
            n[0],
            n[1],
            n[2]
        );
    }
    let sum = |keep: &dyn Fn(u64) -> bool| {
        by.iter()
            .filter(|((a, _), _)| keep(*a))
            .fold([0; 3], |s, (_, n)| [s[0] + n[0], s[1] + n[1], s[2] + n[2]])
    };
    for (name, n) in [("all", sum(&|_| true)), ("from 30 degrees on", sum(&|a| a >= 30))] {
        let all = n.iter().sum::<usize>().max(1) as f64;
        println!(
            "{name}: {:.1} % solved within three stated standard deviations, {:.1} % solved further off, {:.1} % refused",
            100.0 * n[0] as f64 / all,
            100.0 * n[1] as f64 / all,
            100.0 * n[2] as f64 / all
        );
    }
}

/// Two phones eight metres from the middle of the casts, so far apart about it.
fn cameras(angle_deg: f64, level: bool, rng: &mut ChaCha8Rng) -> Vec<Camera> {
    let first_deg = between(rng, -100.0, -80.0);
    ["west", "east"]
        .into_iter()
        .enumerate()
        .map(|(k, name)| {
            let bearing = (first_deg + angle_deg * k as f64).to_radians();
            let away_m = between(rng, 7.5, 8.5);
            let (height_m, roll) =
                if level { (1.6, 0.0) } else { (between(rng, 1.2, 2.3), between(rng, -0.05, 0.05)) };
            let eye = Point3::new(away_m * bearing.cos() + MIDDLE[0], away_m * bearing.sin(), height_m);
            let mut target = Point3::from(MIDDLE)
                + Vector3::new(between(rng, -0.15, 0.15), between(rng, -0.15, 0.15), 0.0);
            if level {
                target.z = height_m;
            }
            Camera {
                name: name.into(),
                lens: phone_lens(k, 1920, 1080),
                pose: looking(eye, target, roll),
                picture: Picture { stored_px: [1920, 1080], rotation: Rotation::R0 },
            }
        })
        .collect()
}

fn one(angle_deg: f64, level: bool, rates_hz: [f64; 2], seed: u64) -> Outcome {
    let mut rng = stream(seed, &format!("wands {angle_deg} {level} {rates_hz:?}"));
    let cameras = cameras(angle_deg, level, &mut rng);
    let readouts_s: Vec<f64> = rates_hz.iter().map(|hz| (readout(&mut rng) / hz).min(0.025)).collect();
    let lenses: Vec<Lens> = cameras.iter().map(|c| with_lens_errors(&c.lens, &mut rng)).collect();
    let world = World {
        cameras,
        lenses,
        readouts_s,
        drift: 2e-5 * normal(&mut rng),
        wand_stated_m: 1.0 + 5e-4 * normal(&mut rng),
    };
    let detectors = rates_hz.map(|fps| Detector {
        fps,
        sigma_px: between(&mut rng, 0.06, 0.16),
        stated: between(&mut rng, 0.8, 1.6),
        ..Detector::default()
    });
    let waved = WavedWand::new(1.0, &mut rng);
    let hung = HungWand::new(Point3::new(0.3, 0.1, 2.7), 1.0, &mut rng);
    let shoot =
        |offset_s: f64, seconds: f64, ends: [&dyn Fn(f64) -> Point3<f64>; 2], rng: &mut ChaCha8Rng| {
            let clocks: [Clock; 2] = world.clocks(offset_s);
            let markers = ends.map(|place| Marker { place, colour: Colour::White, diameter_m: 0.04 });
            (0..2)
                .map(|k| {
                    let frames = (seconds * detectors[k].fps) as u32;
                    let exposures_s: Vec<f64> =
                        (0..frames).map(|i| f64::from(i) / detectors[k].fps).collect();
                    film(&world.cameras[k], &clocks[k], &detectors[k], &exposures_s, &markers, rng)
                })
                .collect::<Vec<ClipSpots>>()
        };
    let offset_s = between(&mut rng, -1.0, 1.0);
    let wand = shoot(offset_s, WAND_S, [&|t| waved.end_at(0, t), &|t| waved.end_at(1, t)], &mut rng);
    let plumb = shoot(0.3, PLUMB_S, [&|t| hung.end_at(0, t), &|t| hung.end_at(1, t)], &mut rng);
    let coarse = heard(offset_s, &mut rng);
    let input = wand_input(&world, &wand, Some(&plumb), coarse);
    let scene = match solve_wand(&input, &WandConfig::default()) {
        Ok(solution) => solution.scene,
        Err(e) => return Outcome::Refused(e.to_string()),
    };
    let mut off: Vec<(String, f64)> = scene_rows(seed, Habit::ALL[0], &scene, &world)
        .into_iter()
        .map(|r| (format!("{} ({:+.3}, sd {:.3})", r.figure, r.error, r.sd), r.error.abs() / r.sd))
        .collect();
    let clock = &scene.cameras[1];
    let error_s = clock.offset_s - offset_s;
    off.push((format!("offset ({:+.3} ms)", 1e3 * error_s), error_s.abs() / clock.offset_sd_s));
    let worst = off.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
    if worst.1 <= 3.0 { Outcome::Good } else { Outcome::Off(worst.0, worst.1) }
}
