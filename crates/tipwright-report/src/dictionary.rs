//! Every column of every table with its unit, its definition and the schema it came with: for a person as Markdown, for a
//! program as JSON.

use std::fmt::Write;

use crate::compare::pair::pair_table;
use crate::compare::tables as comparison;
use crate::tables::facts::{SCHEMA, program};
use crate::tables::table::Entry;
use crate::tables::{draws, evidence, samples, spots, strokes};

/// All tables.
#[must_use]
pub fn entries() -> Vec<Entry> {
    vec![
        strokes::table().entry(),
        evidence::table().entry(),
        samples::path().entry(),
        samples::rod().entry(),
        samples::loops().entry(),
        spots::table().entry(),
        draws::table().entry(),
        comparison::means_table().entry(),
        comparison::differences_table().entry(),
        comparison::sessions_table().entry(),
        pair_table().entry(),
    ]
}

/// As one JSON document.
#[must_use]
pub fn json() -> serde_json::Value {
    serde_json::json!({ "program": program(), "schema": SCHEMA, "tables": entries() })
}

/// As Markdown.
#[must_use]
pub fn markdown() -> String {
    let mut out = format!(
        "# Columns of the tables ({}, schema {SCHEMA})\n\nMetres, seconds, metres per second; degrees where a name ends in \
         `_deg`, milliseconds where in `_ms`. Empty (null) is what cannot be had; never NaN, never 0. `q_sd` is one standard \
         deviation of `q`. In CSV files a text that a spreadsheet could take for a formula has one apostrophe before it (so has \
         one that begins with an apostrophe): take away one leading apostrophe to read it back; Parquet and JSON hold it as it is.\n",
        program()
    );
    for table in entries() {
        let _ = write!(
            out,
            "\n## {}\n\n{} {}\n\n| column | type | unit | since schema | definition |\n|---|---|---|---|---|\n",
            table.name, table.about, table.files
        );
        for c in table.columns {
            // A bar would end the cell.
            let definition = c.definition.replace('|', "\\|");
            let _ = writeln!(out, "| `{}` | {} | {} | {} | {definition} |", c.name, c.kind, c.unit, c.since);
        }
    }
    out
}
