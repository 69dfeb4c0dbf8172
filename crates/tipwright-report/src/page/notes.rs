//! The instructor's notes on pages: shown beside their caster or stroke, written there, and downloaded as notes.toml (a page cannot
//! write files).

use askama::Template;
use serde_json::json;

use crate::text::Html;
use tipwright::model::results::{Note, NoteOn, SessionResults};

/// Where a note may stand, and what is written there.
#[derive(Template)]
#[template(path = "note.html")]
struct Place<'a> {
    caster: &'a str,
    take: &'a str,
    stroke: u32,
    lines: Vec<&'a str>,
    label: String,
    can_be_written: bool,
}

fn lines(notes: &[Note], is_here: impl Fn(&NoteOn) -> bool) -> Vec<&str> {
    notes.iter().filter(|n| is_here(&n.on)).flat_map(|n| n.text.lines()).collect()
}

/// Lines beside a caster.
#[must_use]
pub fn of_caster<'a>(notes: &'a [Note], id: &str) -> Vec<&'a str> {
    lines(notes, |on| matches!(on, NoteOn::Caster { caster } if caster == id))
}

/// Lines beside a stroke.
#[must_use]
pub fn of_stroke<'a>(notes: &'a [Note], name: &str, number: u32) -> Vec<&'a str> {
    lines(notes, |on| matches!(on, NoteOn::Stroke { take, stroke } if take == name && *stroke == number))
}

/// The place beside a caster; empty where nothing can be written and nothing is.
#[must_use]
pub fn beside_caster(notes: &[Note], caster: &str, alias: &str, can_be_written: bool) -> Html {
    let lines = of_caster(notes, caster);
    if lines.is_empty() && !can_be_written {
        return Html::default();
    }
    Html::of(&Place { caster, take: "", stroke: 0, lines, label: format!("Note on {alias}"), can_be_written })
}

/// The place beside a stroke.
#[must_use]
pub fn beside_stroke(notes: &[Note], take: &str, stroke: u32, can_be_written: bool) -> Html {
    let lines = of_stroke(notes, take, stroke);
    if lines.is_empty() && !can_be_written {
        return Html::default();
    }
    Html::of(&Place {
        caster: "",
        take,
        stroke,
        lines,
        label: format!("Note on stroke {stroke} of {take}"),
        can_be_written,
    })
}

/// All notes, for the file that a page offers: what stands on other pages is in it too. Without names nothing is written.
#[must_use]
pub fn data(session: &SessionResults) -> Html {
    let id = session.takes.iter().find_map(|t| t.keys.session_id.as_deref()).unwrap_or(&session.title);
    let data = json!({ "session": crate::text::visible(id), "notes": session.notes });
    Html(data.to_string().replace('<', "\\u003c"))
}

/// Whether notes can be written on the pages of a session: pages without names know no caster to write of.
#[must_use]
pub fn can_be_written(session: &SessionResults) -> bool {
    session.takes.iter().any(|t| !t.clips.is_empty())
}
