//! Casters: grip motions with named habits.
//!
//! A take is a lift off the ground, some false casts and a last cast laid down. Ranges come from published kinematics
//! (Ekander, Perkins & Richards, Sports Engineering 28:2 (2025) and its companion data: a rotation that speeds up for
//! 0.39 s and stops in 0.11 s); what has no source says so. Habits follow the catalogue of faults of casting
//! instructors (Arden; Coteron 2014; Fauvet 2014; Loudon 2016; Moore 2020; FFI Definitions 2025).

use nalgebra::Point3;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use tipwright_physics::motion::RodMotion;
use tipwright_physics::{GripMotion, LineSpec, Outfit, OutfitConfig, PhysicsError};

mod grip;

pub use grip::{CastingGrip, GripStroke, smooth};

/// What a caster is in the habit of doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Habit {
    /// Power rises smoothly to a late peak; crisp stop.
    SmoothLatePower,
    /// A punch early in the stroke: the tip dips by a centimetre or two, then rises.
    EarlyPunch,
    /// Too little arc for the rod's bend: the tip sags over the whole stroke.
    NarrowArc,
    /// The rod creeps forward in the pause and has too little arc left.
    Creep,
    /// A wide arc about a still hand: the tip draws a dome.
    WideArc,
    /// The turn is stopped late and slowly, well past where it should be.
    LateStop,
    /// Back cast and forward cast both aim high: not opposite to each other.
    BrokenOpposite,
    /// The rod bows sideways and the planes of back and forward cast differ.
    TrackingError,
    /// Short, gentle, tight.
    SlowTight,
}

impl Habit {
    /// All of them.
    pub const ALL: [Self; 9] = [
        Self::SmoothLatePower,
        Self::EarlyPunch,
        Self::NarrowArc,
        Self::Creep,
        Self::WideArc,
        Self::LateStop,
        Self::BrokenOpposite,
        Self::TrackingError,
        Self::SlowTight,
    ];

    /// As written in files.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::SmoothLatePower => "smooth-late-power",
            Self::EarlyPunch => "early-punch",
            Self::NarrowArc => "narrow-arc",
            Self::Creep => "creep",
            Self::WideArc => "wide-arc",
            Self::LateStop => "late-stop",
            Self::BrokenOpposite => "broken-opposite",
            Self::TrackingError => "tracking-error",
            Self::SlowTight => "slow-tight",
        }
    }
}

/// A person's cast: the middle of every quantity.
#[derive(Debug, Clone, PartialEq)]
pub struct Manner {
    /// Speeding up. 0.39 s: Ekander, Perkins & Richards 2025.
    pub accelerate_s: f64,
    /// Stopping. 0.11 s: the same.
    pub decelerate_s: f64,
    /// Tilt at the forward end, radians from the vertical.
    pub front_rad: f64,
    /// Tilt at the back end.
    pub back_rad: f64,
    /// Follow-through after the stop, radians, given back before the next stroke.
    pub drift_rad: f64,
    /// Movement toward the next stroke in the pause, radians.
    pub creep_rad: f64,
    /// Travel of the hand. 0.4 to 0.6 m: common practice.
    pub hand_travel_m: f64,
    /// Sink of the hand in the middle of the stroke.
    pub hand_drop_m: f64,
    /// When it is lowest.
    pub drop_at: f64,
    /// Turning speed rises with this power of time.
    pub power: f64,
    /// Share of the arc given by an early punch.
    pub punch: f64,
    /// Middle of the punch, fraction of the speeding up.
    pub punch_at: f64,
    /// Length of the punch, the same.
    pub punch_width: f64,
    /// Sideways bow of the hand.
    pub side_bow_m: f64,
    /// Angle between the planes of back and forward cast.
    pub plane_rad: f64,
    /// Rise of the hand over each stroke: with a large one both casts aim high.
    pub rise_m: f64,
    /// Pause, from the end of one stroke's turn to the start of the next.
    pub pause_s: f64,
    /// Haul.
    pub haul_m: f64,
    /// Scatter from cast to cast, standard deviation of most quantities relative to themselves. 0.04: no source.
    pub scatter: f64,
}

impl Default for Manner {
    fn default() -> Self {
        Self {
            accelerate_s: 0.39,
            decelerate_s: 0.11,
            front_rad: 32_f64.to_radians(),
            back_rad: -24_f64.to_radians(),
            drift_rad: 6_f64.to_radians(),
            creep_rad: 0.0,
            hand_travel_m: 0.5,
            hand_drop_m: 0.0,
            drop_at: 0.5,
            power: 2.0,
            punch: 0.0,
            punch_at: 0.3,
            punch_width: 0.4,
            side_bow_m: 0.0,
            plane_rad: 0.0,
            rise_m: 0.0,
            pause_s: 0.68,
            haul_m: 0.0,
            scatter: 0.04,
        }
    }
}

