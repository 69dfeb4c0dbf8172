//! Mechanics of a rod and a line.
//!
//! Both are one chain of point masses: the rod's part resists bending, the line's part does not, and the tip-top is a
//! node like any other, so nothing has to be handed over between two solvers.
//!
//! - [`chain`]: the chain and its integrator (implicit midpoint with an energy-keeping axial force).
//! - [`band`]: the band solver under it.
//! - [`planar`]: a line in a plane, led by its end: what a path of the tip does to a line, in milliseconds.
//! - [`rod`]: tapered rods; [`mod@line`]: lines and leaders; [`outfit`]: the two coupled and driven by a grip motion.

pub mod band;
pub mod chain;
pub mod line;
pub mod motion;
pub mod outfit;
pub mod planar;
pub mod rod;

#[cfg(test)]
mod truth_line;
#[cfg(test)]
mod truth_planar;
#[cfg(test)]
mod truth_rod;

pub use chain::{Chain, Ground, Joint, Link, Node, Surroundings};
pub use line::LineSpec;
pub use outfit::{GripMotion, Outfit, OutfitConfig};
pub use planar::{PlanarAir, PlanarLine};
pub use rod::RodSpec;

/// Why the mechanics gave up.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum PhysicsError {
    /// The step's equations did not converge or their matrix was not positive definite.
    #[error(
        "the chain's step at {t_s:.4} s did not converge ({why}); take a smaller step_s or a gentler grip motion"
    )]
    Diverged {
        /// Time of the step.
        t_s: f64,
        /// What happened.
        why: &'static str,
    },
}
