//! A marker's path between its samples.
//!
//! Position: cubic Hermite through positions with the velocities given. Velocity: cubic Hermite through the
//! velocities with three-point slopes, not the derivative of the position's cubic, which would turn a little
//! noise of position into a lot of noise of speed. Both are exact at the samples.

use std::ops::Range;

use nalgebra::{Point3, Vector3};

use crate::model::{MarkerPath, PathDraw};

/// Times, positions and velocities of one path or of one draw of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Curve<'a> {
    /// Strictly increasing.
    pub t_s: &'a [f64],
    pub positions: &'a [Point3<f64>],
    pub velocities_m_s: &'a [Vector3<f64>],
}

/// The arrays a [`Curve`] borrows.
#[derive(Debug, Clone)]
pub(super) struct Columns {
    pub t_s: Vec<f64>,
    pub nominal: PathDraw,
    /// Open intervals of time without samples.
    pub gaps: Vec<(f64, f64)>,
    pub step_s: f64,
}

impl Columns {
    pub fn of(path: &MarkerPath) -> Self {
        let t_s: Vec<f64> = path.samples.iter().map(|s| s.t_s).collect();
        let stretches = path.stretches();
        let gaps = stretches.windows(2).map(|w| (t_s[w[0].end - 1], t_s[w[1].start])).collect();
        let mut steps: Vec<f64> = t_s.windows(2).map(|w| w[1] - w[0]).collect();
        steps.sort_by(f64::total_cmp);
        Self {
            step_s: steps.get(steps.len() / 2).copied().unwrap_or(0.0),
            nominal: PathDraw::of(&path.samples),
            gaps,
            t_s,
        }
    }

    pub fn curve(&self) -> Curve<'_> {
        self.draw(&self.nominal)
    }

    pub fn draw<'a>(&'a self, draw: &'a PathDraw) -> Curve<'a> {
        self.draw_within(draw, 0..self.t_s.len())
    }

    /// A draw that is of a range of the samples.
    pub fn draw_within<'a>(&'a self, draw: &'a PathDraw, range: Range<usize>) -> Curve<'a> {
        Curve {
            t_s: &self.t_s[range],
            positions: &draw.positions_in_world,
            velocities_m_s: &draw.velocities_in_world_m_s,
        }
    }

    /// The samples that a curve is made of between two instants: two to each side of them.
    pub fn about(&self, from_s: f64, to_s: f64) -> Range<usize> {
        let from = self.t_s.partition_point(|t| *t <= from_s).saturating_sub(3);
        let to = (self.t_s.partition_point(|t| *t <= to_s) + 3).min(self.t_s.len());
        from.min(to.saturating_sub(2))..to
    }

    /// First gap that touches the interval.
    pub fn gap_in(&self, from_s: f64, to_s: f64) -> Option<(f64, f64)> {
        self.gaps.iter().copied().find(|g| g.0 < to_s && g.1 > from_s)
    }

    /// The whole interval lies in the path and no gap touches it.
    pub fn covers(&self, from_s: f64, to_s: f64) -> bool {
        matches!((self.t_s.first(), self.t_s.last()), (Some(a), Some(b)) if *a <= from_s && to_s <= *b)
            && self.gap_in(from_s, to_s).is_none()
    }

    /// How long from a moment on the path has no gap; `None` where it has one there or does not reach.
    pub fn covered_until(&self, from_s: f64) -> Option<f64> {
        let last_s = *self.t_s.last()?;
        self.covers(from_s, from_s).then(|| self.gap_in(from_s, last_s).map_or(last_s, |gap| gap.0))
    }
}

