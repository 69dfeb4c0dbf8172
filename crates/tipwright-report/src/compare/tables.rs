//! Tables of a comparison: means, differences, and the strokes and paths of all its sessions in one file each. Their names
//! begin with `comparison_`, so that no query over `**/strokes.parquet` counts a stroke twice.

use std::borrow::Cow;

use super::cells::{Keys, key_of, letters};
use super::contrast::{Difference, Mean, Part};
use super::season::{Season, SessionPart};
use crate::ReportError;
use crate::files::FileMade;
use crate::tables::facts::Facts;
use crate::tables::table::{Column, Kind, Table, Value};
use crate::tables::{direction_word, samples, strokes};
use tipwright::model::results::{SessionResults, TakeKeys, TakeResults};

/// A mean in its part of the comparison.
pub struct MeanRow<'a>(&'a Part<'a>, &'a Mean);

/// A difference in its part of the comparison.
pub struct DifferenceRow<'a>(&'a Part<'a>, &'a Difference);

/// A session's part in its part of the comparison.
pub struct SessionRow<'a>(&'a Part<'a>, &'a Season, &'a SessionPart);

pub(super) fn text<R>(
    name: &'static str,
    definition: &'static str,
    get: impl for<'r> Fn(&'r R) -> &'r str + Send + Sync + 'static,
) -> Column<R> {
    Column::new(Kind::Text, name, definition, move |r: &R| {
        Value::text(Some(get(r)).filter(|t| !t.is_empty()))
    })
}

pub(super) fn number<R>(
    name: &'static str,
    definition: &'static str,
    get: impl Fn(&R) -> Option<f64> + Send + Sync + 'static,
) -> Column<R> {
    Column::new(Kind::Number, name, definition, move |r: &R| Value::number(get(r)))
}

pub(super) fn count<R>(
    name: &'static str,
    definition: &'static str,
    get: impl Fn(&R) -> usize + Send + Sync + 'static,
) -> Column<R> {
    Column::new(Kind::Count, name, definition, move |r: &R| {
        u32::try_from(get(r)).map_or(Value::Empty, Value::Count)
    })
}

/// What the keys mean.
const SESSION_ID: &str = "Id of the session, never changed; empty where the strokes are of several sessions, or names are left out.";
const CASTER_KEY: &str = "Key of the caster over all sessions, as in strokes; empty where several casters are meant, or names are left out.";

fn key<R>(
    name: &'static str,
    definition: &'static str,
    get: impl Fn(&R) -> Option<String> + Send + Sync + 'static,
) -> Column<R> {
    Column::new(Kind::Text, name, definition, move |r: &R| Value::text(get(r))).since(2)
}

fn mean_keys(MeanRow(part, mean): &MeanRow<'_>) -> Keys {
    part.sorted.keys(part.sorted.rows.get(mean.row), mean.side)
}

