//! Do stated probabilities come true? People of every habit and between them (`tipwright_simulate::confusion::anyone`) cast
//! takes, their marker paths with noise go through `strokes`, the line model and `evidence`, and every stated probability is held
//! against what was true: per rule in bins, with the central 95 % of what was stated, and the Brier score against that of the
//! base rate. Kinds and directions of strokes too, of whole takes and of takes cut anywhere. No pictures, so no line is seen:
//! what is said of it is inferred from the path.
//!
//! `cargo run --release -p tipwright-simulate --example calibration -- [--persons 90] [--first-person 200] [--strokes 6]
//! [--figures OUT.csv] [--plot OUT.svg]`
//!
//! Persons 0 to 199 are for fitting, 200 on for checking.
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "an example that prints a table")]

mod predicted;
mod reliability;

use std::collections::BTreeMap;
use std::fmt::Write as _;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use tipwright::evidence::Rules;
use tipwright::model::{Direction, FigureId, StrokeKind};
use tipwright::strokes::{StrokesConfig, measure};
use tipwright_simulate::casters::{Habit, Manner, TakePlan, cast_take};
use tipwright_simulate::confusion::{
    Judged, anyone, came_true, figure_columns, judge_cast, nearest, noisy_paths,
};
use tipwright_simulate::day::casts::outfit;
use tipwright_simulate::truth_figures::{TruthConfig, kind_among, true_strokes};

use reliability::Said;

/// What one person's take gave.
struct Take {
    judged: Vec<Judged>,
    kinds: Vec<Said>,
    directions: Vec<Said>,
    cut_kinds: Vec<Said>,
    cut_directions: Vec<Said>,
}

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let after = |flag: &str| args.iter().position(|a| a == flag).and_then(|i| args.get(i + 1));
    let number = |flag: &str, usual: u64| after(flag).map_or(usual, |n| n.parse().unwrap());
    let (persons, first) = (number("--persons", 90), number("--first-person", 200));
    let strokes = number("--strokes", 6) as u32;
    let takes: Vec<Take> = (first..first + persons)
        .collect::<Vec<u64>>()
        .into_par_iter()
        .with_max_len(1)
        .filter_map(|person| take(person, strokes))
        .collect();
    if let Some(file) = after("--figures") {
        std::fs::write(file, figures(&takes)).unwrap();
    }
    let mut all: BTreeMap<String, Vec<Said>> = BTreeMap::new();
    for rule in &Rules::default_rules().rule {
        let said = |take: &Take| -> Vec<Said> {
            let of = |i: usize| {
                let j = &take.judged[i];
                let found = j.evidence.evidence.iter().find(|e| e.rule == rule.id)?;
                // what compares with the stroke before is asked where that is the same one in truth
                let same_before = rule.not_after.is_empty() || follows(&take.judged, i)?;
                same_before.then_some((found.probability, came_true(rule, j.truth.as_ref()?)?))
            };
            (0..take.judged.len()).filter_map(of).collect()
        };
        all.insert(rule.id.clone(), takes.iter().flat_map(said).collect());
    }
    let of = |f: fn(&Take) -> &Vec<Said>| takes.iter().flat_map(|t| f(t).clone()).collect::<Vec<Said>>();
    all.insert("kind".into(), of(|t| &t.kinds));
    all.insert("kind, cut takes".into(), of(|t| &t.cut_kinds));
    all.insert("direction".into(), of(|t| &t.directions));
    all.insert("direction, cut takes".into(), of(|t| &t.cut_directions));
    predicted::print(takes.iter().flat_map(|t| &t.judged));
    let (mut judged, mut outside) = (0, 0);
    for (name, said) in &all {
        let of = reliability::print(name, said);
        (judged, outside) = (judged + of.0, outside + of.1);
    }
    println!(
        "\n{outside} of {judged} bins outside their 95 % (chance alone: {:.1}): {}",
        0.05 * judged as f64,
        if outside == 0 { "met" } else { "NOT MET" }
    );
    if let Some(file) = after("--plot") {
        std::fs::write(file, reliability::plot(&all)).unwrap();
    }
}

