//! One file per command.

mod check;
mod day;
mod lens;
mod new;
mod scene;
mod simulate;
mod strokes;
mod track;

use crate::args::Command;
use crate::failure::Failure;
use crate::ui::Ui;

/// Runs a command.
pub fn run(command: Command, ui: &Ui) -> Result<(), Failure> {
    match command {
        Command::New(args) => new::run(&args, ui),
        Command::Lens(args) => lens::run(&args, ui),
        Command::Scene(args) => scene::run(&args, ui),
        Command::Track(args) => track::run(&args, ui),
        Command::Strokes(args) => strokes::run(&args, ui),
        Command::Day(args) => day::run(&args, ui),
        Command::Simulate(args) => simulate::run(&args, ui),
        Command::Check(args) => check::run(&args, ui),
        _ => Err(Failure::Other("this command is not built yet".into())),
    }
}
