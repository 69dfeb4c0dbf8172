//! Candidates of one camera linked over time: short tracks of one thing in one picture.
//!
//! Nearest neighbour about an extrapolated position, the closest pair first (the "greedy nearest neighbour" of
//! Blackman & Popoli, Design and Analysis of Modern Tracking Systems, 1999, chapter 6). Deliberately timid: a track
//! ends where its continuation is not near, and the third dimension decides later what belongs together.
//! Positions are kept as undistorted normalised coordinates; the gate is an angle, so it is the same for every lens.

use crate::model::{Candidate, ClipSpots, Colour, Lens, RawPixel};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// How candidates are linked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LinkConfig {
    /// Fastest apparent motion, radians per second. A tip at 45 m/s five metres away moves at 9 rad/s.
    pub fastest_rad_s: f64,
    /// Largest apparent acceleration, radians per second squared. 1,000 m/s2 (twice a hard stop) at six metres.
    pub largest_acceleration_rad_s2: f64,
    /// A track may miss frames for this long and go on. 20 ms: longer, and another thing may have taken its place.
    pub longest_miss_s: f64,
    /// Slack of the gate, pixels: three standard deviations of a poor centre.
    pub slack_px: f64,
    /// Strangers expected inside a gate, at most: candidates of the frame over its picture, times the gate's area. 0.1: of the
    /// frames in which a thing is missed, one in ten gives its track a stranger to go on with. Only low rates feel it, where
    /// the gate of the largest acceleration is as large as the picture: at 30 frames a second, with a dozen candidates, 290 px
    /// are 70.
    pub most_strangers: f64,
    /// Tracks shorter than this are noise. Three make a speed and its check.
    pub fewest_sightings: usize,
}

impl Default for LinkConfig {
    fn default() -> Self {
        Self {
            fastest_rad_s: 9.0,
            largest_acceleration_rad_s2: 170.0,
            longest_miss_s: 0.02,
            slack_px: 1.5,
            most_strangers: 0.1,
            fewest_sightings: 3,
        }
    }
}

/// One candidate as part of a track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sighting {
    /// Position in `ClipSpots::frames`.
    pub frame_pos: usize,
    /// Position in that frame's candidates.
    pub candidate_idx: usize,
    /// Presentation time of the row it was seen on, on the camera's own clock: pts + readout x shutter fraction.
    pub own_s: f64,
    /// Presentation time of its frame.
    pub pts_s: f64,
    /// Shutter fraction of its row.
    pub shutter_fraction: f64,
    /// Centre in the upright picture.
    pub pixel: RawPixel,
    /// Undistorted normalised coordinates.
    pub ray: [f64; 2],
    /// Standard deviation of the centre, pixels (root of the mean variance).
    pub sigma_px: f64,
    /// Area above half contrast.
    pub area_px2: f64,
    /// Length of its streak, 0 without one.
    pub streak_px: f64,
}

/// One thing followed through one clip.
#[derive(Debug, Clone, PartialEq)]
pub struct Tracklet {
    /// Colour of all its sightings.
    pub colour: Colour,
    /// In order of time.
    pub sightings: Vec<Sighting>,
}

/// Where a track is at an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackState {
    /// Undistorted normalised coordinates.
    pub ray: [f64; 2],
    /// Their rate, per second.
    pub rate_per_s: [f64; 2],
    /// Standard deviation of the sightings it rests on, pixels.
    pub sigma_px: f64,
    /// Area of the nearest sighting.
    pub area_px2: f64,
    /// Streak of the nearest sighting.
    pub streak_px: f64,
}

impl Tracklet {
    /// First and last own time.
    #[must_use]
    pub fn span_s(&self) -> [f64; 2] {
        let first = self.sightings.first().map_or(f64::NAN, |s| s.own_s);
        let last = self.sightings.last().map_or(f64::NAN, |s| s.own_s);
        [first, last]
    }

