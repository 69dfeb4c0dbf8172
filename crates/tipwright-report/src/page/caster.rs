//! One caster: the story on the first screen, then figures, all strokes over each other, and every stroke.

use askama::Template;

use super::ids::{Book, CasterPage, slug};
use super::story::{Changes, Habit, changes, habits, middle_of_habit, middle_stroke, named};
use super::{evidence, glossary, notes, overlays, shell, steady, take};
use crate::ReportConfig;
use crate::plot::geometry::Geometry;
use crate::plot::rods::rod_poses;
use crate::plot::{Format, loops, side};
use crate::tables::direction_word;
use crate::text::Html;
use tipwright::evidence::consistency::{Errors, errors_of};
use tipwright::model::results::{Note, SessionResults, TakeResults, TakeStatus};
use tipwright::model::{Direction, FigureId, Stroke};

/// The drawing that stands for a caster's strokes: for a wide page and for a phone.
pub struct Shown {
    /// Wide.
    pub wide: Html,
    /// For a phone.
    pub phone: Html,
    /// Which stroke it is.
    pub take: String,
    /// Its number.
    pub stroke: u32,
    /// What it was chosen from: `of 12 forward casts the one nearest the middle`.
    pub among: String,
    /// Link to it.
    pub link: String,
}

/// A caster's story.
pub struct CasterStory<'a> {
    /// Whose the errors of the day's strokes are.
    pub errors: Errors,
    /// Id.
    pub caster: &'a str,
    /// Name on pages.
    pub alias: &'a str,
    /// Another caster has the same.
    pub alias_is_shared: bool,
    /// Name in file names.
    pub stem: String,
    /// First page.
    pub page: String,
    /// Strokes measured.
    pub strokes: usize,
    /// Takes measured of takes filmed.
    pub takes: Vec<&'a TakeResults>,
    /// The drawing; absent without strokes.
    pub shown: Option<Shown>,
    /// Findings.
    pub habits: Vec<Habit>,
    /// Changes between phases.
    pub changes: Option<Changes>,
    /// Figures that stand open.
    pub named: Vec<FigureId>,
    /// The instructor's notes of the session.
    pub notes: &'a [Note],
}

impl CasterStory<'_> {
    /// File of the handout: it bears the alias; where that has no letter for a file name, or two have it, the id.
    #[must_use]
    pub fn handout_file(&self) -> String {
        let alias = slug(self.alias);
        let stem = if alias.is_empty() || self.alias_is_shared { &self.stem } else { &alias };
        // a place in the results folder begins with a letter or digit
        let front = if stem.starts_with('-') { "caster" } else { "" };
        format!("{front}{stem}.html")
    }

    /// The handout on paper, beside it.
    #[must_use]
    pub fn handout_paper(&self) -> String {
        format!("{}pdf", self.handout_file().trim_end_matches("html"))
    }

    /// What the instructor wrote, line by line: of the caster, then of strokes with their names.
    #[must_use]
    pub fn note_lines(&self) -> Vec<String> {
        let mut out: Vec<String> =
            notes::of_caster(self.notes, self.caster).iter().map(ToString::to_string).collect();
        for take in &self.takes {
            for stroke in &take.strokes {
                let lines = notes::of_stroke(self.notes, &take.take, stroke.stroke);
                out.extend(
                    lines.iter().map(|line| format!("{}, stroke {}: {line}", take.take, stroke.stroke)),
                );
            }
        }
        out
    }

    /// What is said where nothing was measured.
    pub(super) fn nothing(&self) -> &'static str {
        "No cast of this caster could be measured: there are no figures and no drawings yet."
    }

    /// Which takes could not be measured, and where it stands why; `None` where all were.
    pub(super) fn failed(&self, place: &Place) -> Option<String> {
        let of: Vec<&str> =
            self.takes.iter().filter(|t| t.status == TakeStatus::Failed).map(|t| t.take.as_str()).collect();
        let how_many = match (of.len(), self.takes.len()) {
            (0, _) => return None,
            (1, 1) => format!("The only take, {}, could not be measured", of[0]),
            (n, all) if n == all => format!("None of {all} takes could be measured"),
            (1, all) => format!("One of {all} takes could not be measured: {}", of[0]),
            (n, all) => format!("{n} of {all} takes could not be measured: {}", of.join(", ")),
        };
        Some(match place {
            Place::Day => format!("{how_many}."),
            Place::Own => format!("{how_many}. Why, and what to do, stands with each take below."),
            Place::Handout => format!("{how_many}. Your instructor knows why; it says nothing of the casts."),
        })
    }

    /// What is said of casts that one camera alone saw; `None` without such.
    pub(super) fn one_camera(&self) -> Option<String> {
        let alone = self.takes.iter().flat_map(|t| &t.strokes).filter(|s| s.views == 1).count();
        let casts = match alone {
            0 => return None,
            n if n == self.strokes && n == 1 => "The only cast was".to_owned(),
            n if n == self.strokes => format!("All {n} casts were"),
            1 => format!("One of {} casts was", self.strokes),
            n => format!("{n} of {} casts were", self.strokes),
        };
        let place = match self.errors {
            Errors::OfEach => "in no mean and no comparison",
            Errors::Shared => "compared with each other only",
        };
        Some(format!("{casts} seen by one camera alone: less sure, and {place}."))
    }
}

