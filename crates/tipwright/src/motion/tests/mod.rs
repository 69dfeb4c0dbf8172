mod band;
mod derivatives;
mod holes;
mod lasting;
mod rate;
mod sharp;

use nalgebra::{Point3, UnitQuaternion, Vector3};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

use super::*;
use crate::model::{CameraPose, Clock, Lens, Picture, RawPixel, Rotation};

fn lens() -> Lens {
    Lens::new([1920, 1080], 1500.0, 1510.0, 955.0, 545.0, [0.08, -0.15, 0.0008, -0.0005, 0.05])
}

fn camera(name: &str, centre: [f64; 3], free: CameraFreedom) -> CameraModel {
    CameraModel {
        name: name.into(),
        lens: lens(),
        picture: Picture { stored_px: [1920, 1080], rotation: Rotation::R0 },
        camera_from_world: CameraPose::looking(Point3::from(centre), Point3::new(0.0, 0.0, 2.0))
            .unwrap()
            .camera_from_world,
        clock: Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.008 },
        free,
    }
}

/// A casting-like path: an oval with a lift, a few metres across.
fn oval(t: f64) -> Point3<f64> {
    Point3::new(1.6 * (2.1 * t).sin(), 0.4 * (1.3 * t).cos(), 2.0 + 0.5 * (4.0 * t + 0.4).sin())
}

/// Sightings of a path: the row's own time is found by fixed point.
#[allow(clippy::too_many_arguments)]
fn film(
    camera_idx: usize,
    marker_idx: usize,
    model: &CameraModel,
    truth: &Clock,
    fps: f64,
    frames: usize,
    sd_px: f64,
    path: &dyn Fn(f64) -> Point3<f64>,
    rng: &mut rand_chacha::ChaCha8Rng,
) -> Vec<Observation> {
    let mut out = Vec::new();
    for i in 0..frames {
        let pts_s = i as f64 / fps;
        let mut fraction = 0.0;
        let mut pixel = RawPixel::new(0.0, 0.0);
        for _ in 0..6 {
            let p = model.camera_from_world * path(truth.session_s(pts_s, fraction));
            pixel = model.lens.project(&p).unwrap();
            fraction = model.picture.shutter_fraction(pixel);
        }
        let x: f64 = StandardNormal.sample(rng);
        let y: f64 = StandardNormal.sample(rng);
        pixel.x_px += sd_px * x;
        pixel.y_px += sd_px * y;
        let cov_px2 = [sd_px * sd_px, 0.0, sd_px * sd_px];
        out.push(Observation { camera_idx, marker_idx, pts_s, pixel, cov_px2 });
    }
    out
}

const LATE: Clock = Clock { offset_s: 0.0123, drift: 2e-5, readout_s: 0.0065 };

fn two_cameras(fps: f64, seconds: f64, sd_px: f64, seed: u64, path: &dyn Fn(f64) -> Point3<f64>) -> Problem {
    let readout = Freedom::Prior { mean: 0.008, sd: 0.004 };
    let west = camera("west", [-4.0, -8.0, 1.5], CameraFreedom { readout_s: readout, ..Default::default() });
    let east = camera(
        "east",
        [4.5, -7.5, 1.7],
        CameraFreedom {
            offset_s: Freedom::Free,
            drift: Freedom::Prior { mean: 0.0, sd: 1e-4 },
            readout_s: readout,
            ..Default::default()
        },
    );
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let frames = (fps * seconds) as usize;
    let first = Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.009 };
    let mut observations = film(0, 0, &west, &first, fps, frames, sd_px, path, &mut rng);
    observations.extend(film(1, 0, &east, &LATE, fps, frames, sd_px, path, &mut rng));
    Problem::new(vec![west, east], 1, observations)
}

