//! One file per command.

mod check;
mod lens;
mod new;
mod strokes;

use crate::args::Command;
use crate::failure::Failure;
use crate::ui::Ui;

/// Runs a command.
pub fn run(command: Command, ui: &Ui) -> Result<(), Failure> {
    match command {
        Command::New(args) => new::run(&args, ui),
        Command::Lens(args) => lens::run(&args, ui),
        Command::Strokes(args) => strokes::run(&args, ui),
        Command::Check(args) => check::run(&args, ui),
        _ => Err(Failure::Other("this command is not built yet".into())),
    }
}
