//! What a rod and a line did over time: the seam between the physics, which makes it, and the pictures and the truth
//! files, which read it.
//!
//! World frame in metres, +Z up; time in seconds of the take. Frames are evenly spaced. Between frames positions are
//! cubic Hermite in time: with the tip's own velocity for the tip, with central differences for the other nodes
//! (at 0.5 ms the error on a 50 Hz wobble of 1 mm is below a nanometre). Times outside the motion are held at its ends.

use nalgebra::{Point3, Vector3};

/// The rod and the line at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct RodState {
    /// Time in the take.
    pub t_s: f64,
    /// Butt cap.
    pub butt_in_world: Point3<f64>,
    /// Unit vector along the grip, from the butt cap toward the tip.
    pub butt_axis_in_world: Vector3<f64>,
    /// Rod nodes, butt cap to tip-top, at the rest lengths [`RodMotion::rod_at_m`].
    pub rod_in_world: Vec<Point3<f64>>,
    /// Velocity of the tip-top.
    pub tip_velocity_in_world_m_s: Vector3<f64>,
    /// Line nodes, tip-top outward to the fly, at the rest lengths [`RodMotion::line_at_m`]; empty without a line.
    pub line_in_world: Vec<Point3<f64>>,
}

impl RodState {
    /// The tip-top.
    #[must_use]
    pub fn tip_in_world(&self) -> Point3<f64> {
        self.rod_in_world.last().copied().unwrap_or(self.butt_in_world)
    }
}

impl RodState {
    /// A share of the smooth way to another state, which takes `lasts_s`.
    fn toward(&self, other: &Self, share: f64, lasts_s: f64) -> Self {
        let u = share.clamp(0.0, 1.0);
        let (w, slope) = (u * u * (3.0 - 2.0 * u), 6.0 * u * (1.0 - u) / lasts_s);
        let point = |a: &Point3<f64>, b: &Point3<f64>| a + (b - a) * w;
        let points =
            |a: &[Point3<f64>], b: &[Point3<f64>]| a.iter().zip(b).map(|(a, b)| point(a, b)).collect();
        let axis = self.butt_axis_in_world.lerp(&other.butt_axis_in_world, w);
        Self {
            t_s: self.t_s,
            butt_in_world: point(&self.butt_in_world, &other.butt_in_world),
            butt_axis_in_world: axis.try_normalize(1e-9).unwrap_or(self.butt_axis_in_world),
            rod_in_world: points(&self.rod_in_world, &other.rod_in_world),
            tip_velocity_in_world_m_s: (other.tip_in_world() - self.tip_in_world()) * slope,
            line_in_world: points(&self.line_in_world, &other.line_in_world),
        }
    }
}

/// A whole motion. Never empty when made by this crate.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RodMotion {
    /// Between frames.
    pub dt_s: f64,
    /// Distance of each rod node from the butt cap along the unstrained rod, rising from 0 to the rod's length.
    pub rod_at_m: Vec<f64>,
    /// Distance of each line node from the tip-top along the unstrained line, rising from 0.
    pub line_at_m: Vec<f64>,
    /// In order of time, `dt_s` apart.
    pub frames: Vec<RodState>,
}

/// Where the butt is: what a hand does to a rod.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GripPose {
    /// Butt cap.
    pub butt_in_world: Point3<f64>,
    /// Unit vector along the grip, from the butt cap toward the tip.
    pub butt_axis_in_world: Vector3<f64>,
}

/// Hermite weights of (p0, m0, p1, m1) at fraction `u`, tangents per step.
fn hermite(u: f64) -> [f64; 4] {
    let (u2, u3) = (u * u, u * u * u);
    [2.0 * u3 - 3.0 * u2 + 1.0, u3 - 2.0 * u2 + u, 3.0 * u2 - 2.0 * u3, u3 - u2]
}

/// Derivatives of [`hermite`] with respect to `u`.
fn hermite_slope(u: f64) -> [f64; 4] {
    let u2 = u * u;
    [6.0 * u2 - 6.0 * u, 3.0 * u2 - 4.0 * u + 1.0, 6.0 * u - 6.0 * u2, 3.0 * u2 - 2.0 * u]
}