#[test]
fn clocks_and_path_are_recovered_within_their_sds() {
    let problem = two_cameras(120.0, 4.0, 0.3, 5, &oval);
    let solution = solve(&problem, &MotionConfig::default()).unwrap();
    let late = &solution.cameras()[1].clock;
    let slots = solution.layout.cameras[1];
    let sd = solution.border_sd(slots.offset);
    assert!(sd < 5e-4, "sd {sd}");
    assert!((late.offset_s - LATE.offset_s).abs() < 4.0 * sd, "{} sd {sd}", late.offset_s);
    let sd = solution.border_sd(slots.readout);
    assert!((late.readout_s - LATE.readout_s).abs() < 4.0 * sd, "{} sd {sd}", late.readout_s);
    let (mut sum, mut chi, mut n) = (0.0, 0.0, 0.0);
    for i in 10..350 {
        let t = 0.05 + f64::from(i) * 0.01;
        let k = solution.kinematics(0, t).unwrap();
        let e = k.position_in_world - oval(t);
        sum += e.norm_squared();
        let cov = k.covariance.fixed_view::<3, 3>(0, 0).into_owned();
        chi += e.dot(&(cov.try_inverse().unwrap() * e));
        n += 1.0;
    }
    assert!((sum / n).sqrt() < 0.003, "rmse {}", (sum / n).sqrt());
    // Three degrees of freedom each; errors of neighbours are correlated, hence the wide gate.
    assert!(chi / n > 0.5 && chi / n < 9.0, "chi2 per instant {}", chi / n);
    assert!((solution.hyper.noise_scale[0] - 1.0).abs() < 0.1, "{:?}", solution.hyper.noise_scale);
    assert!(solution.degeneracies.is_empty(), "{:?}", solution.degeneracies);
}

/// One marker is seen three times worse than stated, with errors that last; the other one does not pay for it.
#[test]
fn each_marker_has_its_own_noise() {
    let higher = |t: f64| oval(t) + Vector3::new(0.0, 0.0, 0.3);
    let mut problem = two_cameras(120.0, 4.0, 0.1, 8, &oval);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(18);
    for (k, clock) in [(0, Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.009 }), (1, LATE)] {
        let mut sightings = film(k, 1, &problem.cameras[k], &clock, 120.0, 480, 0.1, &higher, &mut rng);
        let mut lasting = [0.0_f64; 2];
        for o in &mut sightings {
            // first-order autoregression of 0.3 px with a correlation of 0.9
            for v in &mut lasting {
                let new: f64 = StandardNormal.sample(&mut rng);
                *v = 0.9 * *v + 0.3 * (1.0_f64 - 0.81).sqrt() * new;
            }
            o.pixel.x_px += lasting[0];
            o.pixel.y_px += lasting[1];
        }
        problem.observations.extend(sightings);
    }
    problem.markers = 2;
    let solution = solve(&problem, &MotionConfig::default()).unwrap();
    let scale = &solution.hyper.noise_scale;
    // camera by camera; 480 sightings give a scale to 3 %, and what lasts is partly taken for the path's
    assert!((scale[0] - 1.0).abs() < 0.1 && (scale[2] - 1.0).abs() < 0.1, "{scale:?}");
    assert!(scale[1] > 1.5 && scale[3] > 1.5, "{scale:?}");
    let factors = &solution.misfit.marker_factors;
    assert!(factors[0] < 1.15 && factors[1] > 1.3, "{factors:?}");
}

#[test]
fn draws_agree_with_the_covariance_and_do_not_depend_on_their_number() {
    let problem = two_cameras(60.0, 1.5, 0.3, 6, &oval);
    let solution = solve(&problem, &MotionConfig::default()).unwrap();
    let t = 0.7;
    let want = solution.kinematics(0, t).unwrap();
    let draws: Vec<_> = solution.draws(600, 42).collect();
    assert_eq!(solution.draws(3, 42).nth(2).as_ref(), Some(&draws[2]));
    let mut sum = Vector3::zeros();
    let mut sum_v = Vector3::zeros();
    for d in &draws {
        let (p, v, _) = solution.draw_at(d, 0, t).unwrap();
        let e = p - want.position_in_world;
        let ev = v - want.velocity_in_world_m_s;
        sum += e.component_mul(&e);
        sum_v += ev.component_mul(&ev);
    }
    for x in 0..3 {
        // Relative sd of a variance from 600 draws: 5.8 %; gate at 4 sd.
        let ratio = sum[x] / 600.0 / want.covariance[(x, x)];
        assert!((ratio - 1.0).abs() < 0.24, "position axis {x}: {ratio}");
        let ratio = sum_v[x] / 600.0 / want.covariance[(x + 3, x + 3)];
        assert!((ratio - 1.0).abs() < 0.24, "velocity axis {x}: {ratio}");
    }
}

