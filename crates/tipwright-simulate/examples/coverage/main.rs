//! Can the stated standard deviations be bet on? Casts of the mechanical rod, seen by two phones as detections, go through
//! scene (wand and plumb), path and strokes; per figure: median error, share of truths inside the 95 % interval, root mean
//! square error over stated standard deviation.
//!
//! `cargo run --release -p tipwright-simulate --example coverage -- [--set-ups 40] [--first 0] [--csv OUT.csv] [--verbose]
//! [--beside neighbour|second-rod|walker [--own-lost]] [--exact-lens] [--tip-only] [--known-scene] [--dof N] [--stamps ticks-600|android|dropped|rate [--exact-stamps|--raw-stamps]]
//! [--smooth-over FRAMES] [--noise-px SD] [--hidden SECONDS] [--one-camera [--of-others|--hung]]`
//!
//! Other tables, with the same `--first` and `--set-ups`: `--wands [--rates 30+240]` (tripods at every angle and pair of rates),
//! `--no-wand` (pairs of clips in which no wand is waved), `--still SECONDS` (the same take, after the caster stood still).
//!
//! A set-up is new places, readouts, clocks, wand length (as measured with half a millimetre's error) and a new person;
//! errors of a set-up are shared by its strokes, so that set-ups count more than strokes.
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "an example that prints a table")]

mod beside;
mod bound;
mod film;
mod no_wand;
mod one_camera;
mod rows;
mod set_up;
mod stamps;
mod still;
mod tally;
mod wands;
mod world;

use std::sync::Mutex;

use beside::Beside;
use film::{Detector, Marker, film};
use nalgebra::{Point3, Vector3};
use rayon::prelude::*;
use rows::{marker_rows, stroke_rows};
use set_up::{clock_rows, scene_rows};
use stamps::Stamps;
use tipwright::model::{ClipSpots, Colour, Role, Rotation};
use tipwright::path::{PathConfig, RoleLook, TakeCamera, TakeInput, solve_take};
use tipwright::scene::wand::{WandConfig, solve_wand};
use tipwright_simulate::casters::{Habit, Manner, TakePlan, cast_take, take_outfit};
use tipwright_simulate::day::place::{HungWand, WavedWand};
use tipwright_simulate::phone::noise::{between, stream};
use world::{World, heard, normal, readout, wand_input, with_lens_errors, world};

const BUTTS_M: [f64; 2] = [0.40, 0.66];
const FPS: f64 = 240.0;
const WAND_S: f64 = 20.0;
const PLUMB_S: f64 = 6.0;
/// No multiple of a stroke and its pause, so that every part of W is hidden in turn.
const HIDDEN_EVERY_S: f64 = 0.7;

#[derive(Clone)]
struct Options {
    verbose: bool,
    lens_error: bool,
    tip_only: bool,
    known_scene: bool,
    neighbourhood_dof: Option<f64>,
    stamps: Option<Stamps>,
    beside: Option<Beside>,
    own_lost: bool,
    smooth_over: usize,
    noise_px: Option<f64>,
    /// The second phone does not see the tip for so long, every [`HIDDEN_EVERY_S`].
    hidden_s: f64,
    /// The caster stands still for so long before the cast.
    still_s: f64,
    one_camera: bool,
    of_others: bool,
    hung: bool,
}

