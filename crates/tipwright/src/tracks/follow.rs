//! A slow camera's sightings along the tracks of a faster one.
//!
//! At 30 frames a second a cast's tip is a hundred pixels farther from frame to frame and turns round between two of them: no
//! rule for one picture links it, and a stranger is as near as the next sighting. But where the other camera films at 120 or 240,
//! its track says on which line of the slow picture the tip has to be at each instant. The slow camera's sightings near those lines are
//! linked in space: the chain of most sightings that no tip is too slow for (dynamic programming over the frames, as the
//! chain of pieces in `path`).

use nalgebra::Point3;

use super::pieces::{PieceConfig, TrackView, expected_px2, meeting};
use super::rays::Epipolar;
use super::tracklets::{Sighting, Tracklet};
use crate::math::worthiest_chain;
use crate::model::Colour;

// None of these was fitted to anything: they follow from the reasons given, and one simulated careless day (seed 1) was in view.

/// Frames farther apart than this are linked along another camera's tracks, seconds. At 75 frames a second the largest acceleration of
/// a tip moves it by 47 px beyond where its last frames point to, at 30 by 290.
const SLOW_S: f64 = 1.0 / 75.0;
/// Of a camera that has at least so many frames in the same time. 30 beside 60 have twice as many; phones of one nominal rate differ by
/// hundredths, and neither of 50 beside 60 is better off than the other.
const FASTER: f64 = 1.6;
/// What stays within this angle needs no help, radians: 15 px of a phone's picture.
const LEAST_EXTENT_RAD: f64 = 0.01;
/// Frames that may be missed within a chain: the tip is hidden by the caster, or drawn out too far to be seen, for a tenth of a second.
const MOST_MISSED: usize = 3;

/// Whether one camera's sightings are to be followed along another's tracks, by their frame steps in seconds.
#[must_use]
pub fn is_led(step_s: f64, others_step_s: f64) -> bool {
    step_s > SLOW_S && step_s > FASTER * others_step_s
}

/// A sighting that may be what the fast camera's track is.
struct Node {
    frame_pos: usize,
    t_s: f64,
    position: Point3<f64>,
    sd_m: f64,
    /// 1 on the line, 0 at the gate's edge.
    worth: f64,
    sighting: Sighting,
}

/// Tracks of the slow camera: for every moving track of the fast one the sightings that follow it. `loose` are the slow camera's
/// sightings of the colour by frame.
#[must_use]
pub fn follow(
    loose: &[Vec<Sighting>],
    colour: Colour,
    slow: &TrackView,
    fast: &TrackView,
    config: &PieceConfig,
) -> Vec<Tracklet> {
    let epipolar = Epipolar::between(slow.pose, fast.pose, slow.focal_px);
    let mut out = Vec::new();
    for track in fast.tracks.iter().filter(|t| t.extent() > LEAST_EXTENT_RAD) {
        let mut nodes = nodes(loose, track, slow, fast, &epipolar, config);
        loop {
            let chain = best_chain(&nodes, config.fastest_per_s);
            if chain.len() < config.fewest.max(1) {
                break;
            }
            let (from, to) = (nodes[chain[0]].frame_pos, nodes[chain[chain.len() - 1]].frame_pos);
            out.push(Tracklet { colour, sightings: chain.iter().map(|&i| nodes[i].sighting).collect() });
            nodes.retain(|n| n.frame_pos < from || n.frame_pos > to);
        }
    }
    out
}

/// Sightings near the lines of a track, in order of their frames.
fn nodes(
    loose: &[Vec<Sighting>],
    track: &Tracklet,
    slow: &TrackView,
    fast: &TrackView,
    epipolar: &Epipolar,
    config: &PieceConfig,
) -> Vec<Node> {
    let mut out = Vec::new();
    for s in loose.iter().flatten() {
        let t_s = slow.session_s(s.own_s);
        let Some(state) = track.at(fast.clock.pts_s(t_s)) else { continue };
        let gate_px = config.epipolar_px + 3.0 * s.sigma_px.hypot(state.sigma_px);
        let off = epipolar.distance_px(s.ray, state.ray).abs() / gate_px;
        if off >= 1.0 {
            continue;
        }
        let Some(point) = meeting([slow, fast], s, &state, config) else { continue };
        let is_its_size = config.size.is_none_or(|(diameter, [least, most])| {
            let expected = |view, streak_px| expected_px2(view, &point.position, diameter, streak_px);
            let ratio =
                s.area_px2 / expected(slow, s.streak_px) * state.area_px2 / expected(fast, state.streak_px);
            (least..=most).contains(&ratio.sqrt())
        });
        if is_its_size {
            out.push(Node {
                frame_pos: s.frame_pos,
                t_s,
                position: point.position,
                sd_m: point.covariance.trace().sqrt(),
                worth: 1.0 - off * off,
                sighting: *s,
            });
        }
    }
    out
}

