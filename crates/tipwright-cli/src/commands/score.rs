//! `score RESULTS TRUTH`.

use tipwright_report::files::write_atomic;
use tipwright_simulate::score::score;

use crate::args::ScoreArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Prints errors and interval shares; with `-o` also writes score.json and score.html.
pub fn run(args: &ScoreArgs, ui: &Ui) -> Result<(), Failure> {
    let report = score(&args.results, &args.truth).map_err(Failure::unusable)?;
    let json = report.to_json().map_err(Failure::other)?;
    if let Some(folder) = &args.output {
        let pages = [("score.json", json.clone()), ("score.html", report.to_html())];
        for (name, text) in pages {
            write_atomic(&folder.join(name), text.as_bytes()).map_err(Failure::other)?;
        }
    }
    ui.result_json(serde_json::from_str(&json).map_err(Failure::other)?);
    ui.result(&report.to_text());
    Ok(())
}
