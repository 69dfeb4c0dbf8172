//! Made-up results and what is read back of what was written of them.
#![allow(dead_code, reason = "what other tests and the example need")]

#[path = "../../examples/sample_results/clinic.rs"]
pub mod clinic;

use std::path::Path;

use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use tipwright::model::SessionResults;
use tipwright_report::files::FileMade;
use tipwright_report::page::session_pages;

pub fn session(takes: usize) -> SessionResults {
    clinic::session(&clinic::Wish { takes, feet: true, butt: true, seed: 7 })
}

pub fn page_of(pages: &[FileMade], place: &str) -> String {
    let page = pages.iter().find(|p| p.place == place).unwrap_or_else(|| panic!("no {place}"));
    String::from_utf8(page.bytes.clone()).unwrap()
}

/// All pages of a session in one text.
pub fn all_pages(session: &SessionResults) -> String {
    session_pages(session).into_iter().map(|p| String::from_utf8(p.bytes).unwrap()).collect()
}

/// All texts of a Parquet file, however compressed, and its metadata.
pub fn texts_of(path: &Path) -> String {
    let file = std::fs::File::open(path).unwrap();
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).unwrap();
    let metadata = format!("{:?}", reader.metadata().file_metadata().key_value_metadata());
    reader.build().unwrap().map(|b| format!("{:?}", b.unwrap())).collect::<String>() + &metadata
}