#[test]
fn shift_of_the_clock_is_a_shift_of_the_path() {
    let problem = two_cameras(60.0, 1.5, 0.3, 8, &oval);
    let mut shifted = problem.clone();
    for o in &mut shifted.observations {
        o.pts_s += 100.0;
    }
    // The late camera's offset is measured at pts 0, so its drift prior sees the shift: hold it.
    let mut problem = problem;
    problem.cameras[1].free.drift = Freedom::Fixed;
    shifted.cameras[1].free.drift = Freedom::Fixed;
    let a = solve(&problem, &MotionConfig::default()).unwrap();
    let b = solve(&shifted, &MotionConfig::default()).unwrap();
    for i in 5..130 {
        let t = f64::from(i) * 0.01;
        let (p, q) = (a.position(0, t).unwrap(), b.position(0, t + 100.0).unwrap());
        assert!((p - q).norm() < 1e-5, "{t}: {}", (p - q).norm());
    }
    assert!((a.cameras()[1].clock.offset_s - b.cameras()[1].clock.offset_s).abs() < 1e-6);
}

#[test]
fn motion_along_the_line_between_level_cameras_hides_the_time() {
    // Straight, at constant speed, parallel to the line between the cameras (CASTING 0.3 derives the trade).
    let line = |t: f64| Point3::new(-2.0 + 1.5 * t, 0.0, 1.6);
    let mut problem = two_cameras(60.0, 2.0, 0.3, 21, &line);
    let looking = |x: f64| {
        CameraPose::looking(Point3::new(x, -8.0, 1.6), Point3::new(0.0, 0.0, 1.6)).unwrap().camera_from_world
    };
    let west = looking(-4.0);
    let east = looking(4.0);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(2);
    for (k, pose) in [west, east].into_iter().enumerate() {
        problem.cameras[k].camera_from_world = pose;
        problem.cameras[k].free.readout_s = Freedom::Fixed;
        problem.cameras[k].clock.readout_s = 0.0;
    }
    problem.cameras[1].free.offset_s = Freedom::Prior { mean: 0.0, sd: 0.05 };
    problem.cameras[1].free.drift = Freedom::Fixed;
    let clock = Clock::default();
    problem.observations = film(0, 0, &problem.cameras[0], &clock, 60.0, 120, 0.3, &line, &mut rng);
    let east = film(1, 0, &problem.cameras[1], &clock, 60.0, 120, 0.3, &line, &mut rng);
    problem.observations.extend(east);
    let solution = solve(&problem, &MotionConfig::default()).unwrap();
    let told =
        solution.degeneracies.iter().any(|d| matches!(d, Degeneracy::TimeUnobservable { camera_idx: 1, .. }));
    assert!(told, "{:?} sd {}", solution.degeneracies, solution.border_sd(solution.layout.cameras[1].offset));
}

#[test]
fn outliers_are_set_aside_and_counted() {
    let mut problem = two_cameras(120.0, 2.0, 0.3, 31, &oval);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(9);
    let mut wrong = Vec::new();
    for i in (0..problem.observations.len()).step_by(17) {
        problem.observations[i].pixel.x_px += 20.0 + rng.random_range(0.0..200.0);
        wrong.push(i);
    }
    let solution = solve(&problem, &MotionConfig::default()).unwrap();
    for i in &wrong {
        assert!(!matches!(solution.fates[*i], Fate::Used { .. }), "outlier {i} used");
    }
    let aside = solution.fates.iter().filter(|f| !matches!(f, Fate::Used { .. })).count();
    assert!(aside <= wrong.len() + 3, "{aside} of {}", wrong.len());
    for i in 20..180 {
        let t = f64::from(i) * 0.01;
        assert!((solution.position(0, t).unwrap() - oval(t)).norm() < 0.01);
    }
}

