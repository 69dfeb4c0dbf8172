//! `compare RESULTS...`.

use tipwright::day::read_results;
use tipwright::report::compare::{CompareChoice, compare};

use crate::args::CompareArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Puts results side by side.
pub fn run(args: &CompareArgs, ui: &Ui) -> Result<(), Failure> {
    let sessions = args
        .results
        .iter()
        .map(|r| read_results(r))
        .collect::<Result<Vec<_>, _>>()
        .map_err(Failure::Unusable)?;
    let choice = CompareChoice { anonymous: args.anonymous, ..CompareChoice::default() };
    compare(&sessions, &choice, &args.output).map_err(Failure::other)?;
    let page = args.output.join("index.html");
    if ui.json() {
        ui.result_json(&serde_json::json!({ "page": page }));
    } else {
        ui.result(&format!("Open {}", page.display()));
    }
    Ok(())
}
