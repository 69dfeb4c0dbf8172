//! Holes in what one camera of two sees.

use nalgebra::Point3;

use super::super::*;
use super::{LATE, two_cameras};
use crate::model::Clock;

const STEP_S: f64 = 1e-4;
const STROKE_EVERY_S: f64 = 1.1;
/// When a stroke is fastest, after its beginning.
const FASTEST_S: f64 = 0.2;

/// Way of one stroke over time: 0.2 s to 20 m/s, which are lost within 80 ms.
fn stroke_m() -> Vec<f64> {
    let stop = |t: f64| -(20.0 / 0.05) * (t / 0.03).min((0.08 - t) / 0.03).clamp(0.0, 1.0);
    let (mut x, mut v, mut out) = (0.0, 0.0, Vec::new());
    for i in 0..(0.3 / STEP_S) as usize {
        let t = i as f64 * STEP_S;
        v += STEP_S * if t < FASTEST_S { 20.0 / FASTEST_S } else { stop(t - FASTEST_S) };
        x += STEP_S * v;
        out.push(x);
    }
    out
}

/// The first camera films 30 frames a second and misses what lies from 5 to 95 ms after the fastest moment of every stroke: two or three frames
/// at each stop. What the tip does along the other's lines of sight there is in no picture, and how smooth it is before and after
/// says little of it.
#[test]
fn a_stop_that_one_camera_missed_is_as_unsure_as_it_is() {
    let way_m = stroke_m();
    let path = |t: f64| {
        let (k, s) = ((t / STROKE_EVERY_S) as usize, t % STROKE_EVERY_S);
        let way = way_m[((s / STEP_S) as usize).min(way_m.len() - 1)];
        let x = -1.4 + if k % 2 == 0 { way } else { way_m[way_m.len() - 1] - way };
        Point3::new(x, 0.2, 2.0 + 0.3 * (1.2 * x).cos())
    };
    let fastest: Vec<f64> = (1..7).map(|k| f64::from(k) * STROKE_EVERY_S + FASTEST_S).collect();
    let is_hidden = |t_s: f64| fastest.iter().any(|s| (s + 0.005..s + 0.095).contains(&t_s));
    let mut z = Vec::new();
    for seed in 0..4 {
        let mut problem = two_cameras(240.0, 8.0, 0.15, 70 + seed, &path);
        problem.observations.retain(|o| {
            let frame = (o.pts_s * 240.0).round() as usize;
            o.camera_idx == 1 || (frame.is_multiple_of(8) && !is_hidden(o.pts_s))
        });
        // clocks known: this is about the path
        problem.cameras[0].clock = Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.009 };
        problem.cameras[1].clock = LATE;
        problem.cameras.iter_mut().for_each(|c| c.free = CameraFreedom::default());
        let solution = solve(&problem, &crate::path::PathConfig::default().motion).unwrap();
        let draws: Vec<_> = solution.draws(100, 5).collect();
        let centre = problem.cameras[1].camera_from_world.inverse().translation.vector;
        for t_s in fastest.iter().map(|s| s + 0.05) {
            let found = solution.position(0, t_s).unwrap();
            let along = (found.coords - centre).normalize();
            let off_m = |p: Point3<f64>| (p - found).dot(&along);
            let squares: f64 =
                draws.iter().map(|d| off_m(solution.draw_at(d, 0, t_s).unwrap().0).powi(2)).sum();
            let sd_m = (squares / draws.len() as f64).sqrt();
            println!("{t_s:.2} s: {:+.1} mm off, {:.1} stated", 1e3 * off_m(path(t_s)), 1e3 * sd_m);
            z.push(off_m(path(t_s)) / sd_m);
        }
    }
    let rms = (z.iter().map(|z| z * z).sum::<f64>() / z.len() as f64).sqrt();
    println!("{rms:.2} of what is stated");
    // one kind of stop, four times over six holes: no better known than to a third
    assert!(rms < 1.4, "{rms}");
}
