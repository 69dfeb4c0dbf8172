//! Set-up, paths and clocks.

use nalgebra::Point3;
use serde::Serialize;

use super::ScoreConfig;
use super::align::WorldFit;
use super::figures::Pair;
use super::read::{ClockRow, Folder, Take, at};

/// An error with the standard deviation stated for it, in the same unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Error {
    /// Result minus truth.
    pub error: f64,
    /// Stated standard deviation; 0 when none was stated.
    pub sd: f64,
}

impl Error {
    fn of(result: [f64; 2], truth: [f64; 2], factor: f64) -> Self {
        Self { error: factor * (result[0] - truth[0]), sd: factor * result[1] }
    }
}

/// A camera of the set-up.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CameraScore {
    /// Name.
    pub camera: String,
    /// Distance of its centre from the true one, millimetres, worlds laid onto each other.
    pub centre_error_mm: f64,
    /// Angle between its attitude and the true one, degrees.
    pub turn_error_deg: f64,
    /// Clock of the set-up's clips.
    pub clock: ClockScore,
}

/// A camera's clock.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClockScore {
    /// Name.
    pub camera: String,
    /// Offset, milliseconds.
    pub offset_ms: Error,
    /// Drift, parts per million.
    pub drift_ppm: Error,
    /// Readout, milliseconds.
    pub readout_ms: Error,
}

impl ClockScore {
    fn of(camera: &str, result: &ClockRow, truth: &ClockRow) -> Self {
        Self {
            camera: camera.to_owned(),
            offset_ms: Error::of(result.offset, truth.offset, 1e3),
            drift_ppm: Error::of(result.drift, truth.drift, 1e6),
            readout_ms: Error::of(result.readout, truth.readout, 1e3),
        }
    }
}

/// A take.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TakeScore {
    /// Name.
    pub take: String,
    /// It is among the results.
    pub present: bool,
    /// Root mean square distance of the tip path, millimetres.
    pub path_rmse_mm: Option<f64>,
    /// The same along the way of the tip, where it moves faster than 1 m/s: clocks.
    pub path_along_rmse_mm: Option<f64>,
    /// And across it: geometry.
    pub path_across_rmse_mm: Option<f64>,
    /// 95 % of the distances are smaller.
    pub path_p95_mm: Option<f64>,
    /// Instants compared.
    pub path_points: usize,
    /// Share of coordinates inside their stated interval.
    pub path_inside_share: Option<f64>,
    /// Share of the time of the true strokes (start to stop) that the results' path covers.
    pub covered_share: Option<f64>,
    /// Clocks.
    pub clocks: Vec<ClockScore>,
    /// True strokes.
    pub strokes_there: usize,
    /// True strokes not found, by number.
    pub missed: Vec<u64>,
    /// Strokes of the results that never were, by number.
    pub invented: Vec<u64>,
    /// Found with the other direction, by true number.
    pub direction_wrong: Vec<u64>,
}

impl TakeScore {
    /// A take the results do not have.
    #[must_use]
    pub fn absent(name: &str, truth: &Take) -> Self {
        Self {
            take: name.to_owned(),
            present: false,
            path_rmse_mm: None,
            path_along_rmse_mm: None,
            path_across_rmse_mm: None,
            path_p95_mm: None,
            path_points: 0,
            path_inside_share: None,
            covered_share: None,
            clocks: Vec::new(),
            strokes_there: truth.strokes.len(),
            missed: truth.strokes.iter().map(|s| s.stroke).collect(),
            invented: Vec::new(),
            direction_wrong: Vec::new(),
        }
    }
}

