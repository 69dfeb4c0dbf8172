//! Lines, means and moments that a few wrong values do not carry away.

use crate::model::Measured;

pub(super) fn root_sum(parts: &[f64]) -> f64 {
    parts.iter().map(|p| p * p).sum::<f64>().sqrt()
}

/// First time at which a rising function reaches a level.
pub(super) fn crossing_time(
    f: &dyn Fn(f64) -> Option<f64>,
    level: f64,
    from_s: f64,
    to_s: f64,
) -> Option<f64> {
    let mut before: Option<(f64, f64)> = None;
    let mut t_s = from_s;
    while t_s <= to_s {
        if let Some(now) = f(t_s) {
            if let Some((bt, b)) = before
                && b < level
                && now >= level
            {
                return Some(bt + (t_s - bt) * (level - b) / (now - b));
            }
            before = Some((t_s, now));
        }
        t_s += 0.002;
    }
    None
}

/// A robust straight line.
pub(super) struct Line {
    /// Value where it was asked for.
    pub at: f64,
    pub slope: f64,
    /// Scatter of the points about it.
    pub scatter: f64,
    /// Points that kept their say.
    pub kept: usize,
}

/// Robust straight line, its value at `x`.
pub(super) fn robust_line(points: &[(f64, f64)], x: f64) -> Option<Line> {
    let mut w = vec![1.0; points.len()];
    let mut out = None;
    for _ in 0..12 {
        let sum = |f: &dyn Fn(f64, f64) -> f64| -> f64 {
            points.iter().zip(&w).map(|((a, b), w)| w * f(*a - x, *b)).sum()
        };
        let (n, sx, sy) = (sum(&|_, _| 1.0), sum(&|a, _| a), sum(&|_, b| b));
        let (sxx, sxy) = (sum(&|a, _| a * a), sum(&|a, b| a * b));
        let det = n * sxx - sx * sx;
        if !(n > 1.5) {
            return None;
        }
        let (at, slope) =
            if det > 1e-6 { ((sxx * sy - sx * sxy) / det, (n * sxy - sx * sy) / det) } else { (sy / n, 0.0) };
        let off: Vec<f64> = points.iter().map(|(a, b)| (b - at - slope * (a - x)).abs()).collect();
        let mut sorted = off.clone();
        sorted.sort_by(f64::total_cmp);
        let scatter = (1.4826 * sorted[sorted.len() / 2]).max(0.003);
        for (w, r) in w.iter_mut().zip(&off) {
            let z = r / (3.5 * scatter);
            *w = if z < 1.0 { (1.0 - z * z).powi(2) } else { 0.0 };
        }
        out = Some(Line { at, slope, scatter, kept: w.iter().filter(|w| **w > 0.05).count() });
    }
    out
}

/// Weighted mean of what the cameras say; its error grows by their disagreement. `None` when they cannot both be right.
pub(super) fn agreed(all: &[Measured]) -> Option<Measured> {
    let (first, rest) = all.split_first()?;
    let mut out = *first;
    for m in rest {
        let apart = (m.value - out.value).abs();
        let allowed = out.sd.hypot(m.sd);
        if apart > (5.0 * allowed).max(0.15 * out.value.abs()) {
            return None;
        }
        let (a, b) = (out.sd.powi(-2), m.sd.powi(-2));
        let value = (a * out.value + b * m.value) / (a + b);
        // half the disagreement stands for what the two do not share
        out =
            Measured::new(value, (a + b).sqrt().recip().max(0.5 * apart * (apart / allowed / 2.0).min(1.0)));
    }
    Some(out)
}
