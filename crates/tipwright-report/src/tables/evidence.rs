//! `evidence.csv` and `evidence.parquet`: one row per stroke and rule that was asked, raised or not, so that a query
//! can count what a threshold would raise.

use std::sync::Arc;

use arrow::array::{ArrayRef, BooleanArray, Float64Array, StringArray, UInt32Array};
use arrow::datatypes::{DataType, Field};
use parquet::errors::ParquetError;

use super::direction_word;
use super::strokes_parquet::{described, parquet_bytes};
use tipwright::model::evidence::Evidence;
use tipwright::model::results::TakeResults;

/// A row: a take, a stroke's number and direction, what was asked of it.
struct Row<'a> {
    take: &'a TakeResults,
    stroke: u32,
    direction: &'static str,
    kind: &'static str,
    evidence: &'a Evidence,
}

fn rows<'a>(takes: &'a [TakeResults]) -> Vec<Row<'a>> {
    let mut out = Vec::new();
    for take in takes {
        for found in &take.evidence {
            let stroke = take.strokes.iter().find(|s| s.stroke == found.stroke);
            let mut own: Vec<&Evidence> = found.evidence.iter().collect();
            own.sort_by(|a, b| a.rule.cmp(&b.rule));
            out.extend(own.into_iter().map(|evidence| Row {
                take,
                stroke: found.stroke,
                direction: stroke.map_or("", |s| direction_word(s.direction)),
                kind: stroke.map_or("", |s| s.kind.key()),
                evidence,
            }));
        }
    }
    out
}

/// A text of a row with its column name and definition.
type TextColumn = (&'static str, &'static str, fn(&Row<'_>) -> Option<String>);

const BEFORE: &[TextColumn] = &[
    ("session", "Name of the session.", |r| Some(r.take.session.clone())),
    ("take", "Name of the take.", |r| Some(r.take.take.clone())),
    ("caster", "Id of the caster.", |r| Some(r.take.caster.clone())),
    ("phase", "Label to compare by; empty when none was given.", |r| r.take.phase.clone()),
];

const AFTER: &[TextColumn] = &[
    ("direction", "Direction of the stroke: forward or back.", |r| Some(r.direction.to_owned())),
    ("kind", "Kind of the stroke: pick-up, false, delivery or single.", |r| Some(r.kind.to_owned())),
    ("rule", "Id of the rule in the settings file of the evidence.", |r| Some(r.evidence.rule.clone())),
    ("word", "seen where the thing itself was measured, likely where it is inferred.", |r| {
        Some(r.evidence.word.text().to_owned())
    }),
];

const STROKE: &str = "Number of the stroke in its take, from 1.";
const PROBABILITY: &str = "Probability that what the rule names is true: the share of times it comes true.";
const RAISED: &str = "The probability reaches the rule's raise_at.";

/// The table as Parquet.
///
/// # Errors
/// Only what the Parquet writer says.
pub fn to_parquet(takes: &[TakeResults]) -> Result<Vec<u8>, ParquetError> {
    let rows = rows(takes);
    let mut fields: Vec<Field> = Vec::new();
    let mut arrays: Vec<ArrayRef> = Vec::new();
    let texts = |columns: &[TextColumn], fields: &mut Vec<Field>, arrays: &mut Vec<ArrayRef>| {
        for (name, definition, get) in columns {
            fields.push(described(name, DataType::Utf8, true, "", definition));
            arrays.push(Arc::new(rows.iter().map(get).collect::<StringArray>()));
        }
    };
    texts(BEFORE, &mut fields, &mut arrays);
    fields.push(described("stroke", DataType::UInt32, false, "", STROKE));
    arrays.push(Arc::new(UInt32Array::from_iter_values(rows.iter().map(|r| r.stroke))));
    texts(AFTER, &mut fields, &mut arrays);
    fields.push(described("probability", DataType::Float64, false, "", PROBABILITY));
    arrays.push(Arc::new(Float64Array::from_iter_values(rows.iter().map(|r| r.evidence.probability))));
    fields.push(described("raised", DataType::Boolean, false, "", RAISED));
    arrays.push(Arc::new(rows.iter().map(|r| Some(r.evidence.is_raised)).collect::<BooleanArray>()));
    parquet_bytes(fields, arrays)
}

/// The table as CSV.
///
/// # Errors
/// Only what the csv writer says.
pub fn to_csv(takes: &[TakeResults]) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let names = |columns: &[TextColumn]| columns.iter().map(|c| c.0.to_owned()).collect::<Vec<_>>();
    let mut header = names(BEFORE);
    header.push("stroke".into());
    header.extend(names(AFTER));
    header.extend(["probability".into(), "raised".into()]);
    writer.write_record(&header)?;
    for row in rows(takes) {
        let texts = |columns: &[TextColumn]| {
            columns.iter().map(|c| (c.2)(&row).unwrap_or_default()).collect::<Vec<_>>()
        };
        let mut record = texts(BEFORE);
        record.push(row.stroke.to_string());
        record.extend(texts(AFTER));
        record.extend([row.evidence.probability.to_string(), row.evidence.is_raised.to_string()]);
        writer.write_record(&record)?;
    }
    writer.into_inner().map_err(|e| e.into_error().into())
}
