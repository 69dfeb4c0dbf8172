//! Loops of casts with tip dips and waves of many depths, filmed at the stops only: how surely crossing twice (tailing) is
//! told from once and from not at all. Prints a row per stroke and the confusion tables.
//!
//! `cargo run --release -p tipwright-simulate --example loop_tails -- [SEED]`
//!
//! Rod and line are simulated: a punch early or late, a sinking hand, an arc too narrow, creep, and sound casts. The line
//! of these casts crosses itself at most once while a phone sees it (see the table), so each is filmed a second time with a
//! wave laid into the fly leg that travels with the nose and is 0.2 to 0.8 m deep.
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "an example that prints a table")]

use std::collections::BTreeMap;
use std::sync::Arc;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tipwright::model::FigureId;
use tipwright_simulate::casters::{Habit, Manner, TakePlan, cast_take};
use tipwright_simulate::day::casts::outfit;
use tipwright_simulate::stops::{StopSeen, Stops, waved};

fn main() {
    let seed: u64 = std::env::args().nth(1).map_or(20, |n| n.parse().unwrap());
    let stops = Stops::default();
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut rows = Vec::new();
    for (k, (name, manner)) in manners(seed).into_iter().enumerate() {
        let cant_rad = (4.0 + 5.0 * rng.random::<f64>()).to_radians();
        let plan = TakePlan { manner, strokes: 4, cant_rad, ..TakePlan::default() };
        let (depth_m, middle_m) = (0.2 + 0.6 * rng.random::<f64>(), 0.75 + 0.2 * rng.random::<f64>());
        let cast_seed = 500 + 100 * seed + k as u64;
        let Ok(plain) = cast_take(&plan, &outfit(40.0), cast_seed) else { continue };
        let with_wave = waved(&plain, depth_m, middle_m);
        for (motion, wave) in [(plain, ""), (with_wave, ", wave")] {
            for seen in stops.see(&Arc::new(motion), cast_seed).unwrap() {
                print_row(&format!("{name}{wave}"), &seen);
                rows.push(seen);
            }
        }
    }
    summary(&rows);
}

/// Causes of dips and their depths.
fn manners(seed: u64) -> Vec<(String, Manner)> {
    let sound = Manner::of(Habit::SmoothLatePower);
    let mut out: Vec<(String, Manner)> = Vec::new();
    for (punch, punch_at) in [(0.05, 0.3), (0.1, 0.6), (0.1, 0.8), (0.15, 0.5)] {
        let m = Manner::of(Habit::EarlyPunch);
        out.push((format!("punch {punch} at {punch_at}"), Manner { punch, punch_at, ..m }));
    }
    for hand_drop_m in [-0.05, 0.05, 0.1] {
        out.push((format!("sink {hand_drop_m}"), Manner { hand_drop_m, ..sound.clone() }));
    }
    for habit in [
        Habit::SmoothLatePower,
        Habit::Creep,
        Habit::NarrowArc,
        Habit::SlowTight,
        Habit::BrokenOpposite,
        Habit::LateStop,
        Habit::WideArc,
        Habit::TrackingError,
    ] {
        out.push((habit.key().into(), Manner::of_person(habit, 57 + seed)));
    }
    out
}

fn figure(seen: &StopSeen, id: FigureId) -> (f64, f64) {
    seen.stroke.figures.get(id).map_or((f64::NAN, f64::NAN), |m| (m.value, m.sd))
}

fn print_row(name: &str, seen: &StopSeen) {
    let t = &seen.truth;
    let (width, crossings) = (figure(seen, FigureId::LoopWidth), figure(seen, FigureId::LoopCrossings));
    println!(
        "{name} {} {:?}: tip dips {:.0} mm; width {:.3} (sd {:.3}) true {:.3}; crosses {} (sd {:.2}) true {} (least {:+.3} m), tail {:.2}; {:?} true {:?} {}",
        seen.stroke.stroke,
        seen.stroke.direction,
        1e3 * figure(seen, FigureId::DipDepth).0,
        width.0,
        width.1,
        t.width_m.abs(),
        crossings.0,
        crossings.1,
        t.crossings,
        t.least_separation_m,
        seen.tail_probability.unwrap_or(f64::NAN),
        seen.stroke.loop_shape,
        t.shape,
        seen.reason.as_deref().unwrap_or("")
    );
}

