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

/// Stretches (start, end) in which every instant has, within `longest_bridge_s`, a sighting by two cameras; with one
/// camera only, such a stretch goes on for `longest_bridge_s` at most.
#[must_use]
pub fn stretches_s(problem: &Problem, longest_bridge_s: f64) -> Vec<(f64, f64)> {
    let steps = frame_steps_s(problem);
    let mut seen: Vec<(f64, usize)> =
        problem.observations.iter().map(|o| (start_s(problem, o), o.camera_idx)).collect();
    seen.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    // Instants with two cameras: a sighting, and another camera's within its own frame step.
    let mut last = vec![f64::NEG_INFINITY; problem.cameras.len()];
    let mut together: Vec<f64> = Vec::new();
    for (t, k) in seen {
        last[k] = t;
        let others = (0..last.len()).any(|j| j != k && t - last[j] <= 1.01 * steps[j].min(1.0));
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
