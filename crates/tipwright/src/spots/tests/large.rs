//! Balls that are large in the picture, patterned, blurred, at rest: what a helper films first, from near by.

use super::super::{FoundSpots, MarkerLook, SpotsConfig, find_clip};
use super::painter::{Canvas, Disc, Reel};
use crate::model::{Candidate, Colour, Rotation};

const RED: [f64; 3] = [95.0, 108.0, 180.0];
/// A patch of cloth on its upper side.
const CLOTH: [f64; 3] = [150.0, 124.0, 134.0];
/// Share of the time from frame to frame for which the shutter is open.
const OPEN: f64 = 0.6;

fn wall(x: f64, y: f64) -> [f64; 3] {
    [118.0 + 0.05 * x + 2.0 * (0.11 * y).sin(), 122.0, 131.0]
}

/// Ball on a string, `steps` radians of its swing from frame to frame.
fn swing(k: f64, radius: f64, step: f64) -> Disc {
    let at = |k: f64| (180.0 + 90.0 * (step * k).sin(), 120.0 + 18.0 * (step * k).cos().powi(2));
    let ((x, y), (a, b)) = (at(k), (at(k - 0.5 * OPEN), at(k + 0.5 * OPEN)));
    Disc { x, y, radius, motion: [b.0 - a.0, b.1 - a.1], blur: 0.9 }
}

fn film(frames: u32, fps: f64, ball: impl Fn(f64) -> Disc, diameter_m: f64, patch: f64) -> FoundSpots {
    let films = (0..frames)
        .map(|k| {
            let disc = ball(f64::from(k));
            let mut canvas = Canvas::new(360, 240, wall);
            canvas.disc(&disc, RED);
            let cloth = Disc { y: disc.y - 0.6 * disc.radius, radius: patch * disc.radius, ..disc };
            canvas.disc(&cloth, CLOTH);
            canvas.develop(1.5, u64::from(k))
        })
        .collect();
    let mut reel = Reel::new(films, Rotation::R0).at_fps(fps);
    let look = MarkerLook { colour: Colour::Red, diameter_m };
    find_clip("west", &mut reel, &[look], &SpotsConfig::default(), &mut |_| {}).unwrap()
}

/// Frames whose first candidate lies on the ball, with it and the truth.
fn hits(found: &FoundSpots, ball: impl Fn(f64) -> Disc) -> Vec<(Candidate, Disc)> {
    let of = |f: &crate::model::FrameSpots| {
        let (truth, first) = (ball(f64::from(f.frame_idx)), *f.candidates.first()?);
        let off = (first.centre.x_px - truth.x).hypot(first.centre.y_px - truth.y);
        (off < truth.radius).then_some((first, truth))
    };
    found.spots.frames.iter().filter_map(of).collect()
}

#[test]
fn a_large_blurred_ball_at_thirty_frames_a_second_is_found_with_its_streak() {
    let ball = |k| swing(k, 19.0, 0.3);
    let found = film(60, 30.0, ball, 0.40, 0.25);
    let hits = hits(&found, ball);
    let long: Vec<(f64, f64)> = hits
        .iter()
        .map(|(c, d)| (c.streak.map_or(0.0, |s| s.length_px), d.motion[0].hypot(d.motion[1])))
        .filter(|(_, truth)| *truth > 8.0)
        .collect();
    let even = long.iter().filter(|(length, truth)| (length / truth - 1.0).abs() < 0.2).count();
    println!("{} of 60, streaks within a fifth {even} of {}: {:?}", hits.len(), long.len(), found.counts);
    assert!(hits.len() >= 59, "{}", hits.len());
    // Where it turns its pace is no constant one: one in ten may be off.
    assert!(long.len() > 30 && 10 * even >= 9 * long.len(), "{even} of {}: {long:.1?}", long.len());
}

#[test]
fn a_large_ball_at_rest_is_found() {
    let ball = |_| Disc { x: 151.3, y: 130.8, radius: 20.0, motion: [0.0; 2], blur: 0.9 };
    let found = film(16, 30.0, ball, 0.40, 0.4);
    let hits = hits(&found, ball);
    println!("{} of 16: {:?}", hits.len(), found.counts);
    assert_eq!(hits.len(), 16);
    assert!(found.warnings.iter().all(|w| !w.what.contains("likely in only")), "{:?}", found.warnings);
    for (c, truth) in &hits {
        let (dx, dy) = (c.centre.x_px - truth.x, c.centre.y_px - truth.y);
        // The cloth hides a part of it: the middle of what is red lies lower, and the covariance owns it.
        assert!(dx.hypot(dy) < 5.0 * c.sigma_px(), "{dx:.2} {dy:.2} with {:.2}", c.sigma_px());
    }
}

#[test]
fn an_even_motion_has_even_streaks_at_every_length() {
    // From a third of the ball's width to its width: streaks of single fits come and go there.
    for step in [0.05, 0.1, 0.18] {
        let ball = move |k: f64| {
            let at = |k: f64| (60.0 + 2.0 * (100.0 * step * k).rem_euclid(110.0), 100.0 + 20.0 * step * k);
            let ((x, y), length) = (at(k), 200.0 * step * OPEN);
            Disc { x, y, radius: 9.0, motion: [length, 20.0 * step * OPEN], blur: 0.9 }
        };
        let found = film(36, 30.0, ball, 0.25, 0.02);
        let streaks: Vec<f64> =
            hits(&found, ball).iter().map(|(c, _)| c.streak.map_or(0.0, |s| s.length_px)).collect();
        let truth = ball(0.0).motion[0].hypot(ball(0.0).motion[1]);
        let off = streaks.iter().filter(|s| (*s / truth - 1.0).abs() > 0.2).count();
        println!("{truth:.1} px: {off} of {} off: {streaks:.1?}", streaks.len());
        // The first and the last frame, and those where it starts anew, have no way.
        assert!(streaks.len() >= 34 && off <= 6, "{truth:.1} px: {off} of {}", streaks.len());
    }
}
