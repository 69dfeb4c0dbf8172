//! The moments of a stroke: start, peak, stop.

use nalgebra::Vector3;

use super::config::StrokesConfig;
use super::curve::{Curve, crossing, largest};

/// Where a stroke's moments are looked for, and what they were on the path itself.
#[derive(Debug, Clone, Copy)]
pub(super) struct Search {
    /// The peak lies in here.
    pub peak_in_s: (f64, f64),
    /// Start and stop lie in here.
    pub reach_s: (f64, f64),
    /// Unit direction in the world that the stroke goes along, on the whole.
    pub way: Vector3<f64>,
    /// Scanning step.
    pub step_s: f64,
}

/// Moments of a stroke; NaN when not found.
#[derive(Debug, Clone, Copy)]
pub(super) struct Times {
    pub t_start_s: f64,
    pub t_peak_s: f64,
    pub t_stop_s: f64,
    pub peak_m_s: f64,
}

/// Finds them. Start: walking back from the peak to the last reversal or rest, the earliest rise of tip speed
/// through `start_fraction` of the peak; the reversal itself when the tip turns faster than that. Stop: the first
/// fall through the same speed after the peak.
pub(super) fn moments(curve: &Curve<'_>, search: &Search, config: &StrokesConfig) -> Times {
    let (t_peak_s, peak_m_s) =
        largest(|t| curve.speed(t), search.peak_in_s.0, search.peak_in_s.1, search.step_s);
    let level = config.start_fraction * peak_m_s;
    let above = |t: f64| curve.speed(t) - level;
    let mut t_start_s = f64::NAN;
    let (mut t, mut was_above) = (t_peak_s, true);
    while t > search.reach_s.0 {
        let before = (t - search.step_s).max(search.reach_s.0);
        let v = curve.velocity(before);
        if v.dot(&search.way) <= 0.0 {
            let turn_s = crossing(|x| curve.velocity(x).dot(&search.way), before, t);
            let above_turn = above(turn_s) > 0.0;
            if above_turn != was_above {
                t_start_s = if was_above { crossing(above, turn_s, t) } else { turn_s };
            } else if above_turn {
                t_start_s = turn_s;
            }
            break;
        }
        let is_above = v.norm() > level;
        if was_above && !is_above {
            t_start_s = crossing(above, before, t);
        }
        if v.norm() < config.rest_fraction * peak_m_s {
            break;
        }
        (t, was_above) = (before, is_above);
    }
    let mut t_stop_s = f64::NAN;
    let mut t = t_peak_s;
    while t < search.reach_s.1 {
        let after = (t + search.step_s).min(search.reach_s.1);
        if above(after) <= 0.0 {
            t_stop_s = crossing(above, t, after);
            break;
        }
        t = after;
    }
    Times { t_start_s, t_peak_s, t_stop_s, peak_m_s }
}
