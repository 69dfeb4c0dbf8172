//! A cast filmed by two synthetic phones, and what can go wrong with it.

use nalgebra::Point3;

use super::*;
use crate::model::{Camera, Clock, SceneCamera};
use crate::testing::{Shot, Thing, cast_butt, cast_tip, film, looking, two_phones};

pub(super) const FPS: f64 = 240.0;
const OFFSET_S: f64 = -1.2345;
const READOUT_S: f64 = 0.0034;

pub(super) fn scene_of(cameras: &[Camera]) -> Scene {
    let n = 6 * cameras.len();
    let mut covariance = vec![0.0; n * n];
    for i in 0..n {
        let sd: f64 = if i % 6 < 3 { 5e-5 } else { 5e-4 };
        covariance[i * n + i] = sd * sd;
    }
    Scene {
        schema: 1,
        length_unit: "m".into(),
        cameras: cameras
            .iter()
            .map(|c| {
                let mut s = SceneCamera {
                    name: c.name.clone(),
                    rotation_wxyz: [1.0, 0.0, 0.0, 0.0],
                    rotation_sd_deg: [0.003; 3],
                    translation_m: [0.0; 3],
                    translation_sd_m: [5e-4; 3],
                    offset_s: 0.0,
                    offset_sd_s: 0.0,
                    drift: 0.0,
                    drift_sd: 0.0,
                    readout_s: 0.0,
                    readout_sd_s: 0.0,
                };
                s.set_pose(&c.pose);
                s
            })
            .collect(),
        pose_covariance: covariance,
        ..Scene::default()
    }
}

pub(super) fn clocks() -> [Clock; 2] {
    [
        Clock { offset_s: 0.0, drift: 0.0, readout_s: READOUT_S },
        Clock { offset_s: OFFSET_S, drift: 2e-5, readout_s: READOUT_S },
    ]
}

pub(super) fn tip_look() -> RoleLook {
    RoleLook { role: Role::Tip, colour: Colour::White, at_m: 2.743, diameter_m: 0.04 }
}

pub(super) fn take<'a>(
    scene: &'a Scene,
    cameras: &'a [Camera],
    clips: &'a [ClipSpots],
    roles: Vec<RoleLook>,
) -> TakeInput<'a> {
    TakeInput {
        take: "01-test",
        scene,
        cameras: cameras
            .iter()
            .zip(clips)
            .map(|(c, spots)| TakeCamera { lens: &c.lens, spots, readout_s: None, coarse_offset: None })
            .collect(),
        roles,
        plane: None,
    }
}

/// Root mean square and worst error of a path, and the share of axis errors inside 1.96 sd.
pub(super) fn errors(path: &crate::model::MarkerPath, truth: &dyn Fn(f64) -> Point3<f64>) -> (f64, f64, f64) {
    let (mut sum, mut worst, mut inside) = (0.0, 0.0_f64, 0.0);
    for s in &path.samples {
        let e = s.position_in_world - truth(s.t_s);
        sum += e.norm_squared();
        worst = worst.max(e.norm());
        for axis in 0..3 {
            if e[axis].abs() <= 1.96 * s.position_sd_m[axis] {
                inside += 1.0 / 3.0;
            }
        }
    }
    let n = path.samples.len() as f64;
    ((sum / n).sqrt(), worst, inside / n)
}

pub(super) fn report(name: &str, out: &TakePaths, truth: &dyn Fn(f64) -> Point3<f64>) -> (f64, f64, f64) {
    let (rms, worst, inside) = errors(&out.rod.tip, truth);
    println!(
        "{name}: {} samples, rms {:.2} mm, worst {:.2} mm, inside 95 % {:.3}, offset error {:+.4} ms (sd {:.4}), readout error {:+.3} {:+.3} ms (sd {:.3}), reprojection {:.3} px",
        out.rod.tip.samples.len(),
        1e3 * rms,
        1e3 * worst,
        inside,
        1e3 * (out.clocks[1].clock.offset_s - OFFSET_S),
        1e3 * out.clocks[1].offset_sd_s,
        1e3 * (out.clocks[0].clock.readout_s - READOUT_S),
        1e3 * (out.clocks[1].clock.readout_s - READOUT_S),
        1e3 * out.clocks[1].readout_sd_s,
        out.reprojection_rms_px
    );
    println!("{:?}", out.tally);
    for w in &out.warnings {
        println!("{w}");
    }
    (rms, worst, inside)
}

