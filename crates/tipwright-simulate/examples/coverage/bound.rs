//! The Cramer-Rao bound of a tip path: covariance of the same equations at the true path, poses, clocks and noise.
//!
//! The path's prior (jerk as noise) takes its density from the true path; poses are known, clocks and
//! readouts as far as the path stage is told (van Trees' form of the bound, from memory).

use nalgebra::{Isometry3, Point3, Rotation3, Translation3, UnitQuaternion, Vector3};
use tipwright::model::{Camera, Clock, MarkerPath};
use tipwright::motion::{
    CameraFreedom, CameraModel, Freedom, Loss, MotionConfig, Noise, Observation, Problem, solve,
};
use tipwright::path::TakePaths;
use tipwright_physics::motion::RodMotion;
use tipwright_simulate::casters::Habit;

use crate::film::{Detector, covariance, seen};
use crate::tally::Row;

/// The same point twice.
type Pair = (Point3<f64>, Point3<f64>);

/// Root mean square error of the tip's path as `error`, its bound as `sd`, millimetres, after the scene's frame has been
/// brought onto the truth's.
#[allow(clippy::too_many_arguments, reason = "everything true and everything found")]
pub fn row(
    seed: u64,
    habit: Habit,
    cameras: &[Camera],
    clocks: &[Clock; 2],
    detector: &Detector,
    motion: &RodMotion,
    found: &TakePaths,
) -> Row {
    let mut observations = Vec::new();
    for (camera_idx, camera) in cameras.iter().enumerate() {
        let [w, h] = camera.picture.upright_px().map(f64::from);
        for i in 0..(motion.end_s() * detector.fps) as u32 {
            let pts_s = f64::from(i) / detector.fps;
            let tip = |t: f64| motion.tip_at(t);
            let Some((pixel, t_s)) = seen(camera, &clocks[camera_idx], pts_s, &tip) else { continue };
            if pixel.x_px < 3.0 || pixel.y_px < 3.0 || pixel.x_px > w - 4.0 || pixel.y_px > h - 4.0 {
                continue;
            }
            let at = |t: f64| camera.project(&motion.tip_at(t));
            let half_s = detector.exposure_s / 2.0;
            let (Some(a), Some(b)) = (at(t_s - half_s), at(t_s + half_s)) else { continue };
            let cov_px2 = covariance(detector, (b.x_px - a.x_px, b.y_px - a.y_px));
            observations.push(Observation { camera_idx, marker_idx: 0, pts_s, pixel, cov_px2 });
        }
    }
    let models = cameras
        .iter()
        .enumerate()
        .map(|(k, c)| CameraModel {
            name: c.name.clone(),
            lens: c.lens.clone(),
            picture: c.picture,
            camera_from_world: c.pose.camera_from_world,
            clock: clocks[k],
            free: CameraFreedom {
                // known to a twentieth of a frame, as the path stage takes a scene that says nothing of its error
                readout_s: Freedom::Prior { mean: clocks[k].readout_s, sd: 0.05 / detector.fps },
                ..CameraFreedom::of_clock(k, Freedom::Prior { mean: clocks[k].drift, sd: 3e-5 })
            },
        })
        .collect();
    let problem = Problem::new(models, 1, observations);
    let config = MotionConfig {
        noise: Noise::AsGiven,
        rest_px: 0.0,
        widen_for_correlation: false,
        loss: Loss::Squares,
        reject_at: f64::INFINITY,
        ..MotionConfig::default()
    };
    let bound = solve(&problem, &config).unwrap();
    let samples: Vec<_> = found.rod.tip.samples.iter().filter(|s| s.views >= 2).collect();
    let (found_from, true_from): (Vec<_>, Vec<_>) =
        samples.iter().map(|s| (s.position_in_world, motion.tip_at(s.t_s))).unzip();
    let turn = alignment(&found.rod.tip, &|t| motion.tip_at(t));
    let (mut sum, mut bound_sum) = (0.0, 0.0);
    for ((a, b), sample) in found_from.iter().zip(&true_from).zip(&samples) {
        sum += (turn * a - b).norm_squared();
        bound_sum += bound.kinematics(0, sample.t_s).map_or(0.0, |k| k.position_sd_m().norm_squared());
    }
    let n = samples.len() as f64;
    Row {
        seed,
        habit,
        stroke: 0,
        figure: "tip rms, known set-up: bound".into(),
        value: f64::NAN,
        error: 1e3 * (sum / n).sqrt(),
        sd: 1e3 * (bound_sum / n).sqrt(),
    }
}

/// Turn about the vertical and shift that bring a path onto the truth, least squares: where north lies is nobody's to know.
pub fn alignment(path: &MarkerPath, truth: &dyn Fn(f64) -> Point3<f64>) -> Isometry3<f64> {
    let pairs: Vec<_> =
        path.samples.iter().filter(|s| s.views >= 2).map(|s| (s.position_in_world, truth(s.t_s))).collect();
    let n = pairs.len().max(1) as f64;
    let mean = |f: fn(&Pair) -> Vector3<f64>| pairs.iter().map(f).sum::<Vector3<f64>>() / n;
    let (from, to) = (mean(|p| p.0.coords), mean(|p| p.1.coords));
    let (mut c, mut s) = (0.0, 0.0);
    for (a, b) in &pairs {
        let (a, b) = (a.coords - from, b.coords - to);
        c += a.x * b.x + a.y * b.y;
        s += a.x * b.y - a.y * b.x;
    }
    let turn =
        UnitQuaternion::from_rotation_matrix(&Rotation3::from_axis_angle(&Vector3::z_axis(), s.atan2(c)));
    Isometry3::from_parts(Translation3::from(to - turn * from), turn)
}
