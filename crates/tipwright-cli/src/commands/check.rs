//! `check SESSION`.

use tipwright::model::Severity;
use tipwright_day::session::check::{ClipsConfig, check_session};
use tipwright_footage::Reader;

use crate::args::CheckArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Prints every finding; status 2 when the session cannot be used, 3 when some takes cannot.
pub fn run(args: &CheckArgs, ui: &Ui) -> Result<(), Failure> {
    let bar = ui.steps_bar("looking at clips", 0);
    let outcome = check_session(&args.session, &Reader::default(), &ClipsConfig::default(), &|clip| {
        bar.inc_length(1);
        bar.set_message(clip.to_string());
        bar.inc(1);
    })
    .map_err(Failure::unusable)?;
    bar.finish_and_clear();
    let count = |s: Severity| outcome.findings.iter().filter(|f| f.severity == s).count();
    if ui.json() {
        ui.result_json(&serde_json::json!({
            "findings": outcome.findings, "clips": outcome.clips, "takes": outcome.takes,
            "takes_usable": outcome.takes_usable,
        }));
    } else {
        for finding in &outcome.findings {
            ui.warn(finding);
        }
        ui.result(&format!(
            "{} clips looked at, {} of {} takes usable: {} problems, {} warnings, {} notes",
            outcome.clips,
            outcome.takes_usable,
            outcome.takes,
            count(Severity::Problem),
            count(Severity::Warning),
            count(Severity::Note)
        ));
    }
    if outcome.is_unusable() {
        Err(Failure::Unusable(format!(
            "the session cannot be used yet; mend the problems above: {}",
            args.session.display()
        )))
    } else if outcome.takes_usable < outcome.takes {
        Err(Failure::Partial(format!(
            "{} of {} takes cannot be measured; the rest can: {}",
            outcome.takes - outcome.takes_usable,
            outcome.takes,
            args.session.display()
        )))
    } else {
        Ok(())
    }
}
