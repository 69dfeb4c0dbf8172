//! What a take cannot tell.

use super::tests::{FPS, clocks, scene_of, take, tip_look};
use super::*;
use crate::testing::{Shot, Thing, cast_tip, film, two_phones};

/// Nothing in a take tells which way is up: what the scene does not know of it stays in the draws.
#[test]
fn a_vertical_known_to_five_degrees_leaves_the_path_tilted_by_as_much() {
    const TILT_RAD: f64 = 0.09;
    let cameras = two_phones();
    let mut scene = scene_of(&cameras);
    let turns: Vec<_> = cameras
        .iter()
        .flat_map(|c| {
            // about the world's x, in the camera's axes; translations stay
            let about_x = c.pose.camera_from_world.rotation * nalgebra::Vector3::x();
            [about_x.x, about_x.y, about_x.z, 0.0, 0.0, 0.0]
        })
        .collect();
    for i in 0..12 {
        for j in 0..12 {
            scene.pose_covariance[i * 12 + j] += turns[i] * turns[j] * TILT_RAD * TILT_RAD;
        }
    }
    let things = [Thing::new(&cast_tip, Colour::White, 0.04)];
    let clips: Vec<ClipSpots> = (0..2)
        .map(|k| film(&cameras[k], k, &things, &Shot::new(FPS, 6.0, clocks()[k], 11 + k as u64)))
        .collect();
    let input = take(&scene, &cameras, &clips, vec![tip_look()]);
    let out = solve_take(&input, &PathConfig::default()).unwrap();
    let tip = &out.rod.tip;
    let n = tip.samples.len() as f64;
    let height = tip.samples.iter().map(|s| s.position_in_world.z).sum::<f64>() / n;
    let mut square = 0.0;
    for draw in (0..tip.draws.len()).map(|k| tip.draws.get(k, &tip.samples)) {
        let (mut top, mut bottom) = (0.0, 0.0);
        for (s, p) in tip.samples.iter().zip(&draw.positions_in_world) {
            let up = s.position_in_world.z - height;
            top += up * (p.y - s.position_in_world.y);
            bottom += up * up;
        }
        square += (top / bottom).powi(2);
    }
    let sd = (square / tip.draws.len() as f64).sqrt();
    println!("turned by {sd} where {TILT_RAD} are not known");
    // 200 draws know a standard deviation to 5 %; four of those
    assert!((sd / TILT_RAD - 1.0).abs() < 0.2, "{sd}");
}
