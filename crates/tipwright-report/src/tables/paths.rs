//! `takes/<take>/path.parquet`: the tip path in the world frame, with the session, take and caster in every row,
//! so that one query over `*/takes/*/path.parquet` spans many sessions.

use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, StringArray, UInt8Array};
use arrow::datatypes::{DataType, Field};
use parquet::errors::ParquetError;

use super::strokes_parquet::{described, parquet_bytes};
use tipwright::model::results::{PathPoint, TakeResults};

/// A number of a path point with its column name, unit and definition.
type NumberColumn = (&'static str, &'static str, &'static str, fn(&PathPoint) -> f64);

const NUMBERS: &[NumberColumn] = &[
    ("t_s", "s", "Session time: the first camera's clock.", |p| p.t_s),
    ("x_m", "m", "Tip in the world frame, x.", |p| p.position_m[0]),
    ("y_m", "m", "Tip in the world frame, y.", |p| p.position_m[1]),
    ("z_m", "m", "Tip in the world frame, z, up.", |p| p.position_m[2]),
    ("vx_m_s", "m/s", "Velocity of the tip along x.", |p| p.velocity_m_s[0]),
    ("vy_m_s", "m/s", "Velocity of the tip along y.", |p| p.velocity_m_s[1]),
    ("vz_m_s", "m/s", "Velocity of the tip along z.", |p| p.velocity_m_s[2]),
    ("sx_m", "m", "Standard deviation of x_m.", |p| p.sd_m[0]),
    ("sy_m", "m", "Standard deviation of y_m.", |p| p.sd_m[1]),
    ("sz_m", "m", "Standard deviation of z_m.", |p| p.sd_m[2]),
];

/// A text of a take with its column name and definition.
type TextColumn = (&'static str, &'static str, fn(&TakeResults) -> Option<&str>);

const TEXTS: &[TextColumn] = &[
    ("session", "Name of the session.", |t| Some(&t.session)),
    ("take", "Name of the take.", |t| Some(&t.take)),
    ("caster", "Id of the caster.", |t| Some(&t.caster)),
    ("phase", "Label to compare by; empty when none was given.", |t| t.phase.as_deref()),
];

/// The table of one take as bytes.
///
/// # Errors
/// Only what the Parquet writer says.
pub fn to_bytes(take: &TakeResults) -> Result<Vec<u8>, ParquetError> {
    takes_to_bytes(&[take])
}

/// The table of several takes as bytes.
///
/// # Errors
/// Only what the Parquet writer says.
pub fn takes_to_bytes(takes: &[&TakeResults]) -> Result<Vec<u8>, ParquetError> {
    let mut fields: Vec<Field> = Vec::new();
    let mut arrays: Vec<ArrayRef> = Vec::new();
    for (name, definition, get) in TEXTS {
        let values = takes.iter().flat_map(|take| std::iter::repeat_n(get(take), take.path.len()));
        fields.push(described(name, DataType::Utf8, true, "", definition));
        arrays.push(Arc::new(values.collect::<StringArray>()));
    }
    let points = || takes.iter().flat_map(|take| &take.path);
    for (name, unit, definition, get) in NUMBERS {
        fields.push(described(name, DataType::Float64, false, unit, definition));
        arrays.push(Arc::new(Float64Array::from_iter_values(points().map(get))));
    }
    let views = "Cameras that saw the tip within half a frame; 0: a short gap was bridged.";
    fields.push(described("views", DataType::UInt8, false, "", views));
    arrays.push(Arc::new(UInt8Array::from_iter_values(points().map(|p| p.views))));
    parquet_bytes(fields, arrays)
}
