//! Two casts together: any two of a day, or the two that were asked for, aligned at rod straight, stop or start. The page's script draws
//! them over each other from the samples of each.

use std::collections::BTreeSet;
use std::fmt::Write;

use askama::Template;
use serde_json::{Map, Value, json};

use super::figures::GROUPS;
use super::ids::Book;
use super::story::middle_stroke;
use super::{caster, data, glossary, shell};
use crate::plot::geometry::Geometry;
use crate::plot::zero_time_s;
use crate::tables::direction_word;
use crate::text::{Html, visible};
use crate::units::{Kind, kind};
use tipwright::model::film::StrokeFilm;
use tipwright::model::results::{SessionResults, TakeResults};
use tipwright::model::{Direction, FigureId, ReportUnits, RspSource, Stroke};

/// File of the day's page of pairs.
pub const FILE: &str = "two-casts.html";

/// Casts on one page: some 5 MB. Of a longer day every take keeps its first ones; a comparison takes any two.
const MOST: usize = 600;

/// A cast that may be picked.
pub struct Cast<'a> {
    /// Take and stroke, `03-before/5`; with its session where several are there.
    pub id: String,
    /// Its session, where several are there.
    pub session: Option<&'a str>,
    /// Its take.
    pub take: &'a TakeResults,
    /// The stroke.
    pub stroke: &'a Stroke,
    /// Length of its rod.
    pub rod_length_m: f64,
    /// Its films, the camera first that looks most squarely at it; places relative to the page.
    pub films: Vec<StrokeFilm>,
}

impl<'a> Cast<'a> {
    /// A cast of a day.
    fn of(session: &SessionResults, take: &'a TakeResults, stroke: &'a Stroke) -> Self {
        Self {
            id: id(take, stroke.stroke),
            session: None,
            take,
            stroke,
            rod_length_m: session.rod_length_m,
            films: take.film.iter().filter(|f| f.stroke == stroke.stroke).cloned().collect(),
        }
    }

    fn group(&self) -> String {
        let phase = self.take.phase.as_ref().map(|p| format!(", {p}")).unwrap_or_default();
        let session = self.session.map(|s| format!("{s}: ")).unwrap_or_default();
        format!("{session}{}, {}{phase}", self.take.alias, self.take.take)
    }

    fn data(&self) -> Html {
        let geometry = Geometry::of(self.stroke);
        let found = self.take.loops.iter().find(|l| l.stroke == self.stroke.stroke);
        let mut out = data::values(&geometry, &[], found);
        let zero = zero_time_s(&geometry);
        let since = |id| self.stroke.figures.get(id).map(|m| m.value - zero);
        let figures: Map<String, Value> = compared()
            .filter_map(|id| {
                let m = self.stroke.figures.get(id)?;
                Some((id.info().key.to_owned(), json!([m.value, m.sd])))
            })
            .collect();
        let text = |t: &str| visible(t).into_owned();
        let mut set = |key: &str, value: Value| out.insert(key.to_owned(), value);
        set(
            "name",
            json!({
                "who": text(&self.take.alias),
                "take": text(&self.take.take),
                "phase": self.take.phase.as_deref().map(text),
                "session": self.session.map(text),
                "stroke": self.stroke.stroke,
            }),
        );
        set("kind", json!(format!("a {}", self.stroke.kind.words())));
        set("rodm", json!(self.rod_length_m));
        let events = [("start", FigureId::TStart), ("rsp", FigureId::TRsp), ("stop", FigureId::TStop)];
        set("events", events.into_iter().map(|(name, id)| (name.to_owned(), json!(since(id)))).collect());
        set("source", json!(if self.stroke.rsp_source == RspSource::Bend { "bend" } else { "speed" }));
        set("figures", Value::Object(figures));
        set("films", self.films.iter().map(|film| film_data(film, zero)).collect());
        Html(data::text(Value::Object(out)))
    }
}

/// Take and stroke as they are asked for.
#[must_use]
pub fn id(take: &TakeResults, stroke: u32) -> String {
    format!("{}/{stroke}", take.take)
}

fn film_data(film: &StrokeFilm, zero_s: f64) -> Value {
    json!({
        "src": film.clip,
        "poster": film.poster().map_or("", |s| s.file.as_str()),
        "fps": film.played_fps,
        "size": film.size_px,
        "camera": visible(&film.camera),
        "t": data::column(film.frame_t_s.iter().map(|t| Some(t - zero_s)), 1e-4),
    })
}

/// Figures that are compared: all but moments on a clock that the two do not share.
pub fn compared() -> impl Iterator<Item = FigureId> {
    let clock = [FigureId::TStart, FigureId::TRsp, FigureId::TStop];
    GROUPS.iter().flat_map(|(_, ids)| ids.iter().copied()).filter(move |id| !clock.contains(id))
}

fn figures() -> Html {
    let entry = |id: FigureId| {
        let (word, unit) = match kind(id) {
            Kind::Length => ("length", ""),
            Kind::SmallLength => ("small", ""),
            Kind::Speed => ("speed", ""),
            Kind::Count => ("count", ""),
            Kind::Other(unit) => ("other", unit),
        };
        let info = id.info();
        json!([info.key, { "name": info.name, "kind": word, "unit": unit, "ends": id.ends_at_rsp() }])
    };
    Html(data::text(compared().map(entry).collect()))
}

