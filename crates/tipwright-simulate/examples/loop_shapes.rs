//! Loops whose fly leg is given a wave of known depth, seen as noisy points by the clinic's two cameras: how surely
//! crossing twice (tailing) is told from crossing once and from not at all.
//!
//! `cargo run --release -p tipwright-simulate --example loop_shapes -- [PERSONS]`
//!
//! Rod and line are simulated; a wave that travels with the nose is laid into the fly leg of every loop, deep enough to
//! cross or not. Points stand every centimetre along the line with noise of 0.25 px, three in ten are missing, and
//! 600 points of clutter lie about in every look. No pictures are made.
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "an example that prints a table")]

use std::collections::BTreeMap;

use nalgebra::{Point3, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tipwright::line::{LineView, LoopSettings, measure_loops};
use tipwright::model::line::{ClipRidges, FrameRidges, RidgePoint};
use tipwright::model::{Camera, Clock, FigureId, MarkerPath, PathSample, RodPaths};
use tipwright::strokes::{StrokesConfig, measure};
use tipwright_simulate::casters::{Habit, Manner, TakePlan, cast_take, take_outfit};
use tipwright_simulate::day::place::phones;
use tipwright_simulate::motion::RodMotion;
use tipwright_simulate::truth_figures::loops::true_loop;

const LOOKS_HZ: f64 = 40.0;

fn main() {
    let persons: u64 = std::env::args().nth(1).map_or(3, |n| n.parse().unwrap());
    let mut table: BTreeMap<(String, String), usize> = BTreeMap::new();
    let mut reasons: BTreeMap<String, usize> = BTreeMap::new();
    let (mut dipped, mut dipped_right, mut dipped_said) = (0, 0, 0);
    for habit in [Habit::SmoothLatePower, Habit::EarlyPunch, Habit::LateStop, Habit::NarrowArc] {
        for person in 40..40 + persons {
            let plan =
                TakePlan { manner: Manner::of_person(habit, person), strokes: 6, ..TakePlan::default() };
            let Ok(plain) = cast_take(&plan, &take_outfit(0.04), person) else { continue };
            let mut rng = ChaCha8Rng::seed_from_u64(person ^ (habit as u64) << 8);
            let cameras = phones(1920, 1080, None, &mut rng);
            for wave in 0..4 {
                let depth_m = if wave == 0 { 0.0 } else { 0.2 + 0.6 * rng.random::<f64>() };
                let middle_m = 0.8 + 0.15 * rng.random::<f64>();
                let motion = waved(&plain, depth_m, middle_m);
                let tip = tip_path(&motion);
                let rod = RodPaths { tip, butts: Vec::new() };
                let mut strokes = measure(&rod, &StrokesConfig::default()).unwrap().strokes;
                let ridges: Vec<ClipRidges> = cameras.iter().map(|c| points(c, &motion, &mut rng)).collect();
                let views: Vec<LineView<'_>> = cameras
                    .iter()
                    .zip(&ridges)
                    .map(|(camera, ridges)| LineView {
                        camera: camera.clone(),
                        clock: Clock::default(),
                        ridges,
                    })
                    .collect();
                let _ = measure_loops(&views, &rod.tip, &mut strokes, &LoopSettings::default());
                for stroke in &strokes {
                    let world_from_cast = stroke.cast_from_world.inverse();
                    let [a, b] = stroke.chord_in_cast.map(|p| world_from_cast * p);
                    let rsp_s = stroke.figures.get(FigureId::TRsp).unwrap().value;
                    let Some(truth) = true_loop(&motion, &(b - a), rsp_s) else { continue };
                    let word = |n: u32| ["none", "once", "twice"][n.min(2) as usize].to_string();
                    let said = stroke
                        .figures
                        .get(FigureId::LoopCrossings)
                        .map_or_else(|| "not said".to_string(), |m| word(m.value as u32));
                    if truth.crossings >= 2
                        && stroke.figures.get(FigureId::DipDepth).is_some_and(|d| d.value >= 0.01)
                    {
                        dipped += 1;
                        dipped_said += usize::from(said != "not said");
                        dipped_right += usize::from(said == "twice");
                    }
                    if said == "not said" {
                        let why =
                            stroke.figures.missing.get(&FigureId::LoopCrossings).cloned().unwrap_or_default();
                        *reasons.entry(why).or_default() += 1;
                    }
                    *table.entry((word(truth.crossings), said)).or_default() += 1;
                }
            }
        }
    }
    println!("crosses   said");
    for ((truth, said), n) in &table {
        println!("{truth:9} {said:9} {n}");
    }
    for (why, n) in &reasons {
        println!("not said, {n}: {why}");
    }
    let get = |a: &str, b: &str| table.get(&(a.to_string(), b.to_string())).copied().unwrap_or(0);
    let told = get("once", "once") + get("twice", "twice");
    let mixed = get("once", "twice") + get("twice", "once");
    println!(
        "twice told from once: {told} of {} ({:.1} %)",
        told + mixed,
        100.0 * told as f64 / (told + mixed).max(1) as f64
    );
    println!(
        "tails after tip dips from 10 mm: {dipped} there, {dipped_said} said, {dipped_right} said to be tails"
    );
}

/// The same casts with a wave in every fly leg: down by `depth_m` at `middle_m` behind the nose's front.
fn waved(plain: &RodMotion, depth_m: f64, middle_m: f64) -> RodMotion {
    let mut out = plain.clone();
    for frame in &mut out.frames {
        let line = &mut frame.line_in_world;
        let tip_x = line[0].x;
        // whichever side the nose is on
        let far = |line: &[Point3<f64>], sign: f64| {
            line.iter()
                .enumerate()
                .max_by(|a, b| (sign * a.1.x).total_cmp(&(sign * b.1.x)))
                .map(|(i, p)| (i, sign * (p.x - tip_x)))
        };
        let last = line.len() - 1;
        for sign in [1.0, -1.0] {
            let Some((i, ahead)) = far(line, sign) else { continue };
            if i == 0 || i == last || ahead < 0.3 {
                continue;
            }
            let front = line[i].x;
            for p in &mut line[i..] {
                let behind = sign * (front - p.x);
                p.z -= depth_m * (-((behind - middle_m) / 0.3).powi(2)).exp();
            }
        }
    }
    out
}

fn tip_path(motion: &RodMotion) -> MarkerPath {
    let end = ((motion.end_s() - motion.start_s()) * 240.0) as u32;
    let samples = (0..end)
        .map(|i| {
            let t_s = motion.start_s() + f64::from(i) / 240.0;
            PathSample {
                t_s,
                position_in_world: motion.tip_at(t_s),
                velocity_in_world_m_s: motion.tip_velocity_at(t_s),
                position_sd_m: Vector3::repeat(0.002),
                views: 2,
            }
        })
        .collect();
    MarkerPath { samples, draws: Vec::new() }
}

fn points(camera: &Camera, motion: &RodMotion, rng: &mut ChaCha8Rng) -> ClipRidges {
    let frames = ((motion.end_s() - motion.start_s()) * LOOKS_HZ) as u32;
    let frames = (0..frames)
        .map(|frame_idx| {
            let pts_s = f64::from(frame_idx) / LOOKS_HZ;
            let nodes = motion.line_nodes_at(pts_s);
            let mut points = Vec::new();
            for pair in nodes.windows(2) {
                let step = pair[1] - pair[0];
                let n = (step.norm() / 0.01).ceil() as usize;
                for k in 0..n {
                    let at: Point3<f64> = pair[0] + step * (k as f64 / n as f64);
                    let (Some(p), Some(q)) = (camera.project(&at), camera.project(&(at + step * 0.05)))
                    else {
                        continue;
                    };
                    let inside = p.x_px > 0.0 && p.y_px > 0.0 && p.x_px < 1919.0 && p.y_px < 1079.0;
                    if !inside || rng.random::<f64>() < 0.3 {
                        continue;
                    }
                    let mut noise = || {
                        0.25 * (rng.random::<f64>() + rng.random::<f64>() + rng.random::<f64>() - 1.5) * 2.0
                    };
                    points.push(RidgePoint {
                        x_px: (p.x_px + noise()) as f32,
                        y_px: (p.y_px + noise()) as f32,
                        angle_rad: ((q.y_px - p.y_px).atan2(q.x_px - p.x_px) + 0.2 * noise()) as f32,
                        contrast: 12.0,
                        sigma_px: 0.25,
                    });
                }
            }
            for _ in 0..600 {
                points.push(RidgePoint {
                    x_px: 1919.0 * rng.random::<f32>(),
                    y_px: 1079.0 * rng.random::<f32>(),
                    angle_rad: std::f32::consts::PI * rng.random::<f32>(),
                    contrast: 8.0,
                    sigma_px: 0.4,
                });
            }
            FrameRidges { frame_idx, pts_s, points }
        })
        .collect();
    ClipRidges { camera: camera.name.clone(), picture: camera.picture, frames, cut_short: false }
}
