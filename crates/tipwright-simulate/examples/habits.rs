//! Casters with known habits, measured from noisy marker paths, and the evidence raised: the confusion table.
//!
//! `cargo run --release -p tipwright-simulate --example habits -- [--persons 6] [--first-person 20] [--tip-only] [--figures OUT.csv]`
//!
//! Rod and line are simulated, the markers' paths get smooth noise (2 mm at the tip, 0.7 mm at the slower butt
//! markers, correlated over three samples of 1/240 s) and go through `strokes` and `evidence`. The first stroke of a
//! take picks the line up and is left out. Thresholds that say so were set on persons 0 to 15.
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "an example that prints a table")]

use std::collections::BTreeMap;
use std::fmt::Write as _;

use nalgebra::{Point3, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tipwright::evidence::{self, Rules};
use tipwright::model::path::ButtPath;
use tipwright::model::{FigureId, MarkerPath, PathSample, RodPaths, Role, Stroke};
use tipwright::strokes::{StrokesConfig, measure};
use tipwright_simulate::casters::{Habit, Manner, TakePlan, cast_take, take_outfit};
use tipwright_simulate::motion::RodMotion;
use tipwright_simulate::truth_figures::{TrueStroke, TruthConfig, true_strokes};

const FPS: f64 = 240.0;
const BUTTS_M: [f64; 2] = [0.40, 0.66];
const TIP_SD_M: f64 = 0.002;
const BUTT_SD_M: f64 = 0.0007;

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let after = |flag: &str| args.iter().position(|a| a == flag).and_then(|i| args.get(i + 1));
    let persons: u64 = after("--persons").map_or(6, |n| n.parse().unwrap());
    let first: u64 = after("--first-person").map_or(20, |n| n.parse().unwrap());
    let tip_only = args.iter().any(|a| a == "--tip-only");
    let rules = Rules::default_rules();
    let mut figures = String::from("habit,person,stroke,direction");
    for id in FigureId::ALL {
        let _ = write!(figures, ",{0},{0}_sd,{0}_true", id.info().key);
    }
    figures.push('\n');
    let mut raised: BTreeMap<(Habit, String), usize> = BTreeMap::new();
    let mut asked: BTreeMap<(Habit, String), usize> = BTreeMap::new();
    let mut strokes_of: BTreeMap<Habit, usize> = BTreeMap::new();
    let (mut found, mut there) = (0, 0);
    for habit in Habit::ALL {
        for person in first..first + persons {
            let plan = TakePlan { manner: Manner::of_person(habit, person), ..TakePlan::default() };
            let Ok(motion) = cast_take(&plan, &take_outfit(0.04), person) else {
                println!("{} person {person}: the simulation diverged", habit.key());
                continue;
            };
            let truth = true_strokes(
                &motion,
                Vector3::x(),
                &TruthConfig {
                    butts_at_m: if tip_only { Vec::new() } else { BUTTS_M.to_vec() },
                    ..TruthConfig::default()
                },
            );
            let paths = noisy_paths(&motion, tip_only, 1000 * person + habit as u64);
            let outcome = measure(&paths, &StrokesConfig::default()).unwrap();
            (found, there) = (found + outcome.strokes.len(), there + truth.len());
            if outcome.strokes.len() != truth.len() {
                println!(
                    "{} person {person}: {} strokes found, {} there",
                    habit.key(),
                    outcome.strokes.len(),
                    truth.len()
                );
            }
            let evidence = evidence::judge(&outcome.strokes, &rules);
            for (s, e) in outcome.strokes.iter().zip(&evidence).skip(1) {
                *strokes_of.entry(habit).or_default() += 1;
                for one in &e.evidence {
                    *asked.entry((habit, one.rule.clone())).or_default() += 1;
                    *raised.entry((habit, one.rule.clone())).or_default() += usize::from(one.is_raised);
                }
                row(&mut figures, habit, person, s, nearest(&truth, s));
            }
        }
    }
    if let Some(file) = after("--figures") {
        std::fs::write(file, figures).unwrap();
    }
    println!(
        "strokes: {found} found of {there}; strokes judged (pick-ups left out) and share of those asked with each evidence:"
    );
    print!("{:20} {:>7}", "habit", "strokes");
    for rule in &rules.rule {
        print!(" {:>16}", rule.id);
    }
    println!();
    for (habit, n) in &strokes_of {
        print!("{:20} {n:>7}", habit.key());
        for rule in &rules.rule {
            let count = |all: &BTreeMap<(Habit, String), usize>| {
                all.get(&(*habit, rule.id.clone())).copied().unwrap_or(0)
            };
            match count(&asked) {
                0 => print!(" {:>16}", "not asked"),
                of => print!(" {:>14.0} %", 100.0 * count(&raised) as f64 / of as f64),
            }
        }
        println!();
    }
}

