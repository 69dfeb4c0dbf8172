//! Which stretches of time carry a path: where at least two cameras see a marker, bridged over short absences.

use super::problem::{MotionConfig, Observation, Problem};
use super::spline::Timeline;
use crate::math::median;

/// Median frame step of each camera (consecutive observations of one marker), by its own clock, seconds.
#[must_use]
pub fn frame_steps_s(problem: &Problem) -> Vec<f64> {
    (0..problem.cameras.len())
        .map(|k| {
            let mut at: Vec<f64> = problem
                .observations
                .iter()
                .filter(|o| o.camera_idx == k && o.marker_idx == 0)
                .map(|o| o.pts_s)
                .collect();
            at.sort_by(f64::total_cmp);
            let steps = at.windows(2).map(|w| w[1] - w[0]).filter(|s| *s > 1e-6);
            median(steps).unwrap_or(f64::INFINITY)
        })
        .collect()
}

/// Session time of an observation by the clocks of the problem.
fn start_s(problem: &Problem, o: &Observation) -> f64 {
    let camera = &problem.cameras[o.camera_idx];
    camera.clock.session_s(o.pts_s, camera.picture.shutter_fraction(o.pixel))
}

/// Steps on either side that say how far apart sightings are here. 4: a missed frame among them changes nothing.
const STEPS_AROUND: usize = 4;

/// Slowest rate that phones film at, frames a second (common practice): sightings farther apart are what is left of a track.
const SLOWEST_FPS: f64 = 20.0;

/// Frame step of each camera about each of its observations, seconds, in the order of the observations.
#[must_use]
pub fn local_steps_s(problem: &Problem) -> Vec<f64> {
    let mut out = vec![f64::INFINITY; problem.observations.len()];
    for k in 0..problem.cameras.len() {
        let own = || problem.observations.iter().enumerate().filter(move |(_, o)| o.camera_idx == k);
        let mut frames_s: Vec<f64> = own().map(|(_, o)| o.pts_s).collect();
        frames_s.sort_by(f64::total_cmp);
        frames_s.dedup_by(|b, a| *b - *a <= 1e-6);
        let usual_s = median(frames_s.windows(2).map(|w| w[1] - w[0])).unwrap_or(f64::INFINITY);
        let longest_s = usual_s.max(1.0 / SLOWEST_FPS);
        let steps_s = steps_around_s(&frames_s);
        for (i, o) in own() {
            let at = frames_s.partition_point(|f| *f <= o.pts_s).saturating_sub(1);
            out[i] = steps_s[at].min(longest_s);
        }
    }
    out
}

/// Frame step about each frame of one camera, by its own clock: the median of the steps around it, for a phone may change its rate
/// within a clip. `frames_s`: in order of time, each once.
fn steps_around_s(frames_s: &[f64]) -> Vec<f64> {
    let steps: Vec<f64> = frames_s.windows(2).map(|w| w[1] - w[0]).collect();
    (0..frames_s.len())
        .map(|i| {
            let near = i.saturating_sub(STEPS_AROUND)..(i + STEPS_AROUND).min(steps.len());
            median(steps[near].iter().copied()).unwrap_or(f64::INFINITY)
        })
        .collect()
}

/// Stretches (start, end) in which every instant has, within `longest_bridge_s`, a sighting by two cameras; with one
/// camera only, such a stretch goes on for `longest_bridge_s` at most. Where a plane holds the paths, one camera is enough.
#[must_use]
pub fn stretches_s(problem: &Problem, longest_bridge_s: f64) -> Vec<(f64, f64)> {
    let steps_s = local_steps_s(problem);
    let mut seen: Vec<(f64, usize, f64)> = problem
        .observations
        .iter()
        .zip(steps_s)
        .map(|(o, step_s)| (start_s(problem, o), o.camera_idx, step_s))
        .collect();
    seen.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    // Instants with two cameras: a sighting, and another camera's within its own frame step there.
    let mut last = vec![(f64::NEG_INFINITY, 0.0); problem.cameras.len()];
    let mut together: Vec<f64> = Vec::new();
    for (t, k, step_s) in seen {
        last[k] = (t, step_s);
        // in a plane every sighting is a place
        let others = problem.plane.is_some()
            || (0..last.len()).any(|j| j != k && t - last[j].0 <= 1.01 * last[j].1.min(1.0));
        if others {
            together.push(t);
        }
    }
    let mut out: Vec<(f64, f64)> = Vec::new();
    for t in together {
        match out.last_mut() {
            Some((_, end)) if t - *end <= longest_bridge_s => *end = t,
            _ => out.push((t, t)),
        }
    }
    out
}

/// Lays out the knots: `None` when no stretch has two cameras.
#[must_use]
pub fn lay_out(problem: &Problem, config: &MotionConfig) -> Option<Timeline> {
    let steps = frame_steps_s(problem);
    let finest_s = steps.iter().copied().fold(f64::INFINITY, f64::min);
    let spacing_s = config.knot_spacing_s.unwrap_or(finest_s / config.knots_per_frame);
    if !(spacing_s.is_finite() && spacing_s > 0.0) {
        return None;
    }
    // Too short to carry a quadratic and its noise: eight frames.
    let shortest_s = 8.0 * finest_s;
    let margin_s = 1.5 * spacing_s;
    let mut padded: Vec<(f64, f64)> = Vec::new();
    for (a, b) in stretches_s(problem, config.longest_bridge_s.max(4.0 * spacing_s)) {
        if b - a < shortest_s {
            continue;
        }
        match padded.last_mut() {
            Some((_, end)) if a - margin_s <= *end => *end = b + margin_s,
            _ => padded.push((a - margin_s, b + margin_s)),
        }
    }
    (!padded.is_empty()).then(|| Timeline::new(spacing_s, &padded))
}

/// Piece of every observation by the clocks given; `None` outside all pieces (farther than two spans).
#[must_use]
pub fn pieces_of(timeline: &Timeline, times_s: &[f64]) -> Vec<Option<usize>> {
    times_s
        .iter()
        .map(|t| match timeline.nearest_piece(*t) {
            Some((idx, away_s)) if away_s <= 0.5 * timeline.spacing_s() => Some(idx),
            _ => None,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_that_changes_within_a_clip_and_missed_frames_are_told_apart() {
        let fast = (0..40).filter(|i| i % 9 != 4).map(|i| f64::from(i) / 120.0);
        let slow = (20..40).map(|i| f64::from(i) / 60.0);
        let frames_s: Vec<f64> = fast.chain(slow).collect();
        let steps_s = steps_around_s(&frames_s);
        for (t, step_s) in frames_s.iter().zip(&steps_s) {
            // near the change either is right
            let expected = if *t < 39.0 / 120.0 - 0.04 { 1.0 / 120.0 } else { 1.0 / 60.0 };
            assert!((step_s - expected).abs() < 1e-9 || (t - 39.0 / 120.0).abs() < 0.06, "{t}: {step_s}");
        }
        assert_eq!(steps_around_s(&[1.0]), [f64::INFINITY]);
    }
}
