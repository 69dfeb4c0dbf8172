//! `check SESSION`.

use std::path::Path;

use tipwright::model::{Severity, Warning};
use tipwright_day::day::{self, Expectation};
use tipwright_day::session::{Session, Usable, look, usable};
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
    let expected = if args.files_only { Vec::new() } else { day::expect(&found, &reader, &config) };
    bar.finish_and_clear();
    let Usable { findings, refused, looked_at, session, .. } = &found;
    for finding in findings {
        ui.warn(&Warning::from(finding));
    }
    let count = |s: Severity| findings.iter().filter(|f| f.severity == s).count();
    let takes = found.takes() + refused.len();
    let has_plane = expected.is_empty() || !expected.iter().all(|e| matches!(e.hung, Some(Err(_))));
    let takes_usable = if has_plane { found.takes() } else { 0 };
    let usable: Vec<&str> =
        session.iter().flat_map(|s| &s.take).map(|t| t.name.as_str()).take(takes_usable).collect();
    ui.result_json(serde_json::json!({
        "findings": findings, "clips": looked_at, "takes": takes, "takes_usable": takes_usable, "usable": usable,
        "is_usable": session.is_some() && has_plane, "expected": expected.iter().map(as_json).collect::<Vec<_>>(),
    }));
    expected.iter().for_each(|e| tell(e, ui));
    if expected.is_empty() && session.is_some() && !args.files_only {
        let what = if session.as_ref().is_some_and(Session::has_one_camera) {
            "what the hung wands tell"
        } else {
            "how well a dip will be known"
        };
        ui.result(&format!("{what} is told once every camera's lens is a lens file (`tipwright lens`)"));
    }
    ui.result(&format!(
        "{looked_at} clips looked at, {takes_usable} of {takes} takes usable: {} problems, {} warnings, {} notes",
        count(Severity::Problem) + usize::from(!has_plane),
        count(Severity::Warning),
        count(Severity::Note)
    ));
    if !has_plane {
        Err(Failure::Unusable(format!(
            "no plane of the cast can be had; hang the wand again at two places: {}",
            args.session.display()
        )))
    } else if session.is_none() {
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

/// Half-widths that hold 95 of 100: 1.96 standard deviations.
fn as_json(e: &Expectation) -> serde_json::Value {
    serde_json::json!({
        "set_up": e.set_up, "dip_sd_m": e.dip_sd_m.as_ref().ok(), "reason": e.dip_sd_m.as_ref().err(),
        "convergence_deg": e.convergence_deg, "hung": e.hung.as_ref().and_then(|h| h.as_ref().ok()),
        "no_plane": e.hung.as_ref().and_then(|h| h.as_ref().err()),
    })
}

fn tell(e: &Expectation, ui: &Ui) {
    let name = e.set_up.as_ref().map_or_else(String::new, |n| format!("set-up {n}: "));
    match &e.hung {
        Some(Ok(hung)) => {
            return ui
                .result(&format!("{name}{}; takes are measured in that plane (views = 1)", hung.shown()));
        }
        Some(Err(reason)) => {
            let what = format!("{name}no plane of the cast: {reason}");
            return ui.warn(&Warning::new(Severity::Problem, "scene", what, ""));
        }
        None => {}
    }
    match &e.dip_sd_m {
        Ok(sd_m) => ui.result(&format!(
            "{name}as the phones stand, expect a dip to be known to about \u{b1} {:.1} mm ({:.2} in; 95 %) where the wand was waved, if the marker shows well; they look {:.0} degrees apart",
            1960.0 * sd_m,
            1960.0 * sd_m / 25.4,
            e.convergence_deg.unwrap_or(f64::NAN)
        )),
        Err(reason) => ui.warn(&Warning::new(
            Severity::Warning,
            "scene",
            format!("{name}some seconds from the middle of the wand clips give no set-up: {reason}"),
            "`day` looks at all of them, and may do better; wave the wand longer, where both phones see both its ends",
        )),
    }
}
