//! Pairs of clips in which nobody waves a wand, given as wand clips: no scene may come of them.

use std::collections::BTreeMap;

use nalgebra::{Point3, Vector3};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use tipwright::model::{Camera, Candidate, ClipSpots, Clock, Colour, Measured, RawPixel};
use tipwright::scene::wand::{WandConfig, WandInput, solve_wand};
use tipwright_simulate::casters::{Habit, Manner, TakePlan, cast_take, take_outfit};
use tipwright_simulate::day::place::{HungWand, MIDDLE, WavedWand, looking};
use tipwright_simulate::phone::noise::{between, stream};

use crate::film::{Detector, Marker, film};
use crate::{BUTTS_M, Options, heard, wand_input, world};

/// What is before a camera instead of a wand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Shown {
    /// Glints that come and go.
    Glints,
    /// A whiteboard in a hand: a few bright places that drift together.
    Board,
    /// Two people who walk about with caps of the wand's colour, each their own way.
    Caps,
    /// Two people side by side, a metre apart, or two caps on one pole: as rigid as two people are.
    SideBySide,
    /// Somebody casts: tip and butt markers of one colour.
    Caster,
    /// The wand, hanging still.
    Hung,
    /// A wand is waved, but in each picture it is another's, or another time.
    OtherWand,
}

const SHOWN: [Shown; 7] = [
    Shown::Glints,
    Shown::Board,
    Shown::Caps,
    Shown::SideBySide,
    Shown::Caster,
    Shown::Hung,
    Shown::OtherWand,
];
const SECONDS: f64 = 20.0;

/// Prints what became of so many pairs. Half of them show the same before both cameras, seen by both at one time; the others
/// something else each.
pub fn study(first: u64, pairs: u64, options: &Options) {
    let outcomes: Vec<_> = (first..first + pairs).into_par_iter().map(|seed| one(seed, options)).collect();
    let mut by: BTreeMap<(String, bool), usize> = BTreeMap::new();
    for (seed, (shown, solved)) in (first..).zip(&outcomes) {
        *by.entry((format!("{shown:?}"), solved.is_ok())).or_default() += 1;
        match solved {
            Ok(said) => println!("pair {seed}, {shown:?}: A SCENE: {said}"),
            Err(e) if options.verbose => println!("pair {seed}, {shown:?}: {e}"),
            Err(_) => {}
        }
    }
    for ((shown, solved), n) in &by {
        println!("{shown:30} {} {n}", if *solved { "SOLVED " } else { "refused" });
    }
    let solved = outcomes.iter().filter(|(_, s)| s.is_ok()).count();
    println!("{solved} scenes of {} pairs of clips without a wand", outcomes.len());
}

fn one(seed: u64, options: &Options) -> ([Shown; 2], Result<String, String>) {
    let mut rng = stream(seed, "no wand");
    let world = world(seed, options);
    let first = SHOWN[rng.random_range(0..SHOWN.len())];
    let together = seed.is_multiple_of(2);
    let shown = [first, if together { first } else { SHOWN[rng.random_range(0..SHOWN.len())] }];
    let offset_s = between(&mut rng, -1.0, 1.0);
    let clocks = world.clocks(offset_s);
    let clips: Vec<ClipSpots> = (0..2)
        .map(|k| {
            // together: one and the same thing
            let own =
                if together && shown[k] != Shown::OtherWand { "both".into() } else { format!("only {k}") };
            let mut place = stream(seed, &own);
            clip(shown[k], &world.cameras[k], &clocks[k], &mut place, &mut rng)
        })
        .collect();
    let coarse = heard(offset_s, &mut rng);
    let input = WandInput { length_m: Measured::new(1.0, 5e-4), ..wand_input(&world, &clips, None, coarse) };
    let solved = match solve_wand(&input, &WandConfig::default()) {
        Ok(s) => Ok(format!(
            "wand rms {:?} mm, reprojection {:?} px, {:.0} degrees",
            s.scene.quality.wand_rms_mm, s.scene.quality.reprojection_rms_px, s.convergence_deg
        )),
        Err(e) => Err(e.to_string()),
    };
    (shown, solved)
}