impl Manner {
    /// The middle of a habit. Angles, shares and lengths were chosen by what they do to the tip (see the tests):
    /// no source gives the grip motion of a fault.
    #[must_use]
    pub fn of(habit: Habit) -> Self {
        let deg = f64::to_radians;
        let base = Self::default();
        match habit {
            Habit::SmoothLatePower => base,
            // strong enough that half of the peak speed is there within the first third of the stroke
            Habit::EarlyPunch => Self {
                front_rad: deg(29.0),
                back_rad: deg(-21.0),
                punch: 0.13,
                punch_at: 0.5,
                punch_width: 0.35,
                ..base
            },
            Habit::NarrowArc => Self {
                front_rad: deg(19.0),
                back_rad: deg(-12.0),
                accelerate_s: 0.32,
                power: 1.3,
                hand_travel_m: 0.55,
                pause_s: 0.72,
                ..base
            },
            // more than the drift gives back: what only takes that back loses no arc and is no creep
            Habit::Creep => Self { creep_rad: deg(14.0), drift_rad: deg(3.0), ..base },
            Habit::WideArc => Self {
                front_rad: deg(48.0),
                back_rad: deg(-38.0),
                hand_travel_m: 0.2,
                accelerate_s: 0.45,
                ..base
            },
            Habit::LateStop => Self {
                front_rad: deg(48.0),
                back_rad: deg(-44.0),
                decelerate_s: 0.26,
                accelerate_s: 0.42,
                ..base
            },
            Habit::BrokenOpposite => Self { rise_m: 0.3, ..base },
            Habit::TrackingError => Self { plane_rad: deg(12.0), side_bow_m: 0.08, ..base },
            Habit::SlowTight => Self {
                front_rad: deg(27.0),
                back_rad: deg(-20.0),
                accelerate_s: 0.46,
                hand_travel_m: 0.55,
                rise_m: -0.05,
                pause_s: 0.72,
                ..base
            },
        }
    }

    /// One person of a habit: faults stronger or weaker, a little quicker or slower. Same seed, same person.
    #[must_use]
    pub fn of_person(habit: Habit, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed_0fca_57e6);
        let mut vary = |x: f64, share: f64| x * (1.0 + share * deviate(&mut rng));
        let m = Self::of(habit);
        Self {
            accelerate_s: vary(m.accelerate_s, 0.04),
            decelerate_s: vary(m.decelerate_s, 0.06),
            front_rad: vary(m.front_rad, 0.06),
            back_rad: vary(m.back_rad, 0.06),
            drift_rad: vary(m.drift_rad, 0.2),
            creep_rad: vary(m.creep_rad, 0.1),
            hand_travel_m: vary(m.hand_travel_m, 0.08),
            power: vary(m.power, 0.06),
            punch: vary(m.punch, 0.2),
            side_bow_m: vary(m.side_bow_m, 0.25),
            plane_rad: vary(m.plane_rad, 0.25),
            rise_m: vary(m.rise_m, 0.2),
            pause_s: vary(m.pause_s, 0.03),
            scatter: vary(m.scatter, 0.2),
            ..m
        }
    }
}

impl Manner {
    /// This manner (0) on its way to another (1): someone who has been taught.
    #[must_use]
    pub fn toward(&self, other: &Self, share: f64) -> Self {
        let mix = |a: f64, b: f64| a + share * (b - a);
        Self {
            accelerate_s: mix(self.accelerate_s, other.accelerate_s),
            decelerate_s: mix(self.decelerate_s, other.decelerate_s),
            front_rad: mix(self.front_rad, other.front_rad),
            back_rad: mix(self.back_rad, other.back_rad),
            drift_rad: mix(self.drift_rad, other.drift_rad),
            creep_rad: mix(self.creep_rad, other.creep_rad),
            hand_travel_m: mix(self.hand_travel_m, other.hand_travel_m),
            hand_drop_m: mix(self.hand_drop_m, other.hand_drop_m),
            drop_at: mix(self.drop_at, other.drop_at),
            power: mix(self.power, other.power),
            punch: mix(self.punch, other.punch),
            punch_at: mix(self.punch_at, other.punch_at),
            punch_width: mix(self.punch_width, other.punch_width),
            side_bow_m: mix(self.side_bow_m, other.side_bow_m),
            plane_rad: mix(self.plane_rad, other.plane_rad),
            rise_m: mix(self.rise_m, other.rise_m),
            pause_s: mix(self.pause_s, other.pause_s),
            haul_m: mix(self.haul_m, other.haul_m),
            scatter: mix(self.scatter, other.scatter),
        }
    }
}

/// A take to be cast.
#[derive(Debug, Clone, PartialEq)]
pub struct TakePlan {
    /// The caster's manner.
    pub manner: Manner,
    /// Strokes, back and forward counted; even, so that the last one lays the line down in front. 8: a take of 12 s.
    pub strokes: u32,
    /// Rest before the lift.
    pub rest_s: f64,
    /// Middle of the hand's travel between strokes, butt cap.
    pub hand_in_world: Point3<f64>,
    /// Lean of the rod's plane to the caster's right.
    pub cant_rad: f64,
}

