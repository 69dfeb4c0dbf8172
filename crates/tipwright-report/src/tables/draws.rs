//! `draws.parquet`: the path's draws, for whoever computes a figure of their own and wants its standard deviation: compute it
//! of every draw and take the spread.

use super::keys;
use super::samples::{SampleRow, stroke_at};
use super::table::{Column, Kind, Table, Value};
use nalgebra::Vector3;
use tipwright::model::PathDraws;
use tipwright::model::results::{PathPoint, TakeResults};

/// The tip of one draw at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrawnPoint {
    draw: u32,
    t_s: f64,
    position_m: [f64; 3],
}

/// Rows of the draws of a take's path, draw by draw, at the instants that lie in a stroke.
pub fn rows<'a>(
    take: &'a TakeResults,
    draws: &'a PathDraws,
) -> impl Iterator<Item = SampleRow<'a, DrawnPoint>> {
    let inside: Vec<(usize, &PathPoint, u32)> =
        take.path.iter().enumerate().filter_map(|(k, p)| Some((k, p, stroke_at(take, p.t_s)?))).collect();
    (0..draws.len()).flat_map(move |draw_idx| {
        let row = |&(k, point, stroke): &(usize, &PathPoint, u32)| {
            let position_m = (Vector3::from(point.position_m) + draws.error_m(draw_idx, k)?).into();
            let sample = DrawnPoint { draw: draw_idx as u32 + 1, t_s: point.t_s, position_m };
            Some(SampleRow { take, stroke: Some(stroke), sample })
        };
        inside.iter().filter_map(row).collect::<Vec<_>>()
    })
}

/// `draws.parquet`.
#[must_use]
pub fn table<'a>() -> Table<SampleRow<'a, DrawnPoint>> {
    type Row<'r> = SampleRow<'r, DrawnPoint>;
    let axis = |name, definition, axis: usize| {
        Column::new(Kind::Number32, name, definition, move |r: &Row<'_>| {
            Value::number(Some(r.sample.position_m[axis]))
        })
        .unit("m")
    };
    let own = [
        Column::new(
            Kind::Count,
            "draw",
            "Which joint sample of path, clocks and set-up, from 1; of all rows of a take alike.",
            |r: &Row<'_>| Value::Count(r.sample.draw),
        ),
        Column::number("t_s", "s", "Session time: an instant of the path.", |r: &Row<'_>| r.sample.t_s),
        axis("x_m", "Tip of this draw in the world frame, x.", 0),
        axis("y_m", "Tip of this draw in the world frame, y.", 1),
        axis("z_m", "Tip of this draw in the world frame, z, up.", 2),
    ];
    let mut columns = keys::columns();
    columns.extend(own.into_iter().map(|c| c.since(2)));
    Table {
        name: "draws",
        files: "takes/<take>/draws.parquet",
        about: "One row per draw and instant of the path within strokes: the path as it would be with other errors of the same kind.",
        columns,
    }
}
