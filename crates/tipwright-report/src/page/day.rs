//! The day's page: every caster in a glance, then, folded, one row per stroke, casters over each other and the set-up.

use askama::Template;

use super::caster::{CasterStory, Place, date_of, story_html};
use super::figures::{name, stacked};
use super::ids::Book;
use super::table::{Cell, Column, Table};
use super::{evidence, glossary, overlays, set_up, shell, warnings};
use crate::tables::direction_word;
use crate::text::{Html, escape};
use tipwright::model::results::{SessionResults, TakeStatus};
use tipwright::model::{FigureId, Stroke};

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

struct Failed<'a> {
    take: &'a str,
    link: String,
    why: Html,
}

struct Glance<'a> {
    story: &'a CasterStory<'a>,
    html: Html,
}

#[derive(Template)]
#[template(path = "day.html")]
struct Day<'a> {
    session: &'a SessionResults,
    date: &'a str,
    counts: String,
    switches: Html,
    has_pairs: bool,
    warnings: Html,
    failed: Vec<Failed<'a>>,
    strokes: usize,
    glances: Vec<Glance<'a>>,
    table: Html,
    overlays: Html,
    set_up: Html,
    glossary: Html,
}

/// The page.
#[must_use]
pub fn page(session: &SessionResults, book: &Book, stories: &[CasterStory<'_>]) -> String {
    let done = session.takes.iter().filter(|t| t.status == TakeStatus::Done).count();
    let strokes: usize = session.takes.iter().map(|t| t.strokes.len()).sum();
    let count = |n: usize, word: &str| format!("{n} {word}{}", if n == 1 { "" } else { "s" });
    let failed = session.takes.iter().filter(|t| t.status == TakeStatus::Failed);
    let html = Html::of(&Day {
        session,
        date: date_of(session),
        counts: format!(
            "{}, {done} of {} measured, {}",
            count(stories.len(), "caster"),
            count(session.takes.len(), "take"),
            count(strokes, "stroke"),
        ),
        switches: shell::switches(session.report_units),
        has_pairs: strokes > 1,
        warnings: warnings::list(&session.warnings),
        failed: failed
            .map(|t| Failed { take: &t.take, link: book.take(session, t), why: warnings::why_failed(t) })
            .collect(),
        strokes,
        glances: stories.iter().map(|story| Glance { story, html: story_html(story, Place::Day) }).collect(),
        table: table(session, book),
        overlays: overlays::of_session(&session.takes),
        set_up: set_up::section(session),
        glossary: glossary::section(),
    });
    shell::document(&session.title, session.report_units, &html.0)
}

/// A mark of strokes that one camera alone saw.
fn one_view(stroke: &Stroke) -> &'static str {
    if stroke.views == 1 { " (one camera)" } else { "" }
}

/// One row per stroke; empty without strokes.
fn table(session: &SessionResults, book: &Book) -> Html {
    let strokes = || session.takes.iter().flat_map(|t| &t.strokes);
    if strokes().next().is_none() {
        return Html::default();
    }
    let columns: Vec<FigureId> =
        COLUMNS.iter().copied().filter(|&id| strokes().any(|s| s.figures.get(id).is_some())).collect();
    let has_evidence = session.takes.iter().any(|t| !t.evidence.is_empty());
    let mut heads: Vec<Column> = ["caster", "take", "stroke"].map(Column::lead).to_vec();
    heads.extend(columns.iter().map(|id| Column::number(id.info().name)));
    heads.extend(has_evidence.then(|| Column::words("noticed")));
    let mut rows = Vec::new();
    for take in &session.takes {
        let of_take = format!("<a href=\"{}\">{}</a>", escape(&book.take(session, take)), escape(&take.take));
        for s in &take.strokes {
            let way = direction_word(s.direction);
            let link = escape(&book.stroke(session, take, s.stroke));
            let mut cells = vec![
                Cell::new(escape(&take.alias)),
                Cell::new(of_take.clone()),
                Cell::keyed(
                    format!("<a href=\"{link}\">{} {way}</a>{}", s.stroke, one_view(s)),
                    f64::from(s.stroke),
                ),
            ];
            let figure = |&id: &FigureId| {
                s.figures.get(id).map(|m| Cell::keyed(stacked(id, m), m.value)).unwrap_or_default()
            };
            cells.extend(columns.iter().map(figure));
            cells.extend(has_evidence.then(|| Cell::new(evidence::titles(take, s.stroke).join("; "))));
            rows.push((format!("w-{way}"), cells));
        }
    }
    let table = Table {
        label: "All strokes",
        caption: "All strokes; a heading sorts by its column.",
        class: "strokes",
        sorts: true,
        columns: heads,
        rows,
    };
    let links: Vec<String> = columns.iter().map(|&id| name(id)).collect();
    Html(format!("{}<p class=\"aside\">Definitions: {}.</p>", table.html(), links.join(", ")))
}