    /// State at own time `own_s`, by the cubic through the four sightings around it (Lagrange; the parabola at the
    /// ends). `None` outside the track.
    #[must_use]
    pub fn at(&self, own_s: f64) -> Option<TrackState> {
        let s = &self.sightings;
        let n = s.len();
        if n < 2 || !(own_s >= s[0].own_s && own_s <= s[n - 1].own_s) {
            return None;
        }
        let after = s.partition_point(|x| x.own_s <= own_s).clamp(1, n - 1);
        let from = after.saturating_sub(2);
        let to = (after + 2).min(n);
        let nodes = &s[from..to];
        let mut ray = [0.0; 2];
        let mut rate = [0.0; 2];
        for (i, a) in nodes.iter().enumerate() {
            let mut weight = 1.0;
            let mut slope = 0.0;
            for (j, b) in nodes.iter().enumerate() {
                if i == j {
                    continue;
                }
                let inv = 1.0 / (a.own_s - b.own_s);
                slope = slope * (own_s - b.own_s) * inv + weight * inv;
                weight *= (own_s - b.own_s) * inv;
            }
            for axis in 0..2 {
                ray[axis] += weight * a.ray[axis];
                rate[axis] += slope * a.ray[axis];
            }
        }
        let near =
            if (own_s - s[after - 1].own_s) < (s[after].own_s - own_s) { &s[after - 1] } else { &s[after] };
        Some(TrackState {
            ray,
            rate_per_s: rate,
            sigma_px: near.sigma_px,
            area_px2: near.area_px2,
            streak_px: near.streak_px,
        })
    }

    /// Root mean square speed in normalised coordinates per second.
    #[must_use]
    pub fn rms_rate(&self) -> f64 {
        let mut sum = 0.0;
        let mut time = 0.0;
        for w in self.sightings.windows(2) {
            let dt = w[1].own_s - w[0].own_s;
            if dt > 0.0 {
                let dx = w[1].ray[0] - w[0].ray[0];
                let dy = w[1].ray[1] - w[0].ray[1];
                sum += (dx * dx + dy * dy) / dt;
                time += dt;
            }
        }
        if time > 0.0 { (sum / time).sqrt() } else { 0.0 }
    }

    /// How far it goes, back and forth counted, normalised coordinates: the sum of its steps of a tenth of a second, which
    /// noise adds little to.
    #[must_use]
    pub fn travel(&self) -> f64 {
        const STEP_S: f64 = 0.1;
        let mut sum = 0.0;
        let mut last: Option<&Sighting> = None;
        for s in &self.sightings {
            match last {
                Some(l) if s.own_s - l.own_s < STEP_S => continue,
                Some(l) => sum += (s.ray[0] - l.ray[0]).hypot(s.ray[1] - l.ray[1]),
                None => {}
            }
            last = Some(s);
        }
        sum
    }

    /// Size of the box it moves in, normalised coordinates.
    #[must_use]
    pub fn extent(&self) -> f64 {
        let mut low = [f64::INFINITY; 2];
        let mut high = [f64::NEG_INFINITY; 2];
        for s in &self.sightings {
            for axis in 0..2 {
                low[axis] = low[axis].min(s.ray[axis]);
                high[axis] = high[axis].max(s.ray[axis]);
            }
        }
        (high[0] - low[0]).hypot(high[1] - low[1])
    }
}

