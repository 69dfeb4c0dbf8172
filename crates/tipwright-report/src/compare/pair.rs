//! `compare --strokes`: two casts together, of one results folder or of two, on a page of their own with their films beside it, and
//! their figures with the differences as a table.

use std::path::Path;

use super::tables::{count, named, number, text};
use crate::ReportError;
use crate::files::{FileMade, write_all};
use crate::page::pair::{Cast, compared, id, page};
use crate::tables::facts::Facts;
use crate::tables::table::{Column, Table};
use tipwright::model::film::{FilmStill, StrokeFilm};
use tipwright::model::results::{SessionResults, TakeResults};
use tipwright::model::{FigureId, Measured, Stroke};

/// A stroke by its place: session, take, stroke.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CastPlace {
    /// Index of the session.
    pub session: usize,
    /// Index of the take in it.
    pub take: usize,
    /// Index of the stroke in it.
    pub stroke: usize,
}

/// Finds `TAKE/STROKE`, or `SESSION/TAKE/STROKE` where several sessions hold such a take: the session by its id or its title.
///
/// # Errors
/// What was asked for, and what there is, in words.
pub fn find(sessions: &[SessionResults], asked: &str) -> Result<CastPlace, String> {
    let wrong = || {
        format!(
            "`{asked}` is not a stroke; write TAKE/STROKE as strokes.csv names them, 03-before/5, with SESSION/ before it where several \
             sessions have such a take"
        )
    };
    let (rest, number) = asked.rsplit_once('/').ok_or_else(wrong)?;
    let number: u32 = number.parse().map_err(|_| wrong())?;
    let (of, name) = rest.rsplit_once('/').map_or((None, rest), |(s, t)| (Some(s), t));
    let is_of = |s: &SessionResults| {
        of.is_none_or(|of| s.title == of || s.takes.iter().any(|t| t.keys.session_id.as_deref() == Some(of)))
    };
    let mut found: Vec<(usize, usize)> = Vec::new();
    for (k, session) in sessions.iter().enumerate().filter(|(_, s)| is_of(s)) {
        found.extend(session.takes.iter().position(|t| t.take == name).map(|t| (k, t)));
    }
    match found[..] {
        [] => {
            let mut known: Vec<&str> = Vec::new();
            for take in sessions.iter().flat_map(|s| &s.takes).map(|t| t.take.as_str()) {
                if !known.contains(&take) {
                    known.push(take);
                }
            }
            Err(format!("there is no take `{rest}`; the takes are {}", known.join(", ")))
        }
        [(session, take)] => {
            let strokes = &sessions[session].takes[take].strokes;
            strokes
                .iter()
                .position(|s| s.stroke == number)
                .map(|stroke| CastPlace { session, take, stroke })
                .ok_or_else(|| match strokes.len() {
                    0 => format!("take `{name}` has no strokes"),
                    n => format!("take `{name}` has no stroke {number}; it has {n}"),
                })
        }
        _ => {
            let ids: Vec<&str> = found.iter().map(|&(s, _)| name_of(&sessions[s])).collect();
            Err(format!(
                "several sessions have a take `{name}`; put one of {} and `/` before it",
                ids.join(", ")
            ))
        }
    }
}

fn name_of(session: &SessionResults) -> &str {
    session.takes.iter().find_map(|t| t.keys.session_id.as_deref()).unwrap_or(&session.title)
}

/// Two casts, each with the results folder it is from.
pub struct PairChoice<'a> {
    /// The results folders, one a session.
    pub folders: &'a [&'a Path],
    /// The two.
    pub casts: [CastPlace; 2],
    /// No names and no films.
    pub anonymous: bool,
}

/// Writes `index.html`, `comparison_pair.csv` and `.parquet`, and the films of the two, into `folder`.
///
/// # Errors
/// A file cannot be written.
pub fn compare_pair(
    sessions: &[SessionResults],
    choice: &PairChoice<'_>,
    folder: &Path,
) -> Result<(), ReportError> {
    let takes = named(sessions, choice.anonymous);
    let first_of = |session: usize| sessions[..session].iter().map(|s| s.takes.len()).sum::<usize>();
    let take_of = |place: CastPlace| -> &TakeResults { &takes[first_of(place.session) + place.take] };
    let mut files = Vec::new();
    let several = sessions.len() > 1;
    let is_twice = choice.casts[0] == choice.casts[1];
    let mut casts = Vec::new();
    for (place, name) in choice.casts.into_iter().zip(["first", "second"]) {
        if is_twice && name == "second" {
            continue;
        }
        let take = take_of(place);
        let stroke = &take.strokes[place.stroke];
        let session = several.then_some(take.session.as_str());
        // a film that an earlier measurement left shows another span of time
        let shows = |f: &&StrokeFilm| {
            let rsp_s = stroke.figures.get(FigureId::TRsp).map(|m| m.value);
            f.stroke == stroke.stroke
                && rsp_s.is_none_or(|t| f.frame_t_s.first() <= Some(&t) && Some(&t) <= f.frame_t_s.last())
        };
        let shown = take.film.iter().filter(shows).filter(|_| !choice.anonymous);
        let films: Vec<StrokeFilm> = match choice.folders.get(place.session).map(|f| f.join("report")) {
            Some(report) => shown.filter_map(|film| copied(film, &report, name, &mut files)).collect(),
            None => Vec::new(),
        };
        casts.push(Cast {
            id: session.map_or_else(String::new, |s| format!("{s}/")) + &id(take, stroke.stroke),
            session,
            take,
            stroke,
            rod_length_m: sessions[place.session].rod_length_m,
            films,
        });
    }
    // Two sessions of one title are told apart by their order.
    if casts.len() == 2 && casts[0].id == casts[1].id {
        casts[1].id.push_str(" (2)");
    }
    let of = |k: usize| casts.get(k).unwrap_or(&casts[0]);
    let titles: Vec<&str> = sessions.iter().map(|s| s.title.as_str()).collect();
    let title = if choice.anonymous { "names left out".to_owned() } else { titles.join("; ") };
    let units = sessions.first().map(|s| s.report_units).unwrap_or_default();
    let heading = (title.as_str(), "", "");
    let html = page(heading, units, &casts, [&of(0).id, &of(1).id], 0);
    let rows = rows([of(0), of(1)]);
    let facts = Facts::of([of(0).take, of(1).take]);
    files.push(FileMade::new("index.html", html));
    files.push(FileMade::of("comparison_pair.csv", pair_table().csv(&rows))?);
    files.push(FileMade::of("comparison_pair.parquet", pair_table().parquet(&rows, &facts))?);
    write_all(&files, folder)
}