struct Choice {
    label: String,
    casts: Vec<(String, String)>,
}

#[derive(Template)]
#[template(path = "pair.html")]
struct Page<'a> {
    title: &'a str,
    home: &'a str,
    date: &'a str,
    switches: Html,
    choices: Vec<Choice>,
    picked: [&'a str; 2],
    left_out: usize,
    figures: Html,
    casts: Vec<(&'a str, Html)>,
    cameras: Vec<String>,
    glossary: Html,
}

impl Page<'_> {
    /// Whether a cast stands in the `first` or the `second` place.
    fn is_picked(&self, id: &str, place: &str) -> bool {
        self.picked[usize::from(place != "first")] == id
    }
}

/// The page: `picked` are two of the casts' ids; `home`: the page it leads back to, empty where there is none.
#[must_use]
pub fn page(
    (title, date, home): (&str, &str, &str),
    units: ReportUnits,
    casts: &[Cast<'_>],
    picked: [&str; 2],
    left_out: usize,
) -> String {
    let mut choices: Vec<Choice> = Vec::new();
    for cast in casts {
        let label = cast.group();
        if choices.last().is_none_or(|c| c.label != label) {
            choices.push(Choice { label, casts: Vec::new() });
        }
        let mut text = format!("stroke {}, {}", cast.stroke.stroke, direction_word(cast.stroke.direction));
        if cast.stroke.views == 1 {
            let _ = write!(text, ", one camera");
        }
        if let Some(choice) = choices.last_mut() {
            choice.casts.push((cast.id.clone(), text));
        }
    }
    let html = Html::of(&Page {
        title,
        home,
        date,
        switches: shell::switches(units),
        choices,
        picked,
        left_out,
        figures: figures(),
        casts: casts.iter().map(|c| (c.id.as_str(), c.data())).collect(),
        cameras: cameras(casts),
        glossary: glossary::section(),
    });
    shell::document_of_pair(&format!("Two casts together, {title}"), units, &html.0)
}

/// Cameras to choose from: none where no cast has films of two.
fn cameras(casts: &[Cast<'_>]) -> Vec<String> {
    if casts.iter().all(|c| c.films.len() < 2) {
        return Vec::new();
    }
    let names: BTreeSet<_> =
        casts.iter().flat_map(|c| &c.films).map(|f| visible(&f.camera).into_owned()).collect();
    names.into_iter().collect()
}

/// The day's page; absent where there are no two casts.
#[must_use]
pub fn of_day(session: &SessionResults, book: &Book) -> Option<String> {
    let measured = session.takes.iter().filter(|t| !t.strokes.is_empty()).count();
    let of_take = (MOST / measured.max(1)).max(1);
    let all: usize = session.takes.iter().map(|t| t.strokes.len()).sum();
    let is_long = all > MOST;
    let casts: Vec<Cast<'_>> = book
        .casters()
        .flat_map(|(id, _)| session.takes.iter().filter(move |t| t.caster == id))
        .flat_map(|t| {
            let most = if is_long { of_take } else { t.strokes.len() };
            t.strokes.iter().take(most).map(move |s| Cast::of(session, t, s))
        })
        .collect();
    if casts.len() < 2 {
        return None;
    }
    let [first, second] = picked(session, &casts);
    let date = caster::date_of(session);
    let heading = (session.title.as_str(), date, "index.html");
    Some(page(heading, session.report_units, &casts, [&first, &second], all - casts.len()))
}

/// What stands there before anything is picked: of the first caster the forward cast nearest the middle of a phase, and that of the next
/// phase; without phases that of the next caster.
fn picked(session: &SessionResults, casts: &[Cast<'_>]) -> [String; 2] {
    let mut groups: Vec<Vec<&TakeResults>> = Vec::new();
    for take in session.takes.iter().filter(|t| !t.strokes.is_empty()) {
        let is_of = |g: &&mut Vec<&TakeResults>| {
            g.first().is_some_and(|t| t.caster == take.caster && t.phase == take.phase)
        };
        match groups.iter_mut().find(is_of) {
            Some(takes) => takes.push(take),
            None => groups.push(vec![take]),
        }
    }
    let middle = |direction| {
        let of = |takes: &Vec<&TakeResults>| middle_stroke(takes, direction).map(|(t, s)| id(t, s.stroke));
        let mut found = groups.iter().filter_map(of).filter(|id| casts.iter().any(|c| c.id == *id));
        Some([found.next()?, found.next()?])
    };
    let any = || {
        let (first, others) = (&casts[0], &casts[1..]);
        let alike = others.iter().find(|c| c.stroke.direction == first.stroke.direction);
        [first.id.clone(), alike.unwrap_or(&others[0]).id.clone()]
    };
    middle(Direction::Forward).or_else(|| middle(Direction::Back)).unwrap_or_else(any)
}
