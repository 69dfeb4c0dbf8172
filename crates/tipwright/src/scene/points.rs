//! The whole scene from one moving point: clocks, poses and path from tracks alone.
//!
//! Two or more unsynchronised rolling-shutter cameras with known lenses follow the same point; nothing else is known.
//! 1. Every pair is related by [`super::bootstrap`] (offset, rate, relative pose).
//! 2. Cameras are joined to the best pair one by one; the length of each new baseline comes from the path so far.
//! 3. One estimate of everything in continuous time ([`crate::motion`]): path, clocks, readouts, poses.
//!
//! World frame: origin at the first camera, which is taken to be held level (x right, y away from it, z up): without a
//! plumb line the vertical is not known. Unit of length: the distance between the first two cameras, unless it is given.

use nalgebra::{Isometry3, Matrix3, Rotation3, Translation3, UnitQuaternion, Vector3};
use rayon::prelude::*;

use super::SceneError;
use super::bootstrap::{BootstrapConfig, BootstrapError, PairBootstrap, Sample, Track, bootstrap_pair};
use crate::model::{
    Clock, Lens, MarkerPath, PathDraw, PathSample, Picture, RawPixel, Rotation, Scene, SceneCamera,
    SceneQuality, Severity, Warning,
};
use crate::motion::{
    Baseline, CameraFreedom, CameraModel, Degeneracy, Fate, Freedom, MotionConfig, Observation, Problem,
    Smoothness, Solution, solve,
};

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

/// Settings of [`solve_points`].
#[derive(Debug, Clone, PartialEq)]
pub struct PointsConfig {
    /// Search for offset and relative pose.
    pub bootstrap: BootstrapConfig,
    /// The joint estimate.
    pub motion: MotionConfig,
    /// First guess of the labels' standard deviation, pixels; the solver finds a factor per camera.
    pub sigma_px: f64,
    /// Standard deviation of a written-down frame rate, relative. 1e-3: 29.97 written as 30.
    pub rate_sd: f64,
    /// Standard deviation of the focal length in use about the lens file's, relative. 0.5 %: two calibrations of one
    /// phone differ by 0.1 to 0.6 % (open-data/phones), and a lens focused on a board at two metres but used far away
    /// changes by f over the distance, 0.2 to 0.5 % for 4 to 10 mm. 0 holds the lens.
    pub focal_sd: f64,
    /// Stretches with fewer than two views are cut where the position's sd exceeds this many medians of those with two:
    /// there smoothness guesses more than the cameras see (from 10 to 25 hardly a sample changes).
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
            motion: MotionConfig { longest_bridge_s: 4.0, ..MotionConfig::default() },
            sigma_px: 0.5,
            rate_sd: 1e-3,
            focal_sd: 0.005,
            widest_sd: 20.0,
            draws: 0,
            seed: 1,
        }
    }
}

/// What became of a camera's rows.
#[derive(Debug, Clone, PartialEq)]
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

const FEWEST_POINTS: usize = 30;

/// Two cameras (by position) and what the search said of them.
type PairResult = (usize, usize, Result<Vec<PairBootstrap>, BootstrapError>);

/// A camera placed in the growing scene.
#[derive(Clone, Copy)]
struct Placed {
    camera_from_world: Isometry3<f64>,
    clock: Clock,
}

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
    let placed = join_cameras(input, config, &found)?;
    let problem = problem_of(input, config, &(0..n).collect::<Vec<_>>(), &to_first_camera(&placed, input), 0);
    let solution = solve(&problem, &config.motion)?;
    Ok(output(input, config, problem, solution))
}

fn track_of(camera: &PointsCamera) -> Track {
    // A readout not known is taken as half a frame here; the joint estimate finds it.
    let readout_s = camera.readout_s.unwrap_or(0.5 / camera.fps_hz);
    let picture = picture_of(camera);
    let samples = camera
        .rows
        .iter()
        .filter_map(|row| {
            let ray = camera.lens.undistort(row.pixel)?;
            let t_s = row.frame / camera.fps_hz + readout_s * picture.shutter_fraction(row.pixel);
            Some(Sample { t_s, ray: nalgebra::Vector2::new(ray.x, ray.y) })
        })
        .collect();
    Track::new(samples, 0.5 * (camera.lens.fx_px + camera.lens.fy_px))
}

fn picture_of(camera: &PointsCamera) -> Picture {
    Picture { stored_px: camera.lens.resolution_px, rotation: Rotation::R0 }
}

