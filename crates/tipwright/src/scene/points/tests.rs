//! A made-up flight over Alder Reach: three cameras, each with its own clock, rate and readout.

use nalgebra::{Isometry3, Matrix3, Point3, Translation3, UnitQuaternion, Vector3};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

use super::*;
use crate::model::{Clock, Picture, Rotation};

struct Standing {
    centre: Point3<f64>,
    fps_hz: f64,
    clock: Clock,
    seconds: f64,
}

fn flight(t: f64) -> Point3<f64> {
    Point3::new(
        9.0 * (0.21 * t).sin() + 3.0 * (0.53 * t + 0.5).sin(),
        6.0 * (0.17 * t + 1.0).cos() + 2.0 * (0.61 * t).sin(),
        8.0 + 3.0 * (0.33 * t).sin() + 1.5 * (0.71 * t + 0.3).cos(),
    )
}

fn lens() -> Lens {
    let distortion = [0.02, -0.05, 0.0005, -0.0003, 0.01];
    Lens::new([1920, 1080], 1500.0, 1500.0, 960.0, 540.0, distortion)
}

fn pose(centre: Point3<f64>) -> Isometry3<f64> {
    let forward = (Point3::new(0.0, 0.0, 8.0) - centre).normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let down = forward.cross(&right);
    let rows = Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
    let rotation = UnitQuaternion::from_matrix(&rows);
    Isometry3::from_parts(Translation3::from(-(rotation * centre.coords)), rotation)
}

fn standing() -> Vec<Standing> {
    let clock = |offset_s, drift, readout_s| Clock { offset_s, drift, readout_s };
    vec![
        Standing {
            centre: Point3::new(-22.0, -30.0, 1.6),
            fps_hz: 29.97,
            clock: clock(0.0, 0.0, 0.018),
            seconds: 55.0,
        },
        Standing {
            centre: Point3::new(20.0, -33.0, 1.8),
            fps_hz: 25.0,
            clock: clock(11.37, 4e-5, 0.012),
            seconds: 60.0,
        },
        Standing {
            centre: Point3::new(33.0, 12.0, 1.5),
            fps_hz: 30.0,
            clock: clock(-6.21, -8e-5, 0.022),
            seconds: 58.0,
        },
    ]
}

fn film() -> PointsInput {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
    let picture = Picture { stored_px: [1920, 1080], rotation: Rotation::R0 };
    let cameras = standing()
        .iter()
        .enumerate()
        .map(|(k, s)| {
            let mut rows = Vec::new();
            for frame in 0..(s.seconds * s.fps_hz) as usize {
                let pts_s = frame as f64 / s.fps_hz;
                let mut pixel = RawPixel::new(960.0, 540.0);
                for _ in 0..6 {
                    let t_s = s.clock.session_s(pts_s, picture.shutter_fraction(pixel));
                    pixel = lens().project(&(pose(s.centre) * flight(t_s))).unwrap();
                }
                let mut noise = || -> f64 { StandardNormal.sample(&mut rng) };
                pixel.x_px += 0.4 * noise();
                pixel.y_px += 0.4 * noise();
                if rng.random_range(0.0..1.0) < 0.03 {
                    pixel.x_px += 60.0;
                }
                rows.push(PointRow { frame: frame as f64, pixel });
            }
            PointsCamera {
                name: ["mill", "sluice", "alder"][k].into(),
                lens: lens(),
                fps_hz: s.fps_hz,
                readout_s: None,
                rows,
                unlabelled: 0,
            }
        })
        .collect();
    let length_m = (standing()[1].centre - standing()[0].centre).norm();
    PointsInput { cameras, length_m: Some(length_m) }
}

#[test]
fn scene_is_recovered_whatever_the_number_of_threads() {
    let input = film();
    let config = PointsConfig { draws: 2, ..PointsConfig::default() };
    let pool = |n| rayon::ThreadPoolBuilder::new().num_threads(n).build().unwrap();
    let one = pool(1).install(|| solve_points(&input, &config)).unwrap();
    let many = pool(3).install(|| solve_points(&input, &config)).unwrap();
    assert_eq!(one.path, many.path);
    assert_eq!(one.scene, many.scene);
    for (s, c) in standing().iter().zip(&one.scene.cameras).skip(1) {
        assert!((c.offset_s - s.clock.offset_s).abs() < 4.0 * c.offset_sd_s + 1e-4, "{c:?}");
        assert!((c.offset_s - s.clock.offset_s).abs() < 0.01, "{c:?}");
    }
    // The world is the first camera's: bring the truth there.
    let world_from_truth =
        one.scene.cameras[0].pose().camera_from_world.inverse() * pose(standing()[0].centre);
    // Stated is the error of the shape: the frame's own motion is taken out of the error as out of the draws.
    let mut errors: Vec<Vector3<f64>> =
        one.path.samples.iter().map(|s| s.position_in_world - world_from_truth * flight(s.t_s)).collect();
    super::datum::Datum::new(&one.path.samples, false).take_out(&mut errors);
    let (mut sum, mut whitened, mut n) = (0.0, 0.0, 0.0);
    for (s, e) in one.path.samples.iter().zip(errors).filter(|(s, _)| s.views >= 2) {
        sum += e.norm_squared();
        whitened += e.component_div(&s.position_sd_m).norm_squared() / 3.0;
        n += 1.0;
    }
    assert!(n > 1000.0);
    let rmse = f64::sqrt(sum / n);
    // 0.4 px at 40 m is 11 mm; lenses and readouts are free.
    assert!(rmse < 0.15, "rmse {rmse}");
    assert!(whitened / n < 4.0, "mean square of error over sd {}", whitened / n);
    for c in &one.counts {
        assert_eq!(c.given, c.accepted + c.outliers + c.off_path);
        let share = c.outliers as f64 / c.given as f64;
        assert!((0.015..0.05).contains(&share), "{c:?}");
    }
}