/// The chain of greatest worth, one node a frame; empty without nodes. What goes faster costs: of two that are equally near to the
/// lines the one that moves less is the likelier.
fn best_chain(nodes: &[Node], fastest_per_s: f64) -> Vec<usize> {
    let worths = nodes.iter().map(|n| n.worth).collect();
    let earliest = |j: usize| {
        let reached = |n: &Node| nodes[j].frame_pos - n.frame_pos > MOST_MISSED + 1;
        nodes[..j].partition_point(reached)
    };
    worthiest_chain(worths, earliest, |i, j| {
        let (p, q) = (&nodes[i], &nodes[j]);
        if p.frame_pos == q.frame_pos {
            return None;
        }
        let reach = fastest_per_s * (q.t_s - p.t_s);
        let jump = (q.position - p.position).norm();
        (jump <= reach + 4.0 * p.sd_m.hypot(q.sd_m)).then(|| (jump / reach).powi(2))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Clock;
    use crate::testing::{Shot, Thing, cast_tip, film, seen_rolling, two_phones};
    use crate::tracks::tracklets::{LinkConfig, link, sightings};

    /// The tip is 0.6 m farther from frame to frame of 30 a second, before a meadow of flowers of the marker's colour.
    #[test]
    fn a_cast_at_thirty_frames_is_followed_along_the_tracks_of_one_at_240() {
        let cameras = two_phones();
        let flowers: Vec<_> = (0..24)
            .map(|i| {
                let (x, z) = (f64::from(i * 7 % 24) / 24.0, f64::from(i * 5 % 24) / 24.0);
                move |_: f64| Point3::new(10.0 * x - 5.0, 3.0, 0.5 + 4.5 * z)
            })
            .collect();
        let mut things = vec![Thing::new(&cast_tip, Colour::White, 0.04)];
        things.extend(flowers.iter().map(|f| Thing::new(f, Colour::White, 0.05)));
        let clocks = [
            Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.025 },
            Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.0034 },
        ];
        let clips =
            [0, 1].map(|k| film(&cameras[k], k, &things, &Shot::new([30.0, 240.0][k], 6.0, clocks[k], 11)));
        let tracks =
            link(&clips[1], &cameras[1].lens, clocks[1].readout_s, Colour::White, &LinkConfig::default());
        let view = |k: usize, tracks| TrackView {
            pose: &cameras[k].pose,
            clock: clocks[k],
            focal_px: cameras[k].lens.fx_px,
            frame_step_s: clips[k].frame_step_s(),
            tracks,
        };
        let of_frame = |at| sightings(&clips[0], &cameras[0].lens, clocks[0].readout_s, Colour::White, at);
        let loose: Vec<Vec<Sighting>> = (0..clips[0].frames.len()).map(of_frame).collect();
        let needs = PieceConfig {
            epipolar_px: 3.0,
            farthest: 40.0,
            fastest_per_s: 60.0,
            fewest: 4,
            size: Some((0.04, [0.1, 10.0])),
        };
        assert!(is_led(clips[0].frame_step_s(), clips[1].frame_step_s()));
        assert!(!is_led(clips[1].frame_step_s(), clips[0].frame_step_s()));
        let led = follow(&loose, Colour::White, &view(0, &[]), &view(1, &tracks), &needs);
        let (mut right, mut wrong) = (0, 0);
        for s in led.iter().flat_map(|t| &t.sightings) {
            let tip = seen_rolling(&cameras[0], &clocks[0], s.pts_s, &cast_tip).unwrap();
            if (tip.x_px - s.pixel.x_px).hypot(tip.y_px - s.pixel.y_px) < 2.0 {
                right += 1;
            } else {
                wrong += 1;
            }
        }
        println!("{right} sightings of 180 frames are the tip, {wrong} are not");
        // the fast camera's own tracks break where it turns round fastest
        assert!(right > 140, "{right}");
        assert!(wrong * 50 < right, "{wrong}");
    }
}