/// `comparison_means`.
#[must_use]
pub fn means_table<'a>() -> Table<MeanRow<'a>> {
    type Row<'r> = MeanRow<'r>;
    let columns = vec![
        text("direction", "forward or back.", |r: &Row<'_>| direction_word(r.0.direction)),
        text("figure", "Key of the figure: a column of strokes.", |r: &Row<'_>| r.1.figure.info().key),
        text("unit", "Unit of the figure.", |r: &Row<'_>| r.1.figure.info().unit),
        text("caster", "Who.", |r: &Row<'_>| &r.0.sorted.rows[r.1.row].label),
        text("side", "Phase or session; empty where casters are compared.", |r: &Row<'_>| {
            &r.0.sorted.sides[r.1.side].name
        }),
        count("strokes", "Strokes with the figure.", |r: &Row<'_>| r.1.sample.count),
        number("mean", "Mean over them, in the figure's unit.", |r: &Row<'_>| Some(r.1.sample.mean)),
        number(
            "mean_half_width_95",
            "Half of the mean's 95 % interval by Student's t; empty for one stroke.",
            |r: &Row<'_>| r.1.sample.half_width,
        ),
        number("spread", "Standard deviation between strokes.", |r: &Row<'_>| r.1.sample.spread),
        number("trend_per_stroke", "Slope over the number of the stroke.", |r: &Row<'_>| {
            r.1.trend.map(|t| t.value)
        }),
        number("trend_half_width_95", "Half of the slope's 95 % interval.", |r: &Row<'_>| {
            r.1.trend.map(|t| t.half_width)
        }),
        key("session_id", SESSION_ID, |r: &Row<'_>| mean_keys(r).session_id),
        key("caster_key", CASTER_KEY, |r: &Row<'_>| mean_keys(r).caster_key),
    ];
    Table {
        name: "comparison_means",
        files: "comparison_means.csv, comparison_means.parquet",
        about: "One row per figure, caster, side and direction of a comparison.",
        columns,
    }
}

/// `comparison_differences`: second minus first.
#[must_use]
pub fn differences_table<'a>() -> Table<DifferenceRow<'a>> {
    type Row<'r> = DifferenceRow<'r>;
    let columns = vec![
        text("direction", "forward or back.", |r: &Row<'_>| direction_word(r.0.direction)),
        text("figure", "Key of the figure: a column of strokes.", |r: &Row<'_>| r.1.figure.info().key),
        text("unit", "Unit of the figure.", |r: &Row<'_>| r.1.figure.info().unit),
        text("of", "A caster, or all casters paired; empty where casters are compared.", |r: &Row<'_>| {
            &r.1.of
        }),
        text("first", "First side or caster.", |r: &Row<'_>| &r.1.first),
        text("second", "Second side or caster.", |r: &Row<'_>| &r.1.second),
        count("count_first", "Strokes of the first, or casters when paired.", |r: &Row<'_>| r.1.counts.0),
        count("count_second", "Strokes of the second, or casters when paired.", |r: &Row<'_>| r.1.counts.1),
        number("difference", "Second minus first, in the figure's unit.", |r: &Row<'_>| {
            r.1.estimate.map(|e| e.value)
        }),
        number("half_width_95", "Half of its 95 % interval.", |r: &Row<'_>| {
            r.1.estimate.map(|e| e.half_width)
        }),
        text("verdict", "What may be said.", |r: &Row<'_>| r.1.verdict.word()),
        key("session_id_first", SESSION_ID, |r: &Row<'_>| r.1.keys[0].session_id.clone()),
        key("session_id_second", SESSION_ID, |r: &Row<'_>| r.1.keys[1].session_id.clone()),
        key("caster_key_first", CASTER_KEY, |r: &Row<'_>| r.1.keys[0].caster_key.clone()),
        key("caster_key_second", CASTER_KEY, |r: &Row<'_>| r.1.keys[1].caster_key.clone()),
    ];
    Table {
        name: "comparison_differences",
        files: "comparison_differences.csv, comparison_differences.parquet",
        about: "One row per figure and pair of a comparison.",
        columns,
    }
}

/// `comparison_sessions`: what a session has in common for everybody.
#[must_use]
pub fn sessions_table<'a>() -> Table<SessionRow<'a>> {
    type Row<'r> = SessionRow<'r>;
    let columns = vec![
        text("direction", "forward or back.", |r: &Row<'_>| direction_word(r.0.direction)),
        text("figure", "Key of the figure: a column of strokes.", |r: &Row<'_>| r.1.figure.info().key),
        text("unit", "Unit of the figure.", |r: &Row<'_>| r.1.figure.info().unit),
        text("session", "The session, as it is told from the others.", |r: &Row<'_>| {
            &r.0.sorted.sides[r.2.side].name
        }),
        count("casters", "Casters of it who were in other sessions too.", |r: &Row<'_>| r.2.casters),
        number(
            "above",
            "What the session has in common for everybody, above the mean of the sessions, in the figure's unit: its set-up and its \
             weather, told from its casters by those who were in several.",
            |r: &Row<'_>| Some(r.2.above.value),
        ),
        number("above_half_width_95", "Half of its 95 % interval.", |r: &Row<'_>| Some(r.2.above.half_width)),
        number("between_casters", "Standard deviation between casters.", |r: &Row<'_>| {
            Some(r.1.between_casters)
        }),
        number(
            "between_sessions",
            "Standard deviation between sessions, freed of what chance alone would spread.",
            |r: &Row<'_>| Some(r.1.between_sessions),
        ),
        number(
            "left",
            "Standard deviation of what is left: the same caster from session to session.",
            |r: &Row<'_>| Some(r.1.left),
        ),
        key("session_id", SESSION_ID, |r: &Row<'_>| r.0.sorted.sides[r.2.side].session_id.clone()),
    ];
    Table {
        name: "comparison_sessions",
        files: "comparison_sessions.csv, comparison_sessions.parquet, where sessions are compared",
        about: "One row per figure, session and direction of a comparison.",
        columns: columns.into_iter().map(|c| c.since(2)).collect(),
    }
}

/// All tables of a comparison.
///
/// # Errors
/// A table cannot be made.
pub fn files(
    sessions: &[SessionResults],
    parts: &[Part<'_>],
    anonymous: bool,
) -> Result<Vec<FileMade>, ReportError> {
    let means: Vec<MeanRow<'_>> =
        parts.iter().flat_map(|p| p.means.iter().map(move |m| MeanRow(p, m))).collect();
    let differences: Vec<DifferenceRow<'_>> =
        parts.iter().flat_map(|p| p.differences.iter().map(move |d| DifferenceRow(p, d))).collect();
    let of_sessions: Vec<SessionRow<'_>> = parts
        .iter()
        .flat_map(|p| p.seasons.iter().flat_map(move |s| s.sessions.iter().map(move |x| SessionRow(p, s, x))))
        .collect();
    let named = named(sessions, anonymous);
    let takes: Vec<&TakeResults> = named.iter().map(AsRef::as_ref).collect();
    let facts = Facts::of(takes.iter().copied());
    let rows: Vec<strokes::StrokeRow<'_>> = takes.iter().flat_map(|t| strokes::rows(t)).collect();
    let mut files = vec![
        FileMade::of("comparison_means.csv", means_table().csv(&means))?,
        FileMade::of("comparison_means.parquet", means_table().parquet(&means, &facts))?,
        FileMade::of("comparison_differences.csv", differences_table().csv(&differences))?,
        FileMade::of("comparison_differences.parquet", differences_table().parquet(&differences, &facts))?,
        FileMade::of("comparison_rows.parquet", strokes::table().parquet(&rows, &facts))?,
        FileMade::of(
            "comparison_points.parquet",
            samples::path().parquet(&samples::path_rows(&takes), &facts),
        )?,
    ];
    if !of_sessions.is_empty() {
        let table = sessions_table();
        files.push(FileMade::of("comparison_sessions.csv", table.csv(&of_sessions))?);
        files.push(FileMade::of("comparison_sessions.parquet", table.parquet(&of_sessions, &facts))?);
    }
    Ok(files)
}

/// Sessions as they may be named.
#[must_use]
pub fn named(sessions: &[SessionResults], anonymous: bool) -> Vec<Cow<'_, TakeResults>> {
    let keys =
        |(idx, s): (usize, &SessionResults)| s.takes.iter().map(|t| key_of(t, idx)).collect::<Vec<String>>();
    let mut ids: Vec<String> = sessions.iter().enumerate().flat_map(keys).collect();
    ids.sort_unstable();
    ids.dedup();
    let mut out = Vec::new();
    for (session_idx, session) in sessions.iter().enumerate() {
        for (take_idx, take) in session.takes.iter().enumerate() {
            if !anonymous {
                out.push(Cow::Borrowed(take));
                continue;
            }
            let caster = ids.binary_search(&key_of(take, session_idx)).unwrap_or(0);
            let mut own = take.clone();
            own.session = format!("session {}", session_idx + 1);
            own.keys = TakeKeys::default();
            own.take = format!("take {}", take_idx + 1);
            own.caster = letters(caster);
            own.alias = letters(caster);
            own.clips.clear();
            out.push(Cow::Owned(own));
        }
    }
    out
}
