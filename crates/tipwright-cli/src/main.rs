//! The command line of tipwright: `tipwright [--quiet] [--json] COMMAND`.

mod args;
mod commands;
mod failure;
mod ui;

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    let args = args::Args::parse();
    let ui = ui::Ui::new(args.quiet, args.json);
    match commands::run(args.command, &ui) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => ui.fail(&failure),
    }
}