fn median(v: Vec<f64>) -> f64 {
    tipwright::math::median(v).unwrap_or(f64::NAN)
}

fn summary(rows: &[StopSeen]) {
    let word = |n: u32| ["none", "once", "twice"][n.min(2) as usize];
    let said = |r: &StopSeen| r.stroke.figures.get(FigureId::LoopCrossings).map(|m| m.value as u32);
    let mut table: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    let mut shapes: BTreeMap<String, usize> = BTreeMap::new();
    for r in rows {
        let found = match (&r.reason, said(r)) {
            (Some(_), _) => "not measured",
            (None, None) => "not said",
            (None, Some(n)) => word(n),
        };
        *table.entry((word(r.truth.crossings), found)).or_default() += 1;
        *shapes.entry(format!("{:?} said {:?}", r.truth.shape, r.stroke.loop_shape)).or_default() += 1;
    }
    println!("\ncrosses   said");
    for ((truth, found), n) in &table {
        println!("{truth:9} {found:12} {n}");
    }
    println!("\nshape");
    for (what, n) in &shapes {
        println!("{what}: {n}");
    }
    let get = |a, b| table.get(&(a, b)).copied().unwrap_or(0);
    let told = get("once", "once") + get("twice", "twice");
    let mixed = get("once", "twice") + get("twice", "once");
    println!(
        "\ntwice told from once: {told} of {} ({:.1} %)",
        told + mixed,
        100.0 * told as f64 / (told + mixed) as f64
    );
    let measured: Vec<&StopSeen> = rows.iter().filter(|r| r.reason.is_none()).collect();
    for least_m in [0.0, 0.005, 0.01, 0.015, 0.02, 0.03] {
        let dipped: Vec<&&StopSeen> =
            measured.iter().filter(|r| figure(r, FigureId::DipDepth).0 >= least_m).collect();
        let is_tail = |r: &StopSeen| r.truth.crossings >= 2;
        let right = dipped.iter().filter(|r| said(r).is_some_and(|n| (n >= 2) == is_tail(r))).count();
        let (tails, found) = dipped
            .iter()
            .filter(|r| is_tail(r))
            .fold((0, 0), |(all, found), r| (all + 1, found + usize::from(said(r).is_some_and(|n| n >= 2))));
        println!(
            "tip dips from {:.0} mm: {} strokes, {right} ({:.1} %) rightly told to tail or not; of {tails} tails {found} found",
            1e3 * least_m,
            dipped.len(),
            100.0 * right as f64 / dipped.len() as f64
        );
    }
    let off = |r: &&StopSeen| figure(r, FigureId::LoopWidth).0 - r.truth.width_m.abs();
    let inside = |id: FigureId, truth: fn(&StopSeen) -> f64| {
        let all: Vec<f64> = measured
            .iter()
            .map(|r| (figure(r, id).0 - truth(r)) / figure(r, id).1)
            .filter(|z| z.is_finite())
            .collect();
        100.0 * all.iter().filter(|z| z.abs() < 1.96).count() as f64 / all.len() as f64
    };
    println!(
        "\n{} of {} measured; width median error {:.0} mm (median of all {:+.0} mm), {:.0} % inside 95 %; narrowest {:.0} % inside; nose speed median error {:.1} %, {:.0} % inside; dip {:.0} % inside",
        measured.len(),
        rows.len(),
        1e3 * median(measured.iter().map(|r| off(r).abs()).collect()),
        1e3 * median(measured.iter().map(off).collect()),
        inside(FigureId::LoopWidth, |r| r.truth.width_m.abs()),
        inside(FigureId::LoopNarrowest, |r| r.truth.narrowest_m),
        100.0
            * median(
                measured
                    .iter()
                    .map(|r| (figure(r, FigureId::LoopSpeed).0 / r.truth.nose_m_s - 1.0).abs())
                    .collect()
            ),
        inside(FigureId::LoopSpeed, |r| r.truth.nose_m_s),
        inside(FigureId::FlyLegDip, |r| r.truth.dip_m)
    );
    let wrong = measured
        .iter()
        .filter(|r| {
            let sd = figure(r, FigureId::LoopWidth).1;
            off(r).abs() > 0.15_f64.max(4.0 * sd)
        })
        .count();
    println!("wrong by more than 0.15 m and four standard deviations: {wrong}");
}
