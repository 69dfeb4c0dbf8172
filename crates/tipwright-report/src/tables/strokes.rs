//! `strokes.csv`, `strokes.parquet` and `takes/<take>/strokes.json`: one row per stroke, every figure as `q` and `q_sd` (one
//! standard deviation, same unit). A figure that cannot be had is empty, never zero.

use std::collections::BTreeMap;

use serde_json::{Map, Value as Json, json};

use super::facts::SCHEMA;
use super::keys::{self, OfTake};
use super::table::{Column, Kind, Table, Value};
use super::{direction_word, loop_word};
use tipwright::model::results::TakeResults;
use tipwright::model::{FigureId, RspSource, Stroke};

/// A stroke in its take.
#[derive(Debug, Clone, Copy)]
pub struct StrokeRow<'a> {
    /// The take.
    pub take: &'a TakeResults,
    /// The stroke.
    pub stroke: &'a Stroke,
}

impl OfTake for StrokeRow<'_> {
    fn take(&self) -> &TakeResults {
        self.take
    }

    fn stroke(&self) -> Option<u32> {
        Some(self.stroke.stroke)
    }
}

/// The rows of a take.
#[must_use]
pub fn rows(take: &TakeResults) -> Vec<StrokeRow<'_>> {
    take.strokes.iter().map(|stroke| StrokeRow { take, stroke }).collect()
}

/// Figures of schema 1; others came with schema 2.
const SCHEMA_1: &str = "t_start_s t_rsp_s t_stop_s duration_s chord_m chord_angle_deg travel_m dip_depth_m dip_at \
    dome_height_m slp_rms_m straightness off_plane_max_m peak_speed_m_s peak_lead_ms late_power stop_ms arc_deg max_bend_m \
    bend_lead_ms counterflex_m creep_m drift_m loop_width_m loop_speed_m_s pause_s opposite_deg speed_ramp_r2 \
    acceleration_sign_changes ring_frequency_hz ring_damping butt_speed_m_s loop_width_proxy_m loop_narrowest_m loop_angle_deg \
    fly_leg_speed_m_s fly_leg_dip_m loop_crossings loop_symmetry";

fn figure<'a>(id: FigureId) -> [Column<StrokeRow<'a>>; 2] {
    let info = id.info();
    let since = if SCHEMA_1.split_whitespace().any(|key| key == info.key) { 1 } else { 2 };
    let value = Column::new(Kind::Number, info.key, info.definition, move |r: &StrokeRow<'_>| {
        Value::number(r.stroke.figures.get(id).map(|m| m.value))
    });
    let sd = Column::new(
        Kind::Number,
        format!("{}_sd", info.key),
        format!("One standard deviation of {}.", info.key),
        move |r: &StrokeRow<'_>| Value::number(r.stroke.figures.get(id).map(|m| m.sd)),
    );
    [value, sd].map(|c| c.unit(info.unit).since(since))
}

/// The table.
#[must_use]
pub fn table<'a>() -> Table<StrokeRow<'a>> {
    let mut columns = keys::columns();
    columns.push(Column::new(Kind::Text, "direction", "forward or back.", |r: &StrokeRow<'_>| {
        Value::text(Some(direction_word(r.stroke.direction)))
    }));
    let since_2 = [
        Column::number(
            "direction_p",
            "",
            "Probability that the stroke goes that way.",
            |r: &StrokeRow<'_>| r.stroke.direction_p,
        ),
        Column::new(
            Kind::Text,
            "kind",
            "pick-up: the first of a sequence; false: line in the air before and after; delivery: the last; single: a \
             sequence of its own.",
            |r: &StrokeRow<'_>| Value::text(Some(r.stroke.kind.key())),
        ),
        Column::number("kind_p", "", "Probability that the stroke is of that kind.", |r: &StrokeRow<'_>| {
            r.stroke.kind_p
        }),
        Column::new(
            Kind::Count,
            "views",
            "Cameras that saw the tip. 1: measured in a plane that other takes told; such strokes are less sure and left out of \
             comparisons.",
            |r: &StrokeRow<'_>| Value::Count(u32::from(r.stroke.views)),
        ),
    ];
    columns.extend(since_2.map(|c| c.since(2)));
    for &id in FigureId::ALL {
        columns.extend(figure(id));
        match id {
            FigureId::Duration => columns.push(Column::new(
                Kind::Text,
                "rsp_source",
                "bend: the bend's zero crossing after its maximum; speed: the time of peak tip speed.",
                |r: &StrokeRow<'_>| {
                    Value::text(Some(match r.stroke.rsp_source {
                        RspSource::Bend => "bend",
                        RspSource::Speed => "speed",
                    }))
                },
            )),
            FigureId::SlapLevel => columns.push(
                Column::new(
                    Kind::Text,
                    "slap",
                    "Whether the line was heard to slap the rod after the stop: heard; not heard, where a click of 6 dB would have been; \
                     could not be heard (wind, voices, no sound), with the reason in missing of strokes.json; empty where nobody \
                     listened.",
                    |r: &StrokeRow<'_>| Value::text(r.stroke.slap.map(tipwright::model::SlapWord::words)),
                )
                .since(2),
            ),
            FigureId::LoopSpeed => columns.push(Column::new(
                Kind::Text,
                "loop_shape",
                "Shape of the loop where the line was measured.",
                |r: &StrokeRow<'_>| Value::text(r.stroke.loop_shape.map(loop_word)),
            )),
            _ => {}
        }
    }
    Table {
        name: "strokes",
        files: "strokes.csv, strokes.parquet, takes/<take>/strokes.json",
        about: "One row per stroke. Those of all results compared: comparison_rows.parquet.",
        columns,
    }
}

/// `{"schema":2,"strokes":[{...}]}`, indented, with a final newline: the columns by name and in their order, `null` where a
/// figure cannot be had, and `missing` with the reason of each.
///
/// # Errors
/// Only what the JSON writer says.
pub fn json(rows: &[StrokeRow<'_>]) -> Result<Vec<u8>, serde_json::Error> {
    let table = table();
    let strokes: Vec<Json> = rows
        .iter()
        .map(|row| {
            let mut map: Map<String, Json> =
                table.columns.iter().map(|c| (c.name.clone().into_owned(), c.value(row).json())).collect();
            let missing: BTreeMap<&str, &str> =
                row.stroke.figures.missing.iter().map(|(id, why)| (id.info().key, why.as_str())).collect();
            map.insert("missing".to_owned(), json!(missing));
            Json::Object(map)
        })
        .collect();
    let mut bytes = serde_json::to_vec_pretty(&json!({ "schema": SCHEMA, "strokes": strokes }))?;
    bytes.push(b'\n');
    Ok(bytes)
}
