//! Warnings, the weightiest first.

use askama::Template;

use super::figures::dual_units;
use crate::text::{Html, capital};
use tipwright::model::{Severity, TakeResults, Warning};

struct Line<'a> {
    class: &'static str,
    word: &'static str,
    about: &'a str,
    what: Html,
    remedy: Html,
}

#[derive(Template)]
#[template(path = "warnings.html")]
struct Warnings<'a> {
    lines: Vec<Line<'a>>,
}

/// Why a take failed, without a stop at its end; empty where names are left out, for reasons may hold them.
#[must_use]
pub fn why_failed(take: &TakeResults) -> Html {
    let problem = take.warnings.iter().find(|w| w.severity == Severity::Problem);
    let said = problem.map(|w| {
        let parts = [w.what.trim_end_matches('.'), w.remedy.trim_end_matches('.')];
        parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ")
    });
    Html(dual_units(&said.unwrap_or_default()))
}

/// The list; empty without warnings.
#[must_use]
pub fn list(warnings: &[Warning]) -> Html {
    let together = Warning::together(warnings);
    let lines = together
        .iter()
        .map(|w| {
            let (class, word) = match w.severity {
                Severity::Note => ("note", "Note"),
                Severity::Warning => ("warning", "Warning"),
                Severity::Problem => ("problem", "Problem"),
            };
            Line {
                class,
                word,
                about: &w.about,
                what: Html(dual_units(w.what.trim_end_matches('.'))),
                remedy: Html(dual_units(&capital(w.remedy.trim_end_matches('.')))),
            }
        })
        .collect();
    Html::of(&Warnings { lines })
}