/// `world` is the stream that says where things are, `rng` the camera's own noise.
fn clip(
    shown: Shown,
    camera: &Camera,
    clock: &Clock,
    world: &mut ChaCha8Rng,
    rng: &mut ChaCha8Rng,
) -> ClipSpots {
    let detector = Detector::default();
    let exposures_s: Vec<f64> =
        (0..(SECONDS * detector.fps) as u32).map(|i| f64::from(i) / detector.fps).collect();
    let shoot = |places: &[&dyn Fn(f64) -> Point3<f64>], camera: &Camera, rng: &mut ChaCha8Rng| {
        let markers: Vec<Marker> =
            places.iter().map(|place| Marker { place, colour: Colour::White, diameter_m: 0.04 }).collect();
        film(camera, clock, &detector, &exposures_s, &markers, rng)
    };
    match shown {
        Shown::Glints => {
            let mut clip = shoot(&[], camera, rng);
            let pattern = shoot(&[&|_| Point3::from(MIDDLE)], camera, rng);
            let like: Option<Candidate> = pattern.frames.iter().find_map(|f| f.candidates.first().copied());
            let Some(like) = like else { return clip };
            for frame in &mut clip.frames {
                for _ in 0..rng.random_range(0..4) {
                    let centre = RawPixel::new(between(rng, 5.0, 1900.0), between(rng, 5.0, 1070.0));
                    frame.candidates.push(Candidate { centre, ..like });
                }
            }
            clip
        }
        Shown::Board => {
            // held in a hand at three metres: its places sway together before a camera at rest
            let at: Vec<Point3<f64>> = (0..5)
                .map(|_| Point3::new(between(world, -1.0, 1.0), 0.0, between(world, 1.5, 3.0)))
                .collect();
            let sway: Vec<[f64; 3]> = (0..6)
                .map(|_| [between(rng, 0.05, 0.2), between(rng, 0.1, 0.6), between(rng, 0.0, 6.3)])
                .collect();
            let swing =
                |i: usize, t: f64| sway[i][0] * (std::f64::consts::TAU * sway[i][1] * t + sway[i][2]).sin();
            let eye = Point3::new(0.0, -3.0, 1.6);
            let held = Camera { pose: looking(eye, Point3::from(MIDDLE), 0.0), ..camera.clone() };
            let places: Vec<Box<dyn Fn(f64) -> Point3<f64> + '_>> = at
                .iter()
                .map(|p| {
                    let swing = &swing;
                    Box::new(move |t: f64| {
                        p + Vector3::new(swing(0, t) + swing(1, t), 0.0, swing(2, t) + swing(3, t))
                    }) as Box<dyn Fn(f64) -> Point3<f64> + '_>
                })
                .collect();
            let refs: Vec<&dyn Fn(f64) -> Point3<f64>> = places.iter().map(|p| p.as_ref()).collect();
            shoot(&refs, &held, rng)
        }
        Shown::Caps | Shown::SideBySide => {
            let walk = |rng: &mut ChaCha8Rng| {
                let way: Vec<[f64; 3]> = (0..3)
                    .map(|_| [between(rng, 0.5, 2.0), between(rng, 0.03, 0.15), between(rng, 0.0, 6.3)])
                    .collect();
                move |t: f64| {
                    let s = |i: usize| way[i][0] * (std::f64::consts::TAU * way[i][1] * t + way[i][2]).sin();
                    let nod = 0.025 * (11.0 * t + way[2][2]).sin();
                    Point3::new(s(0), s(1) + 0.5, 1.75 + nod)
                }
            };
            let a = walk(world);
            let b = walk(world);
            if shown == Shown::Caps {
                return shoot(&[&a, &b], camera, rng);
            }
            let beside = |t: f64| {
                // a metre to the side of the way they go, give or take five centimetres
                let way = (a(t + 0.05) - a(t - 0.05)).normalize();
                let metre = 1.0 + 0.05 * (1.3 * t).sin();
                let side = Vector3::new(-way.y, way.x, 0.0) * metre;
                a(t) + side + Vector3::z() * (0.05 + 0.02 * (11.3 * t).cos())
            };
            shoot(&[&a, &beside], camera, rng)
        }
        Shown::Caster => {
            let seed = world.random_range(0..1000);
            let habit = Habit::ALL[world.random_range(0..Habit::ALL.len())];
            let plan = TakePlan { manner: Manner::of_person(habit, seed), ..TakePlan::default() };
            let Ok(motion) = cast_take(&plan, &take_outfit(0.04), seed) else {
                return shoot(&[], camera, rng);
            };
            let end_s = motion.end_s() - 1e-3;
            let tip = |t: f64| motion.tip_at(t.clamp(0.0, end_s));
            let b1 = |t: f64| motion.rod_point_at(t.clamp(0.0, end_s), BUTTS_M[0]);
            let b2 = |t: f64| motion.rod_point_at(t.clamp(0.0, end_s), BUTTS_M[1]);
            shoot(&[&tip, &b1, &b2], camera, rng)
        }
        Shown::Hung => {
            let hung = HungWand::new(Point3::new(0.3, 0.1, 2.7), 1.0, world);
            shoot(&[&|t| hung.end_at(0, t), &|t| hung.end_at(1, t)], camera, rng)
        }
        Shown::OtherWand => {
            let waved = WavedWand::new(1.0, world);
            shoot(&[&|t| waved.end_at(0, t), &|t| waved.end_at(1, t)], camera, rng)
        }
    }
}
