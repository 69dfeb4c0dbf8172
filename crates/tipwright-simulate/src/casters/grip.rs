//! A grip motion made of strokes.
//!
//! The butt turns in a plane that may be yawed and canted; the hand travels along and may sink in the middle of the
//! stroke, which is what keeps a stiff rod's tip from drawing a dome. Turning speed rises as a power of time, falls
//! over a short stop (Ekander, Perkins & Richards 2025: 0.39 s and 0.11 s), and may have an early punch on top.

use nalgebra::{Point3, Vector3};

use tipwright_physics::GripMotion;
use tipwright_physics::motion::GripPose;

/// One stroke of the grip.
#[derive(Debug, Clone, PartialEq)]
pub struct GripStroke {
    /// Turning starts.
    pub start_s: f64,
    /// Turning speeds up for so long.
    pub accelerate_s: f64,
    /// And slows down for so long.
    pub decelerate_s: f64,
    /// Tilt of the butt from the vertical toward the target at its start, radians.
    pub from_rad: f64,
    /// At its end.
    pub to_rad: f64,
    /// Hand along the cast at the start, metres.
    pub hand_from_m: f64,
    /// At the end.
    pub hand_to_m: f64,
    /// Turning speed rises as time to this power.
    pub power: f64,
    /// Share of the arc given by an early punch.
    pub punch: f64,
    /// Middle of the punch, fraction of `accelerate_s`.
    pub punch_at: f64,
    /// Its length, fraction of `accelerate_s`.
    pub punch_width: f64,
    /// How far the hand sinks in the course of the stroke and rises again.
    pub hand_drop_m: f64,
    /// When it is lowest, fraction of the stroke's time; 0.5 is the middle.
    pub drop_at: f64,
    /// How far the hand rises from the stroke's start to its end; it sinks back in the pause.
    pub rise_m: f64,
    /// Sideways bow of the hand in the middle of the stroke, to the caster's right.
    pub side_bow_m: f64,
    /// Yaw of the plane at the stroke's end, radians to the left.
    pub yaw_rad: f64,
    /// Pulled in by the line hand during the stroke, given back in the pause.
    pub haul_m: f64,
    /// The butt goes on by so much after the stop, radians, over the first 0.3 s of the pause.
    pub drift_rad: f64,
}

impl GripStroke {
    /// End of the turning.
    #[must_use]
    pub fn end_s(&self) -> f64 {
        self.start_s + self.accelerate_s + self.decelerate_s
    }

    /// Part of the arc covered at `t_s`, 0 to 1.
    fn turned(&self, t_s: f64) -> f64 {
        let (a, d, p) = (self.accelerate_s, self.decelerate_s, self.power);
        let t = (t_s - self.start_s).clamp(0.0, a + d);
        // speed t^p / a^p, then cos^2 of a quarter turn: areas a/(p+1) and d/2
        let area = a / (p + 1.0) + 0.5 * d;
        let swept = if t < a {
            a / (p + 1.0) * (t / a).powf(p + 1.0)
        } else {
            let u = (t - a) / d;
            a / (p + 1.0) + d * (0.5 * u + (std::f64::consts::PI * u).sin() / std::f64::consts::TAU)
        };
        let u = ((t / a - self.punch_at) / self.punch_width + 0.5).clamp(0.0, 1.0);
        (1.0 - self.punch) * swept / area + self.punch * smooth(u)
    }
}

/// From 0 to 1 with rest at both ends, third derivative continuous inside: the minimum-jerk course.
#[must_use]
pub fn smooth(u: f64) -> f64 {
    let u = u.clamp(0.0, 1.0);
    u * u * u * (10.0 + u * (6.0 * u - 15.0))
}

/// Up and down once between 0 and 1 with the top at `at`; rest at both ends.
fn hump(u: f64, at: f64) -> f64 {
    if u <= 0.0 || u >= 1.0 {
        0.0
    } else if u < at {
        smooth(u / at)
    } else {
        smooth((1.0 - u) / (1.0 - at))
    }
}

/// A whole take of the hands: rest, lift, strokes, laying down, rest.
#[derive(Debug, Clone, PartialEq)]
pub struct CastingGrip {
    /// Where the butt cap is between strokes: middle of its travel, height.
    pub hand_in_world: Point3<f64>,
    /// Lean of the rod's plane to the caster's right, radians.
    pub cant_rad: f64,
    /// Tilt at rest before the first stroke, and after the last.
    pub rest_rad: f64,
    /// The lift before the first stroke starts here.
    pub lift_s: f64,
    /// In order of time.
    pub strokes: Vec<GripStroke>,
    /// Time taken to lower the rod after the last stroke.
    pub lower_over_s: f64,
    /// Pause before the rod is lowered.
    pub lower_after_s: f64,
    /// A shake of the hand: amplitude, metres, of three slow waves along each axis.
    pub sway_m: f64,
    /// Phases of those waves.
    pub sway_phase: [f64; 9],
}

