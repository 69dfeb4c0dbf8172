//! Do stated probabilities come true? People of every habit and between them (`tipwright_simulate::confusion::anyone`) cast
//! takes, their marker paths with noise go through `strokes` and `evidence`, and every stated probability is held against what
//! was true: per rule in bins, with the binomial 95 % interval of what was stated, and the Brier score against that of the
//! base rate. Kinds and directions of strokes too, of whole takes and of takes cut anywhere. No pictures, so the line is not
//! seen and nothing is asked of it.
//!
//! `cargo run --release -p tipwright-simulate --example calibration -- [--persons 80] [--first-person 200] [--strokes 6]
//! [--figures OUT.csv] [--plot OUT.svg]`
//!
//! Persons 0 to 199 are for setting thresholds, 200 on for checking.
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "an example that prints a table")]

use std::collections::BTreeMap;
use std::fmt::Write as _;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use tipwright::evidence::Rules;
use tipwright::model::{Direction, FigureId, StrokeKind};
use tipwright::strokes::{StrokesConfig, measure};
use tipwright_simulate::casters::{Habit, Manner, TakePlan, cast_take, take_outfit};
use tipwright_simulate::confusion::{Judged, anyone, came_true, judge_cast, nearest, noisy_paths};
use tipwright_simulate::truth_figures::{TrueStroke, TruthConfig, kind_among, true_strokes};

/// A stated probability and whether it came true.
type Said = (f64, bool);

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
    let (persons, first) = (number("--persons", 80), number("--first-person", 200));
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
        let said = |j: &Judged| {
            let found = j.evidence.evidence.iter().find(|e| e.rule == rule.id)?;
            Some((found.probability, came_true(rule, j.truth.as_ref()?)?))
        };
        all.insert(rule.id.clone(), takes.iter().flat_map(|t| &t.judged).filter_map(said).collect());
    }
    let of = |f: fn(&Take) -> &Vec<Said>| takes.iter().flat_map(|t| f(t).clone()).collect::<Vec<Said>>();
    all.insert("kind".into(), of(|t| &t.kinds));
    all.insert("kind, cut takes".into(), of(|t| &t.cut_kinds));
    all.insert("direction".into(), of(|t| &t.directions));
    all.insert("direction, cut takes".into(), of(|t| &t.cut_directions));
    let mut met = true;
    for (name, said) in &all {
        met &= print(name, said);
    }
    println!("every bin of 30 and more inside: {}", if met { "met" } else { "NOT MET" });
    if let Some(file) = after("--plot") {
        std::fs::write(file, plot(&all)).unwrap();
    }
}

fn take(person: u64, strokes: u32) -> Option<Take> {
    // every third has a habit and nothing else
    let habit = Habit::ALL[(person / 3 % 9) as usize];
    let manner = if person.is_multiple_of(3) { Manner::of_person(habit, person) } else { anyone(person) };
    let plan = TakePlan { manner, strokes, ..TakePlan::default() };
    let motion = cast_take(&plan, &take_outfit(0.04), person).ok()?;
    let judged = judge_cast(&motion, habit, person, false).ok()?.judged;
    let kinds =
        judged.iter().filter_map(|j| Some((j.stroke.kind_p, j.stroke.kind == j.true_kind?))).collect();
    let directions = judged
        .iter()
        .filter_map(|j| Some((j.stroke.direction_p, j.stroke.direction == j.truth.as_ref()?.direction)))
        .collect();
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
        for (i, stroke) in outcome.strokes.iter().enumerate() {
            let Some(of) = nearest(&truth, stroke) else { continue };
            let kind = kind_among(of.stroke, truth.len());
            cut_kinds.push((stroke.kind_p, stroke.kind == kind));
            if i == 0 {
                // all directions of a clip are right or wrong together
                cut_directions.push((stroke.direction_p, stroke.direction == of.direction));
            }
        }
    }
    Some(Take { judged, kinds, directions, cut_kinds, cut_directions })
}

const EDGES: [f64; 9] = [0.0, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0];

/// Strokes, mean of what was stated, share that came true; per bin.
fn bins(said: &[Said]) -> Vec<(usize, f64, f64)> {
    EDGES
        .windows(2)
        .map(|w| {
            let own: Vec<&Said> =
                said.iter().filter(|s| s.0 >= w[0] && (s.0 < w[1] || w[1] >= 1.0)).collect();
            let n = own.len().max(1) as f64;
            let stated = own.iter().map(|s| s.0).sum::<f64>() / n;
            let true_share = own.iter().filter(|s| s.1).count() as f64 / n;
            (own.len(), stated, true_share)
        })
        .collect()
}

/// Half of the binomial 95 % interval of what was stated, with a stroke's worth for few.
fn half_width(stated: f64, n: usize) -> f64 {
    let n = n.max(1) as f64;
    1.96 * (stated * (1.0 - stated) / n).sqrt() + 0.5 / n
}

