//! `evidence.csv` and `evidence.parquet`: one row per stroke and rule that was asked, raised or not, so that a query
//! can count what a threshold would raise.

use super::direction_word;
use super::keys::{self, OfTake};
use super::table::{Column, Kind, Table, Value};
use tipwright::model::evidence::Evidence;
use tipwright::model::results::TakeResults;

/// What was asked of a stroke.
#[derive(Debug, Clone, Copy)]
pub struct EvidenceRow<'a> {
    take: &'a TakeResults,
    stroke: u32,
    evidence: &'a Evidence,
}

impl OfTake for EvidenceRow<'_> {
    fn take(&self) -> &TakeResults {
        self.take
    }

    fn stroke(&self) -> Option<u32> {
        Some(self.stroke)
    }
}

/// The rows of takes.
#[must_use]
pub fn rows(takes: &[TakeResults]) -> Vec<EvidenceRow<'_>> {
    takes.iter().flat_map(take_rows).collect()
}

fn take_rows(take: &TakeResults) -> Vec<EvidenceRow<'_>> {
    let mut out = Vec::new();
    for found in &take.evidence {
        let mut own: Vec<&Evidence> = found.evidence.iter().collect();
        own.sort_by(|a, b| a.rule.cmp(&b.rule));
        out.extend(own.into_iter().map(|evidence| EvidenceRow { take, stroke: found.stroke, evidence }));
    }
    out
}

/// The table.
#[must_use]
pub fn table<'a>() -> Table<EvidenceRow<'a>> {
    type Row<'r> = EvidenceRow<'r>;
    let mut columns = keys::columns();
    columns.extend([
        Column::new(Kind::Text, "direction", "Direction of the stroke: forward or back.", |r: &Row<'_>| {
            let stroke = r.take.strokes.iter().find(|s| s.stroke == r.stroke);
            Value::text(stroke.map(|s| direction_word(s.direction)))
        }),
        Column::new(
            Kind::Text,
            "kind",
            "Kind of the stroke: pick-up, false, delivery or single.",
            |r: &Row<'_>| {
                let stroke = r.take.strokes.iter().find(|s| s.stroke == r.stroke);
                Value::text(stroke.map(|s| s.kind.key()))
            },
        )
        .since(2),
        Column::new(
            Kind::Text,
            "rule",
            "Id of the rule in the settings file of the evidence.",
            |r: &Row<'_>| Value::text(Some(r.evidence.rule.as_str())),
        ),
        Column::new(
            Kind::Text,
            "word",
            "seen where the thing itself was measured, likely where it is inferred.",
            |r: &Row<'_>| Value::text(Some(r.evidence.word.text())),
        ),
        Column::number(
            "probability",
            "",
            "Probability that what the rule names is true: the share of times it comes true.",
            |r: &Row<'_>| r.evidence.probability,
        ),
        Column::new(Kind::Flag, "raised", "The probability reaches the rule's raise_at.", |r: &Row<'_>| {
            Value::Flag(r.evidence.is_raised)
        }),
    ]);
    Table {
        name: "evidence",
        files: "evidence.csv, evidence.parquet",
        about: "One row per stroke and rule that was asked, raised or not.",
        columns,
    }
}
