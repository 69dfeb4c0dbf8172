//! The board a lens is calibrated with.

use serde::{Deserialize, Serialize};

/// A chessboard by its inner corners.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Board {
    /// Inner corners along a row.
    pub columns: u32,
    /// Inner corners along a column.
    pub rows: u32,
    /// Side of a square.
    pub square_mm: f64,
}
