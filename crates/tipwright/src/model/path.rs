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

/// A path as it may be, at the same instants as the samples of another one.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PathDraw {
    /// Positions, metres.
    pub positions_in_world: Vec<Point3<f64>>,
    /// Velocities, metres per second.
    pub velocities_in_world_m_s: Vec<Vector3<f64>>,
}

impl PathDraw {
    /// The path of the samples themselves.
    #[must_use]
    pub fn of(samples: &[PathSample]) -> Self {
        Self {
            positions_in_world: samples.iter().map(|s| s.position_in_world).collect(),
            velocities_in_world_m_s: samples.iter().map(|s| s.velocity_in_world_m_s).collect(),
        }
    }
}

/// Draws from the joint error of path and set-up, at the same instants as the samples of their path. Draw k of every marker of a
/// take shares the same draw of clocks, poses and scale, so figures that mix markers are right.
///
/// Kept is what a draw differs from the samples, in single precision: of an error of a metre that leaves out 60 nanometres, and
/// two hundred draws are most of what a long take needs of the memory.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PathDraws {
    /// By draw and sample: metres and metres per second.
    errors: Vec<Vec<[f32; 6]>>,
}

impl PathDraws {
    /// Number of draws.
    #[must_use]
    pub fn len(&self) -> usize {
        self.errors.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.errors.is_empty()
    }

    /// Takes in one more draw of the path that the samples are.
    pub fn push(&mut self, samples: &[PathSample], draw: &PathDraw) {
        self.errors.push(errors(samples, draw));
    }

    /// Puts another draw in the place of one.
    ///
    /// # Panics
    /// Where there is no such draw.
    pub fn put(&mut self, draw_idx: usize, samples: &[PathSample], draw: &PathDraw) {
        self.errors[draw_idx] = errors(samples, draw);
    }

    /// A draw within a range of the samples.
    ///
    /// # Panics
    /// Where there is no such draw, or the range reaches beyond the samples.
    #[must_use]
    pub fn within(&self, draw_idx: usize, samples: &[PathSample], range: std::ops::Range<usize>) -> PathDraw {
        let of = samples[range.clone()].iter().zip(&self.errors[draw_idx][range]);
        let (mut positions_in_world, mut velocities_in_world_m_s) =
            (Vec::with_capacity(of.len()), Vec::with_capacity(of.len()));
        for (s, e) in of {
            let [x, y, z, vx, vy, vz] = e.map(f64::from);
            positions_in_world.push(s.position_in_world + Vector3::new(x, y, z));
            velocities_in_world_m_s.push(s.velocity_in_world_m_s + Vector3::new(vx, vy, vz));
        }
        PathDraw { positions_in_world, velocities_in_world_m_s }
    }

    /// A whole draw.
    ///
    /// # Panics
    /// Where there is no such draw.
    #[must_use]
    pub fn get(&self, draw_idx: usize, samples: &[PathSample]) -> PathDraw {
        self.within(draw_idx, samples, 0..self.errors[draw_idx].len())
    }

    /// Error of the position at one sample in one draw, metres; `None` where there is no such sample.
    #[must_use]
    pub fn error_m(&self, draw_idx: usize, sample_idx: usize) -> Option<Vector3<f64>> {
        let [x, y, z, ..] = self.errors.get(draw_idx)?.get(sample_idx)?.map(f64::from);
        Some(Vector3::new(x, y, z))
    }

    /// Samples that a draw has: as many as its path, or the draw is of another one.
    #[must_use]
    pub fn samples(&self, draw_idx: usize) -> usize {
        self.errors.get(draw_idx).map_or(0, Vec::len)
    }

    /// The first sample of a draw that is not finite.
    #[must_use]
    pub fn not_finite(&self, draw_idx: usize) -> Option<usize> {
        self.errors.get(draw_idx)?.iter().position(|e| !e.iter().all(|x| x.is_finite()))
    }
}

fn errors(samples: &[PathSample], draw: &PathDraw) -> Vec<[f32; 6]> {
    let of = samples.iter().zip(draw.positions_in_world.iter().zip(&draw.velocities_in_world_m_s));
    of.map(|(s, (p, v))| {
        let (p, v) = (p - s.position_in_world, v - s.velocity_in_world_m_s);
        [p.x, p.y, p.z, v.x, v.y, v.z].map(|x| x as f32)
    })
    .collect()
}

/// Path of one marker in one take: strictly increasing times; a gap is a step of time larger than
/// [`MarkerPath::LONGEST_STEP_FRAMES`] median steps, and nothing is drawn through it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MarkerPath {
    /// In order of time.
    pub samples: Vec<PathSample>,
    /// Draws of the whole path; empty when only `position_sd_m` is known (a path read from a file).
    pub draws: PathDraws,
    /// The path smoothed once more: what that changes of a figure is about what smoothing has changed already. `None` when
    /// nobody knows.
    pub smoothed_again: Option<PathDraw>,
}

impl MarkerPath {
    /// A step of time longer than this many median steps is a gap.
    pub const LONGEST_STEP_FRAMES: f64 = 1.5;

    /// Takes the samples' standard deviations from the draws (root mean square of their errors), so that what is stated of one
    /// instant and what figures are drawn from is the same error. Without draws they stay.
    pub fn take_sds_from_draws(&mut self) {
        let count = self.draws.len();
        if count == 0 {
            return;
        }
        for (i, sample) in self.samples.iter_mut().enumerate() {
            let errors = (0..count).filter_map(|k| self.draws.error_m(k, i));
            let squares: Vector3<f64> = errors.map(|e| e.component_mul(&e)).sum();
            sample.position_sd_m = (squares / count as f64).map(f64::sqrt);
        }
    }

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
