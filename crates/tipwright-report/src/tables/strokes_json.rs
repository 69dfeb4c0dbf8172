//! `takes/<take>/strokes.json`: the same columns by name and in the same order, `null` where a figure cannot be
//! had, and `missing` with the reason of each.

use std::collections::BTreeMap;

use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

use super::{Column, StrokeRow};

/// Version of the layout.
pub const SCHEMA: u32 = 1;

#[derive(Serialize)]
struct File<'a> {
    schema: u32,
    strokes: Vec<Row<'a>>,
}

struct Row<'a>(&'a StrokeRow<'a>);

impl Serialize for Row<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        for column in Column::all() {
            match column {
                Column::Text(text) => map.serialize_entry(&column.name(), &self.0.text(text))?,
                Column::StrokeNumber => map.serialize_entry(&column.name(), &self.0.stroke.stroke)?,
                Column::Figure(_) | Column::Sd(_) | Column::DirectionP | Column::KindP => {
                    map.serialize_entry(&column.name(), &self.0.number(column))?
                }
            }
        }
        let missing: BTreeMap<&str, &str> =
            self.0.stroke.figures.missing.iter().map(|(id, why)| (id.info().key, why.as_str())).collect();
        map.serialize_entry("missing", &missing)?;
        map.end()
    }
}

/// `{"schema":1,"strokes":[{...}]}`, indented, with a final newline.
///
/// # Errors
/// Only what the JSON writer says.
pub fn to_bytes(rows: &[StrokeRow<'_>]) -> Result<Vec<u8>, serde_json::Error> {
    let mut bytes =
        serde_json::to_vec_pretty(&File { schema: SCHEMA, strokes: rows.iter().map(Row).collect() })?;
    bytes.push(b'\n');
    Ok(bytes)
}
