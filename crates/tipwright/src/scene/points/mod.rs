//! The whole scene from one moving point: clocks, poses and path from tracks alone.
//!
//! Two or more unsynchronised rolling-shutter cameras with known lenses follow the same point; nothing else is known.
//! 1. Every pair is related by [`super::bootstrap`] (offset, rate, relative pose).
//! 2. Cameras are joined to the best pair one by one; the length of each new baseline comes from the path so far.
//! 3. One estimate of everything in continuous time ([`crate::motion`]): path, clocks, readouts, poses.
//! 4. A camera that fits none of this is left out, whichever it is, and told; what does not settle is refused (`consensus`).
//!
//! World frame: origin at the first camera, which is taken to be held level (x right, y away from it, z up): without a
//! plumb line the vertical is not known. Unit of length: the distance between the first two cameras, unless it is given.

mod consensus;
mod datum;
mod join;
mod output;
#[cfg(test)]
mod tests;

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SceneError;
use super::bootstrap::{BootstrapConfig, Track, bootstrap_pair};
use crate::math::median;
use crate::model::{Lens, MarkerPath, RawPixel, Scene, Severity, Warning};
use crate::motion::{MotionConfig, Problem, Solution};
use join::{FEWEST_POINTS, PairResult, track_of};

/// One labelled frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointRow {
    /// Frame number; its pts is this over the frame rate.
    pub frame: f64,
    /// Pixel of the distorted picture.
    pub pixel: RawPixel,
}

/// One camera's track.
#[derive(Debug, Clone, PartialEq)]
pub struct PointsCamera {
    /// Name.
    pub name: String,
    /// Intrinsics.
    pub lens: Lens,
    /// Frames per second as written down.
    pub fps_hz: f64,
    /// Readout, if known.
    pub readout_s: Option<f64>,
    /// Labelled frames.
    pub rows: Vec<PointRow>,
    /// Rows that say "not labelled".
    pub unlabelled: u64,
}

/// All tracks.
#[derive(Debug, Clone, PartialEq)]
pub struct PointsInput {
    /// In session order: the first one's clock is the session's.
    pub cameras: Vec<PointsCamera>,
    /// Distance between the first two cameras, metres.
    pub length_m: Option<f64>,
}

/// How far a lens file is from the lens in use, standard deviations; 0 holds it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LensSd {
    /// Focal length, relative.
    pub focal: f64,
    /// Principal point of a file that states no uncertainty of its own, as a share of the picture's width.
    pub centre: f64,
    /// First radial coefficient of a file that states no uncertainty of its own.
    pub k1: f64,
}

/// Settings of [`solve_points`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PointsConfig {
    /// Search for offset and relative pose.
    pub bootstrap: BootstrapConfig,
    /// The joint estimate.
    pub motion: MotionConfig,
    /// Least standard deviation of a label, pixels; the solver finds a factor of 1 or more per camera. Half a pixel: labels are
    /// set by eye on a grid of pixels, and labels that were smoothed or carried on between frames err by as much together.
    pub sigma_px: f64,
    /// A clock's wander: distance of its nodes, seconds (wider in long tracks: twelve nodes at most), and sd of a step, seconds.
    pub wander_s: [f64; 2],
    /// Standard deviation of a written-down frame rate, relative. 1e-3: 29.97 written as 30.
    pub rate_sd: f64,
    /// How far lens files that state no uncertainty of their own are from the lens in use. Each camera of the surveyed flights set
    /// against its truth alone (tests/studies/flight_cameras.py): focal lengths 1.3 % off (rms) in the first set and 2.0 % in the second,
    /// centres 12 pixels of 1920 in both, k1 0.010 and 0.013.
    pub lens_files_err: LensSd,
    /// How close lenses are held to their files with three or more cameras, whose rays tell a lens from a path.
    pub lens_sd: LensSd,
    /// The same with two cameras, which hardly tell a focal length from depth: labels' errors, which last, would bend the
    /// lenses, and the path with them. So they are held closer to their files than is true of them, and intervals own the rest.
    pub pair_lens_sd: LensSd,
    /// Stretches with fewer than two views are cut where the position's sd exceeds this many medians of those with two:
    /// there smoothness guesses more than the cameras see (set-up taken as known; from 10 to 30 one sample in a
    /// hundred changes, but those are a pair's worst).
    pub widest_sd: f64,
    /// Joint draws of path and set-up to return.
    pub draws: usize,
    /// Seed of the draws.
    pub seed: u64,
}