impl Default for TakePlan {
    fn default() -> Self {
        Self {
            manner: Manner::default(),
            strokes: 8,
            rest_s: 0.8,
            hand_in_world: Point3::new(0.0, 0.0, 1.35),
            cant_rad: 6_f64.to_radians(),
        }
    }
}

/// Normal deviate cut at 2.5 standard deviations, so that no cast is a freak.
fn deviate(rng: &mut ChaCha8Rng) -> f64 {
    loop {
        let (u, v): (f64, f64) = (rng.random(), rng.random());
        let z = (-2.0 * u.max(1e-300).ln()).sqrt() * (std::f64::consts::TAU * v).cos();
        if z.abs() <= 2.5 {
            return z;
        }
    }
}

/// The grip motion of a take; the same for the same seed.
#[must_use]
pub fn grip_of(plan: &TakePlan, seed: u64) -> CastingGrip {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let m = &plan.manner;
    let lift_s = plan.rest_s;
    let mut start_s = lift_s + 0.75;
    let mut strokes: Vec<GripStroke> = Vec::new();
    let mut at_rad = 52_f64.to_radians();
    let mut hand_m = 0.5 * m.hand_travel_m;
    for k in 0..plan.strokes {
        let forward = k % 2 == 1;
        let last = k + 1 == plan.strokes;
        let mut vary = |x: f64| x * (1.0 + m.scatter * deviate(&mut rng));
        let sign = if forward { 1.0 } else { -1.0 };
        let accelerate_s = vary(m.accelerate_s);
        let to_rad = if forward { vary(m.front_rad) } else { vary(m.back_rad) };
        let hand_to_m = sign * 0.5 * vary(m.hand_travel_m);
        let pause_s = vary(m.pause_s);
        let drift_rad = vary(m.drift_rad);
        let stroke = GripStroke {
            start_s,
            accelerate_s,
            decelerate_s: vary(m.decelerate_s),
            from_rad: at_rad,
            to_rad,
            hand_from_m: hand_m,
            hand_to_m,
            power: vary(m.power),
            punch: if k == 0 { 0.0 } else { vary(m.punch) },
            punch_at: m.punch_at,
            punch_width: vary(m.punch_width),
            hand_drop_m: vary(m.hand_drop_m),
            drop_at: m.drop_at,
            rise_m: vary(m.rise_m),
            side_bow_m: sign * vary(m.side_bow_m),
            yaw_rad: 0.5 * sign * vary(m.plane_rad),
            haul_m: if k == 0 { 0.0 } else { vary(m.haul_m) },
            drift_rad: sign * drift_rad,
        };
        // drift goes on the way the stroke went, creep comes back from it
        at_rad = to_rad + sign * (drift_rad - vary(m.creep_rad));
        hand_m = hand_to_m;
        start_s = stroke.end_s() + pause_s;
        strokes.push(stroke);
        if last {
            break;
        }
    }
    let mut sway_phase = [0.0; 9];
    for phase in &mut sway_phase {
        *phase = std::f64::consts::TAU * rng.random::<f64>();
    }
    CastingGrip {
        hand_in_world: plan.hand_in_world,
        cant_rad: plan.cant_rad,
        rest_rad: 82_f64.to_radians(),
        lift_s,
        strokes,
        lower_over_s: 1.0,
        lower_after_s: 0.35,
        sway_m: 0.004,
        sway_phase,
    }
}

/// The outfit of a take: the default rod with 7.5 m of line and a short leader, so that a loop unrolls in about the
/// pause of [`Manner`] (twice its length over the fly leg's speed). The tip marker's mass and drag are felt.
#[must_use]
pub fn take_outfit(tip_marker_diameter_m: f64) -> OutfitConfig {
    let mut outfit = OutfitConfig {
        line: Some(LineSpec { carry_m: 7.5, leader_m: 2.3, ..LineSpec::default() }),
        ..OutfitConfig::default()
    };
    outfit.rod.tip_marker_diameter_m = tip_marker_diameter_m;
    outfit
}

/// Casts a take: what rod and line did, from rest to rest, forward casts toward +X. The same for the same seed.
///
/// # Errors
/// [`PhysicsError::Diverged`].
pub fn cast_take(plan: &TakePlan, outfit: &OutfitConfig, seed: u64) -> Result<RodMotion, PhysicsError> {
    cast_part(plan, outfit, seed, f64::INFINITY)
}

/// The first `until_s` of a take, or all of it when it is shorter.
///
/// # Errors
/// [`PhysicsError::Diverged`].
pub fn cast_part(
    plan: &TakePlan,
    outfit: &OutfitConfig,
    seed: u64,
    until_s: f64,
) -> Result<RodMotion, PhysicsError> {
    let grip = grip_of(plan, seed);
    let mut coupled = Outfit::new(outfit, &grip.grip_at(0.0));
    coupled.follow(&grip, grip.end_s().min(until_s), |_| ())
}

#[cfg(test)]
mod tests;
