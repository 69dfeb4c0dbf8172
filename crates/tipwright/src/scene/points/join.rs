//! From pairs to one scene: cameras are joined one by one, the length of each baseline taken from the path so far.

use nalgebra::{Isometry3, Matrix3, Rotation3, Translation3, UnitQuaternion, Vector3};

use super::{LensSd, PointsCamera, PointsConfig, PointsInput};
use crate::model::{Clock, Lens, Picture, Rotation};
use crate::motion::{
    Baseline, CameraFreedom, CameraModel, Freedom, MotionConfig, Observation, Problem, Smoothness, Solution,
    Wander, solve,
};
use crate::scene::SceneError;
use crate::scene::bootstrap::{BootstrapError, PairBootstrap, Sample, Track};

pub(super) const FEWEST_POINTS: usize = 30;

/// Two cameras (by position) and what the search said of them.
pub(super) type PairResult = (usize, usize, Result<Vec<PairBootstrap>, BootstrapError>);

/// A camera placed in the growing scene.
#[derive(Clone, Copy)]
pub(super) struct Placed {
    camera_from_world: Isometry3<f64>,
    clock: Clock,
}
pub(super) fn track_of(camera: &PointsCamera) -> Track {
    // A readout not known (nor its direction) is taken as none here; the joint estimate finds it.
    let readout_s = camera.readout_s.unwrap_or(0.0);
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

/// Cameras placed in one scene (`None`: related to none of the others), in the frame and clock of the best pair's first.
/// Only cameras of `among` are looked at.
pub(super) fn join_cameras(
    input: &PointsInput,
    config: &PointsConfig,
    found: &[PairResult],
    among: &[usize],
) -> Result<Vec<Option<Placed>>, SceneError> {
    let n = input.cameras.len();
    let mut placed: Vec<Option<Placed>> = vec![None; n];
    let mut best: Vec<(usize, usize, &PairBootstrap)> = found
        .iter()
        .filter(|(i, j, _)| among.contains(i) && among.contains(j))
        .filter_map(|(i, j, r)| r.as_ref().ok().and_then(|list| list.first()).map(|p| (*i, *j, p)))
        .collect();
    best.sort_by(|x, y| y.2.score.total_cmp(&x.2.score));
    let (i, j, pair) = *best.first().ok_or_else(|| SceneError::Unrelated {
        cameras: among.iter().map(|k| input.cameras[*k].name.clone()).collect(),
        source: why_not(found, among),
    })?;
    placed[i] =
        Some(Placed { camera_from_world: Isometry3::identity(), clock: start_clock(&input.cameras[i]) });
    placed[j] = Some(Placed {
        camera_from_world: pair.b_from_a,
        clock: Clock { offset_s: pair.offset_s, drift: pair.drift, ..start_clock(&input.cameras[j]) },
    });
    let quick = MotionConfig {
        smoothness: Smoothness::Evidence,
        // Poses and clocks to start from need no more.
        knot_spacing_s: Some(2.0 * slowest_frame_s(input)),
        widen_for_correlation: false,
        max_iterations: 25,
        tolerance: 0.5,
        ..config.motion.clone()
    };
    loop {
        let have: Vec<usize> = (0..n).filter(|k| placed[*k].is_some()).collect();
        let now: Vec<Placed> = have.iter().filter_map(|k| placed[*k]).collect();
        let mut problem = problem_of(input, config, &have, &now);
        problem.cameras.iter_mut().for_each(|c| c.free.wander = None);
        let solution = solve(&problem, &quick)?;
        for (k, camera) in have.iter().zip(solution.cameras()) {
            placed[*k] = Some(Placed { camera_from_world: camera.camera_from_world, clock: camera.clock });
        }
        // The pair of highest score that leads to a new camera.
        let next = best.iter().find_map(|(i, j, pair)| {
            let (old, new, pair) = match (placed[*i].is_some(), placed[*j].is_some()) {
                (true, false) => (*i, *j, (*pair).clone()),
                (false, true) => (*j, *i, pair.reversed()),
                _ => return None,
            };
            Some((new, place_next(input, &solution, &placed[old]?, new, &pair)?))
        });
        match next {
            Some((new, at)) => placed[new] = Some(at),
            None => return Ok(placed),
        }
    }
}

/// Why cameras could not be related.
pub(super) fn why_not(found: &[PairResult], among: &[usize]) -> BootstrapError {
    let pairs = found.iter().filter(|(i, j, _)| among.contains(i) && among.contains(j));
    pairs.filter_map(|(_, _, r)| r.as_ref().err().cloned()).next().unwrap_or(BootstrapError::NoAgreement)
}

fn start_clock(camera: &PointsCamera) -> Clock {
    Clock { offset_s: 0.0, drift: 0.0, readout_s: camera.readout_s.unwrap_or(0.0) }
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
pub(super) fn to_first_camera(placed: &[Placed], length_m: Option<f64>) -> Vec<Placed> {
    // Camera axes x right, y down, z away; world x right, y away, z up.
    let level = Rotation3::from_matrix_unchecked(Matrix3::new(1.0, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0, 1.0, 0.0));
    let first_from_world =
        Isometry3::from_parts(Translation3::identity(), UnitQuaternion::from_rotation_matrix(&level));
    let relative: Vec<Isometry3<f64>> =
        placed.iter().map(|p| p.camera_from_world * placed[0].camera_from_world.inverse()).collect();
    let scale = length_m.unwrap_or(1.0) / relative[1].translation.vector.norm().max(1e-12);
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

/// Most nodes of a clock's wander: equations grow with their square.
const MOST_NODES: f64 = 12.0;

/// A phone's frames come when its exposure and its chip's heat let them: their clock wanders by more than a crystal's.
fn wander(config: &PointsConfig, camera: &PointsCamera) -> Option<Wander> {
    let [spacing_s, step_sd_s] = config.wander_s;
    let frames = || camera.rows.iter().map(|r| r.frame);
    let (first, last) = (frames().fold(f64::INFINITY, f64::min), frames().fold(f64::NEG_INFINITY, f64::max));
    let node_spacing_s = spacing_s.max((last - first) / camera.fps_hz / MOST_NODES);
    // a random walk: variance grows with time
    let step_sd_s = step_sd_s * (node_spacing_s / spacing_s).sqrt();
    (step_sd_s > 0.0).then_some(Wander { node_spacing_s, step_sd_s })
}

/// Frees a lens as far as `held` says; a file that states no uncertainty errs as such files do.
fn free_lens(free: &mut CameraFreedom, lens: &Lens, config: &PointsConfig, held: LensSd) {
    let width_px = f64::from(lens.resolution_px[0]);
    let prior = |held: f64, sd: f64| {
        if held > 0.0 { Freedom::Prior { mean: 0.0, sd } } else { Freedom::Fixed }
    };
    let own_focal = lens.fx_sd_px.map_or(0.0, |sd| sd / lens.fx_px);
    free.focal_log = prior(held.focal, held.focal.hypot(own_focal));
    free.centre_shift_px = prior(held.centre, lens.cx_sd_px.unwrap_or(held.centre * width_px));
    free.k1_shift = prior(held.k1, lens.distortion_sd.map_or(held.k1, |d| d[0]));
    let errs =
        |held: f64, err: f64, states: bool| if states || held <= 0.0 { 1.0 } else { (err / held).max(1.0) };
    let file = config.lens_files_err;
    free.lens_errs = Some([
        errs(held.focal, file.focal, lens.fx_sd_px.is_some()),
        errs(held.centre, file.centre, lens.cx_sd_px.is_some()),
        errs(held.k1, file.k1, lens.distortion_sd.is_some()),
    ]);
}

/// The estimate for some of the cameras; the first of them keeps its pose and clock.
pub(super) fn problem_of(
    input: &PointsInput,
    config: &PointsConfig,
    which: &[usize],
    placed: &[Placed],
) -> Problem {
    let mut cameras = Vec::with_capacity(which.len());
    let mut observations = Vec::new();
    for (at, k) in which.iter().enumerate() {
        let camera = &input.cameras[*k];
        let frame_s = 1.0 / camera.fps_hz;
        let mut free = CameraFreedom {
            // The shutter takes up to a whole frame, and in pictures that were turned over by 180 degrees without a mark (a
            // phone held the other way round) it runs up: the mean and sd of a uniform distribution.
            readout_s: match camera.readout_s {
                Some(_) => Freedom::Fixed,
                None => Freedom::Prior { mean: 0.0, sd: frame_s / 3.0_f64.sqrt() },
            },
            readout_within_s: Some([-frame_s, frame_s]),
            ..Default::default()
        };
        if at != 0 {
            free.wander = wander(config, camera);
            free.pose = true;
            free.offset_s = Freedom::Free;
            free.drift = Freedom::Prior { mean: 0.0, sd: config.rate_sd * std::f64::consts::SQRT_2 };
        }
        free_lens(
            &mut free,
            &camera.lens,
            config,
            if which.len() > 2 { config.lens_sd } else { config.pair_lens_sd },
        );
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
        // Defines the unit: a millionth is nothing beside any other error.
        baselines: vec![Baseline { camera_a_idx: 0, camera_b_idx: 1, length_m, sd_m: 1e-6 * length_m }],
        ..Problem::new(cameras, 1, observations)
    }
}
