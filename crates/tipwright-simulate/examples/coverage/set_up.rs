//! Errors of clocks and of the set-up.

use nalgebra::Vector3;
use tipwright::model::Clock;
use tipwright::path::TakePaths;
use tipwright_simulate::casters::Habit;

use crate::{World, tally};

/// Errors of a take's clocks.
pub fn clock_rows(seed: u64, habit: Habit, found: &TakePaths, truth: &[Clock; 2]) -> Vec<tally::Row> {
    let mut out = Vec::new();
    let mut push = |figure: &str, error: f64, sd: f64| {
        out.push(tally::Row { seed, habit, stroke: 0, figure: figure.into(), value: f64::NAN, error, sd });
    };
    let c = &found.clocks;
    push("offset_ms", 1e3 * (c[1].clock.offset_s - truth[1].offset_s), 1e3 * c[1].offset_sd_s);
    push("drift_ppm", 1e6 * (c[1].clock.drift - truth[1].drift), 1e6 * c[1].drift_sd);
    for k in 0..2 {
        push(
            &format!("take readout {k} ms"),
            1e3 * (c[k].clock.readout_s - truth[k].readout_s),
            1e3 * c[k].readout_sd_s,
        );
    }
    out
}

/// Errors of the set-up itself, in terms both frames share.
pub fn scene_rows(
    seed: u64,
    habit: Habit,
    scene: &tipwright::model::Scene,
    world: &World,
) -> Vec<tally::Row> {
    let mut out = Vec::new();
    let mut push = |figure: &str, error: f64, sd: f64| {
        out.push(tally::Row { seed, habit, stroke: 0, figure: figure.into(), value: f64::NAN, error, sd });
    };
    for (k, c) in scene.cameras.iter().enumerate() {
        push(
            &format!("scene readout {k} ms"),
            1e3 * (c.readout_s - world.readouts_s[k]),
            1e3 * c.readout_sd_s,
        );
    }
    let n = 6 * scene.cameras.len();
    if scene.pose_covariance.len() != n * n {
        return out;
    }
    let covariance = nalgebra::DMatrix::from_row_slice(n, n, &scene.pose_covariance);
    let found: Vec<_> = scene.cameras.iter().map(|c| c.pose().camera_from_world).collect();
    let truth: Vec<_> = world.cameras.iter().map(|c| c.pose.camera_from_world).collect();
    // second camera's pose seen from the first: a function of both poses, its sd by differences
    let relative = |p: &[nalgebra::Isometry3<f64>]| p[1] * p[0].inverse();
    let reference = relative(&found);
    let six = |p: &[nalgebra::Isometry3<f64>]| -> nalgebra::DVector<f64> {
        let d = relative(p);
        let turn = (d.rotation * reference.rotation.inverse()).scaled_axis();
        let shift = d.translation.vector - reference.translation.vector;
        nalgebra::DVector::from_vec([turn.as_slice(), shift.as_slice()].concat())
    };
    let mut by = nalgebra::DMatrix::zeros(6, n);
    for i in 0..n {
        let step = 1e-6;
        let mut moved = found.clone();
        let (k, axis) = (i / 6, i % 6);
        let mut v = [Vector3::zeros(), Vector3::zeros()];
        v[axis / 3][axis % 3] = step;
        moved[k] = nalgebra::Isometry3::from_parts(
            (moved[k].translation.vector + v[1]).into(),
            nalgebra::UnitQuaternion::from_scaled_axis(v[0]) * moved[k].rotation,
        );
        by.set_column(i, &(six(&moved) / step));
    }
    let c = &by * covariance * by.transpose();
    let e = -six(&truth);
    for (i, name) in ["turn x", "turn y", "turn z", "shift x", "shift y", "shift z"].iter().enumerate() {
        push(&format!("scene {name} (mrad or mm)"), 1e3 * e[i], 1e3 * c[(i, i)].sqrt());
    }
    // distance of the cameras: the scale
    let d = reference.inverse().translation.vector;
    let apart = |p: &nalgebra::Isometry3<f64>| p.inverse().translation.vector.norm();
    let t = reference.translation.vector;
    let mut by = nalgebra::DVector::zeros(6);
    by.rows_mut(3, 3).copy_from(&(t / t.norm()));
    let baseline_sd = (by.transpose() * &c * &by)[(0, 0)].sqrt();
    push(
        "scene baseline, 1/1000",
        1e3 * (apart(&relative(&found)) / apart(&relative(&truth)) - 1.0),
        1e3 * baseline_sd / d.norm(),
    );
    let up = |p: &nalgebra::Isometry3<f64>| p.rotation * Vector3::z();
    let tilt = up(&found[0]).cross(&up(&truth[0]));
    let sd = scene.cameras[0].rotation_sd_deg.map(f64::to_radians);
    push("tilt x of first camera mrad", 1e3 * tilt.x, 1e3 * sd[0]);
    push("tilt z of first camera mrad", 1e3 * tilt.z, 1e3 * sd[2]);
    out
}
