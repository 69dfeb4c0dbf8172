//! The columns that every table begins with: whose row it is.

use super::table::{Column, Kind, Value};
use tipwright::model::results::TakeResults;

/// A row that belongs to a take, and perhaps to one of its strokes.
pub trait OfTake {
    /// The take.
    fn take(&self) -> &TakeResults;
    /// Number of the stroke.
    fn stroke(&self) -> Option<u32>;
}

/// Session, id, date, take, caster, key, phase, stroke.
#[must_use]
pub fn columns<R: OfTake>() -> Vec<Column<R>> {
    let text = |name, definition, get: fn(&TakeResults) -> Option<&str>| {
        Column::new(Kind::Text, name, definition, move |r: &R| Value::text(get(r.take())))
    };
    vec![
        text("session", "Title of the session.", |t| Some(&t.session)),
        text(
            "session_id",
            "Id of the session, never changed: what keeps sessions apart. Empty for sessions of schema 1.",
            |t| t.keys.session_id.as_deref(),
        )
        .since(2),
        text("date", "Day of the session, YYYY-MM-DD.", |t| t.keys.date.as_deref()).since(2),
        text("take", "Name of the take.", |t| Some(&t.take)),
        text("caster", "Id of the caster within the session.", |t| Some(&t.caster)),
        Column::new(
            Kind::Text,
            "caster_key",
            "Key of the caster over all sessions: the one given in casters.csv, otherwise session_id/caster.",
            |r: &R| Value::text(r.take().keys.of_caster(&r.take().caster)),
        )
        .since(2),
        text("caster_class", "Class of the caster, as casters.csv gives it.", |t| {
            t.keys.caster_class.as_deref()
        })
        .since(2),
        text("phase", "Label to compare by; empty when none was given.", |t| t.phase.as_deref()),
        Column::new(
            Kind::Count,
            "stroke",
            "Number of the stroke within its take, from 1; empty where a row belongs to none.",
            |r: &R| r.stroke().map_or(Value::Empty, Value::Count),
        ),
    ]
}
