//! The Cramer-Rao bound of a tip path: covariance of the same equations at the true path, poses, clocks and noise.
//!
//! The path's prior (jerk as noise) takes its density from the true path; clocks, readouts and poses are unknown as far as
//! the scene leaves them so (van Trees' form of the bound, from memory).

use tipwright::model::{Camera, Clock, Scene};
use tipwright::motion::{
    CameraFreedom, CameraModel, Freedom, Loss, MotionConfig, Noise, Observation, Problem, solve,
};
use tipwright::path::TakePaths;
use tipwright_simulate::casters::Habit;
use tipwright_simulate::motion::RodMotion;

use crate::film::{Detector, covariance, seen};
use crate::tally::Row;

/// Root mean square error of the tip's path as `error`, its bound as `sd`, millimetres, after the scene's frame has been
/// brought onto the truth's (a turn about the vertical and a shift are nobody's to know).
#[allow(clippy::too_many_arguments, reason = "everything true and everything found")]
pub fn row(
    seed: u64,
    habit: Habit,
    cameras: &[Camera],
    clocks: &[Clock; 2],
    detector: &Detector,
    motion: &RodMotion,
    scene: &Scene,
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
    let n = 6 * cameras.len();
    let pose_covariance = (scene.pose_covariance.len() == n * n)
        .then(|| nalgebra::DMatrix::from_row_slice(n, n, &scene.pose_covariance));
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
                offset_s: if k == 0 { Freedom::Fixed } else { Freedom::Free },
                drift: if k == 0 {
                    Freedom::Fixed
                } else {
                    Freedom::Prior { mean: clocks[k].drift, sd: 3e-5 }
                },
                readout_s: match scene.cameras[k].readout_sd_s {
                    sd if sd > 0.0 => Freedom::Prior { mean: clocks[k].readout_s, sd },
                    _ => Freedom::Fixed,
                },
                most_readout_s: None,
                pose: pose_covariance.is_some(),
                ..CameraFreedom::default()
            },
        })
        .collect();
    let problem = Problem {
        cameras: models,
        markers: 1,
        observations,
        distances: Vec::new(),
        baselines: Vec::new(),
        pose_covariance,
        timeline: None,
    };
    let config = MotionConfig {
        noise: Noise::AsGiven,
        widen_for_correlation: false,
        loss: Loss::Squares,
        reject_at: f64::INFINITY,
        ..MotionConfig::default()
    };
    let bound = solve(&problem, &config).unwrap();
    let samples: Vec<_> = found.rod.tip.samples.iter().filter(|s| s.views >= 2).collect();
    let (found_from, true_from): (Vec<_>, Vec<_>) =
        samples.iter().map(|s| (s.position_in_world, motion.tip_at(s.t_s))).unzip();
    // turn about the vertical and shift, least squares
    let mean = |p: &[nalgebra::Point3<f64>]| {
        p.iter().map(|p| p.coords).sum::<nalgebra::Vector3<f64>>() / p.len() as f64
    };
    let (mf, mt) = (mean(&found_from), mean(&true_from));
    let (mut c, mut s) = (0.0, 0.0);
    for (a, b) in found_from.iter().zip(&true_from) {
        let (a, b) = (a.coords - mf, b.coords - mt);
        c += a.x * b.x + a.y * b.y;
        s += a.x * b.y - a.y * b.x;
    }
    let turn = nalgebra::Rotation3::from_axis_angle(&nalgebra::Vector3::z_axis(), s.atan2(c));
    let (mut sum, mut bound_sum) = (0.0, 0.0);
    // the bound's errors, brought to the same frame: their common shift is taken out as well
    for ((a, b), sample) in found_from.iter().zip(&true_from).zip(&samples) {
        sum += (turn * (a.coords - mf) - (b.coords - mt)).norm_squared();
        bound_sum += bound.kinematics(0, sample.t_s).map_or(0.0, |k| k.position_sd_m().norm_squared());
    }
    let n = samples.len() as f64;
    Row {
        seed,
        habit,
        stroke: 0,
        figure: "tip rms against bound, mm".into(),
        value: f64::NAN,
        error: 1e3 * (sum / n).sqrt(),
        sd: 1e3 * (bound_sum / n).sqrt(),
    }
}
