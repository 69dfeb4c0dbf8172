//! Stage `scene`: where the cameras stand, how long a metre is, which way is up, and how the clocks run.
//!
//! - [`bootstrap`]: two cameras related from tracks alone (clock offset, relative pose).
//! - [`points`]: the whole scene from one moving point, without wand or plumb line; [`points_file`] reads its input.
//! - [`landmarks`]: whether a camera was turned since, from what stands still in its picture.
//! - [`hung`]: one camera alone and the plane of the cast, from a wand hung still at two places.
//! - [`wand`]: the scene from the waved and the hung wand; [`sound`]: coarse clock offsets from the sound tracks.

pub mod bootstrap;
mod error;
pub mod hung;
pub mod landmarks;
pub mod points;
pub mod points_file;
mod rest;
pub mod sound;
pub mod toss;
pub mod wand;

pub use error::SceneError;

use crate::model::{Severity, Warning};

/// What to say of a camera whose shutter runs up the picture.
fn last_row_first(camera: &str, readout_s: f64) -> Warning {
    Warning::new(
        Severity::Note,
        camera,
        format!(
            "its last row was read first ({:.0} ms): the picture was turned over after filming",
            -readout_s * 1e3
        ),
        "Nothing is to be done, if all its clips were treated alike: times are counted with it",
    )
}