/// Tracks of one colour in one clip, in order of their first frame.
#[must_use]
pub fn link(
    spots: &ClipSpots,
    lens: &Lens,
    readout_s: f64,
    colour: Colour,
    config: &LinkConfig,
) -> Vec<Tracklet> {
    let slack = config.slack_px / lens.fx_px;
    let [width_px, height_px] = spots.picture.upright_px();
    let area = f64::from(width_px) * f64::from(height_px) / lens.fx_px.powi(2);
    let mut done: Vec<Tracklet> = Vec::new();
    let mut live: Vec<Tracklet> = Vec::new();
    for (frame_pos, frame) in spots.frames.iter().enumerate() {
        let fresh = sightings(spots, lens, readout_s, colour, frame_pos);
        let widest = (config.most_strangers * area / (PI * fresh.len().max(1) as f64)).sqrt();
        let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
        for (track_idx, track) in live.iter().enumerate() {
            for (fresh_idx, s) in fresh.iter().enumerate() {
                if let Some(relative) = gate(track, s, slack, widest, config) {
                    pairs.push((relative, track_idx, fresh_idx));
                }
            }
        }
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)).then(a.2.cmp(&b.2)));
        let mut track_taken = vec![false; live.len()];
        let mut fresh_taken = vec![false; fresh.len()];
        for (_, track_idx, fresh_idx) in pairs {
            if !track_taken[track_idx] && !fresh_taken[fresh_idx] {
                track_taken[track_idx] = true;
                fresh_taken[fresh_idx] = true;
                live[track_idx].sightings.push(fresh[fresh_idx]);
            }
        }
        let mut still_live = Vec::with_capacity(live.len());
        for track in live {
            let age_s = track.sightings.last().map_or(f64::INFINITY, |s| frame.pts_s - s.pts_s);
            // at low frame rates one missed frame is longer than the limit: one is always allowed
            let frames_missed = track.sightings.last().map_or(0, |s| frame_pos - s.frame_pos);
            if age_s <= config.longest_miss_s || frames_missed <= 1 {
                still_live.push(track);
            } else {
                done.push(track);
            }
        }
        live = still_live;
        live.extend(
            fresh
                .iter()
                .zip(&fresh_taken)
                .filter(|(_, taken)| !**taken)
                .map(|(s, _)| Tracklet { colour, sightings: vec![*s] }),
        );
    }
    done.append(&mut live);
    done.retain(|t| t.sightings.len() >= config.fewest_sightings.max(2));
    done.iter_mut().for_each(|t| t.sightings.shrink_to_fit());
    done.sort_by_key(|t| (t.sightings[0].frame_pos, t.sightings[0].candidate_idx));
    done
}

/// Sightings of one colour in a frame; candidates whose ray the lens cannot tell are left out.
#[must_use]
pub fn sightings(
    spots: &ClipSpots,
    lens: &Lens,
    readout_s: f64,
    colour: Colour,
    frame_pos: usize,
) -> Vec<Sighting> {
    let candidates = spots.frames[frame_pos].candidates.iter().enumerate();
    let of_colour = candidates.filter(|(_, c)| c.colour == colour);
    of_colour.filter_map(|(idx, c)| sighting(spots, lens, readout_s, frame_pos, idx, c)).collect()
}

/// A candidate with its own time and ray; `None` where the lens cannot be inverted.
#[must_use]
pub fn sighting(
    spots: &ClipSpots,
    lens: &Lens,
    readout_s: f64,
    frame_pos: usize,
    candidate_idx: usize,
    candidate: &Candidate,
) -> Option<Sighting> {
    let ray = lens.undistort(candidate.centre)?;
    let pts_s = spots.frames[frame_pos].pts_s;
    let shutter_fraction = spots.picture.shutter_fraction(candidate.centre);
    Some(Sighting {
        frame_pos,
        candidate_idx,
        own_s: pts_s + readout_s * shutter_fraction,
        pts_s,
        shutter_fraction,
        pixel: candidate.centre,
        ray: [ray.x, ray.y],
        sigma_px: candidate.sigma_px(),
        area_px2: candidate.area_px2,
        streak_px: candidate.streak.map_or(0.0, |s| s.length_px),
    })
}

