//! Rest and motion told apart: sightings of a marker that stands still share one sighting's worth.
//!
//! What is wrong with a spot (its place between pixels, the lens there, a label clicked once and carried on) is the same in
//! every frame while it stands; n such frames know no more than one. Without this, seconds of rest look like thousands of
//! exact sightings: noise found from them is far too small, and whatever stands still rules the set-up.

use super::problem::Problem;

/// Share of every sighting, between 0 and 1: one over the number of unbroken sightings of its camera and marker that stay
/// within `reach_px` of the first of them. A marker that moves on by more has shares of 1.
#[must_use]
pub fn shares(problem: &Problem, reach_px: f64) -> Vec<f64> {
    let mut out = vec![1.0; problem.observations.len()];
    for stand in stands(problem, reach_px) {
        #[allow(clippy::cast_precision_loss)]
        let share = 1.0 / stand.len() as f64;
        for i in stand {
            out[i] = share;
        }
    }
    out
}

/// Sightings grouped by where they stand: series by series in order of time.
pub fn stands(problem: &Problem, reach_px: f64) -> Vec<Vec<usize>> {
    let mut series = vec![Vec::new(); problem.cameras.len() * problem.markers];
    for (i, o) in problem.observations.iter().enumerate() {
        series[problem.series_idx(o)].push(i);
    }
    let mut out: Vec<Vec<usize>> = Vec::new();
    for mut one in series {
        one.sort_by(|a, b| problem.observations[*a].pts_s.total_cmp(&problem.observations[*b].pts_s));
        let from = out.len();
        for i in one {
            let pixel = problem.observations[i].pixel;
            let stays = out[from..].last().and_then(|s| s.first()).is_some_and(|first| {
                let first = problem.observations[*first].pixel;
                (pixel.x_px - first.x_px).hypot(pixel.y_px - first.y_px) < reach_px
            });
            match out.last_mut() {
                Some(stand) if stays => stand.push(i),
                _ => out.push(vec![i]),
            }
        }
    }
    out
}