/// Joins the cameras pair by pair; the scene is in the frame and clock of the first pair's first camera.
fn join_cameras(
    input: &PointsInput,
    config: &PointsConfig,
    found: &[PairResult],
) -> Result<Vec<Placed>, SceneError> {
    let n = input.cameras.len();
    let mut placed: Vec<Option<Placed>> = vec![None; n];
    let mut best: Vec<(usize, usize, &PairBootstrap)> = found
        .iter()
        .filter_map(|(i, j, r)| r.as_ref().ok().and_then(|list| list.first()).map(|p| (*i, *j, p)))
        .collect();
    best.sort_by(|x, y| y.2.score.total_cmp(&x.2.score));
    let why = || {
        let source = found.iter().find_map(|(_, _, r)| r.as_ref().err().cloned());
        source.unwrap_or(BootstrapError::NoAgreement)
    };
    let all = || input.cameras.iter().map(|c| c.name.clone()).collect::<Vec<_>>();
    let (i, j, pair) =
        *best.first().ok_or_else(|| SceneError::Unrelated { cameras: all(), source: why() })?;
    placed[i] =
        Some(Placed { camera_from_world: Isometry3::identity(), clock: start_clock(&input.cameras[i]) });
    placed[j] = Some(Placed {
        camera_from_world: pair.b_from_a,
        clock: Clock { offset_s: pair.offset_s, drift: pair.drift, ..start_clock(&input.cameras[j]) },
    });
    let quick = MotionConfig {
        smoothness: Smoothness::Evidence,
        knot_spacing_s: Some(slowest_frame_s(input)),
        widen_for_correlation: false,
        max_iterations: 25,
        tolerance: 1e-4,
        ..config.motion.clone()
    };
    loop {
        let have: Vec<usize> = (0..n).filter(|k| placed[*k].is_some()).collect();
        let now: Vec<Placed> = have.iter().filter_map(|k| placed[*k]).collect();
        let problem = problem_of(input, config, &have, &now, 0);
        let solution = solve(&problem, &quick)?;
        for (k, camera) in have.iter().zip(solution.cameras()) {
            placed[*k] = Some(Placed { camera_from_world: camera.camera_from_world, clock: camera.clock });
        }
        if have.len() == n {
            break;
        }
        // The pair of highest score that leads to a new camera.
        let mut added = false;
        for (i, j, pair) in &best {
            let (old, new, pair) = match (placed[*i].is_some(), placed[*j].is_some()) {
                (true, false) => (*i, *j, (*pair).clone()),
                (false, true) => (*j, *i, pair.reversed()),
                _ => continue,
            };
            let Some(base) = placed[old] else { continue };
            if let Some(p) = place_next(input, &solution, &base, new, &pair) {
                placed[new] = Some(p);
                added = true;
                break;
            }
        }
        if !added {
            let cameras =
                (0..n).filter(|k| placed[*k].is_none()).map(|k| input.cameras[k].name.clone()).collect();
            return Err(SceneError::Unrelated { cameras, source: why() });
        }
    }
    Ok(placed.into_iter().flatten().collect())
}

fn start_clock(camera: &PointsCamera) -> Clock {
    Clock { offset_s: 0.0, drift: 0.0, readout_s: camera.readout_s.unwrap_or(0.5 / camera.fps_hz) }
}

fn slowest_frame_s(input: &PointsInput) -> f64 {
    input.cameras.iter().map(|c| 1.0 / c.fps_hz).fold(0.0, f64::max)
}

/// Pose and clock of a new camera from its relation to a placed one; the baseline's length from the path.
fn place_next(
    input: &PointsInput,
    solution: &Solution,
    base: &Placed,
    new: usize,
    pair: &PairBootstrap,
) -> Option<Placed> {
    let camera = &input.cameras[new];
    let picture = picture_of(camera);
    let mut clock = start_clock(camera);
    clock.offset_s = base.clock.offset_s + (1.0 + base.clock.drift) * pair.offset_s;
    clock.drift = (1.0 + base.clock.drift) * (1.0 + pair.drift) - 1.0;
    let mut lengths: Vec<f64> = Vec::new();
    for row in &camera.rows {
        let t_s = clock.session_s(row.frame / camera.fps_hz, picture.shutter_fraction(row.pixel));
        let (Some(p), Some(ray)) = (solution.position(0, t_s), camera.lens.undistort(row.pixel)) else {
            continue;
        };
        let x = pair.b_from_a.rotation * (base.camera_from_world * p).coords;
        // x + s t is along the ray: (x + s t) x r = 0.
        let r = Vector3::new(ray.x, ray.y, 1.0);
        let (xr, tr) = (x.cross(&r), pair.b_from_a.translation.vector.cross(&r));
        let s = -xr.dot(&tr) / tr.norm_squared();
        if s.is_finite() {
            lengths.push(s);
        }
    }
    if lengths.len() < FEWEST_POINTS {
        return None;
    }
    lengths.sort_by(f64::total_cmp);
    let length = lengths[lengths.len() / 2];
    if !(length > 0.0) {
        return None;
    }
    let mut b_from_a = pair.b_from_a;
    b_from_a.translation.vector *= length;
    Some(Placed { camera_from_world: b_from_a * base.camera_from_world, clock })
}