#[test]
fn a_picture_that_was_turned_over_has_its_last_row_read_first() {
    let mut input = film();
    // Half a turn of the picture: the centre stays, the shutter runs up. The lens's tangential part turns with it.
    let turned = &mut input.cameras[2];
    for r in &mut turned.rows {
        r.pixel = RawPixel::new(1920.0 - r.pixel.x_px, 1080.0 - r.pixel.y_px);
    }
    turned.lens.distortion[2] *= -1.0;
    turned.lens.distortion[3] *= -1.0;
    let found = solve_points(&input, &PointsConfig::default()).unwrap();
    let camera = &found.scene.cameras[2];
    let truth_s = -standing()[2].clock.readout_s;
    assert!((camera.readout_s - truth_s).abs() < 3.0 * camera.readout_sd_s, "{camera:?}");
    // Told from zero and from the other direction: the sighted rows see both.
    assert!(camera.readout_s < -2.0 * camera.readout_sd_s, "{camera:?}");
    assert!(found.warnings.iter().any(|w| w.about == "alder" && w.what.contains("last row")));
}

#[test]
fn a_gap_in_both_tracks_is_a_gap_in_the_path() {
    let mut input = film();
    input.cameras.truncate(2);
    let standing = standing();
    for (c, s) in input.cameras.iter_mut().zip(&standing) {
        c.rows.retain(|r| {
            let t_s = s.clock.session_s(r.frame / s.fps_hz, 0.0);
            !(30.0..37.0).contains(&t_s)
        });
    }
    let found = solve_points(&input, &PointsConfig::default()).unwrap();
    assert!(found.path.samples.iter().all(|s| !(30.2..36.8).contains(&s.t_s)));
    assert_eq!(found.path.stretches().len(), 2, "{:?}", found.path.stretches());
}

#[test]
fn cameras_that_saw_different_things_are_told_apart() {
    let mut input = film();
    input.cameras.truncate(2);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(8);
    for row in &mut input.cameras[1].rows {
        row.pixel = RawPixel::new(rng.random_range(0.0..1920.0), rng.random_range(0.0..1080.0));
    }
    let found = solve_points(&input, &PointsConfig::default());
    let useless = match &found {
        Err(_) => true,
        Ok(s) => s.warnings.iter().any(|w| w.about == "sluice"),
    };
    assert!(useless, "{:?}", found.map(|s| s.warnings));
    input.cameras.truncate(1);
    assert!(matches!(
        solve_points(&input, &PointsConfig::default()),
        Err(SceneError::TooFewCameras { got: 1 })
    ));
}

/// A camera of `film()` whose labels are of nothing.
fn blind(name: &str) -> PointsCamera {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(18);
    let mut camera = film().cameras.remove(1);
    camera.name = name.into();
    // wanders like a thing that flies, but another
    let (mut x, mut y) = (960.0_f64, 540.0_f64);
    for row in &mut camera.rows {
        x = (x + 8.0 * rng.random_range(-1.0..1.0)).clamp(0.0, 1919.0);
        y = (y + 8.0 * rng.random_range(-1.0..1.0)).clamp(0.0, 1079.0);
        row.pixel = RawPixel::new(x, y);
    }
    camera
}

#[test]
fn whichever_camera_fits_no_pose_is_left_out_and_told() {
    for at in [0, 3] {
        let mut input = film();
        input.length_m = None;
        input.cameras.insert(at, blind("heron"));
        let found = solve_points(&input, &PointsConfig::default()).unwrap();
        let names: Vec<_> = found.scene.cameras.iter().map(|c| c.name.as_str()).collect();
        assert_eq!(names, ["mill", "sluice", "alder"], "{:?}", found.warnings);
        assert!(found.warnings.iter().any(|w| w.about == "heron" && w.what.contains("left out")));
        for (s, c) in standing().iter().zip(&found.scene.cameras).skip(1) {
            assert!((c.offset_s - s.clock.offset_s).abs() < 0.01, "{c:?}");
        }
    }
}

