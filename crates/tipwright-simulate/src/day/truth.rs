//! What was true: files beside a simulated session, in the layout of a results folder.

use std::fmt::Write as _;
use std::path::Path;

use nalgebra::Vector3;
use serde::Serialize;
use tipwright::model::{Camera, Clock, Scene, SceneCamera, SceneQuality};

use super::SimulateError;
use crate::phone::clip::SpotTruth;
use crate::truth_figures::ButtAxis;
use tipwright_physics::motion::RodMotion;

/// Step of path.csv and rod.csv, seconds.
pub const STEP_S: f64 = 1e-3;

pub(crate) fn write(path: &Path, text: &str) -> Result<(), SimulateError> {
    let fail = |reason: std::io::Error| SimulateError::Write { reason, path: path.to_path_buf() };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(fail)?;
    }
    std::fs::write(path, text).map_err(fail)
}

/// The set-up.
#[must_use]
pub fn scene(cameras: &[Camera], clocks: &[Clock]) -> Scene {
    let cameras = cameras
        .iter()
        .zip(clocks)
        .map(|(camera, clock)| {
            let mut entry = SceneCamera {
                name: camera.name.clone(),
                rotation_wxyz: [1.0, 0.0, 0.0, 0.0],
                rotation_sd_deg: [0.0; 3],
                translation_m: [0.0; 3],
                translation_sd_m: [0.0; 3],
                offset_s: clock.offset_s,
                offset_sd_s: 0.0,
                drift: clock.drift,
                drift_sd: 0.0,
                readout_s: clock.readout_s,
                readout_sd_s: 0.0,
            };
            entry.set_pose(&camera.pose);
            entry
        })
        .collect();
    Scene {
        schema: 1,
        length_unit: "m".into(),
        cameras,
        quality: SceneQuality::default(),
        ..Scene::default()
    }
}

#[derive(Serialize)]
struct Clocks<'a> {
    camera: Vec<ClockEntry<'a>>,
}

#[derive(Serialize)]
struct ClockEntry<'a> {
    name: &'a str,
    offset_s: f64,
    drift: f64,
    readout_s: f64,
}

/// Clocks of one take or scene clip.
pub(crate) fn clocks_toml(cameras: &[Camera], clocks: &[Clock]) -> Result<String, SimulateError> {
    let camera = cameras
        .iter()
        .zip(clocks)
        .map(|(camera, clock)| ClockEntry {
            name: &camera.name,
            offset_s: clock.offset_s,
            drift: clock.drift,
            readout_s: clock.readout_s,
        })
        .collect();
    Ok(toml::to_string(&Clocks { camera })?)
}

/// path.csv of the tip between two times.
#[must_use]
pub fn path_csv(motion: &RodMotion, start_s: f64, end_s: f64, views: usize) -> String {
    let mut out = String::from("t_s,x_m,y_m,z_m,vx_m_s,vy_m_s,vz_m_s,sx_m,sy_m,sz_m,views\n");
    for t_s in times(start_s, end_s) {
        let (p, v) = (motion.tip_at(t_s), motion.tip_velocity_at(t_s));
        let _ = writeln!(
            out,
            "{t_s:.6},{:.6},{:.6},{:.6},{:.5},{:.5},{:.5},0,0,0,{views}",
            p.x, p.y, p.z, v.x, v.y, v.z
        );
    }
    out
}

/// rod.csv, as the results folder has it: elevation of the butt's axis through its two markers (0 level toward
/// `forward_in_world`, 90 upright) and the tip's distance from that axis, positive when the tip is behind it (against
/// `forward_in_world`). `None` with fewer than two butt markers: then results have none either.
#[must_use]
pub fn rod_csv(
    motion: &RodMotion,
    butts_at_m: &[f64],
    forward_in_world: &Vector3<f64>,
    start_s: f64,
    end_s: f64,
) -> Option<String> {
    let axis = ButtAxis::of(butts_at_m)?;
    let mut out = String::from("t_s,butt_angle_deg,bend_m,bend_sigma_m\n");
    for t_s in times(start_s, end_s) {
        let lean_deg = axis.lean_rad(motion, t_s, forward_in_world).to_degrees();
        let bend_m = axis.bend_m(motion, t_s, forward_in_world);
        let _ = writeln!(out, "{t_s:.6},{:.4},{bend_m:.6},0", 90.0 - lean_deg);
    }
    Some(out)
}

/// Step of line.csv, seconds: at 20 m/s the line moves by a fifth of a metre.
pub const LINE_STEP_S: f64 = 0.01;

/// line.csv: every node of the fly line and its leader from the tip-top (node 0) to the fly; `at_m` is its distance
/// from the tip-top along the line.
#[must_use]
pub fn line_csv(motion: &RodMotion, start_s: f64, end_s: f64) -> String {
    let mut out = String::from("t_s,node,at_m,x_m,y_m,z_m\n");
    for t_s in times_by(LINE_STEP_S, start_s, end_s) {
        for (node, (p, at_m)) in motion.line_nodes_at(t_s).iter().zip(&motion.line_at_m).enumerate() {
            let _ = writeln!(out, "{t_s:.3},{node},{at_m:.3},{:.4},{:.4},{:.4}", p.x, p.y, p.z);
        }
    }
    out
}