fn print(name: &str, said: &[Said]) -> bool {
    if said.is_empty() {
        println!("\n{name}: never asked");
        return true;
    }
    let n = said.len() as f64;
    let base = said.iter().filter(|s| s.1).count() as f64 / n;
    let brier = said.iter().map(|(p, t)| (p - f64::from(u8::from(*t))).powi(2)).sum::<f64>() / n;
    let of_base = base * (1.0 - base);
    let told: Vec<&Said> = said.iter().filter(|s| s.0 >= 0.7).collect();
    println!(
        "\n{name}: {} strokes, base rate {:.1} %, Brier {brier:.4} ({}), of {} told from 70 % on {:.0} % true, {:.0} % of the true told",
        said.len(),
        100.0 * base,
        if of_base > 0.0 {
            format!("{:+.0} % against the base rate's", 100.0 * (brier / of_base - 1.0))
        } else {
            "nothing to tell".to_owned()
        },
        told.len(),
        100.0 * told.iter().filter(|s| s.1).count() as f64 / told.len().max(1) as f64,
        100.0 * told.iter().filter(|s| s.1).count() as f64 / (base * n).max(1.0),
    );
    let mut met = true;
    for (count, stated, true_share) in bins(said).into_iter().filter(|b| b.0 > 0) {
        let inside = (true_share - stated).abs() <= half_width(stated, count);
        met &= inside || count < 30;
        println!(
            "    stated {:5.1} %   came true {:5.1} % of {count:5}   {}",
            100.0 * stated,
            100.0 * true_share,
            if count < 30 {
                "few"
            } else if inside {
                "inside"
            } else {
                "OUTSIDE"
            }
        );
    }
    met
}

/// Stated against came true, a dot a bin, with the interval of what was stated.
fn plot(all: &BTreeMap<String, Vec<Said>>) -> String {
    const SIDE: f64 = 150.0;
    let mut out = String::new();
    for (k, (name, said)) in all.iter().enumerate() {
        let (x0, y0) = (40.0 + (k % 4) as f64 * (SIDE + 40.0), 30.0 + (k / 4) as f64 * (SIDE + 50.0));
        let at = |stated: f64, share: f64| (x0 + SIDE * stated, y0 + SIDE * (1.0 - share));
        let _ = write!(
            out,
            "<text x=\"{x0}\" y=\"{}\">{name} ({})</text><rect x=\"{x0}\" y=\"{y0}\" width=\"{SIDE}\" height=\"{SIDE}\" \
             fill=\"none\" stroke=\"#888\"/><path d=\"M{x0} {}l{SIDE} -{SIDE}\" stroke=\"#bbb\"/>",
            y0 - 6.0,
            said.len(),
            y0 + SIDE
        );
        for (count, stated, share) in bins(said).into_iter().filter(|b| b.0 > 0) {
            let (x, y) = at(stated, share);
            let half = half_width(stated, count);
            let (_, low) = at(stated, (stated - half).max(0.0));
            let (_, high) = at(stated, (stated + half).min(1.0));
            let ink = if count < 30 { "#aaa" } else { "#000" };
            let _ = write!(
                out,
                "<path d=\"M{x:.1} {low:.1}V{high:.1}\" stroke=\"{ink}\"/><circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3\" fill=\"{ink}\"/>"
            );
        }
    }
    let rows = all.len().div_ceil(4) as f64;
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"820\" height=\"{}\" font-family=\"serif\" font-size=\"11\">\
         <title>Came true against stated probability; bars: binomial 95 % of what was stated; grey: fewer than 30</title>{out}</svg>\n",
        40.0 + rows * (SIDE + 50.0)
    )
}

/// Figures as measured and as true, and what the line did.
fn figures(takes: &[Take]) -> String {
    let mut out = String::from("person,stroke,direction,kind,true_kind,loop");
    for id in FigureId::ALL {
        let _ = write!(out, ",{0},{0}_sd,{0}_true", id.info().key);
    }
    out.push('\n');
    for j in takes.iter().flat_map(|t| &t.judged) {
        let line = |t: &TrueStroke| t.line.is_some();
        let _ = write!(
            out,
            "{},{},{},{},{},{}",
            j.person,
            j.stroke.stroke,
            if j.stroke.direction == Direction::Forward { "forward" } else { "back" },
            j.stroke.kind.key(),
            j.true_kind.map_or("", StrokeKind::key),
            u8::from(j.truth.as_ref().is_some_and(line)),
        );
        for id in FigureId::ALL {
            let text = |x: Option<f64>| x.map_or(String::new(), |x| x.to_string());
            let m = j.stroke.figures.get(*id);
            let t = j.truth.as_ref().and_then(|t| t.figures.get(*id)).map(|m| m.value);
            let _ = write!(out, ",{},{},{}", text(m.map(|m| m.value)), text(m.map(|m| m.sd)), text(t));
        }
        out.push('\n');
    }
    out
}