/// Distance from the extrapolated position over the gate's radius, when inside; motion that nobody knows widens the gate by
/// `widest` at most (normalised coordinates).
fn gate(track: &Tracklet, s: &Sighting, slack: f64, widest: f64, config: &LinkConfig) -> Option<f64> {
    let n = track.sightings.len();
    let last = track.sightings[n - 1];
    let dt = s.own_s - last.own_s;
    if dt <= 0.0 {
        return None;
    }
    let (predicted, radius) = if n == 1 {
        (last.ray, slack + (config.fastest_rad_s * dt).min(widest))
    } else {
        let before = track.sightings[n - 2];
        let step = last.own_s - before.own_s;
        let mut rate = [(last.ray[0] - before.ray[0]) / step, (last.ray[1] - before.ray[1]) / step];
        if n >= 3 {
            // the parabola through the last three, its acceleration held within the limit
            let first = track.sightings[n - 3];
            let step_before = before.own_s - first.own_s;
            for (axis, rate) in rate.iter_mut().enumerate() {
                let rate_before = (before.ray[axis] - first.ray[axis]) / step_before;
                let acceleration = ((*rate - rate_before) / (0.5 * (step + step_before)))
                    .clamp(-config.largest_acceleration_rad_s2, config.largest_acceleration_rad_s2);
                *rate += acceleration * 0.5 * (step + dt);
            }
        }
        let predicted = [last.ray[0] + rate[0] * dt, last.ray[1] + rate[1] * dt];
        let noise = 3.0 * slack * dt / step;
        (
            predicted,
            slack + noise.min(4.0 * slack) + (config.largest_acceleration_rad_s2 * dt * dt).min(widest),
        )
    };
    let distance = (s.ray[0] - predicted[0]).hypot(s.ray[1] - predicted[1]);
    // a track with a history goes before a new one at the same relative distance
    let seniority = if n == 1 { 1.0 } else { 0.0 };
    (distance <= radius).then_some(distance / radius + seniority)
}

#[cfg(test)]
mod tests {
    use nalgebra::Point3;

    use super::*;
    use crate::model::Clock;
    use crate::testing::{Shot, Thing, film, two_phones};

    #[test]
    fn at_thirty_frames_a_second_a_missed_frame_hands_nothing_over_to_a_flower() {
        let camera = &two_phones()[0];
        // waved to and fro by a hand, 15 px a frame at most; flowers all round
        let waved =
            |t_s: f64| Point3::new((2.0 * t_s).sin(), 0.3 * (1.3 * t_s).cos(), 2.5 + 0.5 * (1.7 * t_s).sin());
        let flowers: Vec<_> = (0..12)
            .map(|i| {
                let (x, z) = (f64::from(i * 7 % 12) / 12.0, f64::from(i * 5 % 12) / 12.0);
                move |_: f64| Point3::new(10.0 * x - 5.0, 2.0, 5.5 * z)
            })
            .collect();
        let mut things = vec![Thing::new(&waved, Colour::Yellow, 0.04)];
        things.extend(flowers.iter().map(|f| Thing::new(f, Colour::Yellow, 0.04)));
        let clock = Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.014 };
        let mut shot = Shot::new(30.0, 20.0, clock, 5);
        (shot.dropout, shot.outlier) = (0.15, 0.0);
        let clip = film(camera, 0, &things, &shot);
        let longest_step_px = |t: &Tracklet| {
            let step =
                |w: &[Sighting]| (w[1].pixel.x_px - w[0].pixel.x_px).hypot(w[1].pixel.y_px - w[0].pixel.y_px);
            t.sightings.windows(2).map(step).fold(0.0, f64::max)
        };
        // moving tracks with a step beyond 40 px: over one missed frame it is 30
        let strayed = |config: &LinkConfig| {
            let tracks = link(&clip, &camera.lens, 0.014, Colour::Yellow, config);
            tracks.iter().filter(|t| t.extent() > 0.02 && longest_step_px(t) > 40.0).count()
        };
        let config = LinkConfig::default();
        let (with, without) =
            (strayed(&config), strayed(&LinkConfig { most_strangers: f64::INFINITY, ..config.clone() }));
        println!("{with} tracks strayed, {without} without a limit");
        // thirteen things are missed 1,170 times in 600 frames
        assert!(with <= 5, "{with}");
        assert!(without > 4 * with.max(1), "{without}");
        let tracks = link(&clip, &camera.lens, 0.014, Colour::Yellow, &config);
        let followed: usize = tracks.iter().filter(|t| t.extent() > 0.02).map(|t| t.sightings.len()).sum();
        // of 510 that are there
        assert!(followed > 400, "{followed}");
    }
}