fn times(start_s: f64, end_s: f64) -> impl Iterator<Item = f64> {
    times_by(STEP_S, start_s, end_s)
}

fn times_by(step_s: f64, start_s: f64, end_s: f64) -> impl Iterator<Item = f64> {
    let first = (start_s / step_s).ceil() as i64;
    let last = (end_s / step_s).floor() as i64;
    (first..=last).map(move |i| i as f64 * step_s)
}

/// `spots_<camera>.csv`.
#[must_use]
pub fn spots_csv(spots: &[SpotTruth]) -> String {
    let mut out = String::from("frame,pts_s,x_px,y_px,sigma_px,role,t_s,streak_px,visible\n");
    for s in spots {
        let _ = writeln!(
            out,
            "{},{:.9},{:.4},{:.4},0,{},{:.9},{:.3},{}",
            s.frame_idx,
            s.pts_s,
            s.at.x_px,
            s.at.y_px,
            s.role,
            s.t_s,
            s.streak_px,
            u8::from(s.visible)
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use tipwright::model::path::ButtPath;
    use tipwright::model::{MarkerPath, PathSample, RodPaths, Role};
    use tipwright::strokes::{StrokesConfig, measure};

    use super::*;
    use crate::casters::{TakePlan, cast_part, take_outfit};

    /// True rod.csv is what the measuring library makes of the true marker paths: to 2 mm and 0.1 degrees, which is what
    /// its cast frame, turned by a fraction of a degree, leaves of a bend of a metre. By the grip's axis it would be off by
    /// centimetres, for the rod bends below the upper marker.
    #[test]
    fn rod_csv_is_what_true_markers_give() {
        let butts_m = [0.40, 0.66];
        let plan = TakePlan { strokes: 2, rest_s: 0.2, cant_rad: 0.0, ..TakePlan::default() };
        let motion = cast_part(&plan, &take_outfit(0.04), 5, 3.0).unwrap();
        let path = |at: &dyn Fn(f64) -> nalgebra::Point3<f64>| {
            let samples = (5..700).map(|i| f64::from(i) / 240.0).map(|t_s| PathSample {
                t_s,
                position_in_world: at(t_s),
                velocity_in_world_m_s: (at(t_s + 1e-3) - at(t_s - 1e-3)) / 2e-3,
                position_sd_m: Vector3::repeat(1e-5),
                views: 2,
            });
            MarkerPath { samples: samples.collect(), ..MarkerPath::default() }
        };
        let butt = |role, at_m: f64| ButtPath { role, at_m, path: path(&|t| motion.rod_point_at(t, at_m)) };
        let paths = RodPaths {
            tip: path(&|t| motion.tip_at(t)),
            butts: vec![butt(Role::Butt1, butts_m[0]), butt(Role::Butt2, butts_m[1])],
        };
        let config = StrokesConfig {
            synthetic_draws: 2,
            forward_in_world: Some([1.0, 0.0]),
            ..StrokesConfig::default()
        };
        let rows = measure(&paths, &config).unwrap().rod.unwrap();
        let text = rod_csv(&motion, &butts_m, &Vector3::x(), 0.0, 3.0).unwrap();
        let truth: Vec<[f64; 3]> = text
            .lines()
            .skip(1)
            .map(|line| {
                let cells: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
                [cells[0], cells[1], cells[2]]
            })
            .collect();
        let (mut bend_m, mut angle_deg, mut by_grip_m) = (0.0_f64, 0.0_f64, 0.0_f64);
        for row in &rows {
            let i = truth.partition_point(|t| t[0] <= row.t_s).clamp(1, truth.len() - 1);
            let (a, b) = (truth[i - 1], truth[i]);
            let between = |k: usize| a[k] + (b[k] - a[k]) * (row.t_s - a[0]) / (b[0] - a[0]);
            bend_m = bend_m.max((row.bend_m - between(2)).abs());
            angle_deg = angle_deg.max((row.butt_angle_deg - between(1)).abs());
            let grip = motion.grip_at(row.t_s);
            let across = Vector3::y().cross(&grip.butt_axis_in_world).normalize();
            let by_grip = -(motion.tip_at(row.t_s) - grip.butt_in_world).dot(&across);
            by_grip_m = by_grip_m.max((row.bend_m - by_grip).abs());
        }
        println!(
            "bend {:.2} mm off, angle {angle_deg:.3} deg; by the grip {:.0} mm",
            1e3 * bend_m,
            1e3 * by_grip_m
        );
        assert!(rows.len() > 600 && bend_m < 2e-3 && angle_deg < 0.1, "{bend_m} m, {angle_deg} deg");
        assert!(by_grip_m > 0.03, "{by_grip_m}");
        assert!(rod_csv(&motion, &butts_m[..1], &Vector3::x(), 0.0, 3.0).is_none());
    }
}
