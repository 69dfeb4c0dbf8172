//! The session's page: one HTML file with everything inside (style, script, data, drawings), so that it can be
//! copied, mailed and opened without a network.
//!
//! Every number that has a length in it is written twice, in metres and in feet and inches; the page's switch
//! hides one of them. Drawings come from [`super::plot`]; the script moves one cursor through all drawings of a
//! stroke, turns the path in space, sorts the table and shows definitions.

pub mod caster;
pub mod data;
pub mod evidence;
pub mod figures;
pub mod film;
pub mod glossary;
pub mod overlays;
pub mod shell;
pub mod steady;
pub mod stroke;
pub mod summary;
pub mod table;
pub mod take;

use std::collections::BTreeMap;

use crate::ReportConfig;
use crate::plot::svg::escape;
use tipwright::model::results::{SessionResults, TakeResults};

/// The takes of each caster, in order of their ids; within a caster in session order.
#[must_use]
pub fn by_caster(session: &SessionResults) -> BTreeMap<&str, Vec<&TakeResults>> {
    let mut out: BTreeMap<&str, Vec<&TakeResults>> = BTreeMap::new();
    for take in &session.takes {
        out.entry(take.caster.as_str()).or_default().push(take);
    }
    out
}

/// An id for an element: letters, digits and dashes.
#[must_use]
pub fn slug(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        if c.is_ascii_alphanumeric() {
            out.push(c.to_ascii_lowercase());
        } else if !out.ends_with('-') {
            out.push('-');
        }
    }
    out.trim_matches('-').to_owned()
}

/// Id of a take's section. Take names differ in session.toml, but two may share a slug: the index tells them apart.
#[must_use]
pub fn take_id(session: &SessionResults, take: &TakeResults) -> String {
    let index = session.takes.iter().position(|t| std::ptr::eq(t, take)).unwrap_or(0);
    format!("take-{index}-{}", slug(&take.take))
}

/// The whole page.
#[must_use]
pub fn session_page(session: &SessionResults) -> String {
    let config = ReportConfig::of_session(session);
    let mut body = String::new();
    body.push_str(&summary::header(session));
    body.push_str(
        "<noscript><p>This browser does not run the page\u{2019}s script: drawings of single strokes are left out here. They \
         are beside this page as takes/\u{2026}/plots/*.svg.</p></noscript><main id=\"main\">",
    );
    body.push_str(&summary::section(session));
    for (caster, takes) in by_caster(session) {
        body.push_str(&caster::section(session, caster, &takes, &config));
    }
    body.push_str(&glossary::section());
    body.push_str("</main>");
    let version = escape(&session.tipwright_version);
    body.push_str(&format!(
        "<footer><p>Made by tipwright {version}. \u{b1} is half of a 95&#8239;% interval. Figures are defined below each name \
         and in the <a href=\"#glossary\">list of figures</a>; the tables beside this page (strokes.csv, \
         strokes.parquet) hold them in metres and seconds with one standard deviation.</p></footer>"
    ));
    shell::document(&session.title, session.report_units, &body)
}
