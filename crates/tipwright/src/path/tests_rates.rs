//! Cameras of very different rates.

use nalgebra::Point3;

use super::tests::{clocks, errors, scene_of, take, tip_look};
use super::*;
use crate::testing::{Shot, Thing, cast_tip, film, two_phones};

/// A phone at 30 frames a second beside one at 240, in either order, before a meadow full of flowers of the marker's colour: the tip
/// is 0.6 m farther from frame to frame and no rule of one picture links it.
#[test]
fn a_phone_at_thirty_frames_is_led_by_one_at_240() {
    let cameras = two_phones();
    let scene = scene_of(&cameras);
    // behind the caster, as large as the marker looks there
    let flowers: Vec<_> = (0..24)
        .map(|i| {
            let (x, z) = (f64::from(i * 7 % 24) / 24.0, f64::from(i * 5 % 24) / 24.0);
            move |_: f64| Point3::new(10.0 * x - 5.0, 3.0 + 2.0 * (x * 17.0).sin(), 0.5 + 4.5 * z)
        })
        .collect();
    let mut things = vec![Thing::new(&cast_tip, Colour::White, 0.04)];
    things.extend(flowers.iter().map(|f| Thing::new(f, Colour::White, 0.05)));
    for fps in [[30.0, 240.0], [240.0, 30.0]] {
        let clips: Vec<ClipSpots> = (0..2)
            .map(|k| film(&cameras[k], k, &things, &Shot::new(fps[k], 6.0, clocks()[k], 11 + k as u64)))
            .collect();
        let input = take(&scene, &cameras, &clips, vec![tip_look()]);
        let out = solve_take(&input, &PathConfig::default()).unwrap();
        let (rms, worst, inside) = errors(&out.rod.tip, &cast_tip);
        println!("{fps:?}: {} samples, {rms} {worst} {inside}", out.rod.tip.samples.len());
        // between two frames of the slow camera, 33 ms, the fast one alone knows the tip, in two directions: what it can't see of a jerk of
        // 1,000 m/s^3 there is 1000 x 0.0167^3 / 6 = 0.8 mm and a stop has twenty times that
        assert!(rms < 0.015, "{rms}");
        assert!(inside > 0.88, "{inside}");
        // in the fast camera's steps, whichever is the first
        assert!(out.rod.tip.samples.len() > 1000, "{}", out.rod.tip.samples.len());
        // and nearly all of it
        let span_s = out.rod.tip.samples[out.rod.tip.samples.len() - 1].t_s - out.rod.tip.samples[0].t_s;
        assert!(span_s > 4.4, "{span_s}");
    }
}

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
    for fps in [[240.0, 240.0], [30.0, 240.0]] {
        let things = [Thing::new(&cast_tip, Colour::White, 0.04)];
        let clips: Vec<ClipSpots> = (0..2)
            .map(|k| film(&cameras[k], k, &things, &Shot::new(fps[k], 6.0, clocks()[k], 11 + k as u64)))
            .collect();
        let input = take(&scene, &cameras, &clips, vec![tip_look()]);
        let out = solve_take(&input, &PathConfig::default()).unwrap();
        let tip = &out.rod.tip;
        let n = tip.samples.len() as f64;
        let height = tip.samples.iter().map(|s| s.position_in_world.z).sum::<f64>() / n;
        let mut square = 0.0;
        for draw in &tip.draws {
            let (mut top, mut bottom) = (0.0, 0.0);
            for (s, p) in tip.samples.iter().zip(&draw.positions_in_world) {
                let up = s.position_in_world.z - height;
                top += up * (p.y - s.position_in_world.y);
                bottom += up * up;
            }
            square += (top / bottom).powi(2);
        }
        let sd = (square / tip.draws.len() as f64).sqrt();
        println!("{fps:?}: turned by {sd} where {TILT_RAD} are not known");
        // 200 draws know a standard deviation to 5 %; four of those
        assert!((sd / TILT_RAD - 1.0).abs() < 0.2, "{sd}");
    }
}