impl RodMotion {
    /// A stiff rod moved by `grip_at`: no bend, no line. For tests and for pictures that need no mechanics.
    #[must_use]
    pub fn rigid(
        rod_length_m: f64,
        dt_s: f64,
        duration_s: f64,
        mut grip_at: impl FnMut(f64) -> GripPose,
    ) -> Self {
        let rod_at_m: Vec<f64> = (0..=12).map(|i| rod_length_m * f64::from(i) / 12.0).collect();
        let steps = (duration_s / dt_s).round().max(1.0) as usize;
        let mut tip_at = |t_s: f64| {
            let g = grip_at(t_s);
            (g, g.butt_in_world + rod_length_m * g.butt_axis_in_world)
        };
        let frames = (0..=steps)
            .map(|i| {
                let t_s = i as f64 * dt_s;
                let (g, _) = tip_at(t_s);
                let (_, before) = tip_at(t_s - 1e-5);
                let (_, after) = tip_at(t_s + 1e-5);
                RodState {
                    t_s,
                    butt_in_world: g.butt_in_world,
                    butt_axis_in_world: g.butt_axis_in_world,
                    rod_in_world: rod_at_m
                        .iter()
                        .map(|s| g.butt_in_world + g.butt_axis_in_world * *s)
                        .collect(),
                    tip_velocity_in_world_m_s: (after - before) / 2e-5,
                    line_in_world: Vec::new(),
                }
            })
            .collect();
        Self { dt_s, rod_at_m, line_at_m: Vec::new(), frames }
    }

    /// Motions of one rod one after the other, each from a time on; between them all goes smoothly from where it was left to where the next
    /// begins, for pictures: a rod that is handed over is not bent by that.
    ///
    /// # Panics
    /// There is none.
    #[must_use]
    pub fn joined(parts: &[(f64, &Self)], dt_s: f64, end_s: f64) -> Self {
        let state_at = |t_s: f64| {
            let next = parts.partition_point(|(begin_s, _)| *begin_s <= t_s);
            let (begin_s, now) = parts[next.saturating_sub(1)];
            let own_s = now.start_s() + t_s - begin_s;
            let state = now.state_at(own_s.clamp(now.start_s(), now.end_s()));
            let over_s = own_s - now.end_s();
            match parts.get(next).filter(|_| next > 0 && over_s > 0.0) {
                None => state,
                Some((next_s, after)) => {
                    let gap_s = next_s - begin_s - (now.end_s() - now.start_s());
                    state.toward(&after.state_at(after.start_s()), over_s / gap_s, gap_s)
                }
            }
        };
        let steps = (end_s / dt_s).ceil().max(1.0) as usize;
        let frames =
            (0..=steps).map(|i| i as f64 * dt_s).map(|t_s| RodState { t_s, ..state_at(t_s) }).collect();
        let first = parts[0].1;
        Self { dt_s, rod_at_m: first.rod_at_m.clone(), line_at_m: first.line_at_m.clone(), frames }
    }

    /// Everything at one time.
    fn state_at(&self, t_s: f64) -> RodState {
        let grip = self.grip_at(t_s);
        RodState {
            t_s,
            butt_in_world: grip.butt_in_world,
            butt_axis_in_world: grip.butt_axis_in_world,
            rod_in_world: self.rod_nodes_at(t_s),
            tip_velocity_in_world_m_s: self.tip_velocity_at(t_s),
            line_in_world: self.line_nodes_at(t_s),
        }
    }

    /// Time of the first frame.
    #[must_use]
    pub fn start_s(&self) -> f64 {
        self.frames.first().map_or(0.0, |f| f.t_s)
    }

    /// Time of the last frame.
    #[must_use]
    pub fn end_s(&self) -> f64 {
        self.frames.last().map_or(0.0, |f| f.t_s)
    }

    /// Length of the rod, butt cap to tip-top.
    #[must_use]
    pub fn rod_length_m(&self) -> f64 {
        self.rod_at_m.last().copied().unwrap_or(0.0)
    }

    /// Frame before `t_s` and the fraction of the step to the next one.
    fn locate(&self, t_s: f64) -> (usize, f64) {
        let last = self.frames.len().saturating_sub(1);
        if last == 0 || self.dt_s <= 0.0 {
            return (0, 0.0);
        }
        let x = ((t_s - self.start_s()) / self.dt_s).clamp(0.0, last as f64);
        let i = (x.floor() as usize).min(last - 1);
        (i, x - i as f64)
    }

