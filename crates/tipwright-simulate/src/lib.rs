//! Simulated clinic days with their truth: a rod and a line that obey mechanics, casters with named habits, and
//! phones that film them.
//!
//! World frame as in the measuring library: metres, +Z up. Simulated casters cast toward +X unless told otherwise.

pub use day::{DayKind, SimulateConfig, SimulateError, SimulateProgress, Simulated, simulate};

pub mod casters;
pub mod confusion;
pub mod day;
pub mod phone;
pub mod score;
pub mod stops;
pub mod truth_figures;
