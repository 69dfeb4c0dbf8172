//! World frame, joint covariance, quality and warnings of a solved set-up.
//!
//! World: +Z up; origin in the middle of the wand's volume, at the height of the first camera; +X to the right as the
//! first camera sees it.

use nalgebra::{
    DMatrix, Isometry3, Matrix2, Matrix3, Point3, Rotation3, Translation3, UnitQuaternion, Vector3,
};

use super::joint::WandJoint;
use super::plumb::Vertical;
use super::start::{Begun, pieces, view};
use super::{WandConfig, WandInput, WandSolution};
use crate::math::median;
use crate::model::{CameraPose, LensCorrection, Scene, SceneCamera, SceneQuality, Severity, Warning};
use crate::motion::{Degeneracy, Solution};
use crate::tracks::tracklets::link;

pub(super) fn finish(
    input: &WandInput,
    config: &WandConfig,
    begun: &Begun,
    joint: &WandJoint,
    vertical: &Vertical,
    mut warnings: Vec<Warning>,
) -> WandSolution {
    let solution = &joint.solution;
    let wand = wand_places(solution);
    let first_from_world = first_from_world(vertical, &wand);
    let set_up = set_up_covariance(input, config, solution, &first_from_world, vertical);
    let n = 6 * input.cameras.len();
    let row = |i: usize| Scene::PARAMETERS * (i / 6) + i % 6;
    let covariance = DMatrix::from_fn(n, n, |i, j| set_up[(row(i), row(j))]);
    let sd = |i: usize| covariance[(i, i)].max(0.0).sqrt();
    let cameras: Vec<SceneCamera> = solution
        .cameras()
        .iter()
        .enumerate()
        .map(|(k, state)| {
            let slots = &solution.layout.cameras[k];
            let mut camera = SceneCamera {
                name: input.cameras[k].name().to_string(),
                rotation_wxyz: [1.0, 0.0, 0.0, 0.0],
                rotation_sd_deg: std::array::from_fn(|i| sd(6 * k + i).to_degrees()),
                translation_m: [0.0; 3],
                translation_sd_m: std::array::from_fn(|i| sd(6 * k + 3 + i)),
                offset_s: state.clock.offset_s,
                offset_sd_s: solution.border_sd(slots.offset),
                drift: state.clock.drift,
                drift_sd: solution.border_sd(slots.drift),
                readout_s: state.clock.readout_s,
                readout_sd_s: set_up[(Scene::PARAMETERS * k + 6, Scene::PARAMETERS * k + 6)].max(0.0).sqrt(),
            };
            camera.set_pose(&CameraPose { camera_from_world: state.camera_from_world * first_from_world });
            camera
        })
        .collect();
    let lengths_m = measured_lengths(input, config, begun, solution);
    let wand_rms_m = robust_rms(&lengths_m.iter().map(|l| l - input.length_m.value).collect::<Vec<_>>());
    let rms_px = solution.reprojection_rms_px();
    let used = solution.used() as u64;
    let convergence_deg = convergence_deg(solution, &wand);
    warn(input, solution, &wand, vertical, convergence_deg, wand_rms_m, rms_px, &mut warnings);
    let scene = Scene {
        schema: 1,
        length_unit: "m".into(),
        cameras,
        wand_reach_m: reach_m(&wand, &first_from_world),
        hung: None,
        quality: SceneQuality {
            wand_rms_mm: wand_rms_m.map(|m| 1e3 * m),
            wand_measured_m: median(lengths_m.iter().copied()),
            reprojection_rms_px: Some(rms_px),
            scale_sd_relative: Some(input.length_m.sd / input.length_m.value),
            observations_accepted: used,
            observations_rejected: joint.offered.saturating_sub(used),
            ..SceneQuality::default()
        },
        pose_covariance: covariance.as_slice().to_vec(),
        lens_correction: solution
            .cameras()
            .iter()
            .map(|c| LensCorrection {
                focal_log: c.focal_log,
                centre_shift_px: c.centre_shift_px,
                k1_shift: c.k1_shift,
            })
            .collect(),
        set_up_covariance: set_up.as_slice().to_vec(),
    };
    WandSolution { scene, colour: begun.colour, convergence_deg, warnings }
}

/// Places of both ends over time, twenty a second, in the frame of the solution.
fn wand_places(solution: &Solution) -> Vec<[Point3<f64>; 2]> {
    let mut out = Vec::new();
    for piece in solution.timeline.pieces() {
        let mut t_s = piece.start_s;
        while t_s < solution.timeline.end_s(piece) {
            if let (Some(p), Some(q)) = (solution.position(0, t_s), solution.position(1, t_s)) {
                out.push([p, q]);
            }
            t_s += 0.05;
        }
    }
    out
}

fn centre(wand: &[[Point3<f64>; 2]]) -> Point3<f64> {
    let sum: Vector3<f64> = wand.iter().flatten().map(|p| p.coords).sum();
    Point3::from(sum / (2 * wand.len()).max(1) as f64)
}