/// Whether the stroke before the `i`-th is the one before in truth too.
fn follows(judged: &[Judged], i: usize) -> Option<bool> {
    let number = |k: usize| judged[k].truth.as_ref().map(|t| t.stroke);
    Some(number(i.checked_sub(1)?)? + 1 == number(i)?)
}

fn take(person: u64, strokes: u32) -> Option<Take> {
    // every third has a habit and nothing else
    let habit = Habit::ALL[(person / 3 % 9) as usize];
    let manner = if person.is_multiple_of(3) { Manner::of_person(habit, person) } else { anyone(person) };
    let plan = TakePlan { manner, strokes, ..TakePlan::default() };
    let motion = cast_take(&plan, &outfit(40.0), person).ok()?;
    let judged = judge_cast(&motion, habit, person, false).ok()?.judged;
    // strokes of a take are right or wrong together: one of each take or clip is asked
    let one = judged.get(person as usize % judged.len().max(1))?;
    let kinds = one.true_kind.map(|k| (one.stroke.kind_p, one.stroke.kind == k)).into_iter().collect();
    let directions =
        one.truth.iter().map(|t| (one.stroke.direction_p, one.stroke.direction == t.direction)).collect();
    let truth = true_strokes(&motion, nalgebra::Vector3::x(), &TruthConfig::default());
    let (mut cut_kinds, mut cut_directions) = (Vec::new(), Vec::new());
    let mut rng = ChaCha8Rng::seed_from_u64(person);
    let whole = noisy_paths(&motion, true, person).tip;
    let config = StrokesConfig { synthetic_draws: 2, ..StrokesConfig::default() };
    for _ in 0..6 {
        let (from_s, to_s) = (motion.start_s(), motion.end_s());
        let (a, b) = (rng.random_range(from_s..to_s), rng.random_range(from_s..to_s));
        let mut path = whole.clone();
        path.samples.retain(|s| s.t_s > a.min(b) && s.t_s < a.max(b));
        let rod = tipwright::model::RodPaths { tip: path, butts: Vec::new() };
        let Ok(outcome) = measure(&rod, &config) else { continue };
        let Some(stroke) = outcome.strokes.get(rng.random_range(0..outcome.strokes.len().max(1))) else {
            continue;
        };
        let Some(of) = nearest(&truth, stroke) else { continue };
        // lowering the rod after the delivery is a stroke by its speed alone, of some
        let kind = kind_among(of.stroke, truth.len().min(strokes as usize));
        cut_kinds.push((stroke.kind_p, stroke.kind == kind));
        cut_directions.push((stroke.direction_p, stroke.direction == of.direction));
    }
    Some(Take { judged, kinds, directions, cut_kinds, cut_directions })
}

/// Figures as measured and as true, and what the line did.
fn figures(takes: &[Take]) -> String {
    let mut out =
        String::from("person,stroke,direction,kind,true_kind,least_separation_m,p_none,p_once,p_twice");
    let _ = writeln!(out, "{}", figure_columns());
    for j in takes.iter().flat_map(|t| &t.judged) {
        let least_m = j.truth.as_ref().and_then(|t| Some(t.line.as_ref()?.least_separation_m));
        let crossings = j.stroke.figures.counts.get(&FigureId::LoopCrossingsPredicted);
        let p = |k: usize| crossings.and_then(|c| c.get(k)).map_or(String::new(), f64::to_string);
        let _ = write!(
            out,
            "{},{},{},{},{},{},{},{},{}",
            j.person,
            j.stroke.stroke,
            if j.stroke.direction == Direction::Forward { "forward" } else { "back" },
            j.stroke.kind.key(),
            j.true_kind.map_or("", StrokeKind::key),
            least_m.map_or(String::new(), |x| x.to_string()),
            p(0),
            p(1),
            p(2),
        );
        let _ = writeln!(out, "{}", j.figure_cells());
    }
    out
}
