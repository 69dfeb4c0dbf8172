//! One description of a table serves its CSV, its Parquet file, its JSON and the dictionary: name, unit, definition and
//! value of every column stand in one place.

use std::borrow::Cow;
use std::collections::HashMap;
use std::sync::Arc;

use arrow_array::{
    ArrayRef, BooleanArray, Float32Array, Float64Array, RecordBatch, StringArray, UInt32Array,
};
use arrow_schema::{ArrowError, DataType, Field, Schema};
use parquet::arrow::ArrowWriter;
use parquet::basic::Compression;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use serde::Serialize;
use serde_json::{Map, Value as Json, json};

use super::facts::Facts;
use crate::text::cell;

/// What stands in a cell. A number that is none (not finite) is empty: never NaN, never 0.
#[derive(Debug, Clone, PartialEq)]
pub enum Value<'r> {
    /// Empty.
    Empty,
    /// Text.
    Text(Cow<'r, str>),
    /// A whole number that counts.
    Count(u32),
    /// A number.
    Number(f64),
    /// Yes or no.
    Flag(bool),
}

impl<'r> Value<'r> {
    /// A text that may be absent.
    pub fn text(text: Option<impl Into<Cow<'r, str>>>) -> Self {
        text.map_or(Self::Empty, |t| Self::Text(t.into()))
    }

    /// A number that may be absent.
    #[must_use]
    pub fn number(number: Option<f64>) -> Self {
        number.filter(|v| v.is_finite()).map_or(Self::Empty, Self::Number)
    }

    /// As a JSON value.
    #[must_use]
    pub fn json(&self) -> Json {
        match self {
            Self::Empty => Json::Null,
            Self::Text(text) => json!(text),
            Self::Count(n) => json!(n),
            Self::Number(v) => json!(v),
            Self::Flag(is) => json!(is),
        }
    }

    /// As a cell of a CSV file: a text that a spreadsheet could take for a formula is kept from it ([`crate::text::cell`]).
    fn csv(&self) -> Cow<'_, str> {
        match self {
            Self::Empty => "".into(),
            Self::Text(text) => cell(text),
            Self::Count(n) => n.to_string().into(),
            Self::Number(v) => v.to_string().into(),
            Self::Flag(is) => is.to_string().into(),
        }
    }
}

/// What kind of value a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Text.
    Text,
    /// Whole numbers.
    Count,
    /// Numbers.
    Number,
    /// Numbers of single precision, where there are many and seven digits are enough.
    Number32,
    /// Yes or no.
    Flag,
}

impl Kind {
    /// As the dictionary says it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Count => "whole number",
            Self::Number => "number",
            Self::Number32 => "number of single precision",
            Self::Flag => "true or false",
        }
    }
}

type Get<R> = Box<dyn for<'r> Fn(&'r R) -> Value<'r> + Send + Sync>;

/// A column of rows `R`.
pub struct Column<R> {
    /// Name in the header, ending with its unit where it has one.
    pub name: Cow<'static, str>,
    /// Unit, empty for text and ratios.
    pub unit: &'static str,
    /// What it means.
    pub definition: Cow<'static, str>,
    /// What it holds.
    pub kind: Kind,
    /// Schema it came with.
    pub since: u32,
    get: Get<R>,
}

