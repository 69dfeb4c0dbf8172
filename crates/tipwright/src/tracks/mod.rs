//! Linking and timing of sightings: what leads from candidates to the equations of [`crate::motion`].
//!
//! - [`tracklets`]: candidates of one camera linked over time.
//! - [`rays`], [`sync`]: two cameras' rays, and the offset of their clocks from them.
//! - [`pieces`]: runs of sightings in which one track of one camera and one of another show the same thing.
//! - [`follow`]: a slow camera's sightings along a faster one's tracks.
//! - [`gather`]: which candidates are which markers, once paths, poses and clocks are known well.
//! - [`mixed`]: which of those are a marker with something else, or half of one.

pub mod follow;
pub mod gather;
pub mod mixed;
pub mod pieces;
pub mod rays;
pub mod sync;
pub mod tracklets;
