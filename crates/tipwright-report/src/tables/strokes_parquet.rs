//! `strokes.parquet`: typed columns; unit and definition of each in its field metadata (keys `unit` and
//! `definition`), and once more as JSON under the file's key `tipwright.columns` for readers that do not show
//! field metadata.

use std::collections::HashMap;
use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, RecordBatch, StringArray, UInt32Array};
use arrow::datatypes::{DataType, Field, Schema};
use arrow::error::ArrowError;
use parquet::arrow::ArrowWriter;
use parquet::basic::Compression;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use serde_json::{Map, Value, json};

use super::{Column, StrokeRow};

/// The whole table as bytes.
///
/// # Errors
/// Only what the Parquet writer says.
pub fn to_bytes(rows: &[StrokeRow<'_>]) -> Result<Vec<u8>, ParquetError> {
    let columns = Column::all();
    let fields: Vec<Field> = columns
        .iter()
        .map(|&column| {
            let (kind, may_be_null) = match column {
                Column::Text(_) => (DataType::Utf8, true),
                Column::StrokeNumber => (DataType::UInt32, false),
                Column::Figure(_) | Column::Sd(_) | Column::DirectionP | Column::KindP => {
                    (DataType::Float64, true)
                }
            };
            described(&column.name(), kind, may_be_null, column.unit(), &column.definition())
        })
        .collect();
    let arrays: Vec<ArrayRef> = columns
        .iter()
        .map(|&column| -> ArrayRef {
            match column {
                Column::Text(text) => {
                    Arc::new(rows.iter().map(|row| row.text(text)).collect::<StringArray>())
                }
                Column::StrokeNumber => {
                    Arc::new(UInt32Array::from_iter_values(rows.iter().map(|r| r.stroke.stroke)))
                }
                Column::Figure(_) | Column::Sd(_) | Column::DirectionP | Column::KindP => {
                    Arc::new(rows.iter().map(|row| row.number(column)).collect::<Float64Array>())
                }
            }
        })
        .collect();
    parquet_bytes(fields, arrays)
}

/// A field with its unit and definition.
pub(super) fn described(
    name: &str,
    kind: DataType,
    may_be_null: bool,
    unit: &str,
    definition: &str,
) -> Field {
    Field::new(name, kind, may_be_null).with_metadata(HashMap::from([
        ("unit".to_owned(), unit.to_owned()),
        ("definition".to_owned(), definition.to_owned()),
    ]))
}

/// One file of one batch.
pub(super) fn parquet_bytes(fields: Vec<Field>, arrays: Vec<ArrayRef>) -> Result<Vec<u8>, ParquetError> {
    let columns: Map<String, Value> = fields
        .iter()
        .map(|f| {
            let get = |key: &str| f.metadata().get(key).cloned().unwrap_or_default();
            (f.name().clone(), json!({ "unit": get("unit"), "definition": get("definition") }))
        })
        .collect();
    let schema = Arc::new(Schema::new(fields));
    let batch = RecordBatch::try_new(Arc::clone(&schema), arrays)
        .map_err(|e: ArrowError| ParquetError::ArrowError(e.to_string()))?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_key_value_metadata(Some(vec![KeyValue::new(
            "tipwright.columns".to_owned(),
            Value::Object(columns).to_string(),
        )]))
        .build();
    let mut bytes = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut bytes, schema, Some(properties))?;
    writer.write(&batch)?;
    writer.close()?;
    Ok(bytes)
}