impl Curve<'_> {
    /// Index of the interval that holds `t_s`; the ends are held.
    fn interval(&self, t_s: f64) -> usize {
        self.t_s.partition_point(|&t| t <= t_s).clamp(1, self.t_s.len() - 1) - 1
    }

    pub fn position(&self, t_s: f64) -> Point3<f64> {
        let i = self.interval(t_s);
        let h = self.t_s[i + 1] - self.t_s[i];
        let w = hermite((t_s - self.t_s[i]) / h);
        let (p0, p1) = (&self.positions[i].coords, &self.positions[i + 1].coords);
        let (v0, v1) = (&self.velocities_m_s[i], &self.velocities_m_s[i + 1]);
        Point3::from(p0 * w[0] + v0 * (w[1] * h) + p1 * w[2] + v1 * (w[3] * h))
    }

    pub fn velocity(&self, t_s: f64) -> Vector3<f64> {
        let i = self.interval(t_s);
        let h = self.t_s[i + 1] - self.t_s[i];
        let w = hermite((t_s - self.t_s[i]) / h);
        let v = self.velocities_m_s;
        v[i] * w[0] + self.slope(i) * (w[1] * h) + v[i + 1] * w[2] + self.slope(i + 1) * (w[3] * h)
    }

    pub fn speed(&self, t_s: f64) -> f64 {
        self.velocity(t_s).norm()
    }

    /// Three-point derivative of the velocity at sample i, second order on uneven steps.
    fn slope(&self, i: usize) -> Vector3<f64> {
        let (t, v) = (self.t_s, self.velocities_m_s);
        if i == 0 {
            return (v[1] - v[0]) / (t[1] - t[0]);
        }
        if i + 1 == t.len() {
            return (v[i] - v[i - 1]) / (t[i] - t[i - 1]);
        }
        let (a, b) = (t[i] - t[i - 1], t[i + 1] - t[i]);
        v[i + 1] * (a / (b * (a + b))) + v[i] * ((b - a) / (a * b)) - v[i - 1] * (b / (a * (a + b)))
    }
}

/// Weights of p0, h v0, p1, h v1 of a cubic Hermite at `u` in 0..1.
fn hermite(u: f64) -> [f64; 4] {
    let (u2, u3) = (u * u, u * u * u);
    [2.0 * u3 - 3.0 * u2 + 1.0, u3 - 2.0 * u2 + u, 3.0 * u2 - 2.0 * u3, u3 - u2]
}

/// Where `f` changes sign between `a` and `b` (Illinois variant of regula falsi). The caller has seen the change.
pub(super) fn crossing(f: impl Fn(f64) -> f64, mut a: f64, mut b: f64) -> f64 {
    let (mut fa, mut fb) = (f(a), f(b));
    if fa == 0.0 {
        return a;
    }
    let mut side = 0;
    for _ in 0..60 {
        if (b - a).abs() < 1e-10 || fb == 0.0 {
            break;
        }
        let c = (fa * b - fb * a) / (fa - fb);
        let fc = f(c);
        if fc == 0.0 {
            return c;
        }
        if (fc > 0.0) == (fb > 0.0) {
            (b, fb) = (c, fc);
            if side == -1 {
                fa /= 2.0;
            }
            side = -1;
        } else {
            (a, fa) = (c, fc);
            if side == 1 {
                fb /= 2.0;
            }
            side = 1;
        }
        if fc.abs() < 1e-12 {
            return c;
        }
    }
    if fb == 0.0 { b } else { (fa * b - fb * a) / (fa - fb) }
}

/// Time and value of the largest `f` in a..b: scanned in steps, then golden section around the best step.
pub(super) fn largest(f: impl Fn(f64) -> f64, a: f64, b: f64, step: f64) -> (f64, f64) {
    let n = ((b - a) / step).ceil().max(1.0) as usize;
    let at = |i: usize| a + (b - a) * i as f64 / n as f64;
    let (mut best, mut best_value) = (0, f64::NEG_INFINITY);
    for i in 0..=n {
        let value = f(at(i));
        if value > best_value {
            (best, best_value) = (i, value);
        }
    }
    let ratio = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut lo, mut hi) = (at(best.saturating_sub(1)), at((best + 1).min(n)));
    let (mut x1, mut x2) = (hi - ratio * (hi - lo), lo + ratio * (hi - lo));
    let (mut f1, mut f2) = (f(x1), f(x2));
    // 40 steps bring a second below 1e-7; far from zero a double has no room for that, and the bracket stays as it is
    for _ in 0..100 {
        if !(hi - lo > 1e-7) {
            break;
        }
        if f1 >= f2 {
            (hi, x2, f2) = (x2, x1, f1);
            x1 = hi - ratio * (hi - lo);
            f1 = f(x1);
        } else {
            (lo, x1, f1) = (x1, x2, f2);
            x2 = lo + ratio * (hi - lo);
            f2 = f(x2);
        }
    }
    let t = (lo + hi) / 2.0;
    let value = f(t);
    if value >= best_value { (t, value) } else { (at(best), best_value) }
}
