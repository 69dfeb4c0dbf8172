//! A marker's 3D path over time, with joint draws of its error.

use nalgebra::{Point3, Vector3};

use super::spot::Role;
use crate::math::median;

/// One instant of a path. World frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PathSample {
    /// Session time.
    pub t_s: f64,
    /// Position, metres.
    pub position_in_world: Point3<f64>,
    /// Velocity, metres per second.
    pub velocity_in_world_m_s: Vector3<f64>,
    /// Standard deviation of the position along each world axis, metres.
    pub position_sd_m: Vector3<f64>,
    /// Cameras that saw the marker within half a frame of this instant. 0: bridged a short gap.
    pub views: u8,
}

/// One draw from the joint error of path and set-up, at the same instants as the samples of its path. Draw k of
/// every marker of a take shares the same draw of clocks, poses and scale, so figures that mix markers are right.
#[derive(Debug, Clone, PartialEq)]
pub struct PathDraw {
    /// Positions, metres.
    pub positions_in_world: Vec<Point3<f64>>,
    /// Velocities, metres per second.
    pub velocities_in_world_m_s: Vec<Vector3<f64>>,
}

/// Path of one marker in one take: strictly increasing times; a gap is a step of time larger than
/// [`MarkerPath::LONGEST_STEP_FRAMES`] median steps, and nothing is drawn through it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MarkerPath {
    /// In order of time.
    pub samples: Vec<PathSample>,
    /// Draws of the whole path; empty when only `position_sd_m` is known (a path read from a file).
    pub draws: Vec<PathDraw>,
    /// The path smoothed once more: what that changes of a figure is about what smoothing has changed already. `None` when
    /// nobody knows.
    pub smoothed_again: Option<PathDraw>,
}

impl MarkerPath {
    /// A step of time longer than this many median steps is a gap.
    pub const LONGEST_STEP_FRAMES: f64 = 1.5;

    /// Index ranges of the stretches without a gap.
    #[must_use]
    pub fn stretches(&self) -> Vec<std::ops::Range<usize>> {
        let steps = self.samples.windows(2).map(|w| w[1].t_s - w[0].t_s);
        let limit_s = median(steps).map_or(f64::INFINITY, |m| m * Self::LONGEST_STEP_FRAMES);
        let mut out = Vec::new();
        let mut start = 0;
        for i in 1..=self.samples.len() {
            let ends = i == self.samples.len() || self.samples[i].t_s - self.samples[i - 1].t_s > limit_s;
            if ends && i > start {
                out.push(start..i);
                start = i;
            }
        }
        out
    }
}

/// Paths of all markers of one rod in one take.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RodPaths {
    /// The tip.
    pub tip: MarkerPath,
    /// Butt markers with their distance along the rod from the butt cap.
    pub butts: Vec<ButtPath>,
}

/// Path of a butt marker.
#[derive(Debug, Clone, PartialEq)]
pub struct ButtPath {
    /// Which one.
    pub role: Role,
    /// Along the rod from the butt cap, metres.
    pub at_m: f64,
    /// Its path.
    pub path: MarkerPath,
}
