//! `strokes.csv`: RFC 4180, UTF-8, a header, one row per stroke, shortest decimals that read back exactly.

use super::{Column, StrokeRow};

/// The whole table as bytes.
///
/// # Errors
/// Only what the csv writer says; writing to memory does not fail otherwise.
pub fn to_bytes(rows: &[StrokeRow<'_>]) -> Result<Vec<u8>, csv::Error> {
    let columns = Column::all();
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(columns.iter().map(|c| c.name()))?;
    for row in rows {
        writer.write_record(columns.iter().map(|&column| match column {
            Column::Text(text) => row.text(text).unwrap_or_default().to_owned(),
            Column::StrokeNumber => row.stroke.stroke.to_string(),
            Column::Figure(_) | Column::Sd(_) | Column::DirectionP | Column::KindP => {
                row.number(column).map(|v| v.to_string()).unwrap_or_default()
            }
        }))?;
    }
    writer.into_inner().map_err(|e| e.into_error().into())
}
