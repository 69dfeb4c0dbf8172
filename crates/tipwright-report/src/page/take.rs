//! One take: its clips, what was observed and what became of it, warnings, movements set aside, its strokes.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::figures::{capital, dual_units};
use super::stroke;
use super::summary::warning_list;
use crate::ReportConfig;
use crate::plot::svg::escape;
use crate::units::number;
use tipwright::model::results::{TakeResults, TakeStatus};

/// The section.
#[must_use]
pub fn section(id: &str, take: &TakeResults, config: &ReportConfig) -> String {
    let phase = take.phase.as_deref().map(|p| format!(", {}", escape(p))).unwrap_or_default();
    let mut out = format!(
        "<section class=\"take\" id=\"{id}\" aria-labelledby=\"{id}-h\"><p class=\"where\">Take</p>\
         <h3 id=\"{id}-h\">{}{phase}</h3>",
        escape(&take.take)
    );
    if take.status == TakeStatus::Failed {
        out.push_str("<p class=\"failed\">This take could not be measured.</p>");
    }
    out.push_str(&warning_list(&take.warnings));
    out.push_str(&facts(take));
    for s in &take.strokes {
        out.push_str(&stroke::article(id, take, s, config));
    }
    out.push_str("</section>");
    out
}

/// Clips, clocks and the tally: seen = accepted + rejected.
fn facts(take: &TakeResults) -> String {
    let mut out = String::from("<details class=\"facts\"><summary>How it was measured</summary><dl>");
    let clips: Vec<String> =
        take.clips.iter().map(|(camera, clip)| format!("{}: {}", escape(camera), escape(clip))).collect();
    let _ = write!(out, "<div><dt>clips</dt><dd>{}</dd></div>", clips.join("; "));
    for clock in &take.clocks {
        let _ = write!(
            out,
            "<div><dt>clock of {}</dt><dd>offset {} \u{b1}\u{a0}{} ms, rate {} \u{b1}\u{a0}{} parts per million, readout {} \u{b1}\u{a0}{} ms</dd></div>",
            escape(&clock.camera),
            number(clock.clock.offset_s * 1e3, 2),
            number(1.96 * clock.offset_sd_s * 1e3, 2),
            number(clock.clock.drift * 1e6, 1),
            number(1.96 * clock.drift_sd * 1e6, 1),
            number(clock.clock.readout_s * 1e3, 2),
            number(1.96 * clock.readout_sd_s * 1e3, 2),
        );
    }
    let tally = &take.tally;
    let mut counts = format!("{} seen = {} used", tally.offered, tally.accepted);
    let rejected: u64 = tally.rejected.values().sum();
    let _ = write!(counts, " + {rejected} set aside");
    if tally.offered != tally.accepted + rejected {
        counts.push_str(" (the counts do not add up: please report it)");
    }
    let reasons: Vec<String> = tally.rejected.iter().map(|(why, n)| format!("{n} {}", escape(why))).collect();
    if !reasons.is_empty() {
        let _ = write!(counts, " ({})", reasons.join(", "));
    }
    let _ = write!(out, "<div><dt>spots of the marker</dt><dd>{counts}</dd></div>");
    let mut set_aside: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for (from_s, to_s, why) in &take.set_aside {
        set_aside.entry(why.as_str()).or_default().push(format!(
            "{} to {}",
            number(*from_s, 2),
            number(*to_s, 2)
        ));
    }
    for (why, spans) in set_aside {
        let _ = write!(
            out,
            "<div><dt>not a stroke</dt><dd>{}: {} s</dd></div>",
            capital(&dual_units(why)),
            spans.join(", ")
        );
    }
    let mut by_reason: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for (key, why) in &take.missing {
        let name = tipwright::model::FigureId::from_key(key).map_or(key.as_str(), |id| id.info().name);
        by_reason.entry(why.as_str()).or_default().push(name);
    }
    for (why, names) in by_reason {
        let _ = write!(
            out,
            "<div><dt>not measured</dt><dd>{}: {}</dd></div>",
            capital(&dual_units(why)),
            escape(&names.join(", "))
        );
    }
    out.push_str("</dl></details>");
    out
}
