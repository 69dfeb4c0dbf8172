//! Measures one take of a session without the command line and prints what it found:
//! `cargo run --release -p tipwright-day --example measure_take -- SESSION TAKE OUT`.

use std::path::Path;

use tipwright::model::FigureId;
use tipwright_day::day::{DayConfig, Event, run_take};
use tipwright_footage::Reader;

#[allow(clippy::print_stdout, clippy::print_stderr, reason = "an example shows what it does")]
fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [session, take, out] = arguments.as_slice() else {
        return Err("say what to measure and where to: measure_take SESSION TAKE OUT".into());
    };
    let progress = |event: Event<'_>| {
        if let Event::Done(part, line) = event {
            eprintln!("{part}: {line}");
        }
    };
    let measured = run_take(
        Path::new(session),
        take,
        Path::new(out),
        &Reader::default(),
        &DayConfig::default(),
        &progress,
    )?;
    for warning in &measured.warnings {
        eprintln!("{warning}");
    }
    for stroke in &measured.strokes {
        for id in [FigureId::PeakSpeed, FigureId::DipDepth, FigureId::Chord] {
            match stroke.figures.get(id) {
                Some(m) => {
                    println!("stroke {} {:<16} {:.4} +- {:.4}", stroke.stroke, id.info().key, m.value, m.sd)
                }
                None => println!("stroke {} {:<16} -", stroke.stroke, id.info().key),
            }
        }
    }
    Ok(())
}
