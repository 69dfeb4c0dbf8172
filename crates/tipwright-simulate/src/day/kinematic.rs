//! Casts without mechanics: a tip path drawn by hand and a rod bent to fit it. Quick and exactly known, for tests of
//! the pictures; accuracy claims rest on the mechanics instead.

use nalgebra::{Point3, Vector3};

use crate::motion::{RodMotion, RodState};
use crate::phone::noise::between;

/// One hand-drawn stroke.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrawnStroke {
    /// Toward +X?
    pub forward: bool,
    /// Start of power.
    pub start_s: f64,
    /// Power phase.
    pub power_s: f64,
    /// From peak speed to rest.
    pub stop_s: f64,
    /// Height of the dome over the chord, metres.
    pub dome_m: f64,
    /// Depth of a dip, metres; 0 for none.
    pub dip_m: f64,
    /// Where on the chord the dip is.
    pub dip_at: f64,
    /// Sideways bow, metres.
    pub bow_m: f64,
}

/// A drawn take.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawn {
    /// Strokes in order.
    pub strokes: Vec<DrawnStroke>,
    /// Rod length.
    pub rod_length_m: f64,
    /// Back and front end of the strokes.
    pub ends_in_world: [Point3<f64>; 2],
    /// Butt angle from the vertical at the back end and at the front end, toward +X, radians.
    pub butt_rad: [f64; 2],
    /// Advance of the tip toward the next stroke while waiting, metres.
    pub creep_m: f64,
}

impl Drawn {
    /// A take of `count` strokes beginning with a back cast at `start_s`, varied a little by `rng`.
    #[must_use]
    pub fn casual(count: usize, start_s: f64, dip_m: f64, rng: &mut impl rand::Rng) -> Self {
        let mut at_s = start_s;
        let strokes = (0..count)
            .map(|k| {
                let power_s = between(rng, 0.32, 0.40);
                let stop_s = between(rng, 0.10, 0.13);
                let stroke = DrawnStroke {
                    forward: k % 2 == 1,
                    start_s: at_s,
                    power_s,
                    stop_s,
                    dome_m: between(rng, 0.02, 0.12),
                    dip_m: dip_m * between(rng, 0.7, 1.3),
                    dip_at: between(rng, 0.35, 0.65),
                    bow_m: between(rng, -0.04, 0.04),
                };
                at_s += power_s + stop_s + between(rng, 0.55, 0.75);
                stroke
            })
            .collect();
        Self {
            strokes,
            rod_length_m: 2.743,
            ends_in_world: [
                Point3::new(-1.55, between(rng, -0.1, 0.1), between(rng, 3.45, 3.65)),
                Point3::new(1.75, between(rng, -0.1, 0.1), between(rng, 3.40, 3.60)),
            ],
            butt_rad: [-0.52, 0.60],
            creep_m: 0.0,
        }
    }

    /// Tip, and progress from the back end (0) to the front end (1), at a time.
    fn tip_at(&self, t_s: f64) -> (Point3<f64>, f64) {
        let [back, front] = self.ends_in_world;
        let chord = front - back;
        let up = Vector3::z();
        let side = up.cross(&chord).normalize();
        let Some(first) = self.strokes.first() else { return (back, 0.0) };
        let rest = |x: f64| (back + chord * x, x);
        if t_s <= first.start_s {
            return rest(if first.forward { 0.0 } else { 1.0 });
        }
        let idx = self.strokes.partition_point(|s| s.start_s <= t_s) - 1;
        let stroke = &self.strokes[idx];
        let sign = if stroke.forward { 1.0 } else { -1.0 };
        let creep = self.creep_m / chord.norm();
        let (from, to) = {
            let start = if stroke.forward { 0.0 } else { 1.0 };
            let crept = if idx > 0 { sign * creep } else { 0.0 };
            (start + crept, 1.0 - start)
        };
        let tau = t_s - stroke.start_s;
        let duration = stroke.power_s + stroke.stop_s;
        if tau < duration {
            let done = travelled(tau, stroke.power_s, stroke.stop_s);
            let x = from + (to - from) * done;
            let bell = 4.0 * done * (1.0 - done);
            let window = bell.min(1.0) * (2.0 - bell.min(1.0));
            let dip = stroke.dip_m * (-((done - stroke.dip_at) / 0.10).powi(2)).exp() * window;
            let tip = back + chord * x + up * (stroke.dome_m * bell - dip) + side * (stroke.bow_m * bell);
            return (tip, x);
        }
        let after = tau - duration;
        let next_s = self.strokes.get(idx + 1).map_or(f64::INFINITY, |s| s.start_s);
        let calm = ((next_s - t_s) / 0.2).clamp(0.0, 1.0);
        let calm = calm * calm * (3.0 - 2.0 * calm);
        let flex = 0.16
            * (1.0 - (-(after / 0.06).powi(2)).exp())
            * (-after / 0.16).exp()
            * (std::f64::consts::TAU * 1.7 * after + 0.5).sin()
            * calm;
        // creep: a slow advance in the last quarter second before the next stroke
        let wait = if next_s.is_finite() { ((t_s - (next_s - 0.3)) / 0.28).clamp(0.0, 1.0) } else { 0.0 };
        let advance = wait * wait * (3.0 - 2.0 * wait) * creep;
        let x = to - sign * advance;
        (
            back + chord * x + chord.normalize() * (sign * flex)
                - up * (0.8 * flex.abs() * flex.signum().max(0.3)),
            x,
        )
    }