impl Options {
    fn path(&self) -> PathConfig {
        let mut out = PathConfig::default();
        if let Some(dof) = self.neighbourhood_dof {
            out.motion.neighbourhood_dof = dof;
        }
        out
    }
}

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let after = |flag: &str| args.iter().position(|a| a == flag).and_then(|i| args.get(i + 1));
    let has = |flag: &str| args.iter().any(|a| a == flag);
    let set_ups: u64 = after("--set-ups").map_or(40, |n| n.parse().unwrap());
    let first: u64 = after("--first").map_or(0, |n| n.parse().unwrap());
    let options = Options {
        verbose: has("--verbose"),
        lens_error: !has("--exact-lens"),
        tip_only: has("--tip-only"),
        known_scene: has("--known-scene"),
        neighbourhood_dof: after("--dof").map(|n| n.parse().unwrap()),
        beside: after("--beside").map(|k| Beside::parse(k)),
        own_lost: has("--own-lost"),
        smooth_over: after("--smooth-over").map_or(1, |n| n.parse().unwrap()),
        noise_px: after("--noise-px").map(|n| n.parse().unwrap()),
        hidden_s: after("--hidden").map_or(0.0, |n| n.parse().unwrap()),
        still_s: 0.0,
        one_camera: has("--one-camera"),
        of_others: has("--of-others"),
        hung: has("--hung"),
        stamps: after("--stamps").map(|k| Stamps::parse(k, has("--exact-stamps"), has("--raw-stamps"))),
    };
    if has("--wands") {
        return wands::study(first, set_ups, after("--rates").map(String::as_str));
    }
    if has("--no-wand") {
        return no_wand::study(first, set_ups, &options);
    }
    if let Some(seconds) = after("--still") {
        return still::study(first, set_ups, seconds.parse().unwrap(), options);
    }
    let all = Mutex::new(Vec::new());
    (first..first + set_ups).collect::<Vec<u64>>().into_par_iter().with_max_len(1).for_each(|seed| {
        let rows = one(seed, &options);
        all.lock().unwrap().push((seed, rows));
    });
    let mut all = all.into_inner().unwrap();
    all.sort_by_key(|(seed, _)| *seed);
    let rows: Vec<tally::Row> = all.into_iter().flat_map(|(_, rows)| rows).collect();
    if let Some(file) = after("--csv") {
        std::fs::write(file, tally::csv(&rows)).unwrap();
    }
    tally::print(&rows);
}

/// A place at every instant.
type Place<'a> = &'a dyn Fn(f64) -> Point3<f64>;
/// Clips of both phones: generator, the second clock's offset, seconds, what moves.
type Shoot<'a> = dyn Fn(&mut rand_chacha::ChaCha8Rng, f64, f64, &[Marker]) -> Vec<ClipSpots> + 'a;