#[test]
fn a_frame_number_of_another_world_is_refused_in_words() {
    let mut input = film();
    input.cameras[1].rows[7].frame = 1e8;
    let refused = solve_points(&input, &PointsConfig::default()).map(|_| ()).unwrap_err();
    assert!(matches!(refused, SceneError::StrayFrame { .. }), "{refused}");
    assert!(refused.to_string().contains("frame 100000000 is 1111 hours away"), "{refused}");
}

/// Labels without noise that stand in steps, as carried on between key frames: no camera comes out exact, and none rules.
#[test]
fn smooth_labels_are_no_better_than_labels_can_be() {
    let mut input = film();
    for c in &mut input.cameras {
        let rows = c.rows.clone();
        for (i, row) in c.rows.iter_mut().enumerate() {
            let near = &rows[i.saturating_sub(4)..(i + 5).min(rows.len())];
            let n = near.len() as f64;
            row.pixel.x_px = near.iter().map(|r| r.pixel.x_px).sum::<f64>() / n;
            row.pixel.y_px = near.iter().map(|r| r.pixel.y_px).sum::<f64>() / n;
        }
    }
    let found = solve_points(&input, &PointsConfig::default()).unwrap();
    for c in &found.counts {
        assert!(c.sigma_px >= 0.5, "{c:?}");
    }
}

/// Share of a pair's coordinates inside the stated 95 %, with lens files as far off as those of the surveyed flights are
/// (tests/studies/flight_cameras.py).
fn share_inside(seed: u64, lens_files_err: LensSd) -> f64 {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
    let mut input = film();
    input.length_m = None;
    input.cameras.truncate(2);
    for c in &mut input.cameras {
        let focal_px = 1500.0 * (1.0 + 0.016 * normal());
        let (cx_px, cy_px) = (960.0 + 12.0 * normal(), 540.0 + 12.0 * normal());
        let mut distortion = lens().distortion;
        distortion[0] += 0.011 * normal();
        c.lens = Lens::new([1920, 1080], focal_px, focal_px, cx_px, cy_px, distortion);
    }
    let config = PointsConfig { lens_files_err, ..PointsConfig::default() };
    let found = solve_points(&input, &config).unwrap();
    let samples = &found.path.samples;
    // the truth in the frame and unit of the solution, then as near as a turn, a shift, a delay and a scale bring it
    let baseline_m = (standing()[1].centre - standing()[0].centre).norm();
    let place = found.scene.cameras[0].pose().camera_from_world.inverse() * pose(standing()[0].centre);
    let truth = |t_s: f64| Point3::from((place * flight(t_s)).coords / baseline_m);
    let mut errors: Vec<Vector3<f64>> = samples.iter().map(|s| s.position_in_world - truth(s.t_s)).collect();
    super::datum::Datum::new(samples, true).take_out(&mut errors);
    let (mut inside, mut all) = (0.0, 0.0);
    for (s, e) in samples.iter().zip(errors).filter(|(s, _)| s.views >= 2) {
        inside += e.component_div(&s.position_sd_m).iter().filter(|z| z.abs() < 1.96).count() as f64;
        all += 3.0;
    }
    inside / all
}

/// Two cameras hardly tell a focal length from depth, so a wrong lens file bends the path unseen, and the whole path at once: of sixteen
/// pairs a share of 95 % is known to 3 %, twice that is allowed. With lenses taken at their word it falls short by more.
#[test]
fn intervals_of_two_cameras_own_what_their_lens_files_hide() {
    let mean = |err: LensSd| {
        let shares: Vec<f64> = (31..47).into_par_iter().map(|seed| share_inside(seed, err)).collect();
        shares.iter().sum::<f64>() / shares.len() as f64
    };
    let owned = mean(PointsConfig::default().lens_files_err);
    assert!((0.89..0.995).contains(&owned), "{owned}");
    let at_their_word = mean(LensSd { focal: 0.0, centre: 0.0, k1: 0.0 });
    assert!(at_their_word < 0.85, "{at_their_word}");
}

/// A smoother path must not draw the lenses along: exact files come back within two thirds of how closely they are held, 0.9 %. The mode
/// of path and lenses together, without the path's volume, is 1.5 % off here.
#[test]
fn free_lenses_do_not_lean_to_smoother_paths() {
    let mut input = film();
    input.length_m = None;
    input.cameras.truncate(2);
    let found = solve_points(&input, &PointsConfig::default()).unwrap();
    for camera in found.solution.cameras() {
        assert!(camera.focal_log.abs() < 0.006, "{}", camera.focal_log);
    }
}
