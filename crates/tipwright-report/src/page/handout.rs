//! What one student is given: a page, and the same on two sheets of paper.

use askama::Template;

use super::caster::{CasterStory, Place, date_of, story_html};
use super::story::{Change, Changes, Habit};
use super::{overlays, shell, steady};
use crate::print::{HandoutParts, handout_pdf};
use crate::text::{Html, escape};
use crate::units::UnitSystem;
use tipwright::model::ReportUnits;
use tipwright::model::results::SessionResults;

#[derive(Template)]
#[template(path = "handout.html")]
struct Handout<'a> {
    session: &'a SessionResults,
    story: &'a CasterStory<'a>,
    date: &'a str,
    switches: Html,
    story_html: Html,
    steady: Html,
    overlays: Html,
    cautions: &'static str,
}

/// What a handout says at its foot.
const CAUTIONS: &str = "\u{b1} is half of a 95\u{202f}% interval: of twenty such intervals about one misses. A finding says what was measured and how \
    often, not why; what is called likely was inferred and not seen. A figure describes these casts, with this rod and line, on this day. The \
    tool measures; the instructor judges.";

/// A page to give to one student: nobody else's name and no picture in it, two pages on paper.
#[must_use]
pub fn handout(session: &SessionResults, story: &CasterStory<'_>) -> String {
    let html = Html::of(&Handout {
        session,
        story,
        date: date_of(session),
        switches: shell::switches(session.report_units),
        story_html: story_html(story, Place::Handout),
        steady: steady::section(session, story.caster, story.alias, true),
        overlays: overlays::paths_of_caster(&story.takes),
        cautions: CAUTIONS,
    });
    shell::document(&format!("{}, {}", story.alias, session.title), session.report_units, &html.0)
}

/// The same on two sheets of paper, as PDF.
#[must_use]
pub fn handout_on_paper(session: &SessionResults, story: &CasterStory<'_>) -> Vec<u8> {
    let day = match date_of(session) {
        "" => String::new(),
        date => format!(", {date}"),
    };
    let findings = if story.strokes == 0 {
        vec![story.nothing().to_owned()]
    } else if story.habits.is_empty() {
        vec![format!("Of what is looked for, nothing stands out in {} casts.", story.strokes)]
    } else {
        story.habits.iter().map(habit_line).collect()
    };
    let missing = [story.one_camera(), story.failed(&Place::Handout)].into_iter().flatten().collect();
    let drawing = story.shown.as_ref().map(|s| {
        let under = format!("{}, stroke {}: {}.", s.take, s.stroke, s.among);
        (s.wide.0.as_str(), under)
    });
    handout_pdf(&HandoutParts {
        session: format!("{}{day}", session.title),
        alias: story.alias,
        findings,
        changes: story.changes.as_ref().map(changes_lines),
        missing,
        drawing,
        notes: story.note_lines(),
        tables: &steady::section(session, story.caster, story.alias, true).0,
        overlays: &overlays::paths_of_caster(&story.takes).0,
        cautions: CAUTIONS,
        made_by: format!("Made by tipwright {}.", session.tipwright_version),
        system: match session.report_units {
            ReportUnits::M => UnitSystem::Metric,
            ReportUnits::Ft => UnitSystem::Imperial,
        },
    })
}

fn habit_line(habit: &Habit) -> String {
    let phases = match habit.phases() {
        none if none.is_empty() => none,
        phases => format!(" ({phases})"),
    };
    escape(&format!("{} in {}{phases}; {}, {}", habit.title, habit.count(), habit.certainty, habit.percent()))
}

fn changes_lines(changes: &Changes) -> (String, Vec<String>) {
    let seen = if changes.one_camera { ", seen by one camera" } else { "" };
    let heading = format!("From {} to {}{seen}", changes.first, changes.last);
    let lines = if changes.told.is_empty() {
        vec![format!("No change can be told from chance. {}", changes.needed.as_deref().unwrap_or_default())]
    } else {
        let line = |c: &Change| {
            let name = escape(c.figure.info().name);
            format!("{name}, {}: {} to {}, by {}", c.way, c.before, c.after, c.difference)
        };
        changes.told.iter().map(line).collect()
    };
    (heading, lines)
}
