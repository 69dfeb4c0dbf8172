//! Stage `strokes`: a path becomes strokes, and strokes become figures with standard deviations.
//!
//! Input: the paths of a rod's markers in the world frame ([`RodPaths`]), in continuous time: positions with
//! velocities, between which `curve` interpolates, so that moments are finer than a frame. Output: the strokes in
//! order of time, each with its figures ([`crate::model::FigureId`], the definitions stand there), and what was
//! not taken for a stroke, with the reason.
//!
//! - `segment`: movements between reversals, and which of them are strokes.
//! - `times`: start, peak, stop. `butt`: the rod's axis, bend, rod straight position. `ring`: ring-down.
//! - `plane`: chord, cast plane, dip, dome, straightness. `speed`: late power, ramp, hesitations.
//! - `raw`: all figures of all strokes on one path; run once on the path (values) and once per draw of its joint
//!   error; `draws` turns the spread into standard deviations.
//! - `direction`: forward or back, cast frame. `kind`: pick-up, false cast, delivery. `read_path`: path.csv in and out.
//!
//! What stays out: loop figures need the line and are filled in elsewhere; without butt markers the figures of the
//! rod are missing with that reason, and `t_rsp_s` is the time of peak tip speed.

use crate::model::{FigureId, RodPaths, RodSample, Stroke, Warning};

mod assemble;
mod butt;
mod config;
mod curve;
mod direction;
mod draws;
mod figures;
mod kind;
mod missing;
mod plane;
mod raw;
pub mod read_path;
mod ring;
mod rod;
mod samples;
mod segment;
mod speed;
mod spline;
#[cfg(test)]
mod tests;
mod times;

pub use config::StrokesConfig;
pub(crate) use missing::CUT_BEFORE;
pub use read_path::{PathFileError, ReadPath, path_csv, read_path, write_path};

/// A movement that was not taken for a stroke.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct NotAStroke {
    /// Its first instant.
    pub t_start_s: f64,
    /// Its last instant.
    pub t_end_s: f64,
    /// Why.
    pub reason: String,
}

/// What [`measure`] gives.
#[derive(Debug, Clone, PartialEq)]
pub struct StrokesOutcome {
    /// Strokes in order of time.
    pub strokes: Vec<Stroke>,
    /// Rows of rod.csv, where two butt markers are worn.
    pub rod: Option<Vec<RodSample>>,
    /// Movements that were looked at and not taken.
    pub set_aside: Vec<NotAStroke>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// A path that cannot be measured at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StrokesError {
    /// Too few samples.
    #[error(
        "the {marker} path has {got} samples and at least {needed} are needed; track a longer part of the clip"
    )]
    TooShort {
        /// Whose path.
        marker: &'static str,
        /// What was needed.
        needed: usize,
        /// What was got.
        got: usize,
    },
    /// Not a number, in a sample or a draw.
    #[error("sample {sample_idx} of the {marker} path is not finite; leave the sample out, a gap is no harm")]
    NotFinite {
        /// Whose path.
        marker: &'static str,
        /// Which sample, from 0.
        sample_idx: usize,
    },
    /// Times do not increase.
    #[error(
        "sample {sample_idx} of the {marker} path is not later than the one before; sort the samples by time"
    )]
    NotIncreasing {
        /// Whose path.
        marker: &'static str,
        /// Which sample, from 0.
        sample_idx: usize,
    },
    /// A draw that does not fit its path.
    #[error(
        "draw {draw_idx} of the {marker} path has {got} samples where the path has {needed}; draw at the path's own samples"
    )]
    DrawLength {
        /// Whose path.
        marker: &'static str,
        /// Which draw, from 0.
        draw_idx: usize,
        /// Samples of the path.
        needed: usize,
        /// Samples of the draw.
        got: usize,
    },
}

/// Finds the strokes of a take and measures them.
///
/// # Errors
/// A path of fewer than 8 samples, with numbers that are not finite, or with times that do not increase. A path
/// without strokes is no error: the outcome is empty and says so.
///
/// ```
/// use nalgebra::{Point3, Vector3};
/// use tipwright::model::{FigureId, MarkerPath, PathSample, RodPaths};
/// use tipwright::strokes::{StrokesConfig, measure};
/// // a tip that swings 3 m to and fro: x = -1.5 cos(pi t / 0.5), at rest at both ends
/// let omega = std::f64::consts::PI / 0.5;
/// let samples = (0..=360)
///     .map(|i| {
///         let t_s = f64::from(i) / 240.0;
///         let moving = (0.5..1.0).contains(&t_s);
///         let phase = omega * (t_s.clamp(0.5, 1.0) - 0.5);
///         PathSample {
///             t_s,
///             position_in_world: Point3::new(-1.5 * phase.cos(), 0.0, 3.0),
///             velocity_in_world_m_s: Vector3::x() * if moving { 1.5 * omega * phase.sin() } else { 0.0 },
///             position_sd_m: Vector3::repeat(0.002),
///             views: 2,
///         }
///     })
///     .collect();
/// let rod = RodPaths { tip: MarkerPath { samples, ..MarkerPath::default() }, butts: Vec::new() };
/// let outcome = measure(&rod, &StrokesConfig::default()).unwrap();
/// assert_eq!(outcome.strokes.len(), 1);
/// let peak = outcome.strokes[0].figures.get(FigureId::PeakSpeed).unwrap();
/// assert!((peak.value - 1.5 * omega).abs() < 0.001);
/// ```
pub fn measure(paths: &RodPaths, config: &StrokesConfig) -> Result<StrokesOutcome, StrokesError> {
    // Moments are found to 1e-7 s, which a double no longer resolves for Unix time: count from the first stamp then.
    let start_s = paths.tip.samples.first().map_or(0.0, |s| s.t_s);
    if !(start_s.abs() > LATEST_START_S) {
        return assemble::measure(paths, config);
    }
    let mut outcome = assemble::measure(&shifted(paths, -start_s), config)?;
    for stroke in &mut outcome.strokes {
        stroke.samples.iter_mut().for_each(|s| s.t_s += start_s);
        for moment in [FigureId::TStart, FigureId::TRsp, FigureId::TStop] {
            if let Some(at) = stroke.figures.values.get_mut(&moment) {
                at.value += start_s;
            }
        }
    }
    outcome.rod.iter_mut().flatten().for_each(|s| s.t_s += start_s);
    for aside in &mut outcome.set_aside {
        aside.t_start_s += start_s;
        aside.t_end_s += start_s;
    }
    Ok(outcome)
}

/// Stamps up to here are taken as they are: 1e-7 s is a thousand steps of a double at 10 000 s.
const LATEST_START_S: f64 = 1e4;

fn shifted(paths: &RodPaths, by_s: f64) -> RodPaths {
    let mut paths = paths.clone();
    for path in std::iter::once(&mut paths.tip).chain(paths.butts.iter_mut().map(|b| &mut b.path)) {
        path.samples.iter_mut().for_each(|s| s.t_s += by_s);
    }
    paths
}
