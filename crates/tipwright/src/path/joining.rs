//! The clock of a camera that agrees with no other one by its own tracks: laid onto the path that the others have found.
//!
//! A small picture full of glints gives tracks that are mostly not the tip. But when the tip's path is known, its image in
//! that camera is known for every offset, and at the right one a candidate lies on it in frame after frame.

use rayon::prelude::*;

use super::view::View;
use crate::model::{CameraPose, Candidate, Clock, Colour, Lens, MarkerPath, RawPixel};

/// Step of the scan. 2 ms: a tip at 20 m/s seen from 8 m at 1000 px focal length moves by the gate below.
const STEP_S: f64 = 0.002;
/// A candidate this near to the path's image lies on it, pixels.
const GATE_PX: f64 = 6.0;
/// The same once the offset is nearly known.
const FINE_GATE_PX: f64 = 3.0;
/// Only where the tip moves: a tip at rest agrees with everything.
const SLOWEST_M_S: f64 = 3.0;
/// Least share of the moving path's frames with a candidate on it.
const LEAST_SHARE: f64 = 0.3;
/// And the best offset farther away than [`APART_S`] has at most this share of it.
const LARGEST_RIVAL: f64 = 0.6;
/// Casting repeats itself; within a rod's swing an offset is the same one.
const APART_S: f64 = 0.1;
/// Fewest frames that must lie on the path: a quarter of a second at 240 a second.
const FEWEST_FRAMES: usize = 60;
/// Step of the grid that the path's image is kept on.
const GRID_S: f64 = 0.001;

/// The path's image in a camera over session time.
struct Image {
    start_s: f64,
    at: Vec<Option<[f32; 2]>>,
}

impl Image {
    fn of(path: &MarkerPath, pose: &CameraPose, lens: &Lens) -> Option<Self> {
        let (start_s, end_s) = (path.samples.first()?.t_s, path.samples.last()?.t_s);
        let mut at = vec![None; ((end_s - start_s) / GRID_S) as usize + 1];
        for stretch in path.stretches() {
            for pair in path.samples[stretch].windows(2) {
                let (a, b) = (&pair[0], &pair[1]);
                if a.velocity_in_world_m_s.norm() < SLOWEST_M_S {
                    continue;
                }
                let cell = |t_s: f64| ((t_s - start_s) / GRID_S).ceil() as usize;
                for (k, place) in at.iter_mut().enumerate().take(cell(b.t_s)).skip(cell(a.t_s)) {
                    let u = (start_s + k as f64 * GRID_S - a.t_s) / (b.t_s - a.t_s);
                    let p = a.position_in_world + u * (b.position_in_world - a.position_in_world);
                    let seen = lens.project(&(pose.camera_from_world * p));
                    *place = seen.filter(|q| inside(lens, q)).map(|q| [q.x_px as f32, q.y_px as f32]);
                }
            }
        }
        Some(Self { start_s, at })
    }

    fn at(&self, t_s: f64) -> Option<[f32; 2]> {
        let k = (t_s - self.start_s) / GRID_S;
        if k < 0.0 { None } else { self.at.get(k.round() as usize).copied().flatten() }
    }
}

fn inside(lens: &Lens, q: &RawPixel) -> bool {
    let [w, h] = lens.resolution_px.map(f64::from);
    q.x_px >= 0.0 && q.y_px >= 0.0 && q.x_px < w && q.y_px < h
}

/// A frame's time without the offset, and its candidates of the tip's colour with the time their row was read.
struct Looked {
    own_s: f64,
    places: Vec<([f32; 2], f64)>,
}

/// Offset of the camera against the path's clock; `None` when no offset stands out.
pub(super) fn offset_on_path(view: &View<'_>, colour: Colour, path: &MarkerPath) -> Option<f64> {
    let image = Image::of(path, &view.pose, &view.lens)?;
    let picture = view.spots.picture;
    let own = Clock { offset_s: 0.0, drift: view.drift.value, readout_s: view.clock.readout_s };
    let looked: Vec<Looked> = view
        .spots
        .frames
        .iter()
        .map(|f| {
            let of_colour = |c: &&Candidate| c.colour == colour;
            let place = |c: &Candidate| {
                let own_s = own.session_s(f.pts_s, picture.shutter_fraction(c.centre));
                ([c.centre.x_px as f32, c.centre.y_px as f32], own_s)
            };
            let places = f.candidates.iter().filter(of_colour).map(place).collect();
            Looked { own_s: own.session_s(f.pts_s, 0.0), places }
        })
        .collect();
    let (first, last) = (looked.first()?.own_s, looked.last()?.own_s);
    let end_s = image.start_s + image.at.len() as f64 * GRID_S;
    let (from_s, to_s) = (image.start_s - last, end_s - first);
    let on_path = |offset_s: f64, gate_px: f64| -> (usize, f64) {
        let (mut on, mut worth) = (0, 0.0);
        for frame in &looked {
            let nearest = frame
                .places
                .iter()
                .filter_map(|(place, own_s)| {
                    let seen = image.at(offset_s + own_s)?;
                    Some(f64::from((place[0] - seen[0]).hypot(place[1] - seen[1])))
                })
                .fold(f64::INFINITY, f64::min);
            if nearest < gate_px {
                on += 1;
                worth += 1.0 - (nearest / gate_px).powi(2);
            }
        }
        (on, worth)
    };
    let steps = ((to_s - from_s) / STEP_S).max(0.0) as usize;
    let scan: Vec<(f64, f64)> = (0..=steps)
        .into_par_iter()
        .map(|i| {
            let offset_s = from_s + i as f64 * STEP_S;
            (offset_s, on_path(offset_s, GATE_PX).1)
        })
        .collect();
    let best = scan.iter().copied().reduce(|a, b| if b.1 > a.1 { b } else { a })?;
    let rival = scan.iter().filter(|s| (s.0 - best.0).abs() > APART_S).map(|s| s.1).fold(0.0, f64::max);
    let (on, _) = on_path(best.0, GATE_PX);
    let moving = looked.iter().filter(|f| image.at(best.0 + f.own_s).is_some()).count();
    let sure =
        on >= FEWEST_FRAMES && on as f64 >= LEAST_SHARE * moving as f64 && rival <= LARGEST_RIVAL * best.1;
    if !sure {
        return None;
    }
    let fine = (-20..=20).map(|i| {
        let offset_s = best.0 + f64::from(i) * STEP_S / 10.0;
        (offset_s, on_path(offset_s, FINE_GATE_PX).1)
    });
    fine.reduce(|a, b| if b.1 > a.1 { b } else { a }).map(|f| f.0)
}