impl<R> Column<R> {
    /// A column of schema 1 without a unit.
    pub fn new(
        kind: Kind,
        name: impl Into<Cow<'static, str>>,
        definition: impl Into<Cow<'static, str>>,
        get: impl for<'r> Fn(&'r R) -> Value<'r> + Send + Sync + 'static,
    ) -> Self {
        Self {
            name: name.into(),
            unit: "",
            definition: definition.into(),
            kind,
            since: 1,
            get: Box::new(get),
        }
    }

    /// A number that is always there, of schema 1.
    pub fn number(
        name: &'static str,
        unit: &'static str,
        definition: &'static str,
        get: impl Fn(&R) -> f64 + Send + Sync + 'static,
    ) -> Self {
        Self { unit, ..Self::new(Kind::Number, name, definition, move |r| Value::number(Some(get(r)))) }
    }

    /// The same column, of a later schema.
    #[must_use]
    pub fn since(self, since: u32) -> Self {
        Self { since, ..self }
    }

    /// The same column with a unit.
    #[must_use]
    pub fn unit(self, unit: &'static str) -> Self {
        Self { unit, ..self }
    }

    /// The same column with another definition.
    #[must_use]
    pub fn meaning(self, definition: &'static str) -> Self {
        Self { definition: definition.into(), ..self }
    }

    /// Its value in a row.
    pub fn value<'r>(&self, row: &'r R) -> Value<'r> {
        (self.get)(row)
    }

    fn field(&self) -> Field {
        let kind = match self.kind {
            Kind::Text => DataType::Utf8,
            Kind::Count => DataType::UInt32,
            Kind::Number => DataType::Float64,
            Kind::Number32 => DataType::Float32,
            Kind::Flag => DataType::Boolean,
        };
        Field::new(&*self.name, kind, true).with_metadata(HashMap::from([
            ("unit".to_owned(), self.unit.to_owned()),
            ("definition".to_owned(), self.definition.clone().into_owned()),
        ]))
    }

    fn array(&self, rows: &[R]) -> ArrayRef {
        let values = rows.iter().map(|r| self.value(r));
        match self.kind {
            Kind::Text => Arc::new(
                values
                    .map(|v| if let Value::Text(t) = v { Some(t.into_owned()) } else { None })
                    .collect::<StringArray>(),
            ),
            Kind::Count => Arc::new(
                values.map(|v| if let Value::Count(n) = v { Some(n) } else { None }).collect::<UInt32Array>(),
            ),
            Kind::Number => Arc::new(
                values
                    .map(|v| if let Value::Number(n) = v { Some(n) } else { None })
                    .collect::<Float64Array>(),
            ),
            Kind::Number32 => Arc::new(
                values
                    .map(|v| if let Value::Number(n) = v { Some(n as f32) } else { None })
                    .collect::<Float32Array>(),
            ),
            Kind::Flag => Arc::new(
                values.map(|v| if let Value::Flag(n) = v { Some(n) } else { None }).collect::<BooleanArray>(),
            ),
        }
    }
}

/// Rows put into columns at a time: a take's draws are hundreds of thousands, and the texts of their keys would fill the memory.
pub(super) const BATCH_ROWS: usize = 8192;

/// A Parquet file of batches with facts about it.
pub(super) fn write(
    schema: &Arc<Schema>,
    facts: impl Iterator<Item = (String, String)>,
    batches: impl Iterator<Item = Result<RecordBatch, ArrowError>>,
) -> Result<Vec<u8>, ParquetError> {
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_key_value_metadata(Some(facts.map(|(k, v)| KeyValue::new(k, v)).collect()))
        .build();
    let mut bytes = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut bytes, Arc::clone(schema), Some(properties))?;
    for batch in batches {
        writer.write(&batch.map_err(|e| ParquetError::ArrowError(e.to_string()))?)?;
    }
    writer.close()?;
    Ok(bytes)
}

/// A table: what it is called, what a row is, its columns.
pub struct Table<R> {
    /// File name without its ending.
    pub name: &'static str,
    /// Where it lies and in which forms.
    pub files: &'static str,
    /// What a row is.
    pub about: &'static str,
    /// Columns in order.
    pub columns: Vec<Column<R>>,
}

