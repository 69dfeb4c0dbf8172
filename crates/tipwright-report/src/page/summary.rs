//! The head of the page and the session at a glance: how good the set-up is, warnings, one row per stroke.

use std::fmt::Write;

use super::figures::{capital, dual, dual_units, full, name, stacked};
use super::table::{Cell, Column, Table};
use super::{by_caster, caster, evidence, overlays, stroke, take_id};
use crate::plot::svg::escape;
use crate::tables::direction_word;
use crate::units::{Kind, number};
use tipwright::model::ReportUnits;
use tipwright::model::results::{SessionResults, TakeStatus};
use tipwright::model::{FigureId, Severity, Warning};

/// Figures of the session table.
const COLUMNS: &[FigureId] = &[
    FigureId::Chord,
    FigureId::DipDepth,
    FigureId::DomeHeight,
    FigureId::OffPlaneMax,
    FigureId::PeakSpeed,
    FigureId::LatePower,
    FigureId::Arc,
    FigureId::MaxBend,
    FigureId::LoopWidth,
];

/// Title, switches and the way to the parts.
#[must_use]
pub fn header(session: &SessionResults) -> String {
    let done = session.takes.iter().filter(|t| t.status == TakeStatus::Done).count();
    let strokes: usize = session.takes.iter().map(|t| t.strokes.len()).sum();
    let casters = by_caster(session);
    let count = |n: usize, word: &str| format!("{n} {word}{}", if n == 1 { "" } else { "s" });
    let mut out = format!(
        "<header><h1>{}</h1><p class=\"count\">{}, {done} of {} measured, {}</p>",
        escape(&session.title),
        count(casters.len(), "caster"),
        count(session.takes.len(), "take"),
        count(strokes, "stroke"),
    );
    out.push_str(&switches(session.report_units));
    out.push_str("<nav class=\"noprint\" aria-label=\"Casters\"><a href=\"#session\">Session</a>");
    for (id, takes) in &casters {
        let alias = takes.first().map_or(*id, |t| t.alias.as_str());
        let _ = write!(out, " <a href=\"#{}\">{}</a>", caster::id(id), escape(alias));
    }
    out.push_str(" <a href=\"#glossary\">What the figures mean</a></nav></header>");
    out
}

/// The switches of units and paper.
#[must_use]
pub fn switches(units: ReportUnits) -> String {
    let checked = |is: bool| if is { " checked" } else { "" };
    format!(
        "<div class=\"switches noprint\"><fieldset><legend>Units</legend>\
         <label><input type=\"radio\" name=\"units\" value=\"m\"{}> metres</label>\
         <label><input type=\"radio\" name=\"units\" value=\"ft\"{}> feet</label></fieldset>\
         <fieldset><legend>Paper</legend>\
         <label><input type=\"radio\" name=\"paper\" value=\"\" checked> as the system</label>\
         <label><input type=\"radio\" name=\"paper\" value=\"light\"> light</label>\
         <label><input type=\"radio\" name=\"paper\" value=\"dark\"> dark</label></fieldset></div>",
        checked(units == ReportUnits::M),
        checked(units == ReportUnits::Ft),
    )
}

/// The session at a glance.
#[must_use]
pub fn section(session: &SessionResults) -> String {
    let mut out = String::from(
        "<section id=\"session\" aria-labelledby=\"session-h\"><p class=\"where\">Session</p>\
         <h2 id=\"session-h\">At a glance</h2>",
    );
    out.push_str(&warning_list(&session.warnings));
    for take in session.takes.iter().filter(|t| t.status == TakeStatus::Failed) {
        let _ = write!(
            out,
            "<p class=\"failed\">Take <a href=\"#{}\">{}</a> could not be measured; it says why.</p>",
            take_id(session, take),
            escape(&take.take)
        );
    }
    out.push_str(&table(session));
    out.push_str(&overlays::of_session(&session.takes));
    out.push_str(&set_up(session));
    out.push_str("</section>");
    out
}