    /// A node between frames, its tangents by central differences.
    fn between(&self, t_s: f64, node: impl Fn(&RodState) -> Point3<f64>) -> Point3<f64> {
        let (i, u) = self.locate(t_s);
        let last = self.frames.len() - 1;
        let p0 = node(&self.frames[i]);
        if last == 0 {
            return p0;
        }
        let p1 = node(&self.frames[i + 1]);
        let m0 = if i == 0 { p1 - p0 } else { (p1 - node(&self.frames[i - 1])) / 2.0 };
        let m1 = if i + 1 == last { p1 - p0 } else { (node(&self.frames[i + 2]) - p0) / 2.0 };
        let [a, b, c, d] = hermite(u);
        Point3::from(a * p0.coords + b * m0 + c * p1.coords + d * m1)
    }

    /// The tip-top.
    ///
    /// ```
    /// use nalgebra::{Point3, Vector3};
    /// use tipwright_physics::motion::{GripPose, RodMotion};
    /// // a stiff rod of 2.743 m turning at 6 rad/s: the tip travels at 16.46 m/s
    /// let motion = RodMotion::rigid(2.743, 0.0005, 0.2, |t| GripPose {
    ///     butt_in_world: Point3::origin(),
    ///     butt_axis_in_world: Vector3::new((6.0 * t).sin(), 0.0, (6.0 * t).cos()),
    /// });
    /// assert!((motion.tip_velocity_at(0.1003).norm() - 16.458).abs() < 1e-3);
    /// assert!((motion.tip_at(0.1003).coords.norm() - 2.743).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn tip_at(&self, t_s: f64) -> Point3<f64> {
        let (i, u) = self.locate(t_s);
        let f0 = &self.frames[i];
        let Some(f1) = self.frames.get(i + 1) else { return f0.tip_in_world() };
        let [a, b, c, d] = hermite(u);
        Point3::from(
            a * f0.tip_in_world().coords
                + b * self.dt_s * f0.tip_velocity_in_world_m_s
                + c * f1.tip_in_world().coords
                + d * self.dt_s * f1.tip_velocity_in_world_m_s,
        )
    }

    /// Velocity of the tip-top: the derivative of [`Self::tip_at`].
    #[must_use]
    pub fn tip_velocity_at(&self, t_s: f64) -> Vector3<f64> {
        let (i, u) = self.locate(t_s);
        let f0 = &self.frames[i];
        let Some(f1) = self.frames.get(i + 1) else { return f0.tip_velocity_in_world_m_s };
        let [a, b, c, d] = hermite_slope(u);
        (a * f0.tip_in_world().coords + c * f1.tip_in_world().coords) / self.dt_s
            + b * f0.tip_velocity_in_world_m_s
            + d * f1.tip_velocity_in_world_m_s
    }

    /// The point `at_m` from the butt cap along the rod: cubic through the four nearest nodes.
    #[must_use]
    pub fn rod_point_at(&self, t_s: f64, at_m: f64) -> Point3<f64> {
        let (start, weights) = cubic_weights(&self.rod_at_m, at_m);
        self.between(t_s, |f| blend(&f.rod_in_world, start, &weights))
    }

    /// The point `at_m` from the tip-top along the line; `None` without a line.
    #[must_use]
    pub fn line_point_at(&self, t_s: f64, at_m: f64) -> Option<Point3<f64>> {
        if self.line_at_m.is_empty() {
            return None;
        }
        let (start, weights) = cubic_weights(&self.line_at_m, at_m);
        Some(self.between(t_s, |f| blend(&f.line_in_world, start, &weights)))
    }

    /// All rod nodes.
    #[must_use]
    pub fn rod_nodes_at(&self, t_s: f64) -> Vec<Point3<f64>> {
        (0..self.rod_at_m.len()).map(|k| self.between(t_s, |f| f.rod_in_world[k])).collect()
    }

    /// All line nodes, tip-top first; empty without a line.
    #[must_use]
    pub fn line_nodes_at(&self, t_s: f64) -> Vec<Point3<f64>> {
        (0..self.line_at_m.len()).map(|k| self.between(t_s, |f| f.line_in_world[k])).collect()
    }

    /// The grip.
    #[must_use]
    pub fn grip_at(&self, t_s: f64) -> GripPose {
        let butt_in_world = self.between(t_s, |f| f.butt_in_world);
        let axis = self.between(t_s, |f| Point3::from(f.butt_axis_in_world));
        GripPose { butt_in_world, butt_axis_in_world: axis.coords.normalize() }
    }
}