/// Takes world points to the first camera's frame, which is the frame of the solution.
fn first_from_world(vertical: &Vertical, wand: &[[Point3<f64>; 2]]) -> Isometry3<f64> {
    let up = vertical.up.into_inner();
    let right = Vector3::x() - up * up.x;
    let x = right.normalize();
    let y = up.cross(&x);
    let rotation =
        UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[
            x, y, up,
        ])));
    let middle = centre(wand).coords;
    // the first camera is the origin of the solution: its height is 0
    let origin = middle - up * middle.dot(&up);
    Isometry3::from_parts(Translation3::from(origin), rotation)
}

/// Distance over the ground from the world's origin within which 95 of 100 places of the wand's ends lie.
fn reach_m(wand: &[[Point3<f64>; 2]], first_from_world: &Isometry3<f64>) -> Option<f64> {
    let over_ground = |p: &Point3<f64>| {
        let in_world = first_from_world.inverse_transform_point(p);
        in_world.x.hypot(in_world.y)
    };
    let mut sorted: Vec<f64> = wand.iter().flatten().map(over_ground).collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() * 95 / 100).copied()
}

/// Joint covariance of everything a take inherits (order of [`Scene::set_up_covariance`]), poses as small errors in the
/// world frame: of the solution, of the wand's length (a common factor on all translations) and of the vertical (a common
/// turn of the world).
fn set_up_covariance(
    input: &WandInput,
    config: &WandConfig,
    solution: &Solution,
    first_from_world: &Isometry3<f64>,
    vertical: &Vertical,
) -> DMatrix<f64> {
    let each = Scene::PARAMETERS;
    let n = each * solution.cameras().len();
    // from the border: pose of camera k is `R <- exp(w) R, T <- T + u` with the solution's frame as world
    let q = solution.layout.size;
    let mut from_border = DMatrix::zeros(n, q);
    let mut by_scale = DMatrix::zeros(n, 1);
    let mut by_tilt = DMatrix::zeros(n, 2);
    for (k, state) in solution.cameras().iter().enumerate() {
        let camera_from_world = state.camera_from_world * first_from_world;
        let shifted = state.camera_from_world.rotation * first_from_world.translation.vector;
        let slots = &solution.layout.cameras[k];
        if let Some(at) = slots.pose {
            for axis in 0..6 {
                from_border[(each * k + axis, at + axis)] = 1.0;
            }
            // the world's origin, seen from the camera, follows the turn
            let follow = -shifted.cross_matrix();
            for row in 0..3 {
                for column in 0..3 {
                    from_border[(each * k + 3 + row, at + column)] = follow[(row, column)];
                }
            }
        }
        let rest = [slots.readout, slots.focal, slots.centre, slots.centre.map(|at| at + 1), slots.k1];
        for (i, at) in rest.into_iter().enumerate() {
            if let Some(at) = at {
                from_border[(each * k + 6 + i, at)] = 1.0;
            }
        }
        for row in 0..3 {
            by_scale[(each * k + 3 + row, 0)] = camera_from_world.translation.vector[row];
        }
        // small turns of the world about its own horizontal axes
        let turn = camera_from_world.rotation.to_rotation_matrix();
        for row in 0..3 {
            for axis in 0..2 {
                by_tilt[(each * k + row, axis)] = turn.matrix()[(row, axis)];
            }
        }
    }
    let mut covariance = &from_border * &solution.border_covariance * from_border.transpose();
    covariance += &by_scale * by_scale.transpose() * (input.length_m.sd / input.length_m.value).powi(2);
    // a tip of up by e is a turn of z x e about the horizontal axes
    let to_world = first_from_world.rotation.inverse().to_rotation_matrix();
    let tip = to_world.matrix() * vertical.covariance * to_world.matrix().transpose();
    let tilt = Matrix2::new(tip[(1, 1)], -tip[(0, 1)], -tip[(0, 1)], tip[(0, 0)]);
    covariance += &by_tilt * tilt * by_tilt.transpose();
    for (k, slots) in solution.layout.cameras.iter().enumerate() {
        if slots.readout.is_some() {
            covariance[(each * k + 6, each * k + 6)] += config.readout_floor_s.powi(2);
        }
    }
    // symmetric to the last bit
    (&covariance + covariance.transpose()) * 0.5
}

