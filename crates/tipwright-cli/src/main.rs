//! The command line of tipwright: `tipwright [--quiet] [--json] COMMAND`.

mod args;
mod commands;
mod failure;
mod ui;

use std::process::ExitCode;

use clap::Parser;

use failure::Failure;

fn main() -> ExitCode {
    tipwright_footage::memory::share_one_pool();
    tipwright_report::tables::facts::name_build(tipwright_day::store::BUILD);
    // with --json stdout holds one document also where the call itself is wrong
    let wants_json = std::env::args_os().take_while(|a| a != "--").any(|a| a == "--json");
    let args = match args::Args::try_parse() {
        Ok(args) => args,
        Err(error) if wants_json => {
            let ui = ui::Ui::new(false, true);
            if error.use_stderr() {
                return ui.finish(Err(Failure::Unusable(error.render().to_string())));
            }
            ui.result_json(serde_json::json!({ "help": error.render().to_string() }));
            return ui.finish(Ok(()));
        }
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { 2 } else { 0 });
        }
    };
    let ui = ui::Ui::new(args.quiet, args.json);
    let ended = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| commands::run(args.command, &ui)));
    ui.finish(ended.unwrap_or_else(|_| {
        Err(Failure::Other(
            "a fault of this program, not of your files; the lines above say where. What was finished is kept: run the same command again, and report it if it comes back"
                .into(),
        ))
    }))
}