/// The scene in the frame, unit and clock of the first camera.
fn to_first_camera(placed: &[Placed], input: &PointsInput) -> Vec<Placed> {
    // Camera axes x right, y down, z away; world x right, y away, z up.
    let level = Rotation3::from_matrix_unchecked(Matrix3::new(1.0, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0, 1.0, 0.0));
    let first_from_world =
        Isometry3::from_parts(Translation3::identity(), UnitQuaternion::from_rotation_matrix(&level));
    let relative: Vec<Isometry3<f64>> =
        placed.iter().map(|p| p.camera_from_world * placed[0].camera_from_world.inverse()).collect();
    let scale = input.length_m.unwrap_or(1.0) / relative[1].translation.vector.norm().max(1e-12);
    let first = placed[0].clock;
    placed
        .iter()
        .zip(relative)
        .map(|(p, mut camera_from_first)| {
            camera_from_first.translation.vector *= scale;
            let clock = Clock {
                offset_s: (p.clock.offset_s - first.offset_s) / (1.0 + first.drift),
                drift: (1.0 + p.clock.drift) / (1.0 + first.drift) - 1.0,
                readout_s: p.clock.readout_s,
            };
            Placed { camera_from_world: camera_from_first * first_from_world, clock }
        })
        .collect()
}

/// The estimate for some of the cameras; `reference` (a position in `which`) keeps its pose and clock.
fn problem_of(
    input: &PointsInput,
    config: &PointsConfig,
    which: &[usize],
    placed: &[Placed],
    reference: usize,
) -> Problem {
    let mut cameras = Vec::with_capacity(which.len());
    let mut observations = Vec::new();
    for (at, k) in which.iter().enumerate() {
        let camera = &input.cameras[*k];
        let frame_s = 1.0 / camera.fps_hz;
        let mut free = CameraFreedom {
            // The shutter takes between nothing and a whole frame: the mean and sd of a uniform distribution.
            readout_s: match camera.readout_s {
                Some(_) => Freedom::Fixed,
                None => Freedom::Prior { mean: 0.5 * frame_s, sd: frame_s / 12.0_f64.sqrt() },
            },
            most_readout_s: Some(frame_s),
            ..Default::default()
        };
        if at != reference {
            free.pose = true;
            free.offset_s = Freedom::Free;
            free.drift = Freedom::Prior { mean: 0.0, sd: config.rate_sd * std::f64::consts::SQRT_2 };
        }
        let own_sd = camera.lens.fx_sd_px.map_or(0.0, |sd| sd / camera.lens.fx_px);
        if config.focal_sd > 0.0 {
            free.focal_log = Freedom::Prior { mean: 0.0, sd: config.focal_sd.hypot(own_sd) };
        }
        cameras.push(CameraModel {
            name: camera.name.clone(),
            lens: camera.lens.clone(),
            picture: picture_of(camera),
            camera_from_world: placed[at].camera_from_world,
            clock: placed[at].clock,
            free,
        });
        let variance = config.sigma_px * config.sigma_px;
        observations.extend(camera.rows.iter().map(|row| Observation {
            camera_idx: at,
            marker_idx: 0,
            pts_s: row.frame / camera.fps_hz,
            pixel: row.pixel,
            cov_px2: [variance, 0.0, variance],
        }));
    }
    let centre = |p: &Placed| p.camera_from_world.inverse().translation.vector;
    let length_m = (centre(&placed[1]) - centre(&placed[0])).norm();
    Problem {
        cameras,
        markers: 1,
        observations,
        distances: Vec::new(),
        // Defines the unit: a millionth is nothing beside any other error.
        baselines: vec![Baseline { camera_a_idx: 0, camera_b_idx: 1, length_m, sd_m: 1e-6 * length_m }],
        pose_covariance: None,
        timeline: None,
    }
}

fn output(
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
    let mut seen: Vec<f64> =
        samples.iter().filter(|s| s.views >= 2).map(|s| s.position_sd_m.norm()).collect();
    seen.sort_by(f64::total_cmp);
    let widest_m = seen.get(seen.len() / 2).map_or(f64::INFINITY, |m| m * config.widest_sd);
    samples.retain(|s| s.views >= 2 || s.position_sd_m.norm() <= widest_m);
    let draws = solution
        .draws(config.draws, config.seed)
        .iter()
        .map(|draw| {
            let at: Vec<_> = samples.iter().filter_map(|s| solution.draw_at(draw, 0, s.t_s)).collect();
            PathDraw {
                positions_in_world: at.iter().map(|a| a.0).collect(),
                velocities_in_world_m_s: at.iter().map(|a| a.1).collect(),
            }
        })
        .collect();
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
    PointsSolution { scene, path: MarkerPath { samples, draws }, counts, warnings, solution, problem }
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
    }
}

fn warnings_of(problem: &Problem, solution: &Solution, counts: &[PointsCount]) -> Vec<Warning> {
    let mut out = Vec::new();
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
    if !solution.report.converged {
        add(
            Severity::Warning,
            "path",
            format!("the estimate still moved after {} iterations", solution.report.iterations),
            "Treat the standard deviations as too small",
        );
    }
    add(
        Severity::Note,
        "world frame",
        "the vertical is not known: z is up in the first camera's picture".into(),
        "Use a plumb clip for a true vertical",
    );
    out
}