/// Lengths of the wand from crossing rays alone, no length assumed, at the solved poses and clocks.
fn measured_lengths(input: &WandInput, config: &WandConfig, begun: &Begun, solution: &Solution) -> Vec<f64> {
    let poses: Vec<_> =
        solution.cameras().iter().map(|s| CameraPose { camera_from_world: s.camera_from_world }).collect();
    let tracks: Vec<_> = solution
        .cameras()
        .iter()
        .zip(&input.cameras)
        .map(|(s, c)| link(c.wand, c.lens, s.clock.readout_s, begun.colour, &config.link))
        .collect();
    let views: Vec<_> = solution
        .cameras()
        .iter()
        .enumerate()
        .map(|(k, s)| view(&input.cameras[k], &poses[k], s.clock, &tracks[k]))
        .collect();
    let pieces = pieces(&views, 2.0, 40.0);
    let mut out = Vec::new();
    for (i, p) in pieces.iter().enumerate() {
        for s in &p.samples {
            // both on the wand's solved paths, else it is something else that was followed
            let ends = (solution.position(0, s.t_s), solution.position(1, s.t_s));
            let (Some(e0), Some(e1)) = ends else { continue };
            if (e0 - s.position).norm() > 0.05 {
                continue;
            }
            for q in pieces.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, q)| q) {
                if let Some(other) = q.at(s.t_s)
                    && (e1 - other).norm() < 0.05
                {
                    out.push((other - s.position).norm());
                }
            }
        }
    }
    out
}

/// Root mean square without what is farther than five robust standard deviations; `None` without data.
fn robust_rms(off: &[f64]) -> Option<f64> {
    let limit = 5.0 * 1.4826 * median(off.iter().map(|o| o.abs()))?;
    let kept: Vec<f64> = off.iter().copied().filter(|o| o.abs() <= limit).collect();
    Some((kept.iter().map(|o| o * o).sum::<f64>() / kept.len().max(1) as f64).sqrt())
}

/// Median over the wand's places of the widest angle between two cameras' rays.
fn convergence_deg(solution: &Solution, wand: &[[Point3<f64>; 2]]) -> f64 {
    let centres: Vec<Point3<f64>> =
        solution.cameras().iter().map(|c| c.camera_from_world.inverse() * Point3::origin()).collect();
    let widest = wand.iter().flatten().map(|p| {
        let mut best = 0.0_f64;
        for (i, a) in centres.iter().enumerate() {
            for b in &centres[i + 1..] {
                best = best.max((p - a).angle(&(p - b)));
            }
        }
        best
    });
    median(widest).unwrap_or(0.0).to_degrees()
}

#[allow(clippy::too_many_arguments)] // one place says everything about the set-up
fn warn(
    input: &WandInput,
    solution: &Solution,
    wand: &[[Point3<f64>; 2]],
    vertical: &Vertical,
    convergence_deg: f64,
    wand_rms_m: Option<f64>,
    rms_px: f64,
    warnings: &mut Vec<Warning>,
) {
    let mut say = |what: String, remedy: &str| {
        warnings.push(Warning::new(Severity::Warning, "scene", what, remedy));
    };
    // spread of the wand along the three main directions of its volume
    let middle = centre(wand);
    let mut spread = Matrix3::zeros();
    for p in wand.iter().flatten() {
        spread += (p - middle) * (p - middle).transpose();
    }
    let thinnest_m = (spread.symmetric_eigenvalues().min().max(0.0) / (2 * wand.len()).max(1) as f64).sqrt();
    if thinnest_m < 0.12 {
        say(
            format!(
                "the wand was waved in one plane only (it left it by {:.0} mm): poses are less sure off that plane",
                1e3 * thinnest_m
            ),
            "Wave it through the whole casting volume: left and right, up and down, toward the cameras and away",
        );
    }
    let up = vertical.up.into_inner();
    let heights: Vec<f64> = wand.iter().flatten().map(|p| (p - middle).dot(&up)).collect();
    let rise_m = (heights.iter().map(|h| h * h).sum::<f64>() / heights.len().max(1) as f64).sqrt();
    if rise_m < 0.15 {
        say(
            "the wand was hardly waved up and down: motion along the line between level cameras carries no time".into(),
            "Wave it up and down as well, or raise one camera by half a metre",
        );
    }
    if convergence_deg < 40.0 {
        say(
            format!(
                "the cameras look at the casting volume from {convergence_deg:.0} degrees apart: depth is poor"
            ),
            "Set them 60 to 100 degrees apart as seen from the caster",
        );
    }
    if let Some(rms_m) = wand_rms_m.filter(|m| *m > 0.005) {
        say(
            format!("the wand's length comes out {:.1} mm rms off (5 mm is the limit)", 1e3 * rms_m),
            "Check the lens files, that stabilisation was off and that no tripod moved; film the wand again",
        );
    }
    if rms_px > 1.0 {
        say(
            format!("the cameras agree to {rms_px:.2} px only (1 px is the limit)"),
            "Check the lens files, that stabilisation was off and that no tripod moved; film the wand again",
        );
    }
    for d in &solution.degeneracies {
        if let Degeneracy::TimeUnobservable { camera_idx, offset_sd_s, .. } = d {
            say(
                format!(
                    "the clock of {} is known to {:.1} ms only: the wand moved along the line between the cameras, which carries no time",
                    input.cameras[*camera_idx].name(),
                    1e3 * offset_sd_s
                ),
                "Wave the wand up and down as well, or raise one camera by half a metre",
            );
        }
    }
}