/// Cameras of both scenes.
pub fn cameras(
    results: &Folder,
    truth: &Folder,
    world: &WorldFit,
    _config: &ScoreConfig,
    notes: &mut Vec<String>,
) -> Vec<CameraScore> {
    let (Some(scene), Some(true_scene)) = (&results.scene, &truth.scene) else {
        notes.push("one of the folders has no scene.toml: cameras are not compared".into());
        return Vec::new();
    };
    let mut out = Vec::new();
    for there in &true_scene.cameras {
        let Some(camera) = scene.cameras.iter().find(|c| c.name == there.name) else {
            notes.push(format!("camera {} is not in the results' scene.toml", there.name));
            continue;
        };
        let (pose, true_pose) = (camera.pose().camera_from_world, there.pose().camera_from_world);
        let centre = world.point(&pose.inverse_transform_point(&Point3::origin()));
        let true_centre = true_pose.inverse_transform_point(&Point3::origin());
        // camera_from_results times results_from_truth against camera_from_truth
        let turned = pose.rotation.to_rotation_matrix() * world.turn().inverse();
        let turn_error = turned.rotation_to(&true_pose.rotation.to_rotation_matrix()).angle();
        let row = |c: &tipwright::model::SceneCamera| ClockRow {
            offset: [c.offset_s, c.offset_sd_s],
            drift: [c.drift, c.drift_sd],
            readout: [c.readout_s, c.readout_sd_s],
        };
        out.push(CameraScore {
            camera: there.name.clone(),
            centre_error_mm: 1e3 * (centre - true_centre).norm(),
            turn_error_deg: turn_error.to_degrees(),
            clock: ClockScore::of(&there.name, &row(camera), &row(there)),
        });
    }
    out
}

fn rms(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (mut sum, mut n) = (0.0, 0usize);
    for v in values {
        sum += v * v;
        n += 1;
    }
    (n > 0).then(|| (sum / n as f64).sqrt())
}

/// A take of both folders.
pub fn take(
    name: &str,
    take: &Take,
    truth: &Take,
    pairs: &[Pair],
    world: &WorldFit,
    config: &ScoreConfig,
) -> TakeScore {
    let mut distances = Vec::new();
    let (mut along, mut across) = (Vec::new(), Vec::new());
    let (mut inside, mut judged) = (0usize, 0usize);
    let turn = world.turn();
    for row in &take.path {
        let Some(there) = at(&truth.path, row.t_s, 0.05) else { continue };
        let error = world.point(&row.position_m) - there;
        distances.push(1e3 * error.norm());
        let way = turn * row.velocity_m_s;
        if way.norm() > 1.0 {
            let part = error.dot(&way.normalize());
            along.push(1e3 * part);
            across.push(1e3 * (error - part * way.normalize()).norm());
        }
        // back in the results' axes, where the standard deviations are stated
        let error = turn.inverse() * error;
        for k in 0..3 {
            if row.sd_m[k] > 0.0 {
                judged += 1;
                inside += usize::from(error[k].abs() <= config.interval_sds * row.sd_m[k]);
            }
        }
    }
    let rmse = rms(distances.iter().copied());
    distances.sort_by(f64::total_cmp);
    let p95 = distances.get(distances.len() * 95 / 100).copied();
    let numbers = |rows: &[super::read::StrokeRow], used: &dyn Fn(usize) -> bool| {
        rows.iter().enumerate().filter(|(i, _)| !used(*i)).map(|(_, s)| s.stroke).collect::<Vec<_>>()
    };
    TakeScore {
        take: name.to_owned(),
        present: true,
        path_rmse_mm: rmse,
        path_along_rmse_mm: rms(along.into_iter()),
        path_across_rmse_mm: rms(across.into_iter()),
        path_p95_mm: p95,
        path_points: distances.len(),
        path_inside_share: (judged > 0).then(|| inside as f64 / judged as f64),
        covered_share: covered(take, truth),
        clocks: truth
            .clocks
            .iter()
            .filter_map(|(camera, there)| Some(ClockScore::of(camera, take.clocks.get(camera)?, there)))
            .collect(),
        strokes_there: truth.strokes.len(),
        missed: numbers(&truth.strokes, &|i| pairs.iter().any(|p| p.truth_idx == i)),
        invented: numbers(&take.strokes, &|i| pairs.iter().any(|p| p.result_idx == i)),
        direction_wrong: pairs
            .iter()
            .filter(|p| take.strokes[p.result_idx].direction != truth.strokes[p.truth_idx].direction)
            .map(|p| truth.strokes[p.truth_idx].stroke)
            .collect(),
    }
}

/// Share of the true strokes' time, every 5 ms, at which the results have a path without a gap of over 30 ms.
fn covered(take: &Take, truth: &Take) -> Option<f64> {
    let (mut there, mut seen) = (0usize, 0usize);
    for stroke in &truth.strokes {
        let (Some(start_s), Some(stop_s)) = (stroke.start_s(), stroke.stop_s()) else { continue };
        let mut t_s = start_s;
        while t_s < stop_s {
            there += 1;
            seen += usize::from(at(&take.path, t_s, 0.03).is_some());
            t_s += 0.005;
        }
    }
    (there > 0).then(|| seen as f64 / there as f64)
}
