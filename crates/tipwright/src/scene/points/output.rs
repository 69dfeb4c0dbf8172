//! What is handed on: scene, path, counts, warnings.

use super::{PointsConfig, PointsCount, PointsInput, PointsSolution};
use crate::math::median;
use crate::model::{MarkerPath, PathDraws, PathSample, Scene, SceneCamera, SceneQuality, Severity, Warning};
use crate::motion::{Degeneracy, Fate, Problem, Solution};

/// Draws from which the path's standard deviations are taken: to 7 %.
const SHAPE_DRAWS: usize = 100;

pub(super) fn output(
    input: &PointsInput,
    config: &PointsConfig,
    problem: Problem,
    solution: Solution,
) -> PointsSolution {
    let times = sample_times_s(&problem, &solution, input.cameras[0].fps_hz);
    let views = solution.views(&problem, 0, &times);
    let mut samples = Vec::with_capacity(times.len());
    for (t_s, views) in times.iter().zip(&views) {
        if let Some(k) = solution.kinematics(0, *t_s) {
            samples.push(PathSample {
                t_s: *t_s,
                position_in_world: k.position_in_world,
                velocity_in_world_m_s: k.velocity_in_world_m_s,
                position_sd_m: k.position_sd_m(),
                views: *views,
            });
        }
    }
    let local_m: Vec<f64> =
        samples.iter().map(|s| solution.path_sd_m(0, s.t_s).unwrap_or(f64::INFINITY)).collect();
    let seen = samples.iter().zip(&local_m).filter(|(s, _)| s.views >= 2).map(|(_, sd)| *sd);
    let widest_m = median(seen).map_or(f64::INFINITY, |m| m * config.widest_sd);
    let samples: Vec<PathSample> = samples
        .into_iter()
        .zip(local_m)
        .filter(|(s, sd)| s.views >= 2 || *sd <= widest_m)
        .map(|(s, _)| s)
        .collect();
    let of_shape = solution.draws(SHAPE_DRAWS, config.seed);
    let places = of_shape.map(|draw| {
        let at = |s: &PathSample| solution.draw_at(&draw, 0, s.t_s).map_or(s.position_in_world, |a| a.0);
        samples.iter().map(at).collect()
    });
    let shape_m = super::datum::shape_sd_m(&samples, places, input.length_m.is_none());
    let mut samples = samples;
    samples.iter_mut().zip(shape_m).for_each(|(s, sd)| s.position_sd_m = sd);
    let mut draws = PathDraws::default();
    for draw in solution.draws(config.draws, config.seed) {
        draws.push(&samples, &solution.draw_of(&draw, 0, &samples));
    }
    let counts: Vec<PointsCount> = input
        .cameras
        .iter()
        .enumerate()
        .map(|(k, camera)| {
            let mut count = PointsCount {
                camera: camera.name.clone(),
                given: camera.rows.len() as u64,
                unlabelled: camera.unlabelled,
                accepted: 0,
                outliers: 0,
                off_path: 0,
                sigma_px: config.sigma_px * solution.hyper.noise_scale[k],
            };
            for (o, fate) in problem.observations.iter().zip(&solution.fates) {
                if o.camera_idx == k {
                    match fate {
                        Fate::Used { .. } => count.accepted += 1,
                        Fate::Outlier { .. } => count.outliers += 1,
                        Fate::OffPath => count.off_path += 1,
                    }
                }
            }
            count
        })
        .collect();
    let scene = scene_of(input, &problem, &solution, &counts);
    let warnings = warnings_of(&problem, &solution, &counts);
    PointsSolution {
        scene,
        path: MarkerPath { samples, draws, smoothed_again: None },
        counts,
        warnings,
        solution,
        problem,
    }
}

/// First-camera frame times from the first to the last used sighting of every piece.
fn sample_times_s(problem: &Problem, solution: &Solution, fps_hz: f64) -> Vec<f64> {
    let _ = problem;
    let mut used: Vec<f64> = solution
        .fates
        .iter()
        .zip(&solution.observation_times_s)
        .filter(|(f, _)| matches!(f, Fate::Used { .. }))
        .map(|(_, t)| *t)
        .collect();
    used.sort_by(f64::total_cmp);
    let mut out = Vec::new();
    for piece in solution.timeline.pieces() {
        let end_s = solution.timeline.end_s(piece);
        let inside =
            &used[used.partition_point(|t| *t < piece.start_s)..used.partition_point(|t| *t <= end_s)];
        let (Some(first), Some(last)) = (inside.first(), inside.last()) else { continue };
        #[allow(clippy::cast_possible_truncation)]
        let (from, to) = ((first * fps_hz).ceil() as i64, (last * fps_hz).floor() as i64);
        for frame in from..=to {
            #[allow(clippy::cast_precision_loss)]
            let t = frame as f64 / fps_hz;
            if out.last().is_none_or(|l| *l < t) {
                out.push(t);
            }
        }
    }
    out
}

