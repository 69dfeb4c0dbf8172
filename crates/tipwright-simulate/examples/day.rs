//! Writes a simulated day: `cargo run --release -p tipwright-simulate --example day -- minimal 1 OUT`.
#![allow(clippy::print_stdout, clippy::print_stderr)] // an example speaks to whoever runs it

use tipwright_simulate::{DayKind, SimulateConfig, simulate};

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let kind = args.get(1).and_then(|a| DayKind::from_name(a)).unwrap_or_default();
    let seed = args.get(2).and_then(|a| a.parse().ok()).unwrap_or(0);
    let out = std::path::PathBuf::from(args.get(3).map_or("day", String::as_str));
    let start = std::time::Instant::now();
    match simulate(&SimulateConfig { kind, seed, ..SimulateConfig::default() }, &out, &|_| {}) {
        Ok(done) => {
            let s = start.elapsed().as_secs_f64();
            println!("{} frames in {s:.1} s: {:.1} frames/s", done.frames, done.frames as f64 / s);
        }
        Err(e) => eprintln!("{e}"),
    }
}