fn white(place: Place<'_>) -> Marker<'_> {
    Marker { place, colour: Colour::White, diameter_m: 0.04 }
}

fn green(place: Place<'_>) -> Marker<'_> {
    Marker { place, colour: Colour::Green, diameter_m: 0.03 }
}

fn roles(options: &Options) -> Vec<RoleLook> {
    let look = |role, colour, at_m, diameter_m| RoleLook { role, colour, at_m, diameter_m };
    let mut roles = vec![look(Role::Tip, Colour::White, 2.743, 0.04)];
    if !options.tip_only {
        roles.push(look(Role::Butt1, Colour::Green, BUTTS_M[0], 0.03));
        roles.push(look(Role::Butt2, Colour::Green, BUTTS_M[1], 0.03));
    }
    roles
}

fn one(seed: u64, options: &Options) -> Vec<tally::Row> {
    let world = world(seed, options);
    let mut rng = stream(seed, "coverage clips");
    let habit = Habit::ALL[(seed % Habit::ALL.len() as u64) as usize];
    let detector = Detector {
        sigma_px: between(&mut rng, 0.06, 0.16),
        stated: between(&mut rng, 0.8, 1.6),
        smooth_over: options.smooth_over,
        ..Detector::default()
    };
    let detector = Detector { sigma_px: options.noise_px.unwrap_or(detector.sigma_px), ..detector };
    // scene
    let waved = WavedWand::new(1.0, &mut rng);
    let hung = HungWand::new(Point3::new(0.3, 0.1, 2.7), 1.0, &mut rng);
    let lates_s = std::cell::Cell::new([0.0; 2]);
    let shoot = |rng: &mut rand_chacha::ChaCha8Rng, offset_s: f64, seconds: f64, markers: &[Marker]| {
        let clocks = world.clocks(offset_s);
        let mut late_s = [0.0; 2];
        let clips = (0..2)
            .map(|k| {
                let film = |exposures_s: &[f64], rng| {
                    film(&world.cameras[k], &clocks[k], &detector, exposures_s, markers, rng)
                };
                let Some(stamps) = options.stamps else {
                    let frames = (seconds * detector.fps) as u32;
                    return film(&(0..frames).map(|i| f64::from(i) / detector.fps).collect::<Vec<_>>(), rng);
                };
                let mut own = stream(seed, &format!("stamps {k} {seconds}"));
                let exposures_s = stamps.exposures_s(detector.fps, seconds, &mut own);
                let (clip, late) = stamps.stamp(film(&exposures_s, rng), &exposures_s, &mut own);
                late_s[k] = late;
                if options.verbose {
                    println!("set-up {seed}, clip of {seconds:.1} s: {}", stamps::said(&clip.times));
                }
                clip
            })
            .collect::<Vec<ClipSpots>>();
        lates_s.set(late_s);
        clips
    };
    if options.one_camera && options.hung {
        return one_camera::hung_rows(seed, habit, &world, &shoot, options);
    }
    let wand_offset_s = between(&mut rng, -1.0, 1.0);
    let (w0, w1) = (|t: f64| waved.end_at(0, t), |t: f64| waved.end_at(1, t));
    let wand = shoot(&mut rng, wand_offset_s, WAND_S, &[white(&w0), white(&w1)]);
    // markers sit a millimetre off the line through the hung wand's centre of mass
    let off = [1e-3 * normal(&mut rng), 1e-3 * normal(&mut rng)];
    let (h0, h1) =
        (|t: f64| hung.end_at(0, t), |t: f64| hung.end_at(1, t) + Vector3::new(off[0], off[1], 0.0));
    let plumb_offset_s = between(&mut rng, -1.0, 1.0);
    let plumb = shoot(&mut rng, plumb_offset_s, PLUMB_S, &[white(&h0), white(&h1)]);
    let coarse = heard(wand_offset_s, &mut rng);
    let scene = if options.known_scene {
        tipwright_simulate::day::truth::scene(&world.cameras, &world.clocks(0.0))
    } else {
        let input = wand_input(&world, &wand, Some(&plumb), coarse);
        match solve_wand(&input, &WandConfig::default()) {
            Ok(s) => s.scene,
            Err(e) => {
                println!("set-up {seed}: {e}");
                return Vec::new();
            }
        }
    };
    if options.one_camera {
        return one_camera::rows(seed, habit, &scene, &world, &shoot, options);
    }
    // take
    let plan = TakePlan { manner: Manner::of_person(habit, seed), ..TakePlan::default() };
    let Ok(motion) = cast_take(&plan, &take_outfit(0.04), seed) else {
        println!("set-up {seed}: the rod's simulation diverged");
        return Vec::new();
    };
    let take_offset_s = between(&mut rng, -1.0, 1.0);
    let tip = |t: f64| motion.tip_at(t);
    let b1 = |t: f64| motion.rod_point_at(t, BUTTS_M[0]);
    let b2 = |t: f64| motion.rod_point_at(t, BUTTS_M[1]);
    let mut markers = Vec::new();
    if !options.own_lost {
        markers.push(white(&tip));
        if !options.tip_only {
            markers.extend([green(&b1), green(&b2)]);
        }
    }
    let other = options.beside.and_then(|b| b.somebody(seed));
    let (t2, c1, c2) = (
        |t: f64| other.as_ref().map_or_else(Point3::origin, |o| o.tip_at(t)),
        |t: f64| other.as_ref().map_or_else(Point3::origin, |o| o.rod_point_at(t, BUTTS_M[0])),
        |t: f64| other.as_ref().map_or_else(Point3::origin, |o| o.rod_point_at(t, BUTTS_M[1])),
    );
    if let Some(other) = &other {
        markers.push(white(&t2));
        if other.has_rod() && !options.tip_only {
            markers.extend([green(&c1), green(&c2)]);
        }
    }
    let mut clips = shoot(&mut rng, take_offset_s, motion.end_s(), &markers);
    if options.hidden_s > 0.0 {
        for frame in &mut clips[1].frames {
            if frame.pts_s.rem_euclid(HIDDEN_EVERY_S) < options.hidden_s {
                frame.candidates.retain(|c| c.colour != Colour::White);
            }
        }
    }
    if options.still_s > 0.0 {
        let clocks = world.clocks(take_offset_s);
        for (k, clip) in clips.iter_mut().enumerate() {
            still::before(clip, &world.cameras[k], &clocks[k], &detector, options.still_s, &markers, seed);
        }
    }
    let coarse = heard(take_offset_s, &mut rng);
    let input = TakeInput {
        take: "coverage",
        scene: &scene,
        cameras: (0..2)
            .map(|k| TakeCamera {
                lens: &world.lenses[k],
                spots: &clips[k],
                readout_s: None,
                coarse_offset: (k == 1).then_some(coarse),
            })
            .collect(),
        roles: roles(options),
        plane: None,
    };
    let mut found = match solve_take(&input, &options.path()) {
        Ok(found) => found,
        Err(e) => {
            println!("set-up {seed}: {e}");
            return Vec::new();
        }
    };
    if let Some(other) = &other {
        let to = |place: &dyn Fn(f64) -> Point3<f64>| beside::nearness_m(&found, place);
        let (own_m, other_m) = (to(&tip), to(&|t| other.tip_at(t)));
        println!(
            "set-up {seed}: measured the {}; told of another: {}",
            if own_m < other_m { "take's caster" } else { "WRONG PERSON" },
            found.warnings.iter().any(|w| w.what.contains("another rod"))
        );
        return Vec::new();
    }
    let truth = world.clocks(take_offset_s);
    // stamps that are late on average put the session's zero elsewhere: back to the truth's
    let [late_s, other_late_s] = lates_s.get();
    found.clocks[1].clock.offset_s -= late_s - other_late_s;
    let paths = std::iter::once(&mut found.rod.tip).chain(found.rod.butts.iter_mut().map(|b| &mut b.path));
    for sample in paths.flat_map(|p| &mut p.samples) {
        sample.t_s -= late_s;
    }
    let mut rows = clock_rows(seed, habit, &found, &truth);
    rows.extend(scene_rows(seed, habit, &scene, &world));
    // the same clips with the set-up known: what the path itself does against its bound
    let known = tipwright_simulate::day::truth::scene(&world.cameras, &truth);
    let mut exact = input.clone();
    exact.scene = &known;
    for (k, camera) in exact.cameras.iter_mut().enumerate() {
        camera.lens = &world.cameras[k].lens;
    }
    exact.roles.truncate(1);
    if let (None, Ok(paths)) = (options.stamps, solve_take(&exact, &options.path())) {
        rows.push(bound::row(seed, habit, &world.cameras, &truth, &detector, &motion, &paths));
    }
    rows.extend(marker_rows(seed, habit, &motion, &found));
    rows.extend(stroke_rows(seed, habit, &motion, &found, options));
    if options.verbose {
        for w in &found.warnings {
            println!("set-up {seed}: {w}");
        }
        println!(
            "set-up {seed} ({}, rotations {:?} {:?}): reprojection {:.3} px",
            habit.key(),
            world.cameras[0].picture.rotation != Rotation::R0,
            world.cameras[1].picture.rotation != Rotation::R0,
            found.reprojection_rms_px
        );
        for r in rows.iter().filter(|r| r.stroke == 0) {
            println!("   {:26} error {:+.4} sd {:.4}", r.figure, r.error, r.sd);
        }
    }
    rows
}
