//! Two cameras on one loop. The nose's front is one point in the air, so two rays through it, one from each
//! camera at the same session time, tell how far it lies from the cast plane: the places where the rays meet the plane
//! differ by that distance times the difference of their levers. Along the legs, which run nearly along the line
//! between the cameras, rays tell nothing of the kind (the degenerate case of matching along epipolar lines); the nose, which
//! crosses it, does.

use super::nose::{Front, parabola, value};
use crate::model::Measured;

/// Least difference of the levers of two cameras, metres along the way per metre off the plane: cameras that look from
/// nearly the same side disagree about nothing.
const LEAST_LEVER: f64 = 0.4;
/// Error of a distance that rests on two clocks and two parabolas, one standard deviation.
const FLOOR_M: f64 = 0.015;
/// Farther from the plane than this the two did not see the same thing.
const FARTHEST_M: f64 = 0.6;

/// Distance of the nose from the plane, positive to the left of the way; `None` when the cameras cannot tell, or did
/// not see the same thing.
pub(super) fn off_plane(a: &[Front], b: &[Front]) -> Option<Measured> {
    let t0_s = b.get(b.len() / 2)?.t_s;
    let fit = |k: usize| {
        let rows: Vec<_> = b.iter().map(|f| (f.t_s - t0_s, f.at[k], 1.0)).collect();
        parabola(&rows)
    };
    let (along, up) = (fit(0)?, fit(1)?);
    let (first_s, last_s) = (b.first()?.t_s, b.last()?.t_s);
    let mut found: Vec<f64> = Vec::new();
    for front in a.iter().filter(|f| f.t_s >= first_s && f.t_s <= last_s) {
        let near = b.iter().min_by(|x, y| (x.t_s - front.t_s).abs().total_cmp(&(y.t_s - front.t_s).abs()))?;
        // place on the plane = true place + lever * -off, for a plane that the point lies `off` to the left of
        let lever = [near.lever[0] - front.lever[0], near.lever[1] - front.lever[1]];
        if lever[0].abs() < LEAST_LEVER {
            continue;
        }
        let t_s = front.t_s - t0_s;
        let apart = [value(along, t_s) - front.at[0], value(up, t_s) - front.at[1]];
        let off_m = -apart[0] / lever[0];
        // the heights must agree with the same distance
        if (apart[1] + lever[1] * off_m).abs() < 0.25 {
            found.push(off_m);
        }
    }
    if found.len() < 3 {
        return None;
    }
    found.sort_by(f64::total_cmp);
    let middle = found[found.len() / 2];
    let mut spread: Vec<f64> = found.iter().map(|x| (x - middle).abs()).collect();
    spread.sort_by(f64::total_cmp);
    let scatter = 1.4826 * spread[spread.len() / 2];
    let agreed = middle.abs() < FARTHEST_M && scatter < 0.15;
    agreed.then(|| Measured::new(middle, (scatter / (found.len() as f64).sqrt()).hypot(FLOOR_M)))
}
