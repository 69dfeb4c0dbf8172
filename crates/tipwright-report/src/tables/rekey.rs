//! New names for the rows of a table that cannot be made again without the clips: a session's title, a caster's alias or a phase
//! may change after a take was measured.

use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use arrow_array::{ArrayRef, RecordBatch, StringArray};
use arrow_schema::{ArrowError, Schema};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::errors::ParquetError;

use super::facts::Facts;
use super::keys::{self, OfTake};
use super::table::{Value, write};
use crate::ReportError;
use crate::files::FileMade;
use tipwright::model::results::TakeResults;

struct Whose<'a>(&'a TakeResults);

impl OfTake for Whose<'_> {
    fn take(&self) -> &TakeResults {
        self.0
    }

    fn stroke(&self) -> Option<u32> {
        None
    }
}

/// The file at `path`, a table of a take to lie at `place`, with the take's names of today.
///
/// # Errors
/// It cannot be read, or is no table with keys.
pub fn renamed(path: &Path, place: &str, take: &TakeResults) -> Result<FileMade, ReportError> {
    FileMade::of(place, rewrite(path, take))
}

fn rewrite(path: &Path, take: &TakeResults) -> Result<Vec<u8>, ParquetError> {
    let reader = ParquetRecordBatchReaderBuilder::try_new(File::open(path)?)?;
    // without the facts of the file, which the reader adds to the columns' own
    let schema = Arc::new(Schema::new(reader.schema().fields().clone()));
    let facts = Facts::of([take]);
    let own = ["tipwright.table", "tipwright.columns"];
    let written = reader.metadata().file_metadata().key_value_metadata().into_iter().flatten();
    let kept: Vec<(String, String)> = own
        .iter()
        .filter_map(|key| {
            let found = written.clone().find(|kv| kv.key == *key)?;
            Some((found.key.clone(), found.value.clone()?))
        })
        .collect();
    let facts = kept.into_iter().chain(facts.pairs().map(|(k, v)| (k.to_owned(), v)));
    let batches = reader.with_batch_size(super::table::BATCH_ROWS).build()?;
    let renamed = batches.map(|batch| rename(&batch?, &schema, take));
    write(&schema, facts, renamed)
}

fn rename(batch: &RecordBatch, schema: &Arc<Schema>, take: &TakeResults) -> Result<RecordBatch, ArrowError> {
    let whose = Whose(take);
    let mut columns = batch.columns().to_vec();
    for key in keys::columns::<Whose<'_>>() {
        let Value::Text(text) = key.value(&whose) else {
            // a name that is gone; the stroke's number stays
            if key.name != "stroke" {
                columns[schema.index_of(&key.name)?] = texts(None, batch.num_rows());
            }
            continue;
        };
        columns[schema.index_of(&key.name)?] = texts(Some(&text), batch.num_rows());
    }
    RecordBatch::try_new(Arc::clone(schema), columns)
}

fn texts(text: Option<&str>, rows: usize) -> ArrayRef {
    Arc::new((0..rows).map(|_| text).collect::<StringArray>())
}