#[test]
fn a_clean_cast_is_found_to_a_millimetre() {
    let cameras = two_phones();
    let scene = scene_of(&cameras);
    let things = [Thing::new(&cast_tip, Colour::White, 0.04)];
    let clips: Vec<ClipSpots> = (0..2)
        .map(|k| film(&cameras[k], k, &things, &Shot::new(FPS, 6.0, clocks()[k], 11 + k as u64)))
        .collect();
    let out = solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &PathConfig::default()).unwrap();
    let (rms, worst, inside) = report("clean", &out, &cast_tip);
    assert!(rms < 1.5e-3 && worst < 8e-3, "{rms} {worst}");
    assert!(inside > 0.88, "{inside}");
    // level phones know offset and readouts only together, by the rows in which they see the tip: there to 0.02 ms
    let fraction = |k: usize| {
        let spots = &out.assignments[k].spots;
        let of = |s: &AssignedSpot| {
            clips[k].picture.shutter_fraction(clips[k].frames[s.frame_pos].candidates[s.candidate_idx].centre)
        };
        spots.iter().map(of).sum::<f64>() / spots.len() as f64
    };
    let late_s = |k: usize| {
        let clock = &out.clocks[k].clock;
        // in the middle of the clip
        let drifted_s = 3.0 * (clock.drift - clocks()[k].drift);
        clock.offset_s - clocks()[k].offset_s + drifted_s + fraction(k) * (clock.readout_s - READOUT_S)
    };
    assert!((late_s(1) - late_s(0)).abs() < 2e-5, "{} {}", late_s(0), late_s(1));
    assert!((out.clocks[1].clock.offset_s - OFFSET_S).abs() < 2.0 * out.clocks[1].offset_sd_s);
    assert!((out.clocks[1].clock.readout_s - READOUT_S).abs() < 2e-4);
    assert_eq!(out.tally.offered, out.tally.accepted + out.tally.rejected.values().sum::<u64>());
    assert!(out.tally.accepted > 2000);
}

#[test]
fn a_camera_whose_shutter_runs_up_is_followed_as_the_scene_says() {
    let cameras = two_phones();
    let mut scene = scene_of(&cameras);
    (scene.cameras[1].readout_s, scene.cameras[1].readout_sd_s) = (-READOUT_S - 2e-4, 4e-4);
    let things = [Thing::new(&cast_tip, Colour::White, 0.04)];
    let turned = Clock { readout_s: -READOUT_S, ..clocks()[1] };
    let clips: Vec<ClipSpots> = [clocks()[0], turned]
        .iter()
        .enumerate()
        .map(|(k, clock)| film(&cameras[k], k, &things, &Shot::new(FPS, 6.0, *clock, 11 + k as u64)))
        .collect();
    let out = solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &PathConfig::default()).unwrap();
    // bounds as in a clean cast
    let (rms, worst, inside) = errors(&out.rod.tip, &cast_tip);
    assert!(rms < 1.5e-3 && worst < 8e-3 && inside > 0.88, "{rms} {worst} {inside}");
    assert!((out.clocks[1].clock.readout_s + READOUT_S).abs() < 2e-4, "{:?}", out.clocks[1]);
}

#[test]
fn frames_the_first_camera_left_out_make_no_hole() {
    let cameras = two_phones();
    let scene = scene_of(&cameras);
    let things = [Thing::new(&cast_tip, Colour::White, 0.04)];
    let mut clips: Vec<ClipSpots> = (0..2)
        .map(|k| film(&cameras[k], k, &things, &Shot::new(FPS, 6.0, clocks()[k], 11 + k as u64)))
        .collect();
    let mut at = 0;
    clips[0].frames.retain(|_| {
        at += 1;
        at % 40 != 0
    });
    let out = solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &PathConfig::default()).unwrap();
    assert_eq!(out.rod.tip.stretches().len(), 1, "{:?}", out.rod.tip.stretches());
    let longest_s = out.rod.tip.samples.windows(2).map(|w| w[1].t_s - w[0].t_s).fold(0.0, f64::max);
    assert!(longest_s < 1.1 / FPS, "{longest_s}");
    let (rms, worst, _) = report("frames left out", &out, &cast_tip);
    assert!(rms < 1.5e-3 && worst < 8e-3, "{rms} {worst}");
}