impl<R> Table<R> {
    /// RFC 4180, UTF-8, a header, shortest decimals that read back exactly.
    ///
    /// # Errors
    /// Only what the csv writer says; writing to memory does not fail otherwise.
    pub fn csv(&self, rows: &[R]) -> Result<Vec<u8>, csv::Error> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(self.columns.iter().map(|c| c.name.as_bytes()))?;
        for row in rows {
            for column in &self.columns {
                writer.write_field(column.value(row).csv().as_bytes())?;
            }
            writer.write_record(None::<&[u8]>)?;
        }
        writer.into_inner().map_err(|e| e.into_error().into())
    }

    /// One file: unit and definition of each column in its field metadata (keys `unit` and `definition`), and
    /// once more as JSON under the file's key `tipwright.columns` for readers that do not show field metadata; the facts of
    /// the file under keys of their own.
    ///
    /// # Errors
    /// Only what the Parquet writer says.
    pub fn parquet(&self, rows: &[R], facts: &Facts) -> Result<Vec<u8>, ParquetError> {
        // of no rows one empty batch, so that there is a file with columns
        let (schema, from) = (self.schema(), (0..rows.len().max(1)).step_by(BATCH_ROWS));
        let some = |from: usize| &rows[from..rows.len().min(from + BATCH_ROWS)];
        self.file(&schema, facts, from.map(|from| self.batch(&schema, some(from))))
    }

    /// [`Self::parquet`] of so many rows that they are made as they are written.
    ///
    /// # Errors
    /// Only what the Parquet writer says.
    pub fn parquet_of(&self, rows: impl Iterator<Item = R>, facts: &Facts) -> Result<Vec<u8>, ParquetError> {
        let (schema, mut rows) = (self.schema(), rows.peekable());
        let mut is_first = true;
        let batches = std::iter::from_fn(|| {
            (std::mem::take(&mut is_first) || rows.peek().is_some())
                .then(|| self.batch(&schema, &rows.by_ref().take(BATCH_ROWS).collect::<Vec<R>>()))
        });
        self.file(&schema, facts, batches)
    }

    fn schema(&self) -> Arc<Schema> {
        Arc::new(Schema::new(self.columns.iter().map(Column::field).collect::<Vec<_>>()))
    }

    fn batch(&self, schema: &Arc<Schema>, rows: &[R]) -> Result<RecordBatch, ArrowError> {
        RecordBatch::try_new(Arc::clone(schema), self.columns.iter().map(|c| c.array(rows)).collect())
    }

    fn file(
        &self,
        schema: &Arc<Schema>,
        facts: &Facts,
        batches: impl Iterator<Item = Result<RecordBatch, ArrowError>>,
    ) -> Result<Vec<u8>, ParquetError> {
        let columns: Map<String, Json> = self
            .columns
            .iter()
            .map(|c| (c.name.clone().into_owned(), json!({ "unit": c.unit, "definition": c.definition })))
            .collect();
        let own = [
            ("tipwright.table", self.about.to_owned()),
            ("tipwright.columns", Json::Object(columns).to_string()),
        ];
        let facts = own.into_iter().chain(facts.pairs()).map(|(k, v)| (k.to_owned(), v));
        write(schema, facts, batches)
    }

    /// Its entry in the dictionary.
    #[must_use]
    pub fn entry(&self) -> Entry {
        let column = |c: &Column<R>| ColumnEntry {
            name: c.name.clone().into_owned(),
            kind: c.kind.word(),
            unit: c.unit,
            definition: c.definition.clone().into_owned(),
            since: c.since,
        };
        Entry {
            name: self.name,
            files: self.files,
            about: self.about,
            columns: self.columns.iter().map(column).collect(),
        }
    }
}

/// A table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Entry {
    /// Name.
    pub name: &'static str,
    /// Where it lies.
    pub files: &'static str,
    /// What a row is.
    pub about: &'static str,
    /// Columns.
    pub columns: Vec<ColumnEntry>,
}

/// A column.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ColumnEntry {
    /// Name.
    pub name: String,
    /// Text, number, whole number, true or false.
    #[serde(rename = "type")]
    pub kind: &'static str,
    /// Unit.
    pub unit: &'static str,
    /// What it means.
    pub definition: String,
    /// Schema it came with.
    pub since: u32,
}