impl Default for PointsConfig {
    fn default() -> Self {
        Self {
            bootstrap: BootstrapConfig::default(),
            // Longer than a cast's 0.4 s: a thing that flies on is foreseeable for seconds; `widest_sd` cuts what isn't.
            // Hovering and turning follow within a second, and labels are few: smoothness is judged from nearer by.
            motion: MotionConfig {
                longest_bridge_s: 4.0,
                neighbourhood_dof: 4.0,
                least_noise: 1.0,
                ..MotionConfig::default()
            },
            sigma_px: 0.5,
            wander_s: [10.0, 5e-4],
            rate_sd: 1e-3,
            lens_files_err: LensSd { focal: 0.017, centre: 6e-3, k1: 0.011 },
            lens_sd: LensSd { focal: 0.015, centre: 5e-3, k1: 0.0 },
            // k1 is held, all but: what it hides is owned
            pair_lens_sd: LensSd { focal: 0.009, centre: 5e-4, k1: 1e-4 },
            widest_sd: 16.0,
            draws: 0,
            seed: 1,
        }
    }
}

/// What became of a camera's rows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PointsCount {
    /// Camera.
    pub camera: String,
    /// Rows with a position.
    pub given: u64,
    /// Rows that say "not labelled".
    pub unlabelled: u64,
    /// Used.
    pub accepted: u64,
    /// Set aside: too far from the path.
    pub outliers: u64,
    /// Set aside: no path at their time (one camera alone).
    pub off_path: u64,
    /// Standard deviation of this camera's labels as the residuals show it, pixels.
    pub sigma_px: f64,
}

/// A solved scene with its path.
#[derive(Debug, Clone)]
pub struct PointsSolution {
    /// Poses and clocks.
    pub scene: Scene,
    /// The path, one sample per first-camera frame.
    pub path: MarkerPath,
    /// Camera by camera.
    pub counts: Vec<PointsCount>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
    /// The estimate itself, for anything else.
    pub solution: Solution,
    /// What was solved.
    pub problem: Problem,
}

/// Longest clip of a scene, seconds: four hours, more than a phone's battery films.
const LONGEST_CLIP_S: f64 = 14_400.0;

/// Solves a scene from the tracks of one moving point.
///
/// # Errors
/// See [`SceneError`].
pub fn solve_points(input: &PointsInput, config: &PointsConfig) -> Result<PointsSolution, SceneError> {
    let n = input.cameras.len();
    if n < 2 {
        return Err(SceneError::TooFewCameras { got: n });
    }
    for c in &input.cameras {
        if c.rows.len() < FEWEST_POINTS {
            return Err(SceneError::TooFewPoints {
                camera: c.name.clone(),
                got: c.rows.len(),
                needed: FEWEST_POINTS,
            });
        }
    }
    for c in &input.cameras {
        let middle = median(c.rows.iter().map(|r| r.frame)).unwrap_or(0.0);
        let stray = c.rows.iter().find(|r| !((r.frame - middle).abs() <= LONGEST_CLIP_S * c.fps_hz));
        if let Some(row) = stray {
            return Err(SceneError::StrayFrame {
                camera: c.name.clone(),
                frame: row.frame,
                away_h: (row.frame - middle).abs() / c.fps_hz / 3600.0,
                longest_h: LONGEST_CLIP_S / 3600.0,
            });
        }
    }
    let tracks: Vec<Track> = input.cameras.iter().map(track_of).collect();
    let pairs: Vec<(usize, usize)> = (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j))).collect();
    let found: Vec<PairResult> = pairs
        .par_iter()
        .map(|&(i, j)| {
            let a = std::slice::from_ref(&tracks[i]);
            let b = std::slice::from_ref(&tracks[j]);
            (i, j, bootstrap_pair(a, b, &config.bootstrap))
        })
        .collect();
    let (which, problem, solution, left_out) = consensus::solve_together(input, config, &found)?;
    let used = PointsInput {
        cameras: which.iter().map(|k| input.cameras[*k].clone()).collect(),
        // the length is the first two's
        length_m: input.length_m.filter(|_| which.starts_with(&[0, 1])),
    };
    let mut out = output::output(&used, config, problem, solution);
    if used.length_m != input.length_m {
        out.warnings.push(Warning::new(
            Severity::Warning,
            "scene",
            "the known length is between cameras of which one was left out: the unit is the first baseline left",
            "Give the length between two cameras that agree",
        ));
    }
    out.warnings.extend(left_out.into_iter().map(|(k, what)| {
        Warning::new(
            Severity::Warning,
            &input.cameras[k].name,
            format!("left out: {what}"),
            "Check its labels, its frame rate and that the lens file belongs to this camera and mode",
        )
    }));
    Ok(out)
}
