//! Two cameras that know nothing of each other: clock offset and relative pose from the tracks of moving points.
//!
//! For a right offset between the clocks the interpolated tracks obey one essential matrix; for a wrong one they don't.
//! Coarse grid over the offset, each scored by a linear eight-point fit (Longuet-Higgins, Nature 293 (1981) 133-135;
//! scaling after Hartley, PAMI 19 (1997) 580-593) reweighted robustly; the best are refined over rotation,
//! direction, offset and rate on Sampson's distance (Computer Graphics and Image Processing 18 (1982) 97-108).
//!
//! Samples are thinned by movement in the picture, so that a point at rest counts once. Times are each camera's own
//! (`pts` plus readout); lengths are in units of the baseline.

mod refine;
mod search;
mod track;

use nalgebra::{Isometry3, Vector3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use track::{Sample, Track};

use refine::refine;
use search::coarse_offsets;

/// Settings of [`bootstrap_pair`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BootstrapConfig {
    /// Offsets to look through (lowest, highest), seconds; `None`: every offset at which the tracks overlap.
    pub offset_window_s: Option<(f64, f64)>,
    /// Overlap needed, as a share of the shorter track's samples. A fifth: less is more likely chance than overlap.
    pub least_overlap: f64,
    /// Samples of the coarse search. 160 put the linear fit's nine unknowns far from chance.
    pub coarse_samples: usize,
    /// Samples of the refinement.
    pub fine_samples: usize,
    /// Picture movement between grid offsets, pixels at a track's brisk moments: half of what the robust scale
    /// of the coarse score bears.
    pub grid_step_px: f64,
    /// Maxima of the coarse score that are refined.
    pub candidates: usize,
    /// Expected standard deviation of the rate error: crystals differ by 1e-5 to 1e-4, written-down frame rates by more.
    pub rate_sd: f64,
}

impl Default for BootstrapConfig {
    fn default() -> Self {
        Self {
            offset_window_s: None,
            least_overlap: 0.2,
            coarse_samples: 160,
            fine_samples: 400,
            grid_step_px: 6.0,
            candidates: 8,
            rate_sd: 1e-3,
        }
    }
}

/// Clock and pose of camera b relative to camera a.
#[derive(Debug, Clone, PartialEq)]
pub struct PairBootstrap {
    /// Time of a's clock at which b's pts is zero, seconds.
    pub offset_s: f64,
    /// Rate error of b against a.
    pub drift: f64,
    /// Takes points of camera a to camera b; its translation has length 1.
    pub b_from_a: Isometry3<f64>,
    /// Log-likelihood gain over unrelated tracks.
    pub score: f64,
    /// Median Sampson distance of the samples, pixels.
    pub median_px: f64,
    /// Samples that agree, and samples that overlap.
    pub support: (usize, usize),
    /// Median angle between the two rays, radians.
    pub median_angle_rad: f64,
}

impl PairBootstrap {
    /// The same seen from b: clock and pose of a relative to b.
    #[must_use]
    pub fn reversed(&self) -> Self {
        let mut a_from_b = self.b_from_a.inverse();
        let length = a_from_b.translation.vector.norm();
        a_from_b.translation.vector /= length;
        Self {
            offset_s: -self.offset_s / (1.0 + self.drift),
            drift: 1.0 / (1.0 + self.drift) - 1.0,
            b_from_a: a_from_b,
            ..self.clone()
        }
    }
}

/// Why two cameras could not be related.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BootstrapError {
    /// Too few samples in common at any offset.
    #[error(
        "the tracks have too little in common: {samples} samples of movement, 16 needed. Film longer movement seen by both cameras"
    )]
    TooShort {
        /// Most samples at any offset.
        samples: usize,
    },
    /// No offset makes the tracks agree.
    #[error(
        "no clock offset makes the tracks agree on one pose. Check that both follow the same point and that the lenses are right"
    )]
    NoAgreement,
}

/// Relates camera b to camera a from the tracks of one or more points that both follow (same order in both).
/// Returns candidates, best first.
///
/// # Errors
/// See [`BootstrapError`].
pub fn bootstrap_pair(
    a: &[Track],
    b: &[Track],
    config: &BootstrapConfig,
) -> Result<Vec<PairBootstrap>, BootstrapError> {
    let coarse = coarse_offsets(a, b, config)?;
    let mut out: Vec<PairBootstrap> = Vec::new();
    for start in &coarse {
        if let Some(found) = refine(a, b, start, config) {
            out.push(found);
        }
    }
    out.sort_by(|x, y| y.score.total_cmp(&x.score));
    let mut distinct: Vec<PairBootstrap> = Vec::new();
    for p in out {
        let same = |q: &PairBootstrap| {
            (p.offset_s - q.offset_s).abs() < 0.02
                && p.b_from_a.rotation.angle_to(&q.b_from_a.rotation) < 0.02
                && p.b_from_a.translation.vector.angle(&q.b_from_a.translation.vector) < 0.05
        };
        if !distinct.iter().any(same) {
            distinct.push(p);
        }
    }
    if distinct.is_empty() { Err(BootstrapError::NoAgreement) } else { Ok(distinct) }
}

/// Direction helper: cross product as used by the essential matrix.
fn skew(t: &Vector3<f64>) -> nalgebra::Matrix3<f64> {
    t.cross_matrix()
}