/// A film and the still that stands for it, copied beside the page; `None` where they are gone.
fn copied(film: &StrokeFilm, report: &Path, name: &str, files: &mut Vec<FileMade>) -> Option<StrokeFilm> {
    // as the day names it, by its take, stroke and camera: the camera alone could be no name of a file
    let own = Path::new(&film.clip).file_stem()?.to_str()?;
    let mut take = |place: &str| -> Option<String> {
        let from = report.join(place);
        let to = format!("film/{name}-{own}.{}", from.extension()?.to_str()?);
        files.push(FileMade::new(to.clone(), std::fs::read(&from).ok()?));
        Some(to)
    };
    let clip = take(&film.clip)?;
    let stills = film.poster().and_then(|s| Some(FilmStill { file: take(&s.file)?, ..s.clone() }));
    Some(StrokeFilm { stills: stills.into_iter().collect(), clip, ..film.clone() })
}

/// A figure of both.
pub struct PairRow<'a> {
    figure: FigureId,
    casts: [(&'a TakeResults, &'a Stroke); 2],
    values: [Option<Measured>; 2],
}

impl PairRow<'_> {
    /// Second minus first; the errors of the two are taken as independent. None of what ends at rod straight position where the two take
    /// that from different sources.
    fn difference(&self) -> Option<Measured> {
        let [(_, first), (_, second)] = self.casts;
        if self.figure.ends_at_rsp() && first.rsp_source != second.rsp_source {
            return None;
        }
        let [a, b] = self.values;
        let (a, b) = (a?, b?);
        Some(Measured::new(b.value - a.value, a.sd.hypot(b.sd)))
    }
}

fn rows<'a>(casts: [&Cast<'a>; 2]) -> Vec<PairRow<'a>> {
    let row = |figure: FigureId| PairRow {
        figure,
        casts: casts.map(|c| (c.take, c.stroke)),
        values: casts.map(|c| c.stroke.figures.get(figure)),
    };
    compared().map(row).filter(|r| r.values.iter().any(Option::is_some)).collect()
}

/// `comparison_pair`: figures of two casts and their differences.
#[must_use]
pub fn pair_table<'a>() -> Table<PairRow<'a>> {
    type Row<'r> = PairRow<'r>;
    let columns = vec![
        text("figure", "Key of the figure: a column of strokes.", |r: &Row<'_>| r.figure.info().key),
        text("unit", "Unit of the figure.", |r: &Row<'_>| r.figure.info().unit),
        text("session_first", "Session of the first.", |r: &Row<'_>| &r.casts[0].0.session),
        text("take_first", "Take of the first.", |r: &Row<'_>| &r.casts[0].0.take),
        count("stroke_first", "Its stroke.", |r: &Row<'_>| r.casts[0].1.stroke as usize),
        text("session_second", "Session of the second.", |r: &Row<'_>| &r.casts[1].0.session),
        text("take_second", "Take of the second.", |r: &Row<'_>| &r.casts[1].0.take),
        count("stroke_second", "Its stroke.", |r: &Row<'_>| r.casts[1].1.stroke as usize),
        number("first", "The figure of the first, in its unit.", |r: &Row<'_>| r.values[0].map(|m| m.value)),
        number("first_sd", "Its standard deviation.", |r: &Row<'_>| r.values[0].map(|m| m.sd)),
        number("second", "The figure of the second.", |r: &Row<'_>| r.values[1].map(|m| m.value)),
        number("second_sd", "Its standard deviation.", |r: &Row<'_>| r.values[1].map(|m| m.sd)),
        number("difference", "Second minus first.", |r: &Row<'_>| r.difference().map(|m| m.value)),
        number(
            "difference_sd",
            "Its standard deviation, the errors of the two taken as independent.",
            |r: &Row<'_>| r.difference().map(|m| m.sd),
        ),
    ];
    Table {
        name: "comparison_pair",
        files: "comparison_pair.csv, comparison_pair.parquet, where two strokes are compared",
        about: "One row per figure of two strokes put together.",
        columns: columns.into_iter().map(|c: Column<Row<'_>>| c.since(2)).collect(),
    }
}