#[test]
fn a_gap_is_a_gap_and_one_camera_alone_widens_the_sd() {
    let mut problem = two_cameras(60.0, 4.0, 0.3, 41, &oval);
    // Nobody sees it from 1.5 to 2.5 s; the east camera alone misses 3.0 to 3.2 s.
    problem
        .observations
        .retain(|o| !((1.5..2.5).contains(&o.pts_s) || (o.camera_idx == 1 && (3.0..3.2).contains(&o.pts_s))));
    let solution = solve(&problem, &MotionConfig::default()).unwrap();
    assert!(solution.position(0, 2.0).is_none());
    let sd = |t: f64| solution.kinematics(0, t).unwrap().position_sd_m().norm();
    assert!(sd(3.1) > 1.5 * sd(2.9), "{} {}", sd(3.1), sd(2.9));
    assert!(solution.degeneracies.iter().any(|d| matches!(d, Degeneracy::SingleCamera { .. })));
    assert_eq!(solution.views(&problem, 0, &[1.0, 3.1]), vec![2, 1]);
}

#[test]
fn bad_numbers_are_named() {
    let mut problem = two_cameras(60.0, 1.0, 0.3, 51, &oval);
    problem.observations[7].pixel.x_px = f64::NAN;
    assert!(matches!(
        solve(&problem, &MotionConfig::default()),
        Err(MotionError::BadObservation { observation_idx: 7, .. })
    ));
    problem.observations.clear();
    assert!(matches!(solve(&problem, &MotionConfig::default()), Err(MotionError::NothingInCommon { .. })));
    let mut alone = two_cameras(60.0, 1.0, 0.3, 51, &oval);
    alone.observations.retain(|o| o.camera_idx == 0);
    assert!(matches!(solve(&alone, &MotionConfig::default()), Err(MotionError::NothingInCommon { .. })));
}

/// A wand of known length and free poses: the scale comes from the wand.
#[test]
fn wand_length_sets_the_scale() {
    let tip = |t: f64| oval(t);
    let other =
        |t: f64| oval(t) + Vector3::new((1.7 * t).cos(), (1.7 * t).sin() * 0.6, (1.7 * t).sin() * 0.8);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(77);
    let free = CameraFreedom { pose: true, offset_s: Freedom::Free, ..Default::default() };
    let west = camera("west", [-4.0, -8.0, 1.5], CameraFreedom::default());
    let east = camera("east", [4.5, -7.5, 1.7], free);
    let clock = Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.008 };
    let late = Clock { offset_s: 0.004, ..clock };
    let mut observations = Vec::new();
    for (m, path) in [&tip as &dyn Fn(f64) -> Point3<f64>, &other].into_iter().enumerate() {
        observations.extend(film(0, m, &west, &clock, 60.0, 240, 0.3, path, &mut rng));
        observations.extend(film(1, m, &east, &late, 60.0, 240, 0.3, path, &mut rng));
    }
    let truth = east.camera_from_world;
    let mut start = east.clone();
    // A wrong scale and a turned camera to begin with.
    start.camera_from_world.translation.vector *= 1.15;
    start.camera_from_world.rotation = UnitQuaternion::from_euler_angles(0.01, -0.02, 0.01) * truth.rotation;
    let distances = (6..230)
        .map(|i| Distance {
            marker_a_idx: 0,
            marker_b_idx: 1,
            t_s: f64::from(i) / 60.0,
            length_m: 1.0,
            sd_m: 0.001,
        })
        .collect();
    let problem = Problem { distances, ..Problem::new(vec![west, start], 2, observations) };
    let solution = solve(&problem, &MotionConfig::default()).unwrap();
    let solved = solution.cameras()[1].camera_from_world;
    let sd = solution.border_sd(solution.layout.cameras[1].pose.map(|p| p + 3));
    let off = (solved.translation.vector - truth.translation.vector).norm();
    assert!(off < 0.01 && sd < 0.01, "off {off} sd {sd}");
    assert!((solution.cameras()[1].clock.offset_s - 0.004).abs() < 3e-4);
}