/// Stories of all casters in order of their ids.
#[must_use]
pub fn stories<'a>(session: &'a SessionResults, book: &Book) -> Vec<CasterStory<'a>> {
    let config = ReportConfig::of_session(session);
    let alias_of = |id: &str| session.takes.iter().find(|t| t.caster == id).map_or("", |t| t.alias.as_str());
    let aliases: Vec<&str> = book.casters().map(|(id, _)| alias_of(id)).collect();
    let errors = errors_of(session.takes.iter().flat_map(|t| &t.strokes));
    let mut out = Vec::new();
    for (id, _) in book.casters() {
        let takes: Vec<&TakeResults> = session.takes.iter().filter(|t| t.caster == id).collect();
        let Some(&first) = takes.first() else { continue };
        let habits = habits(&takes);
        let changes = changes(session, id);
        let has = |d: &Direction| takes.iter().flat_map(|t| &t.strokes).any(|s| s.direction == *d);
        // The first habit; else a forward cast, which is what most people come to learn.
        let direction = [Direction::Forward, Direction::Back].into_iter().find(has);
        let shown = match habits.first() {
            Some(habit) => middle_of_habit(&takes, habit).map(|s| (s, habit.cast_with_it())),
            None => direction.and_then(|d| Some((middle_stroke(&takes, d)?, casts_of(&takes, d)))),
        };
        let shown = shown.map(|(s, among)| drawn_stroke(session, book, s, among, &config));
        out.push(CasterStory {
            errors,
            caster: &first.caster,
            alias: &first.alias,
            alias_is_shared: aliases.iter().filter(|a| **a == first.alias).count() > 1,
            stem: book.stem(id).to_owned(),
            page: book.page(id).to_owned(),
            strokes: takes.iter().map(|t| t.strokes.len()).sum(),
            named: named(&habits, changes.as_ref()),
            notes: &session.notes,
            takes,
            shown,
            habits,
            changes,
        });
    }
    out
}

/// `of 12 forward casts`.
fn casts_of(takes: &[&TakeResults], direction: Direction) -> String {
    let number = takes.iter().flat_map(|t| &t.strokes).filter(|s| s.direction == direction).count();
    let way = direction_word(direction);
    match number {
        1 => format!("the only {way} cast"),
        _ => format!("of {number} {way} casts the one nearest the middle"),
    }
}

