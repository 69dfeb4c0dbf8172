//! Stage `lens`: intrinsics of each camera from pictures of a board, and projection with its inverse.
//!
//! [`from_source`] takes a clip or a folder of stills, [`calibrate`] corners already found. The board to print
//! comes from the report crate. A board is a chessboard, rows of discs or a chessboard with codes ([`coded`]).

mod adjust;
mod calibrate;
mod choice;
mod circles;
pub mod coded;
mod corner;
mod count;
mod coverage;
mod file;
mod homography;
pub mod projection;
mod search;
mod sharpness;
mod source;
pub mod stereo;
mod thin;
mod verdicts;
mod views;

pub use calibrate::calibrate;
pub use coverage::{Coverage, GRID, PART_NAMES, grid_px};
pub use file::{read_lens, write_lens};
pub use search::shows_board;
pub use sharpness::edge_width_px;
pub use source::{Progress, from_source};
pub use views::{BoardView, LeftOut, LensCalibration, LensConfig, LensError, ViewReport};
