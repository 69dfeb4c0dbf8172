//! Casters with known habits, measured from noisy marker paths, and the evidence raised: prints the confusion table, and
//! whether each habit raises its own evidence in nine of ten strokes and casts without a fault in one of twenty at most.
//!
//! `cargo run --release -p tipwright-simulate --example habits -- [--persons 6] [--first-person 20] [--habit creep] [--tip-only]
//! [--figures OUT.csv]`
//!
//! How: see `tipwright_simulate::confusion`. Thresholds that say so were set on persons 0 to 15.
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "an example that prints a table")]

use std::collections::BTreeMap;
use std::fmt::Write as _;

use tipwright::evidence::Rules;
use tipwright::model::{FigureId, StrokeKind};
use tipwright_simulate::casters::Habit;
use tipwright_simulate::confusion::{Confusion, confusion, figure_columns, rules_of};

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let after = |flag: &str| args.iter().position(|a| a == flag).and_then(|i| args.get(i + 1));
    let persons: u64 = after("--persons").map_or(6, |n| n.parse().unwrap());
    let first: u64 = after("--first-person").map_or(20, |n| n.parse().unwrap());
    let tip_only = args.iter().any(|a| a == "--tip-only");
    let habits: Vec<Habit> =
        Habit::ALL.into_iter().filter(|h| after("--habit").is_none_or(|key| key == h.key())).collect();
    let table = confusion(&habits, first..first + persons, 8, tip_only).unwrap();
    if let Some(file) = after("--figures") {
        std::fs::write(file, figures(&table)).unwrap();
    }
    println!(
        "strokes: {} found of {}; strokes judged (pick-ups left out) and share of those asked with each evidence:",
        table.found, table.there
    );
    print_table(&table);
    print_verdicts(&table);
    print_figures(&table);
}

fn print_table(table: &Confusion) {
    let rules = Rules::default_rules();
    let mut strokes_of: BTreeMap<Habit, usize> = BTreeMap::new();
    for j in table.judged.iter().filter(|j| j.stroke.kind != StrokeKind::PickUp) {
        *strokes_of.entry(j.habit).or_default() += 1;
    }
    let counts = table.counts();
    print!("{:20} {:>7}", "habit", "strokes");
    for rule in &rules.rule {
        print!(" {:>16}", rule.id);
    }
    println!();
    for (habit, n) in &strokes_of {
        print!("{:20} {n:>7}", habit.key());
        for rule in &rules.rule {
            match counts.get(&(*habit, rule.id.clone())) {
                None | Some((_, 0)) => print!(" {:>16}", "not asked"),
                Some((raised, of)) => print!(" {:>14.0} %", 100.0 * *raised as f64 / *of as f64),
            }
        }
        println!();
    }
}

fn print_verdicts(table: &Confusion) {
    println!("\n{:20} {:20} {:>20} {:>20}", "habit", "evidence", "in its own strokes", "in clean ones");
    let mut all_met = true;
    for habit in Habit::ALL.into_iter().filter(|h| !rules_of(*h).is_empty()) {
        let rules = rules_of(habit);
        let (raised, of) = table.share(rules, |h| h == habit);
        let (false_alarms, clean) = table.share(rules, |h| rules_of(h).is_empty());
        let names = rules.join(", ");
        if of == 0 {
            println!("{:20} {names:20} {:>20}", habit.key(), "not asked");
            continue;
        }
        let met = 10 * raised >= 9 * of && 20 * false_alarms <= clean;
        all_met &= met;
        let share =
            |n: usize, of: usize| format!("{n} of {of} = {:.0} %", 100.0 * n as f64 / of.max(1) as f64);
        let verdict = if met { "met" } else { "NOT MET" };
        println!(
            "{:20} {names:20} {:>20} {:>20}  {verdict}",
            habit.key(),
            share(raised, of),
            share(false_alarms, clean)
        );
    }
    println!("at least 90 % and at most 5 %: {}", if all_met { "met" } else { "NOT MET" });
}

/// What the rod's figures are held to, and how they fare against the truth.
fn print_figures(table: &Confusion) {
    // figure, limit, whether the limit is a share of the true value
    let held = [
        (FigureId::TRsp, 0.002, false),
        (FigureId::MaxBend, 0.03, true),
        (FigureId::BendLead, 4.0, false),
        (FigureId::Arc, 1.0, false),
        (FigureId::RingFrequency, 0.03, true),
    ];
    println!(
        "\n{:20} {:>8} {:>7} {:>10} {:>10} {:>13} {:>10}",
        "figure", "limit", "strokes", "rms", "worst", "within limit", "inside 95"
    );
    for (id, limit, of_value) in held {
        let rows: Vec<(f64, f64)> = table
            .judged
            .iter()
            .filter_map(|j| Some((j.stroke.figures.get(id)?, j.truth.as_ref()?.figures.get(id)?)))
            .map(|(m, t)| {
                let unit = if of_value { t.value } else { 1.0 };
                ((m.value - t.value).abs() / unit, m.half_width_95() / unit)
            })
            .collect();
        let n = rows.len().max(1) as f64;
        let share =
            |held: &dyn Fn(&(f64, f64)) -> bool| 100.0 * rows.iter().filter(|r| held(r)).count() as f64 / n;
        println!(
            "{:20} {:>8} {:>7} {:>10.5} {:>10.5} {:>11.1} % {:>8.1} %",
            id.info().key,
            if of_value { format!("{:.0} %", 100.0 * limit) } else { limit.to_string() },
            rows.len(),
            (rows.iter().map(|r| r.0 * r.0).sum::<f64>() / n).sqrt(),
            rows.iter().map(|r| r.0).fold(0.0, f64::max),
            share(&|r| r.0 <= limit),
            share(&|r| r.0 <= r.1)
        );
    }
}

fn figures(table: &Confusion) -> String {
    let mut out = String::from("habit,person,stroke,direction");
    let _ = writeln!(out, "{}", figure_columns());
    for j in &table.judged {
        let _ = write!(out, "{},{},{},{:?}", j.habit.key(), j.person, j.stroke.stroke, j.stroke.direction);
        let _ = writeln!(out, "{}", j.figure_cells());
    }
    out
}
