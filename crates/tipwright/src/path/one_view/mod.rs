//! A take of which one camera alone has a clip: its rays meet a plane that is known from other takes of the same set-up, or, where the
//! set-up has one camera only, from a wand that hung at two places (`hung`).
//!
//! 1. `fit`: of every take that two cameras measured, the plane nearest to the tip's fast movement (it leans as the rod does), how the
//!    tip strays from it, and how far beside it the butt markers go ([`TipPlane`]).
//! 2. `prior`: what those of the caster's other takes, or else of other casters, say of a take that nobody has measured yet.
//! 3. The path is solved in that plane ([`crate::motion::PlaneHold`]); its draws own the camera's errors.
//! 4. `spread`: each draw is carried along the camera's rays onto a plane as it may be, from which the tip strays as it may: an error
//!    that lasts as long as it does in other takes.
//!
//! Ray and plane: Hartley and Zisserman, Multiple View Geometry, 2nd ed., 3.2 (from memory).
//!
//! [`TipPlane`]: crate::model::TipPlane

mod fit;
mod hung;
mod prior;
pub(super) mod spread;
use super::PathError;
use super::view::View;
use crate::model::Role;

pub use fit::tip_plane;
pub use hung::HungPlaneConfig;
pub use prior::{PlaneFrom, PlanePrior, Strays, StraysLike};

/// A camera that looks along the plane at less than this is of no use, degrees: at 15, what lies off the plane is taken for nearly
/// four times as much along it.
const LEAST_ANGLE_DEG: f64 = 15.0;
/// The least with the plane turned towards it by two of its standard deviations, degrees.
const LEAST_TURNED_DEG: f64 = 5.0;
/// The least where hung wands told the plane, degrees: the phone stands there for nothing else and can stand square to it. At 45 what lies off
/// the plane is taken for as much along it; at 22, before there was this limit, the study (`coverage -- --one-camera --hung`, seeds 1 and 5) lost 3
/// strokes of 8 and invented one.
const LEAST_OF_HUNG_DEG: f64 = 45.0;

impl PlanePrior {
    /// A camera that sees the plane at less than this, degrees, is of no use.
    #[must_use]
    pub fn least_angle_deg(&self) -> f64 {
        let turned_deg = LEAST_TURNED_DEG + 2.0 * self.sd[1].atan().to_degrees();
        let least_deg = if self.from == PlaneFrom::HungWands { LEAST_OF_HUNG_DEG } else { LEAST_ANGLE_DEG };
        least_deg.max(turned_deg)
    }
}

/// Refuses a camera that looks along the plane.
pub(super) fn sees(plane: &PlanePrior, alone: &View<'_>, take: &str) -> Result<(), PathError> {
    let centre = alone.pose.camera_from_world.inverse().translation.vector;
    let ray = (plane.origin.coords - centre).normalize();
    let angle_deg = plane.held(Role::Tip).0.dot(&ray).abs().asin().to_degrees();
    let least_deg = plane.least_angle_deg();
    if angle_deg >= least_deg {
        return Ok(());
    }
    let (camera, take) = (alone.name.to_string(), take.to_string());
    Err(PathError::AlongPlane { camera, angle_deg, least_deg, take })
}

#[cfg(test)]
mod tests;