#[test]
fn caps_walkers_glints_and_absences_do_not_mislead() {
    let cameras = two_phones();
    let scene = scene_of(&cameras);
    // the caster's white cap, a walker's, a glint that only one camera sees, a clock tower
    let cap = |t: f64| Point3::new(0.1 * (0.7 * t).sin(), 0.35, 1.75 + 0.02 * (2.1 * t).sin());
    let walker = |t: f64| Point3::new(-4.0 + 1.4 * t, 3.0, 1.7 + 0.03 * (11.0 * t).sin());
    let glint = |t: f64| Point3::new(1.0 + 0.4 * (6.0 * t).sin(), 1.0, 0.4);
    let tower = |_: f64| Point3::new(3.0, 12.0, 4.5);
    let butt1 = |t: f64| cast_butt(t, 0.40);
    let butt2 = |t: f64| cast_butt(t, 0.75);
    let mut things = vec![
        Thing::new(&cap, Colour::White, 0.12),
        Thing::new(&walker, Colour::White, 0.1),
        Thing::new(&glint, Colour::White, 0.03),
        Thing::new(&tower, Colour::White, 0.3),
        Thing::new(&cast_tip, Colour::White, 0.04),
        Thing::new(&butt1, Colour::Green, 0.03),
        Thing::new(&butt2, Colour::Green, 0.03),
    ];
    things[2].cameras = Some(vec![1]);
    let clips: Vec<ClipSpots> = (0..2)
        .map(|k| {
            let mut f = Shot::new(FPS, 6.0, clocks()[k], 31 + k as u64);
            f.dropout = 0.05;
            f.outlier = 0.02;
            // behind the body for a tenth of a second in one camera, out of both for half a second
            f.hidden_s = if k == 1 { vec![[1.3, 1.4], [2.2, 2.7]] } else { vec![[2.2, 2.7]] };
            film(&cameras[k], k, &things, &f)
        })
        .collect();
    let look = |role, at_m| RoleLook { role, colour: Colour::Green, at_m, diameter_m: 0.03 };
    // at_m from the hand here; only differences and the reach to the tip matter
    let roles = vec![tip_look(), look(Role::Butt1, 0.40), look(Role::Butt2, 0.75)];
    let out = solve_take(&take(&scene, &cameras, &clips, roles), &PathConfig::default()).unwrap();
    let (rms, worst, _) = report("clutter", &out, &cast_tip);
    assert!(rms < 3e-3 && worst < 3e-2, "{rms} {worst}");
    assert!((out.clocks[1].clock.offset_s - OFFSET_S).abs() < 1e-4);
    assert!(out.rod.tip.samples.iter().all(|s| !(s.t_s > 2.25 && s.t_s < 2.65)), "drawn through a gap");
    assert_eq!(out.rod.butts.len(), 2);
    let apart = out.butts_apart_m.unwrap();
    assert!((apart.value - 0.35).abs() < 1e-3 && apart.sd < 3e-3, "{apart:?}");
    assert!(out.warnings.iter().all(|w| !w.what.contains("butt markers")), "{:?}", out.warnings);
    let (b1, _, _) = errors(&out.rod.butts[0].path, &butt1);
    let (b2, _, _) = errors(&out.rod.butts[1].path, &butt2);
    println!("butts rms {:.2} {:.2} mm", 1e3 * b1, 1e3 * b2);
    assert!(b1 < 3e-3 && b2 < 3e-3, "{b1} {b2}");
    // a hidden stretch in one camera: views say so and the standard deviation grows
    let sd_at = |t: f64| {
        let s = out
            .rod
            .tip
            .samples
            .iter()
            .min_by(|a, b| (a.t_s - t).abs().total_cmp(&(b.t_s - t).abs()))
            .unwrap();
        (s.views, s.position_sd_m.norm())
    };
    assert_eq!(sd_at(1.35).0, 1);
    assert!(sd_at(1.35).1 > 1.5 * sd_at(1.0).1, "{:?} {:?}", sd_at(1.35), sd_at(1.0));
}

/// Two phones that see the cast and a third full of glints, in which the tip is seen now and then: `with_tip`, or not at all.
pub(super) fn third_among_glints(with_tip: bool) -> (Vec<Camera>, Vec<ClipSpots>) {
    let mut cameras = two_phones();
    cameras.push(looking("mill", Point3::new(0.5, -9.0, 1.2), Point3::new(0.0, 0.0, 2.4)));
    let clock = Clock { offset_s: 0.4321, drift: -1e-5, readout_s: READOUT_S };
    let glint = |k: usize| {
        let (a, b) = (1.0 + 0.37 * k as f64, 2.0 + 0.61 * k as f64);
        move |t: f64| Point3::new(3.0 * (a * t).sin(), 2.0 + (b * t).cos(), 2.5 + 1.5 * (b * t).sin())
    };
    let glints: Vec<_> = (0..30).map(glint).collect();
    let clips = (0..3)
        .map(|k| {
            let mut things = vec![Thing::new(&cast_tip, Colour::White, 0.04)];
            let mut f = Shot::new(FPS, 6.0, [clocks()[0], clocks()[1], clock][k], 51 + k as u64);
            if k == 2 {
                things.truncate(usize::from(with_tip));
                things.extend(glints.iter().map(|g| Thing::new(g, Colour::White, 0.04)));
                f.dropout = 0.7;
            }
            film(&cameras[k], k, &things, &f)
        })
        .collect();
    (cameras, clips)
}