fn scene_of(input: &PointsInput, problem: &Problem, solution: &Solution, counts: &[PointsCount]) -> Scene {
    let n = problem.cameras.len();
    let mut pose_covariance = vec![0.0; 36 * n * n];
    let cov = &solution.border_covariance;
    for (a, sa) in solution.layout.cameras.iter().enumerate() {
        for (b, sb) in solution.layout.cameras.iter().enumerate() {
            if let (Some(pa), Some(pb)) = (sa.pose, sb.pose) {
                for i in 0..6 {
                    for j in 0..6 {
                        pose_covariance[(6 * a + i) * 6 * n + 6 * b + j] = cov[(pa + i, pb + j)];
                    }
                }
            }
        }
    }
    let cameras = solution
        .cameras()
        .iter()
        .zip(&problem.cameras)
        .zip(&solution.layout.cameras)
        .map(|((state, model), slots)| {
            let sd = |i: usize| solution.border_sd(slots.pose.map(|p| p + i));
            let mut out = SceneCamera {
                name: model.name.clone(),
                rotation_wxyz: [1.0, 0.0, 0.0, 0.0],
                rotation_sd_deg: [sd(0).to_degrees(), sd(1).to_degrees(), sd(2).to_degrees()],
                translation_m: [0.0; 3],
                translation_sd_m: [sd(3), sd(4), sd(5)],
                offset_s: state.clock.offset_s,
                offset_sd_s: solution.border_sd(slots.offset),
                drift: state.clock.drift,
                drift_sd: solution.border_sd(slots.drift),
                readout_s: state.clock.readout_s,
                readout_sd_s: solution.border_sd(slots.readout),
            };
            out.set_pose(&crate::model::CameraPose { camera_from_world: state.camera_from_world });
            out
        })
        .collect();
    Scene {
        schema: 1,
        length_unit: if input.length_m.is_some() { "m".into() } else { "first_baseline".into() },
        cameras,
        quality: SceneQuality {
            reprojection_rms_px: Some(solution.reprojection_rms_px()),
            observations_accepted: counts.iter().map(|c| c.accepted).sum(),
            observations_rejected: counts.iter().map(|c| c.outliers + c.off_path).sum(),
            ..Default::default()
        },
        pose_covariance,
        ..Scene::default()
    }
}

fn warnings_of(problem: &Problem, solution: &Solution, counts: &[PointsCount]) -> Vec<Warning> {
    let mut out = Vec::new();
    for (state, (model, slots)) in
        solution.cameras().iter().zip(problem.cameras.iter().zip(&solution.layout.cameras))
    {
        let (readout_s, sd_s) = (state.clock.readout_s, solution.border_sd(slots.readout));
        if slots.readout.is_some() && readout_s < -2.0 * sd_s {
            out.push(crate::scene::last_row_first(&model.name, readout_s));
        }
    }
    let mut add = |severity, about: &str, what: String, remedy: &str| {
        out.push(Warning::new(severity, about, what, remedy));
    };
    let name = |k: usize| problem.cameras[k].name.as_str();
    let mut alone_s = 0.0;
    for d in &solution.degeneracies {
        match d {
            Degeneracy::TimeUnobservable { camera_idx, offset_sd_s, .. } => add(
                Severity::Warning,
                name(*camera_idx),
                format!("its clock offset is known only to {:.1} ms", offset_sd_s * 1e3),
                "Let the point move across the line between the cameras, up and down",
            ),
            Degeneracy::ParallelRays { camera_idx, median_angle_rad } => add(
                Severity::Warning,
                name(*camera_idx),
                format!("its rays meet the others' at {:.1} degrees only", median_angle_rad.to_degrees()),
                "Move the cameras further apart",
            ),
            Degeneracy::SingleCamera { from_s, to_s, .. } => alone_s += to_s - from_s,
        }
    }
    if alone_s > 0.0 {
        add(
            Severity::Note,
            "path",
            format!("{alone_s:.1} s of the path rest on one camera or none and follow from smoothness"),
            "Look at its standard deviations there",
        );
    }
    for c in counts {
        if c.given > 0 && c.outliers * 10 > c.given {
            add(
                Severity::Warning,
                &c.camera,
                format!("{} of {} labels disagree with the path", c.outliers, c.given),
                "Check the labels and that the lens file belongs to this camera and mode",
            );
        }
    }
    add(
        Severity::Note,
        "world frame",
        "the vertical is not known: z is up in the first camera's picture".into(),
        "Use a plumb clip for a true vertical",
    );
    out
}