fn drawn_stroke(
    session: &SessionResults,
    book: &Book,
    (take, stroke): (&TakeResults, &Stroke),
    among: String,
    config: &ReportConfig,
) -> Shown {
    let geometry = Geometry::of(stroke);
    let rods = rod_poses(&geometry, config.rods());
    let drawn = |format| Html(side::panel(&geometry, &rods, format).to_inline());
    Shown {
        wide: drawn(Format { side_height: 380.0, ..Format::PAGE }),
        phone: drawn(Format { side_height: 250.0, ..Format::PHONE }),
        take: take.take.clone(),
        stroke: stroke.stroke,
        among,
        link: book.stroke(session, take, stroke.stroke),
    }
}

/// The story as it stands on a page.
#[derive(Template)]
#[template(path = "story.html")]
struct StoryView<'a> {
    story: &'a CasterStory<'a>,
    place: Place,
}

/// Where a story stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Among those of others.
    Day,
    /// On the caster's own page.
    Own,
    /// In a handout: no links.
    Handout,
}

impl StoryView<'_> {
    fn links(&self) -> bool {
        self.place != Place::Handout
    }

    /// The note, on the caster's own page with a place to write it.
    fn note(&self) -> Html {
        let can_write = self.place == Place::Own && self.story.takes.iter().any(|t| !t.clips.is_empty());
        notes::beside_caster(self.story.notes, self.story.caster, self.story.alias, can_write)
    }

    fn is_small(&self) -> bool {
        self.place == Place::Day
    }
}

/// The story's HTML.
#[must_use]
pub fn story_html(story: &CasterStory<'_>, place: Place) -> Html {
    Html::of(&StoryView { story, place })
}

#[derive(Template)]
#[template(path = "caster.html")]
struct Page<'a> {
    session: &'a SessionResults,
    story: &'a CasterStory<'a>,
    date: &'a str,
    switches: Html,
    has_pairs: bool,
    story_html: Html,
    steady: Html,
    evidence: Html,
    overlays: Html,
    links: Html,
    takes: Vec<Html>,
    pages: &'a [CasterPage],
    number: usize,
    has_strokes: bool,
    glossary: Html,
    notes: Html,
}

/// Day of a session as its takes say it.
#[must_use]
pub fn date_of(session: &SessionResults) -> &str {
    session.takes.iter().find_map(|t| t.keys.date.as_deref()).unwrap_or_default()
}

/// The pages of a caster, one after the other: file name and HTML.
pub fn pages<'a>(
    session: &'a SessionResults,
    book: &'a Book,
    story: &'a CasterStory<'_>,
) -> impl Iterator<Item = (String, String)> + 'a {
    let config = ReportConfig::of_session(session);
    let pages = book.casters().find(|(id, _)| *id == story.caster).map_or(&[][..], |(_, pages)| pages);
    pages.iter().enumerate().map(move |(k, page)| {
        let on_first = |make: &dyn Fn() -> Html| if k == 0 { make() } else { Html::default() };
        let html = Html::of(&Page {
            session,
            story,
            date: date_of(session),
            switches: shell::switches(session.report_units),
            has_pairs: session.takes.iter().map(|t| t.strokes.len()).sum::<usize>() > 1,
            story_html: on_first(&|| story_html(story, Place::Own)),
            steady: on_first(&|| steady::section(session, story.caster, story.alias, false)),
            evidence: on_first(&|| Html(evidence::of_caster(session, &story.takes, book))),
            overlays: on_first(&|| overlays::of_caster(&story.takes, overlays::Put::Later)),
            links: on_first(&|| {
                let strokes = story.takes.iter().flat_map(|t| &t.strokes);
                overlays::multiples(&loops::links(strokes, overlays::FORMAT), overlays::Put::Later)
            }),
            takes: page
                .takes
                .iter()
                .map(|&t| take::section(session, &session.takes[t], &config, &story.named))
                .collect(),
            pages,
            number: k,
            has_strokes: story.strokes > 0,
            glossary: glossary::section(),
            notes: if notes::can_be_written(session) { notes::data(session) } else { Html::default() },
        });
        let title = format!("{}, {}", story.alias, session.title);
        (page.file.clone(), shell::document(&title, session.report_units, &html.0))
    })
}