#[test]
fn a_camera_full_of_glints_takes_part() {
    let (cameras, clips) = third_among_glints(true);
    let scene = scene_of(&cameras);
    let out = solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &PathConfig::default()).unwrap();
    let mill = &out.clocks[2];
    assert!((mill.clock.offset_s - 0.4321).abs() < 2e-4, "{mill:?}");
    let (rms, worst, _) = report("three", &out, &cast_tip);
    assert!(rms < 1.5e-3 && worst < 8e-3, "{rms} {worst}");
}

#[test]
fn a_camera_without_the_tip_is_left_out() {
    let (cameras, clips) = third_among_glints(false);
    let scene = scene_of(&cameras);
    let out = solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &PathConfig::default()).unwrap();
    assert_eq!(out.clocks.len(), 2);
    assert!(out.warnings.iter().any(|w| w.about.contains("mill") && w.severity == Severity::Warning));
    let (rms, ..) = report("two of three", &out, &cast_tip);
    assert!(rms < 1.5e-3, "{rms}");
}

/// Clips of the cast with two butt markers 0.35 m apart, and the roles of its markers; `seed` is the first camera's.
pub(super) fn with_butts(cameras: &[Camera], seconds: f64, seed: u64) -> (Vec<ClipSpots>, Vec<RoleLook>) {
    let (b1, b2) = (|t: f64| cast_butt(t, 0.40), |t: f64| cast_butt(t, 0.75));
    let things = [
        Thing::new(&cast_tip, Colour::White, 0.04),
        Thing::new(&b1, Colour::Green, 0.03),
        Thing::new(&b2, Colour::Green, 0.03),
    ];
    let clips = (0..2)
        .map(|k| film(&cameras[k], k, &things, &Shot::new(FPS, seconds, clocks()[k], seed + k as u64)))
        .collect();
    let look = |role, at_m| RoleLook { role, colour: Colour::Green, at_m, diameter_m: 0.03 };
    (clips, vec![tip_look(), look(Role::Butt1, 0.40), look(Role::Butt2, 0.75)])
}

#[test]
fn one_thread_and_two_give_the_same_path() {
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| super::tests_moved::turned_take(0.0).unwrap())
    };
    assert_eq!(on(1), on(2));
}

#[test]
fn time_stamps_that_jump_are_refused_in_words() {
    let cameras = two_phones();
    let scene = scene_of(&cameras);
    let things = [Thing::new(&cast_tip, Colour::White, 0.04)];
    let mut clips: Vec<ClipSpots> = (0..2)
        .map(|k| film(&cameras[k], k, &things, &Shot::new(FPS, 3.0, clocks()[k], 11 + k as u64)))
        .collect();
    clips[1].frames[400].pts_s = 9e8;
    let refused = solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &PathConfig::default());
    assert!(matches!(refused, Err(PathError::StampsJump { frame_idx: 399, .. })), "{refused:?}");
}

#[test]
fn the_first_of_three_cameras_is_left_out_when_it_is_the_one_that_shows_no_tip() {
    let mut cameras = two_phones();
    cameras.insert(0, looking("mill", Point3::new(0.5, -9.0, 1.2), Point3::new(0.0, 0.0, 2.4)));
    let scene = scene_of(&cameras);
    let walker = |t: f64| Point3::new(-2.0 + 0.7 * t, 1.0, 1.7 + 0.03 * (11.0 * t).sin());
    let clips: Vec<ClipSpots> = (0..3)
        .map(|k| {
            let things = if k == 0 {
                vec![Thing::new(&walker, Colour::White, 0.04)]
            } else {
                vec![Thing::new(&cast_tip, Colour::White, 0.04)]
            };
            let clock = if k == 0 { clocks()[0] } else { clocks()[k - 1] };
            film(&cameras[k], k, &things, &Shot::new(FPS, 5.0, clock, 71 + k as u64))
        })
        .collect();
    let out = solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &PathConfig::default()).unwrap();
    assert_eq!(out.clocks.iter().map(|c| c.camera.as_str()).collect::<Vec<_>>(), ["west", "east"]);
    assert!(out.warnings.iter().any(|w| w.about.contains("mill") && w.severity == Severity::Warning));
    let (rms, ..) = report("first left out", &out, &cast_tip);
    assert!(rms < 1.5e-3, "{rms}");
}
