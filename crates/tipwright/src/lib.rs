//! tipwright measures fly casts in three dimensions from two or more phones on tripods.
//!
//! This crate is the measuring library. It decodes nothing and prints nothing: pictures and sound come in
//! through the traits of [`model::footage`], progress goes out through callbacks.
//!
//! # Conventions
//! - SI units and radians inside; a name ends with its unit (`_m`, `_s`, `_px`, `_m_s`, `_rad`, `_deg`, `_mm`).
//! - World frame: right-handed, origin anywhere, +Z up. Camera frame: x right, y down, z forward.
//! - A transform is called `a_from_b` and takes coordinates in b to coordinates in a, so that names cancel.
//! - Pixel (0, 0) is the centre of the top-left pixel of the **upright** picture (rotation tag applied).
//! - Session clock: the first camera's presentation time; see [`model::clock`].
//! - A measured figure is a [`model::Measured`] with one standard deviation, all the way to the report.
//!
//! # Stages
//! `lens` (intrinsics) -> `scene` (poses, scale, vertical, clocks) -> `spots` (marker in the picture) ->
//! `path` (3D path in continuous time) -> `strokes` (figures) -> `line` (the loop) -> `evidence` (what they speak for) -> `report`
//! (tables, plots, pages); `slap` listens for the line on the rod beside `strokes`.
//! A stage uses `model`, `math`, `motion` (continuous-time least squares), `tracks` (linking and timing of sightings), `times` (when
//! frames were exposed) and, for projection, `lens`; never a sibling stage. Only `day` joins them. `plan` looks ahead: what a set-up
//! of cameras will be able to tell.

pub mod cards;
pub mod evidence;
pub mod files;
pub mod fitted;
pub mod lens;
pub mod line;
pub mod math;
pub mod model;
pub mod motion;
pub mod path;
pub mod plan;
pub mod scene;
pub mod slap;
pub mod spots;
pub mod strokes;
pub mod times;
pub mod tracks;

#[cfg(test)]
mod testing;
