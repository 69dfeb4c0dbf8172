//! One take: its clips, what was observed and what became of it, warnings, movements set aside, its strokes.

use std::collections::BTreeMap;

use askama::Template;

use super::figures::dual_units;
use super::ids::take_id;
use super::set_up::Facts;
use super::{notes, overlays, stroke, warnings};
use crate::ReportConfig;
use crate::plot::drill;
use crate::text::{Html, capital, escape};
use crate::units::number;
use tipwright::model::results::{SessionResults, TakeResults, TakeStatus};
use tipwright::model::{FigureId, Stroke};

#[derive(Template)]
#[template(path = "take.html")]
struct Section<'a> {
    id: String,
    take: &'a TakeResults,
    phase: &'a str,
    failed: bool,
    warnings: Html,
    drill: Html,
    strokes: Vec<Html>,
    facts: Html,
}

/// The section; `named`: figures of strokes that stand open.
#[must_use]
pub fn section(
    session: &SessionResults,
    take: &TakeResults,
    config: &ReportConfig,
    named: &[FigureId],
) -> Html {
    let id = take_id(session, take);
    let failed = take.status == TakeStatus::Failed;
    let can_write = notes::can_be_written(session);
    let stroke_of = |s: &Stroke| {
        let note = notes::beside_stroke(&session.notes, &take.take, s.stroke, can_write);
        stroke::article(&id, take, s, config, named, note)
    };
    Html::of(&Section {
        take,
        phase: take.phase.as_deref().unwrap_or_default(),
        failed,
        warnings: warnings::list(&take.warnings),
        drill: overlays::multiples(&drill::panels(take, overlays::FORMAT), overlays::Put::Later),
        strokes: take.strokes.iter().map(stroke_of).collect(),
        // Of a take that failed there is nothing but its clips: the warnings say why.
        facts: if failed { Html::default() } else { facts(take) },
        id,
    })
}

/// Clips, clocks and the tally: seen = accepted + rejected.
fn facts(take: &TakeResults) -> Html {
    let mut rows: Vec<(String, Html)> = Vec::new();
    let mut add = |name: String, html: String| rows.push((name, Html(html)));
    let clips: Vec<String> =
        take.clips.iter().map(|(camera, clip)| format!("{}: {}", escape(camera), escape(clip))).collect();
    if !clips.is_empty() {
        add("clips".into(), clips.join("; "));
    }
    if let Some(set_up) = &take.set_up {
        add("set-up".into(), escape(set_up));
    }
    if let Some(alone) = &take.one_view {
        add("plane".into(), dual_units(&format!("camera {} alone, in {}", alone.camera, alone.plane_from)));
    }
    for clock in &take.clocks {
        add(
            format!("clock of {}", clock.camera),
            format!(
                "offset {} \u{b1}\u{a0}{} ms, rate {} \u{b1}\u{a0}{} parts per million, readout {} \u{b1}\u{a0}{} ms",
                number(clock.clock.offset_s * 1e3, 2),
                number(1.96 * clock.offset_sd_s * 1e3, 2),
                number(clock.clock.drift * 1e6, 1),
                number(1.96 * clock.drift_sd * 1e6, 1),
                number(clock.clock.readout_s * 1e3, 2),
                number(1.96 * clock.readout_sd_s * 1e3, 2),
            ),
        );
    }
    let tally = &take.tally;
    let rejected: u64 = tally.rejected.values().sum();
    let mut counts = format!("{} seen = {} used + {rejected} set aside", tally.offered, tally.accepted);
    if tally.offered != tally.accepted + rejected {
        counts.push_str(" (the counts do not add up: please report it)");
    }
    let reasons: Vec<String> = tally.rejected.iter().map(|(why, n)| format!("{n} {}", escape(why))).collect();
    if !reasons.is_empty() {
        counts += &format!(" ({})", reasons.join(", "));
    }
    add("spots of the marker".into(), counts);
    let mut set_aside: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for (from_s, to_s, why) in &take.set_aside {
        let span = format!("{} to {}", number(*from_s, 2), number(*to_s, 2));
        set_aside.entry(why.as_str()).or_default().push(span);
    }
    for (why, spans) in set_aside {
        add("not a stroke".into(), format!("{}: {} s", dual_units(&capital(why)), spans.join(", ")));
    }
    let mut by_reason: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for (key, why) in &take.missing {
        let name = FigureId::from_key(key).map_or(key.as_str(), |id| id.info().name);
        by_reason.entry(why.as_str()).or_default().push(name);
    }
    for (why, names) in by_reason {
        add("not measured".into(), format!("{}: {}", dual_units(&capital(why)), escape(&names.join(", "))));
    }
    Html::of(&Facts { summary: "How it was measured".into(), rows })
}