impl CastingGrip {
    /// When everything has been done, a second of rest included.
    #[must_use]
    pub fn end_s(&self) -> f64 {
        self.strokes.last().map_or(0.0, GripStroke::end_s) + self.lower_after_s + self.lower_over_s + 1.0
    }

    /// Tilt, place along the cast, drop, side, yaw.
    fn course(&self, t_s: f64) -> [f64; 5] {
        let Some(first) = self.strokes.first() else { return [self.rest_rad, 0.0, 0.0, 0.0, 0.0] };
        let low = |s: &GripStroke| 0.5 * s.rise_m;
        if t_s < first.start_s {
            // the lift runs into the stroke: its end is the stroke's start
            let u = smooth((t_s - self.lift_s) / (first.start_s - self.lift_s));
            return [
                self.rest_rad + u * (first.from_rad - self.rest_rad),
                first.hand_from_m,
                u * low(first),
                0.0,
                u * first.yaw_rad,
            ];
        }
        let k = self.strokes.partition_point(|s| s.start_s <= t_s) - 1;
        let s = &self.strokes[k];
        let length_s = s.accelerate_s + s.decelerate_s;
        let u = (t_s - s.start_s) / length_s;
        if u < 1.0 {
            let yaw_before = if k == 0 { s.yaw_rad } else { self.strokes[k - 1].yaw_rad };
            // the hand leads the turn: it is there when the turn is fastest
            let hand = smooth((t_s - s.start_s) / (s.accelerate_s + 0.5 * s.decelerate_s));
            return [
                s.from_rad + s.turned(t_s) * (s.to_rad - s.from_rad),
                s.hand_from_m + hand * (s.hand_to_m - s.hand_from_m),
                s.hand_drop_m * hump(u, s.drop_at) + low(s) * (1.0 - 2.0 * hand),
                s.side_bow_m * hump(u, 0.5),
                yaw_before + smooth(u) * (s.yaw_rad - yaw_before),
            ];
        }
        let since = t_s - s.end_s();
        if let Some(next) = self.strokes.get(k + 1) {
            let pause = next.start_s - s.end_s();
            let drifted_rad = s.to_rad + s.drift_rad * smooth(since / 0.3_f64.min(pause));
            // what is left to the next stroke's start (creep) is done in the second half of the pause
            let u = smooth(2.0 * since / pause - 1.0);
            [
                drifted_rad + u * (next.from_rad - s.to_rad - s.drift_rad),
                s.hand_to_m + u * (next.hand_from_m - s.hand_to_m),
                u * low(next) - (1.0 - u) * low(s),
                0.0,
                s.yaw_rad,
            ]
        } else {
            let u = smooth((since - self.lower_after_s) / self.lower_over_s);
            let stopped_rad = s.to_rad + s.drift_rad * smooth(since / 0.3);
            [
                stopped_rad + u * (self.rest_rad - s.to_rad - s.drift_rad),
                s.hand_to_m,
                -(1.0 - u) * low(s),
                0.0,
                s.yaw_rad,
            ]
        }
    }
}

impl GripMotion for CastingGrip {
    fn grip_at(&self, t_s: f64) -> GripPose {
        let [tilt, along, drop, side, yaw] = self.course(t_s);
        let forward = Vector3::new(yaw.cos(), yaw.sin(), 0.0);
        let right = Vector3::new(yaw.sin(), -yaw.cos(), 0.0);
        let up = self.cant_rad.cos() * Vector3::z() + self.cant_rad.sin() * right;
        let sway = |axis: usize| {
            (0..3)
                .map(|k| {
                    let hz = [0.31, 0.53, 0.89][k] * (1.0 + 0.07 * axis as f64);
                    ((std::f64::consts::TAU * hz * t_s + self.sway_phase[3 * axis + k]).sin())
                        / (k + 1) as f64
                })
                .sum::<f64>()
                * self.sway_m
        };
        let butt_in_world = self.hand_in_world + along * forward - drop * Vector3::z()
            + side * right
            + Vector3::new(sway(0), sway(1), sway(2));
        GripPose { butt_in_world, butt_axis_in_world: (tilt.sin() * forward + tilt.cos() * up).normalize() }
    }

    fn haul_m(&self, t_s: f64) -> f64 {
        let mut out = 0.0;
        for (k, s) in self.strokes.iter().enumerate() {
            if s.haul_m == 0.0 || t_s <= s.start_s {
                continue;
            }
            // pulled late in the stroke, given back over the first half of the pause
            let pull =
                smooth((t_s - s.start_s - 0.4 * s.accelerate_s) / (0.6 * s.accelerate_s + s.decelerate_s));
            let pause = self.strokes.get(k + 1).map_or(0.8, |next| next.start_s - s.end_s());
            let give = smooth((t_s - s.end_s()) / (0.6 * pause));
            out += s.haul_m * (pull - give);
        }
        out
    }
}
