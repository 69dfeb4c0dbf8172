//! Tables of a comparison: means, differences, and the strokes and paths of all its sessions in one file each.

use std::borrow::Cow;

use parquet::errors::ParquetError;

use super::cells::letters;
use super::contrast::Part;
use crate::tables::{StrokeRow, direction_word, paths as path_table, strokes_parquet};
use tipwright::model::results::{SessionResults, TakeResults};

fn text(value: Option<f64>) -> String {
    value.filter(|v| v.is_finite()).map(|v| v.to_string()).unwrap_or_default()
}

fn finish(writer: csv::Writer<Vec<u8>>) -> Result<Vec<u8>, csv::Error> {
    writer.into_inner().map_err(|e| e.into_error().into())
}

/// `means.csv` as bytes. Values are in the figure's own unit.
///
/// # Errors
/// Only what the csv writer says.
pub fn means(parts: &[Part<'_>]) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "direction",
        "figure",
        "unit",
        "caster",
        "side",
        "strokes",
        "mean",
        "mean_half_width_95",
        "spread",
        "trend_per_stroke",
        "trend_half_width_95",
    ])?;
    for part in parts {
        for m in &part.means {
            let info = m.figure.info();
            writer.write_record([
                direction_word(part.direction),
                info.key,
                info.unit,
                &part.sorted.rows[m.row].label,
                &part.sorted.sides[m.side],
                &m.sample.count.to_string(),
                &text(Some(m.sample.mean)),
                &text(m.sample.half_width),
                &text(m.sample.spread),
                &text(m.trend.map(|t| t.value)),
                &text(m.trend.map(|t| t.half_width)),
            ])?;
        }
    }
    finish(writer)
}

/// `differences.csv` as bytes: second minus first.
///
/// # Errors
/// Only what the csv writer says.
pub fn differences(parts: &[Part<'_>]) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "direction",
        "figure",
        "unit",
        "of",
        "first",
        "second",
        "count_first",
        "count_second",
        "difference",
        "half_width_95",
        "verdict",
    ])?;
    for part in parts {
        for d in &part.differences {
            let info = d.figure.info();
            writer.write_record([
                direction_word(part.direction),
                info.key,
                info.unit,
                &d.of,
                &d.first,
                &d.second,
                &d.counts.0.to_string(),
                &d.counts.1.to_string(),
                &text(d.estimate.map(|e| e.value)),
                &text(d.estimate.map(|e| e.half_width)),
                d.verdict.word(),
            ])?;
        }
    }
    finish(writer)
}

/// Sessions as they may be named.
#[must_use]
pub fn named(sessions: &[SessionResults], anonymous: bool) -> Vec<Cow<'_, TakeResults>> {
    let mut ids: Vec<&str> = sessions.iter().flat_map(|s| &s.takes).map(|t| t.caster.as_str()).collect();
    ids.sort_unstable();
    ids.dedup();
    let mut out = Vec::new();
    for (session_idx, session) in sessions.iter().enumerate() {
        for (take_idx, take) in session.takes.iter().enumerate() {
            if !anonymous {
                out.push(Cow::Borrowed(take));
                continue;
            }
            let caster = ids.iter().position(|id| *id == take.caster).unwrap_or(0);
            let mut own = take.clone();
            own.session = format!("session {}", session_idx + 1);
            own.take = format!("take {}", take_idx + 1);
            own.caster = letters(caster);
            own.alias = letters(caster);
            own.clips.clear();
            out.push(Cow::Owned(own));
        }
    }
    out
}

/// Strokes of all sessions.
///
/// # Errors
/// Only what the Parquet writer says.
pub fn strokes(takes: &[Cow<'_, TakeResults>]) -> Result<Vec<u8>, ParquetError> {
    let rows: Vec<StrokeRow<'_>> = takes.iter().flat_map(|t| crate::rows_of(t)).collect();
    strokes_parquet::to_bytes(&rows)
}

/// Paths of all sessions.
///
/// # Errors
/// Only what the Parquet writer says.
pub fn paths(takes: &[Cow<'_, TakeResults>]) -> Result<Vec<u8>, ParquetError> {
    path_table::takes_to_bytes(&takes.iter().map(AsRef::as_ref).collect::<Vec<_>>())
}
