//! `check SESSION`.

use std::path::Path;

use tipwright::model::{Severity, Warning};
use tipwright_day::session::{Usable, look, usable};
use tipwright_footage::Reader;

use crate::args::CheckArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Prints every finding; status 2 when the session cannot be used, 3 when some takes cannot.
pub fn run(args: &CheckArgs, ui: &Ui) -> Result<(), Failure> {
    let config = super::settings::config(&args.stages)?;
    let bar = ui.steps_bar("looking at clips", 0);
    let seen = |clip: &Path| {
        bar.inc_length(1);
        bar.set_message(crate::ui::clean(&clip.display().to_string()));
        bar.inc(1);
    };
    let reader = Reader::default();
    let mut found = usable(&args.session, &reader, &config.check_files, &seen);
    if !args.files_only {
        look(&mut found, &reader, &config.check_pictures, &|_| true, &seen);
    }
    bar.finish_and_clear();
    let Usable { findings, refused, looked_at, session, .. } = &found;
    for finding in findings {
        ui.warn(&Warning::from(finding));
    }
    let count = |s: Severity| findings.iter().filter(|f| f.severity == s).count();
    let takes = found.takes() + refused.len();
    let usable: Vec<&str> = session.iter().flat_map(|s| &s.take).map(|t| t.name.as_str()).collect();
    ui.result_json(serde_json::json!({
        "findings": findings, "clips": looked_at, "takes": takes, "takes_usable": found.takes(), "usable": usable,
        "is_usable": session.is_some(),
    }));
    ui.result(&format!(
        "{looked_at} clips looked at, {} of {takes} takes usable: {} problems, {} warnings, {} notes",
        found.takes(),
        count(Severity::Problem),
        count(Severity::Warning),
        count(Severity::Note)
    ));
    if session.is_none() {
        Err(Failure::Unusable(format!(
            "the session cannot be used yet; mend the problems above: {}",
            args.session.display()
        )))
    } else if !refused.is_empty() {
        Err(Failure::Partial(format!(
            "{} of {takes} takes cannot be measured; the rest can: {}",
            refused.len(),
            args.session.display()
        )))
    } else {
        Ok(())
    }
}
