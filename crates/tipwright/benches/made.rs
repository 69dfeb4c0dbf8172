//! Made-up takes for the bench, the growth example and the comparison with another solver: two cameras at Alder Reach
//! watch a marker swing to and fro like a rod tip.
#![allow(
    dead_code,
    missing_docs,
    clippy::unwrap_used,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation
)]

use nalgebra::{Point3, UnitQuaternion, Vector3};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use tipwright::model::{CameraPose, Clock, Lens, Picture, RawPixel, Rotation};
use tipwright::motion::spline::Timeline;
use tipwright::motion::{
    Baseline, CameraFreedom, CameraModel, Freedom, Hyper, Loss, MotionConfig, Noise, Observation, Problem,
    Smoothness, Start, State,
};

pub const SIGMA_PX: f64 = 0.3;
pub const JERK_DENSITY_M2_S5: f64 = 5e3;
pub const READOUT_MEAN_S: f64 = 0.008;
pub const READOUT_SD_S: f64 = 0.003;

fn lens() -> Lens {
    Lens::new([1920, 1080], 1500.0, 1505.0, 955.0, 545.0, [0.08, -0.15, 0.0008, -0.0005, 0.05])
}

/// Path of the marker: strokes of a second, top speed near 12 m/s.
pub fn place(t: f64) -> Point3<f64> {
    let swing = (std::f64::consts::TAU * t * 0.7).sin();
    Point3::new(
        1.9 * swing + 0.3 * swing.powi(3),
        0.3 * (1.1 * t).cos(),
        2.4 - 0.35 * swing * swing + 0.1 * (2.3 * t).sin(),
    )
}

/// A take of two cameras with unknown second clock and readouts.
pub fn take(seconds: f64, fps_hz: f64) -> Problem {
    let target = Point3::new(0.0, 0.0, 2.0);
    let readout_s = Freedom::Prior { mean: READOUT_MEAN_S, sd: READOUT_SD_S };
    let camera = |name: &str, centre, clock, free| CameraModel {
        name: name.into(),
        lens: lens(),
        picture: Picture { stored_px: [1920, 1080], rotation: Rotation::R0 },
        camera_from_world: CameraPose::looking(centre, target).unwrap().camera_from_world,
        clock,
        free,
    };
    let truth = [
        Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.0075 },
        Clock { offset_s: 0.0131, drift: 2e-5, readout_s: 0.0092 },
    ];
    let first = CameraFreedom { readout_s, ..CameraFreedom::default() };
    let second = CameraFreedom { offset_s: Freedom::Free, drift: Freedom::Free, ..first };
    let start = Clock { readout_s: READOUT_MEAN_S, ..Clock::default() };
    let cameras = vec![
        camera("weir", Point3::new(-4.0, -8.0, 1.5), start, first),
        camera("alder", Point3::new(4.5, -7.5, 1.8), Clock { offset_s: 0.012, ..start }, second),
    ];
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(17);
    let mut observations = Vec::new();
    for (k, (model, clock)) in cameras.iter().zip(truth).enumerate() {
        for i in 0..(seconds * fps_hz) as usize {
            let pts_s = i as f64 / fps_hz;
            let mut pixel = RawPixel::new(960.0, 540.0);
            for _ in 0..6 {
                let t_s = clock.session_s(pts_s, model.picture.shutter_fraction(pixel));
                pixel = model.lens.project(&(model.camera_from_world * place(t_s))).unwrap();
            }
            let mut noise = || -> f64 { StandardNormal.sample(&mut rng) };
            pixel.x_px += SIGMA_PX * noise();
            pixel.y_px += SIGMA_PX * noise();
            let cov_px2 = [SIGMA_PX * SIGMA_PX, 0.0, SIGMA_PX * SIGMA_PX];
            observations.push(Observation { camera_idx: k, marker_idx: 0, pts_s, pixel, cov_px2 });
        }
    }
    Problem::new(cameras, 1, observations)
}

/// The same with the second pose free, knots laid out and a start off the truth.
pub fn with_start(seconds: f64, fps_hz: f64) -> (Problem, Start) {
    let mut problem = take(seconds, fps_hz);
    problem.cameras[1].free.pose = true;
    let timeline = Timeline::new(2.0 / fps_hz, &[(-0.05, seconds + 0.05)]);
    let centre = |c: &CameraModel| c.camera_from_world.inverse().translation.vector;
    let length_m = (centre(&problem.cameras[1]) - centre(&problem.cameras[0])).norm();
    problem.baselines = vec![Baseline { camera_a_idx: 0, camera_b_idx: 1, length_m, sd_m: 0.001 }];
    problem.timeline = Some(timeline.clone());
    // The pose given is a little off.
    let pose = &mut problem.cameras[1].camera_from_world;
    pose.rotation = UnitQuaternion::from_euler_angles(0.003, -0.002, 0.004) * pose.rotation;
    pose.translation.vector += Vector3::new(0.02, -0.01, 0.015);
    let mut state = State::start(&problem, &timeline);
    for i in 0..timeline.coefficients() {
        let p = place(timeline.pieces()[0].start_s + (i as f64 - 1.0) * timeline.spacing_s());
        state.coefficients_m[3 * i..3 * i + 3].copy_from_slice(p.coords.as_slice());
    }
    let hyper = Hyper {
        noise_scale: vec![1.0; 2],
        jerk_density_m2_s5: vec![JERK_DENSITY_M2_S5; timeline.coefficients()],
        length_slack: 1.0,
        prior_weight: 1.0,
        size_m: None,
        lasting: vec![1.0; problem.cameras.len() * problem.markers],
        share: vec![1.0; problem.observations.len()],
        rejected: vec![false; problem.observations.len()],
    };
    (problem, Start { state, hyper })
}

/// Settings under which nothing but the unknowns changes.
pub fn fixed_config() -> MotionConfig {
    MotionConfig {
        smoothness: Smoothness::Fixed { jerk_density_m2_s5: JERK_DENSITY_M2_S5 },
        noise: Noise::AsGiven,
        rest_px: 0.0,
        loss: Loss::Cauchy { scale: 3.0 },
        reject_at: f64::INFINITY,
        widen_for_correlation: false,
        tolerance: 1e-10,
        ..MotionConfig::default()
    }
}
