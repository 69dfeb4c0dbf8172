//! Cameras that see the tip alone, or hardly.

use super::tests::{FPS, clocks, errors, scene_of, take, third_among_glints, tip_look};
use super::*;
use crate::testing::{Shot, Thing, cast_butt, cast_tip, film, two_phones};

/// For seconds nothing but smoothness tells how far off the tip is. What is said of those must not move the set-up, nor the rest of
/// the path.
#[test]
fn seconds_of_one_camera_alone_leave_the_rest_as_it_is() {
    let cameras = two_phones();
    let mut scene = scene_of(&cameras);
    // 0.3 mrad and 3 mm, as a wand leaves them
    scene.pose_covariance.iter_mut().for_each(|c| *c *= 36.0);
    let butt = |t: f64| cast_butt(t, 0.4);
    let things = [Thing::new(&cast_tip, Colour::White, 0.04), Thing::new(&butt, Colour::Green, 0.03)];
    let look = RoleLook { role: Role::Butt1, colour: Colour::Green, at_m: 0.4, diameter_m: 0.03 };
    let with = |alone_s: &[[f64; 2]]| {
        let clips: Vec<ClipSpots> = (0..2)
            .map(|k| {
                let mut shot = Shot::new(FPS, 8.0, clocks()[k], 11 + k as u64);
                if k == 1 {
                    shot.hidden_s = alone_s.to_vec();
                }
                film(&cameras[k], k, &things, &shot)
            })
            .collect();
        let roles = vec![tip_look(), look];
        solve_take(&take(&scene, &cameras, &clips, roles), &PathConfig::default()).unwrap()
    };
    let seen_by_both = |out: &TakePaths| {
        let mut path = out.rod.tip.clone();
        path.samples.retain(|s| s.views >= 2);
        errors(&path, &cast_tip)
    };
    let (plain_rms, _, _) = seen_by_both(&with(&[]));
    let (rms, worst, inside) = seen_by_both(&with(&[[3.0, 4.9]]));
    println!("{plain_rms} {rms} {worst} {inside}");
    // the set-up's own error is in both; ends of the stretch are less sure
    assert!(rms < 1.5 * plain_rms && inside > 0.88, "{plain_rms} {rms} {worst} {inside}");
}

#[test]
fn a_camera_full_of_glints_is_laid_onto_the_path_of_the_others() {
    let (cameras, clips) = third_among_glints(true);
    let (scene, config) = (scene_of(&cameras), PathConfig::default());
    let two = solve_take(&take(&scene, &cameras[..2], &clips[..2], vec![tip_look()]), &config).unwrap();
    let three = take(&scene, &cameras, &clips, vec![tip_look()]);
    let out = with_joined(&three, &config, "mill", &two).unwrap();
    assert!(out.warnings.iter().any(|w| w.what.contains("the path of the others told it")));
    let mill = &out.clocks[2];
    assert!((mill.clock.offset_s - 0.4321).abs() < 2e-4, "{mill:?}");
    let (rms, worst, _) = errors(&out.rod.tip, &cast_tip);
    assert!(rms < 1.5e-3 && worst < 8e-3, "{rms} {worst}");
}