/// Lagrange weights of up to four nodes around `at_m`, and the first of them. Beyond the ends: held at the end.
fn cubic_weights(at: &[f64], at_m: f64) -> (usize, Vec<f64>) {
    let n = at.len();
    if n < 2 {
        return (0, vec![1.0; n.min(1)]);
    }
    let x = at_m.clamp(at[0], at[n - 1]);
    let seg = at.partition_point(|a| *a <= x).clamp(1, n - 1) - 1;
    let count = n.min(4);
    let start = seg.saturating_sub(1).min(n - count);
    let nodes = &at[start..start + count];
    let weights = (0..count)
        .map(|i| {
            (0..count).filter(|j| *j != i).map(|j| (x - nodes[j]) / (nodes[i] - nodes[j])).product::<f64>()
        })
        .collect();
    (start, weights)
}

fn blend(points: &[Point3<f64>], start: usize, weights: &[f64]) -> Point3<f64> {
    Point3::from(points[start..].iter().zip(weights).map(|(p, w)| p.coords * *w).sum::<Vector3<f64>>())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn swing() -> RodMotion {
        RodMotion::rigid(2.743, 0.0005, 0.5, |t| GripPose {
            butt_in_world: Point3::new(0.4 * t, 0.0, 1.2),
            butt_axis_in_world: Vector3::new((5.0 * t - 1.0).sin(), 0.0, (5.0 * t - 1.0).cos()),
        })
    }

    #[test]
    fn between_frames_positions_and_velocity_follow_the_circle() {
        let m = swing();
        for k in 0..200 {
            let t = 0.001_37 + 0.0024 * f64::from(k);
            let a = 5.0 * t - 1.0;
            let axis = Vector3::new(a.sin(), 0.0, a.cos());
            let butt = Point3::new(0.4 * t, 0.0, 1.2);
            assert!((m.tip_at(t) - (butt + 2.743 * axis)).norm() < 1e-10);
            assert!((m.rod_point_at(t, 0.4) - (butt + 0.4 * axis)).norm() < 1e-7);
            let v = Vector3::new(0.4, 0.0, 0.0) + 2.743 * 5.0 * Vector3::new(a.cos(), 0.0, -a.sin());
            assert!((m.tip_velocity_at(t) - v).norm() < 1e-6);
            assert!((m.grip_at(t).butt_axis_in_world - axis).norm() < 1e-7);
        }
    }

    #[test]
    fn joined_motions_are_themselves_and_go_over_without_a_jump() {
        let (m, other) = (swing(), swing());
        let joined = RodMotion::joined(&[(1.0, &m), (3.0, &other)], 0.002, 4.0);
        for k in 0..200 {
            let t = 0.002_4 * f64::from(k);
            for begin_s in [1.0, 3.0] {
                // cubic between 2 ms: (5 / s)^4 of 3 m over 384 steps to the fourth
                assert!((joined.tip_at(begin_s + t) - m.tip_at(t)).norm() < 1e-6, "{t}");
            }
        }
        assert!((joined.tip_at(0.3) - m.tip_at(0.0)).norm() < 1e-9);
        let steps = (0..1000).map(|i| 1.5 + 0.0015 * f64::from(i));
        // 1.5 times the mean speed at the most, and what the swing itself does at its end
        let fastest = steps.map(|t| (joined.tip_at(t + 0.001) - joined.tip_at(t)).norm() / 0.001);
        let way_m = (m.tip_at(0.5) - m.tip_at(0.0)).norm();
        assert!(fastest.skip(20).take(960).fold(0.0, f64::max) < 1.02 * 1.5 * way_m / 1.5);
    }

    #[test]
    fn outside_the_motion_the_ends_are_held() {
        let m = swing();
        assert_eq!(m.tip_at(-1.0), m.frames[0].tip_in_world());
        assert!((m.tip_at(9.0) - m.frames[m.frames.len() - 1].tip_in_world()).norm() < 1e-12);
        assert!(m.line_point_at(0.1, 1.0).is_none());
    }

    #[test]
    fn cubic_weights_reproduce_a_cubic_on_uneven_nodes() {
        let at = [0.0, 0.25, 0.4, 0.7, 1.0, 1.6];
        for x in [0.0, 0.1, 0.33, 0.69, 0.7, 1.2, 1.6] {
            let (start, w) = cubic_weights(&at, x);
            let f = |s: f64| 1.0 + s - 2.0 * s * s + 0.7 * s * s * s;
            let got: f64 = w.iter().zip(&at[start..]).map(|(w, s)| w * f(*s)).sum();
            assert!((got - f(x)).abs() < 1e-12);
        }
    }
}
