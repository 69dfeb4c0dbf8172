//! One file per command.

mod board;
mod cards;
mod check;
mod compare;
mod day;
mod dictionary;
mod gather;
mod lens;
mod new;
mod plan;
mod scene;
mod scene_points;
mod score;
mod settings;
mod sheet;
mod simulate;
mod spots;
mod strokes;
mod track;

use crate::args::Command;
use crate::failure::Failure;
use crate::ui::Ui;

/// Runs a command.
pub fn run(command: Command, ui: &Ui) -> Result<(), Failure> {
    match command {
        Command::New(args) => new::run(&args, ui),
        Command::Gather(args) => gather::run(&args, ui),
        Command::Spots(args) => spots::run(&args, ui),
        Command::Lens(args) => lens::run(&args, ui),
        Command::Scene(args) => scene::run(&args, ui),
        Command::Track(args) => track::run(&args, ui),
        Command::Strokes(args) => strokes::run(&args, ui),
        Command::Day(args) => day::run(&args, ui),
        Command::Simulate(args) => simulate::run(&args, ui),
        Command::Check(args) => check::run(&args, ui),
        Command::Cards(args) => cards::run(&args, ui),
        Command::Sheet(args) => sheet::run(&args, ui),
        Command::Board(args) => board::run(&args, ui),
        Command::Plan(args) => plan::run(&args, ui),
        Command::Score(args) => score::run(&args, ui),
        Command::Compare(args) => compare::run(&args, ui),
        Command::Settings(args) => settings::run(&args, ui),
        Command::Completions(args) => {
            settings::completions(&args, ui);
            Ok(())
        }
        Command::Man => settings::man(ui),
        Command::Dictionary => dictionary::run(ui),
    }
}
