//! Rest and motion told apart: sightings of a marker that stands still share what lasts of their error.
//!
//! What is wrong with a spot (its place between pixels, the lens there, a label clicked once and carried on) is the same in
//! every frame while it stands; n such frames know no more than one. Without this, seconds of rest look like thousands of
//! exact sightings: noise found from them is far too small, and whatever stands still rules the set-up. The camera's own noise
//! changes from frame to frame at rest too, and how much of the error that is, the standing marker shows.

use super::problem::Problem;

/// Least share of a spot's variance that lasts while it stands: 0.1 is a third of its sd, 0.03 px of a noise of 0.1, as much as centres
/// of small discs err with their place between pixels.
const LEAST_LASTING: f64 = 0.1;
/// Fewest sightings between two others of one stand for a series to say how its error changes: a variance from 40 values is known to
/// 22 %.
const FEWEST: usize = 20;

/// Share of every sighting, between 0 and 1. Of n sightings of a camera and marker in one of the [`stands`], with a share `lasting` of
/// their variance in common (series by series), each counts `1 / (n lasting + 1 - lasting)`: the mean of them all is as sure as it is.
/// Those of a marker that moves on have shares of 1.
#[must_use]
pub fn shares(problem: &Problem, stands: &[Vec<usize>], lasting: &[f64]) -> Vec<f64> {
    let mut out = vec![1.0; problem.observations.len()];
    for stand in stands {
        let Some(first) = stand.first() else { continue };
        let lasting = lasting[problem.series_idx(&problem.observations[*first])];
        #[allow(clippy::cast_precision_loss)]
        let share = 1.0 / (stand.len() as f64 * lasting + 1.0 - lasting);
        for i in stand {
            out[*i] = share;
        }
    }
    out
}

/// Which share of its error's variance lasts while a marker stands, series by series: what is not seen to change from frame to frame. By
/// second differences of whitened residuals (`None`: not used) within stands, into which neither a slow path nor what lasts comes; all of
/// it where little stands.
#[must_use]
pub fn lasting(problem: &Problem, stands: &[Vec<usize>], whitened: &[Option<[f64; 2]>]) -> Vec<f64> {
    let mut squares = vec![(0.0, 0_usize); problem.cameras.len() * problem.markers];
    for stand in stands {
        for three in stand.windows(3) {
            let (sum, n) = &mut squares[problem.series_idx(&problem.observations[three[0]])];
            if let (Some(a), Some(b), Some(c)) = (whitened[three[0]], whitened[three[1]], whitened[three[2]])
            {
                *sum += (0..2).map(|x| (a[x] - 2.0 * b[x] + c[x]).powi(2)).sum::<f64>() / 12.0;
                *n += 1;
            }
        }
    }
    #[allow(clippy::cast_precision_loss)]
    let of = |(sum, n): (f64, usize)| {
        if n < FEWEST { 1.0 } else { (1.0 - sum / n as f64).clamp(LEAST_LASTING, 1.0) }
    };
    squares.into_iter().map(of).collect()
}

/// Sightings grouped by where they stand, unbroken ones within `reach_px` of the first of them: series by series in order of time.
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