/// How good the set-up is.
fn set_up(session: &SessionResults) -> String {
    let quality = &session.scene.quality;
    let mut rows: Vec<(String, String)> = Vec::new();
    if let Some(wand) = session.wand_length_m {
        rows.push(("wand as measured".into(), full(Kind::Length, wand)));
    }
    if let Some(rms_mm) = quality.wand_rms_mm {
        let (metric, imperial) = (number(rms_mm, 1), number(rms_mm / 25.4, 2));
        rows.push((
            "wand, spread of its length".into(),
            dual(&format!("{metric}\u{a0}<small>mm</small>"), &format!("{imperial}\u{a0}<small>in</small>")),
        ));
    }
    if let Some(px) = quality.reprojection_rms_px {
        rows.push((
            "distance of spots from their prediction".into(),
            format!("{}\u{a0}<small>px</small>", number(px, 2)),
        ));
    }
    if let Some(scale) = quality.scale_sd_relative {
        rows.push((
            "scale known to".into(),
            format!("{}\u{a0}<small>%</small>", number(1.96 * scale * 100.0, 2)),
        ));
    }
    if let Some(angle) = session.convergence_deg {
        rows.push(("angle between the cameras".into(), format!("{}\u{b0}", number(angle, 0))));
    }
    if let Some(g) = quality.gravity_m_s2 {
        let sd = quality.gravity_sd_m_s2.unwrap_or(0.0);
        rows.push((
            "gravity from the toss".into(),
            dual(
                &format!(
                    "{}<span class=\"pm\"> \u{b1}\u{a0}{}</span>\u{a0}<small>m/s\u{b2}</small>",
                    number(g, 2),
                    number(1.96 * sd, 2)
                ),
                &format!(
                    "{}<span class=\"pm\"> \u{b1}\u{a0}{}</span>\u{a0}<small>ft/s\u{b2}</small>",
                    number(g / 0.3048, 2),
                    number(1.96 * sd / 0.3048, 2)
                ),
            ),
        ));
    }
    let observations = quality.observations_accepted + quality.observations_rejected;
    if observations > 0 {
        rows.push((
            "observations of the set-up".into(),
            format!(
                "{observations} seen = {} used + {} set aside",
                quality.observations_accepted, quality.observations_rejected
            ),
        ));
    }
    for lens in &session.lenses {
        let mut text = format!("focal length {}", number(lens.fx_px, 1));
        if let Some(sd) = lens.fx_sd_px {
            let _ = write!(text, " \u{b1}\u{a0}{}", number(1.96 * sd, 1));
        }
        text.push_str("\u{a0}<small>px</small>");
        if let Some(rms) = lens.rms_px {
            let _ = write!(text, ", residual {}\u{a0}<small>px</small>", number(rms, 2));
        }
        if let (Some(used), Some(out)) = (lens.views_used, lens.views_left_out) {
            let _ = write!(text, ", {used} views used, {out} left out");
        }
        rows.push((format!("lens of {}", escape(&lens.camera)), text));
    }
    if rows.is_empty() {
        return String::new();
    }
    let mut out = String::from("<details class=\"facts\"><summary>The set-up</summary><dl>");
    for (name, value) in rows {
        let _ = write!(out, "<div><dt>{}</dt><dd>{value}</dd></div>", name);
    }
    out.push_str("</dl></details>");
    out
}

/// One row per stroke.
fn table(session: &SessionResults) -> String {
    let columns: Vec<FigureId> = COLUMNS
        .iter()
        .copied()
        .filter(|&id| session.takes.iter().flat_map(|t| &t.strokes).any(|s| s.figures.get(id).is_some()))
        .collect();
    let has_evidence = session.takes.iter().any(|t| !t.evidence.is_empty());
    let mut heads: Vec<Column> = ["caster", "take", "stroke"].map(Column::lead).to_vec();
    heads.extend(columns.iter().map(|id| Column::number(id.info().name)));
    heads.extend(has_evidence.then(|| Column::words("noticed")));
    let mut rows = Vec::new();
    for take in &session.takes {
        let id = take_id(session, take);
        for s in &take.strokes {
            let direction = direction_word(s.direction);
            let of_take = format!("<a href=\"#{id}\">{}</a>", escape(&take.take));
            let of_stroke =
                format!("<a href=\"#{}\">{} {direction}</a>", stroke::id(&id, s.stroke), s.stroke);
            let mut cells = vec![
                Cell::new(escape(&take.alias)),
                Cell::new(of_take),
                Cell::keyed(of_stroke, f64::from(s.stroke)),
            ];
            let figure = |&id: &FigureId| {
                s.figures.get(id).map(|m| Cell::keyed(stacked(id, m), m.value)).unwrap_or_default()
            };
            cells.extend(columns.iter().map(figure));
            cells.extend(has_evidence.then(|| Cell::new(evidence::titles(take, s.stroke).join("; "))));
            rows.push((format!("w-{direction}"), cells));
        }
    }
    let mut out = Table {
        label: "All strokes",
        caption: "All strokes; a heading sorts by its column.",
        class: "strokes",
        sorts: true,
        columns: heads,
        rows,
    }
    .html();
    out.push_str("<p class=\"aside\">");
    let links: Vec<String> = columns.iter().map(|&id| name(id)).collect();
    let _ = write!(out, "Definitions: {}.</p>", links.join(", "));
    out
}

/// Warnings, the weightiest first.
#[must_use]
pub fn warning_list(warnings: &[Warning]) -> String {
    if warnings.is_empty() {
        return String::new();
    }
    let mut sorted: Vec<&Warning> = warnings.iter().collect();
    sorted.sort_by_key(|w| std::cmp::Reverse(w.severity));
    let mut out = String::from("<ul class=\"warnings\">");
    for w in sorted {
        let word = match w.severity {
            Severity::Note => "Note",
            Severity::Warning => "Warning",
            Severity::Problem => "Problem",
        };
        let _ = write!(
            out,
            "<li class=\"{}\"><b>{word}.</b> {}: {}. <i>{}.</i></li>",
            word.to_lowercase(),
            escape(&w.about),
            dual_units(w.what.trim_end_matches('.')),
            dual_units(&capital(w.remedy.trim_end_matches('.')))
        );
    }
    out.push_str("</ul>");
    out
}
