//! A plan against what solving simulated sightings in the same set-up really gives.

use nalgebra::{DMatrix, DVector, Isometry3, Translation3, UnitQuaternion, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::expect::{dip_terms, last_forward};
use super::model_cast::{middle_s, tip};
use super::*;
use crate::motion::{MotionConfig, PathTerm, Problem, solve};

fn phone(name: &str, position_m: [f64; 3]) -> PlanCamera {
    PlanCamera {
        name: name.into(),
        position_m: position_m.into(),
        look_at_m: Point3::new(0.1, 0.0, 2.6),
        lens: lens_of_field(65.0, [1920, 1080]),
        readout_s: None,
    }
}

fn two() -> Vec<PlanCamera> {
    vec![phone("west", [-0.7, -8.3, 1.3]), phone("east", [7.3, -3.0, 2.2])]
}

fn quick() -> PlanConfig {
    PlanConfig { fps: 120.0, strokes: 3, wand_s: 12.0, cell_m: 1.0, ..PlanConfig::default() }
}

fn quiet(_: f64) {}

fn noisy(problem: &Problem, rng: &mut ChaCha8Rng) -> Problem {
    let mut out = problem.clone();
    for o in &mut out.observations {
        let sd = o.cov_px2[0].sqrt();
        let mut draw = || -> f64 { StandardNormal.sample(rng) };
        o.pixel.x_px += sd * draw();
        o.pixel.y_px += sd * draw();
    }
    out
}

/// Root mean square of errors over their expectation.
fn ratio(errors: &[f64], expected: f64) -> f64 {
    (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt() / expected
}

#[test]
fn expected_sds_are_those_of_solved_simulations() {
    let config = quick();
    let set_up = SetUp::expect(&two(), &config).unwrap();
    let (expected, _) = set_up.middle(&config).unwrap();
    let clean = set_up.take_problem(&config, config.middle_m);
    let lower: DMatrix<f64> = {
        let mut c = set_up.pose_covariance.clone();
        for i in 0..c.nrows() {
            c[(i, i)] += 1e-14;
        }
        c.cholesky().unwrap().l()
    };
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let (mut along, mut across, mut up, mut dip, mut offset) =
        (Vec::new(), Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let t_s = middle_s(last_forward(&config));
    let truth = tip(t_s, config.middle_m, config.strokes);
    let place = |term: &PathTerm| term.direction.dot(&tip(term.t_s, config.middle_m, config.strokes).coords);
    let true_dip: f64 = dip_terms(&config).iter().map(place).sum();
    for _ in 0..150 {
        let mut problem = noisy(&clean, &mut rng);
        // what the solver is told about the set-up is wrong by as much as it is told
        let z = DVector::from_fn(lower.nrows(), |_, _| StandardNormal.sample(&mut rng));
        let wrong = &lower * z;
        for (k, camera) in problem.cameras.iter_mut().enumerate() {
            let part = |i: usize| Vector3::new(wrong[6 * k + i], wrong[6 * k + i + 1], wrong[6 * k + i + 2]);
            let pose = camera.camera_from_world;
            camera.camera_from_world = Isometry3::from_parts(
                Translation3::from(pose.translation.vector + part(3)),
                UnitQuaternion::from_scaled_axis(part(0)) * pose.rotation,
            );
            let sd = set_up.readout_sd_s[k];
            let draw: f64 = StandardNormal.sample(&mut rng);
            let told = (camera.clock.readout_s + sd * draw).clamp(0.0, 1.0 / config.fps);
            camera.clock.readout_s = told;
            camera.free.readout_s = crate::motion::Freedom::Prior { mean: told, sd };
        }
        let solved = solve(&problem, &MotionConfig::default()).unwrap();
        let e = solved.position(0, t_s).unwrap() - truth;
        along.push(1e3 * e.x);
        across.push(1e3 * e.y);
        up.push(1e3 * e.z);
        let found: f64 = dip_terms(&config)
            .iter()
            .map(|term| term.direction.dot(&solved.position(0, term.t_s).unwrap().coords))
            .sum();
        dip.push(1e3 * (found - true_dip));
        offset.push(1e3 * (solved.cameras()[1].clock.offset_s - set_up.clocks[1].offset_s));
    }
    println!("expected {expected:?}");
    for (name, errors, sd) in [
        ("along", along, expected.along_mm),
        ("across", across, expected.across_mm),
        ("up", up, expected.up_mm),
        ("dip", dip, expected.dip_mm),
        ("offset", offset, expected.offset_ms),
    ] {
        let r = ratio(&errors, sd);
        println!("{name}: rms error {:.3} of the expected sd {sd:.3}", r);
        // 150 runs know an rms to 6 %
        assert!(r > 0.72 && r < 1.35, "{name}: {r}");
    }
}

#[test]
fn the_wand_leaves_what_is_expected_of_it() {
    let config = quick();
    let set_up = SetUp::expect(&two(), &config).unwrap();
    let mut told = set_up.clone();
    // before the wand nobody knows the readouts better than the guess
    told.readout_sd_s = vec![config.readout_share[1] / config.fps; 2];
    let clean = told.wand_problem(&config);
    let solver = MotionConfig { knot_spacing_s: Some(1.0 / 60.0), ..MotionConfig::default() };
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let settle = |i: usize| config.settle[usize::from(i >= 3)].powi(2);
    let mut chi2 = Vec::new();
    let truth = set_up.cameras[1].pose.camera_from_world;
    // the wand's own frame is the first camera's: there a wrong length moves the second one away from the first
    let scale_sd = config.wand_length_m[1] / config.wand_length_m[0];
    let by_scale = |about: Point3<f64>| {
        let shift = -(truth.rotation * (set_up.cameras[1].centre_in_world() - about)) * scale_sd;
        DVector::from_fn(6, |i, _| if i < 3 { 0.0 } else { shift[i - 3] })
    };
    let (middle, first) = (by_scale(config.middle_m), by_scale(set_up.cameras[0].centre_in_world()));
    let covariance = DMatrix::from_fn(6, 6, |i, j| {
        set_up.pose_covariance[(6 + i, 6 + j)] - if i == j { settle(i) } else { 0.0 }
    }) - &middle * middle.transpose()
        + &first * first.transpose();
    for _ in 0..12 {
        let mut problem = noisy(&clean, &mut rng);
        let [length_m, sd_m] = config.wand_length_m;
        let wrong: f64 = StandardNormal.sample(&mut rng);
        for d in &mut problem.distances {
            d.length_m = length_m + sd_m * wrong;
        }
        for (camera, sd) in problem.cameras.iter_mut().zip(&told.readout_sd_s) {
            let draw: f64 = StandardNormal.sample(&mut rng);
            let mean = (camera.clock.readout_s + sd * draw).clamp(0.0, 1.0 / config.fps);
            camera.free.readout_s = crate::motion::Freedom::Prior { mean, sd: *sd };
        }
        let solved = solve(&problem, &solver).unwrap();
        let found = solved.cameras()[1].camera_from_world;
        let turn = (found.rotation * truth.rotation.inverse()).scaled_axis();
        let shift = found.translation.vector - truth.translation.vector;
        let e = DVector::from_vec([turn.as_slice(), shift.as_slice()].concat());
        chi2.push(e.dot(&covariance.clone().cholesky().unwrap().solve(&e)));
    }
    let mean = chi2.iter().sum::<f64>() / chi2.len() as f64;
    println!("mean chi-square of the pose {mean:.2} of 6: {chi2:.1?}");
    // the mean of twelve has a standard deviation of 1
    assert!(mean > 3.0 && mean < 9.5, "{mean}");
}

#[test]
fn near_parallel_cameras_are_told_to_move_apart() {
    let config = quick();
    let cameras = vec![phone("west", [-1.0, -8.3, 1.4]), phone("east", [1.0, -8.3, 1.4])];
    let found = plan(&cameras, &config, &quiet).unwrap();
    assert!(found.warnings.iter().any(|w| w.what.contains("degrees apart")), "{:?}", found.warnings);
    let best = &found.advice[0];
    assert!(best.what.contains("apart"), "{:?}", found.advice);
    assert!(best.position_mm[1] < 0.7 * best.position_mm[0], "{best:?}");
    // depth is the weak direction: across, for both look along y
    assert!(found.middle.across_mm > 2.0 * found.middle.up_mm);
    let good = plan(&two(), &config, &quiet).unwrap();
    assert!(good.middle.position_mm < 0.6 * found.middle.position_mm);
    assert!(good.warnings.iter().all(|w| w.about != "set-up"), "{:?}", good.warnings);
    assert!(good.above.len() == 15 && good.beside.len() == 15, "{} {}", good.above.len(), good.beside.len());
}

#[test]
fn a_volume_out_of_the_picture_is_said_to_be() {
    let config = quick();
    let near = vec![phone("west", [-0.7, -5.0, 1.3]), phone("east", [5.0, -2.0, 2.2])];
    let found = plan(&near, &config, &quiet).unwrap();
    assert!(found.seen_share < 1.0);
    assert!(found.above.iter().chain(&found.beside).all(|c| c.expected.is_some() == c.unseen_by.is_empty()));
    assert!(found.warnings.iter().any(|w| w.about == "picture"), "{:?}", found.warnings);
    let mut away = two();
    away[1].look_at_m = Point3::new(20.0, -3.0, 2.0);
    assert!(matches!(plan(&away, &config, &quiet), Err(PlanError::Unseen { .. })));
    assert!(matches!(plan(&away[..1], &config, &quiet), Err(PlanError::TooFewCameras { got: 1 })));
    away[1].look_at_m = away[1].position_m;
    assert!(matches!(plan(&away, &config, &quiet), Err(PlanError::LooksAtItself { .. })));
}