fn nearest<'a>(truth: &'a [TrueStroke], stroke: &Stroke) -> Option<&'a TrueStroke> {
    let at = stroke.figures.get(FigureId::TRsp)?.value;
    truth.iter().find(|t| t.figures.get(FigureId::TRsp).is_some_and(|m| (m.value - at).abs() < 0.15))
}

fn row(out: &mut String, habit: Habit, person: u64, s: &Stroke, truth: Option<&TrueStroke>) {
    let _ = write!(out, "{},{person},{},{:?}", habit.key(), s.stroke, s.direction);
    for id in FigureId::ALL {
        let text = |x: Option<f64>| x.map_or(String::new(), |x| x.to_string());
        let m = s.figures.get(*id);
        let t = truth.and_then(|t| t.figures.get(*id)).map(|m| m.value);
        let _ = write!(out, ",{},{},{}", text(m.map(|m| m.value)), text(m.map(|m| m.sd)), text(t));
    }
    out.push('\n');
}

fn noisy_paths(motion: &RodMotion, tip_only: bool, seed: u64) -> RodPaths {
    let tip = noisy_path(motion, seed, TIP_SD_M, |t| motion.tip_at(t));
    let butt = |role, at_m: f64, k: u64| ButtPath {
        role,
        at_m,
        path: noisy_path(motion, seed + k * 7919, BUTT_SD_M, move |t| motion.rod_point_at(t, at_m)),
    };
    let butts = if tip_only {
        Vec::new()
    } else {
        vec![butt(Role::Butt1, BUTTS_M[0], 1), butt(Role::Butt2, BUTTS_M[1], 2)]
    };
    RodPaths { tip, butts }
}

/// Samples, differentiates and adds smooth noise with its own derivative: white noise under a Gaussian three samples
/// wide.
fn noisy_path(motion: &RodMotion, seed: u64, sd_m: f64, at: impl Fn(f64) -> Point3<f64>) -> MarkerPath {
    const WIDTH: f64 = 3.0;
    const REACH: usize = 12;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (from_s, to_s) = (motion.start_s() + 0.01, motion.end_s() - 0.01);
    let n = ((to_s - from_s) * FPS) as usize;
    let mut normal = || {
        let (u, v): (f64, f64) = (rng.random(), rng.random());
        (-2.0 * u.max(1e-300).ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    };
    let white: Vec<Vector3<f64>> =
        (0..n + 2 * REACH).map(|_| Vector3::new(normal(), normal(), normal())).collect();
    let offset = |k: usize| k as f64 - REACH as f64;
    let kernel: Vec<f64> = (0..=2 * REACH).map(|k| (-0.5 * (offset(k) / WIDTH).powi(2)).exp()).collect();
    let scale = sd_m / kernel.iter().map(|k| k * k).sum::<f64>().sqrt();
    let samples = (0..n)
        .map(|i| {
            let t_s = from_s + i as f64 / FPS;
            let (mut p, mut v) = (Vector3::zeros(), Vector3::zeros());
            for (k, w) in kernel.iter().enumerate() {
                p += white[i + k] * (w * scale);
                v += white[i + k] * (w * scale * offset(k) / (WIDTH * WIDTH) * FPS);
            }
            let h = 1e-3;
            PathSample {
                t_s,
                position_in_world: at(t_s) + p,
                velocity_in_world_m_s: (at(t_s + h) - at(t_s - h)) / (2.0 * h) + v,
                position_sd_m: Vector3::repeat(sd_m),
                views: 2,
            }
        })
        .collect();
    MarkerPath { samples, draws: Vec::new() }
}
