//! Writes a results folder from made-up strokes, to look at tables and pages without measuring anything:
//! `cargo run -p tipwright --example sample_results -- DIR [takes] [--ft] [--tip-only]`.

mod clinic;

use std::path::PathBuf;

use tipwright::report::{ReportConfig, write_session, write_take};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let folder = PathBuf::from(arguments.first().ok_or("say where to: sample_results DIR [takes]")?);
    let takes = arguments.get(1).and_then(|n| n.parse().ok()).unwrap_or(6);
    let has = |flag: &str| arguments.iter().any(|a| a == flag);
    let session =
        clinic::session(&clinic::Wish { takes, feet: has("--ft"), butt: !has("--tip-only"), seed: 7 });
    for take in &session.takes {
        write_take(take, &ReportConfig::of_session(&session), &folder)?;
    }
    write_session(&session, &folder)?;
    Ok(())
}