    /// The rod that goes with the tip.
    #[must_use]
    pub fn motion(&self, duration_s: f64) -> RodMotion {
        let dt_s = 1e-3;
        let nodes = 16;
        let rod_at_m: Vec<f64> =
            (0..=nodes).map(|i| self.rod_length_m * f64::from(i) / f64::from(nodes)).collect();
        let steps = (duration_s / dt_s).ceil() as usize;
        let start_s = -3.0;
        let count = steps + 6000;
        let tips: Vec<(Point3<f64>, f64)> =
            (0..count + 2).map(|i| self.tip_at(start_s + (i as f64 - 1.0) * dt_s)).collect();
        let velocity = |i: usize| (tips[(i + 2).min(count + 1)].0 - tips[i].0) / (2.0 * dt_s);
        let way = (self.ends_in_world[1] - self.ends_in_world[0]).normalize();
        let mut bend_m = 0.0;
        let mut angle = 0.0;
        let frames = (0..count)
            .map(|i| {
                let t_s = start_s + i as f64 * dt_s;
                let (tip, progress) = tips[i + 1];
                let v = velocity(i);
                let before = velocity(i.saturating_sub(1));
                let pull = (v - before).dot(&way) / dt_s;
                // smoothed: a rod answers within some 30 ms
                let share = dt_s / 0.03;
                bend_m += ((0.45 * (pull * 0.012).tanh()) - bend_m) * share;
                let goal =
                    self.butt_rad[0] + (self.butt_rad[1] - self.butt_rad[0]) * progress.clamp(-0.1, 1.1);
                angle = if i == 0 { goal } else { angle + (goal - angle) * share };
                let axis = way * angle.sin() + Vector3::z() * angle.cos();
                let normal = way * angle.cos() - Vector3::z() * angle.sin();
                let along_m = self.rod_length_m * (1.0 - 0.6 * (bend_m / self.rod_length_m).powi(2));
                let butt = tip - axis * along_m + normal * bend_m;
                let rod = rod_at_m
                    .iter()
                    .map(|at| {
                        let q = at / self.rod_length_m;
                        butt + axis * (along_m * q) - normal * (bend_m * q * q * (3.0 - q) / 2.0)
                    })
                    .collect();
                RodState {
                    t_s,
                    butt_in_world: butt,
                    butt_axis_in_world: axis,
                    rod_in_world: rod,
                    tip_velocity_in_world_m_s: v,
                    line_in_world: Vec::new(),
                }
            })
            .collect();
        RodMotion { dt_s, rod_at_m, line_at_m: Vec::new(), frames }
    }
}

/// Share of the chord travelled: speed rises as sin^2 during power and falls as cos^2 while stopping.
fn travelled(tau_s: f64, power_s: f64, stop_s: f64) -> f64 {
    let total = (power_s + stop_s) / 2.0;
    let sin2 = |u: f64, d: f64| d * (u / 2.0 - (std::f64::consts::PI * u).sin() / std::f64::consts::TAU);
    if tau_s < power_s {
        sin2(tau_s / power_s, power_s) / total
    } else {
        let u = ((tau_s - power_s) / stop_s).min(1.0);
        (power_s / 2.0 + stop_s / 2.0 - sin2(1.0 - u, stop_s)) / total
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phone::noise::stream;

    #[test]
    fn tip_path_is_continuous_and_the_rod_ends_at_it() {
        let drawn = Drawn::casual(4, 1.0, 0.012, &mut stream(3, "drawn"));
        let motion = drawn.motion(5.0);
        for pair in motion.frames.windows(2) {
            let step = pair[1].tip_in_world() - pair[0].tip_in_world();
            assert!(step.norm() < 0.03, "{} s: {}", pair[0].t_s, step.norm());
            assert!((pair[0].tip_in_world() - drawn.tip_at(pair[0].t_s).0).norm() < 1e-9);
        }
    }
}
