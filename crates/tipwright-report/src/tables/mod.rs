//! Tables: one row per stroke, per question asked of a stroke, per instant of a path. Each is described once
//! ([`table::Table`]) and written as CSV, Parquet or JSON from that; every row says whose it is ([`keys`]).

pub mod draws;
pub mod evidence;
pub mod facts;
pub mod keys;
pub mod rekey;
pub mod samples;
pub mod spots;
pub mod strokes;
pub mod table;

use tipwright::model::Direction;
use tipwright::model::stroke::LoopShape;

/// `forward` or `back`.
#[must_use]
pub fn direction_word(direction: Direction) -> &'static str {
    match direction {
        Direction::Forward => "forward",
        Direction::Back => "back",
    }
}

/// Word of a loop shape, as in the tables.
#[must_use]
pub fn loop_word(shape: LoopShape) -> &'static str {
    match shape {
        LoopShape::Convex => "convex",
        LoopShape::Straight => "straight",
        LoopShape::Concave => "concave",
        LoopShape::Crossing => "crossing",
        LoopShape::Tailing => "tailing",
    }
}
