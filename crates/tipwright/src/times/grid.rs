//! What the stamps are multiples of, and which exposure each frame is.

use crate::math::median;

/// Stamps are compared to this, seconds: a double holds an hour to a thousandth of it.
const SAME_S: f64 = 2e-9;

/// What all stamps are whole multiples of (apart from their start): the greatest common divisor of their steps where it says
/// something, else the file's tick. 0: unknown.
pub(super) fn rounding_s(stamps_s: &[f64], tick_s: Option<f64>) -> f64 {
    let tick_s = tick_s.filter(|t| *t > 0.0 && t.is_finite()).unwrap_or(0.0);
    let steps = || stamps_s.windows(2).map(|w| w[1] - w[0]);
    let Some(step_s) = median(steps()) else { return tick_s };
    let mut common_s = 0.0_f64;
    for step in steps() {
        let (mut a, mut b) = (common_s.max(step), common_s.min(step));
        // Euclid's algorithm; at most a few dozen turns for what a tick above the tolerance leaves
        while b > SAME_S {
            let rest = a % b;
            let rest = if b - rest < SAME_S { 0.0 } else { rest };
            (a, b) = (b, rest);
        }
        common_s = a;
        if common_s < 1e-6 {
            return tick_s;
        }
    }
    // steps that are all alike, or nearly, show no rounding but themselves
    if common_s > 0.6 * step_s { tick_s } else { common_s.max(tick_s) }
}

/// Steps before, and steps after, in which the usual step is looked for: a few that are lost do not outvote the rest, and a rate
/// that lasts for eight frames is seen.
const SIDE: usize = 8;

/// Number of each frame on the grid of exposures: one up from frame to frame, more where frames are missing. A step is measured by
/// those before it or those after it, whichever it is a whole number of: the rate may change with it.
pub(super) fn numbers(stamps_s: &[f64], rounding_s: f64) -> Vec<u64> {
    let steps: Vec<f64> = stamps_s.windows(2).map(|w| w[1] - w[0]).collect();
    let mut number = 0;
    let mut out = vec![0];
    for (i, step_s) in steps.iter().enumerate() {
        let sides = [i.saturating_sub(SIDE)..i, i + 1..(i + 1 + SIDE).min(steps.len())];
        let many = sides
            .into_iter()
            .filter_map(|side| one_step_s(&steps[side], rounding_s))
            .map(|usual_s| {
                let many = (step_s / usual_s).round().max(1.0);
                ((step_s / usual_s - many).abs(), many)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0));
        number += many.map_or(1, |m| m.1 as u64);
        out.push(number);
    }
    out
}

/// Mean of those that are one step for sure: rounding lengthens a step by itself, so twice, from a wide guess.
fn one_step_s(steps: &[f64], rounding_s: f64) -> Option<f64> {
    let mean_up_to = |most: f64| {
        let own = steps.iter().filter(|s| **s <= most);
        own.clone().sum::<f64>() / own.count() as f64
    };
    let middle = median(steps.iter().copied())?;
    Some(mean_up_to(1.4 * mean_up_to(1.5 * middle + rounding_s)))
}
