//! What there is to be filmed: balls, thin curves, people. Everything is a function of world time.

use nalgebra::{Isometry3, Point3, UnitQuaternion};
use tipwright::cards::Card;

use super::exposure::Light;
use super::shade::Sun;
use super::skin::Skin;
use super::sound::Burst;

/// A function of time.
pub type Over<T> = Box<dyn Fn(f64) -> T + Send + Sync>;

/// A ball whose centre is followed: a marker.
pub struct Ball {
    /// Name in the truth files: tip, butt1, butt2, wand1, wand2, ball.
    pub role: String,
    /// Diameter.
    pub diameter_m: f64,
    /// Colour.
    pub light: Light,
    /// Centre.
    pub at: Over<Point3<f64>>,
    /// How it is turned: world from ball.
    pub turned: Over<UnitQuaternion<f64>>,
}

/// A rod, a line, a wand's stick.
pub struct Curve {
    /// Colour.
    pub light: Light,
    /// Diameter at each node.
    pub diameters_m: Vec<f64>,
    /// Nodes.
    pub nodes_at: Over<Vec<Point3<f64>>>,
    /// The nodes lie on a smooth curve; otherwise they are the corners of a polygon.
    pub is_smooth: bool,
}

/// A limb of a person: thick, rounded, of one colour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BodyPart {
    /// One end.
    pub a: Point3<f64>,
    /// Other end.
    pub b: Point3<f64>,
    /// Radius at `a`.
    pub radius_a_m: f64,
    /// Radius at `b`.
    pub radius_b_m: f64,
    /// Colour.
    pub light: Light,
}

/// Someone who moves.
pub struct Person {
    /// Body parts, farthest first. Empty while out of the picture.
    pub parts_at: Over<Vec<BodyPart>>,
}

/// A printed card that is held up.
pub struct HeldCard {
    /// Which.
    pub card: Card,
    /// World from page: origin in the middle of the coded square, x to the right and y down on the page. `None` while it is down.
    pub page_at: Over<Option<Isometry3<f64>>>,
    /// Light on it; 1 is the sun at the nominal exposure.
    pub light: f64,
    /// A shadow's edge across it: direction and place on the page (metres), and the light left beyond.
    pub shadow: Option<([f64; 2], f64, f64)>,
}

impl HeldCard {
    /// Light at a place of the page.
    #[must_use]
    pub fn light_at(&self, x_m: f64, y_m: f64) -> f64 {
        match self.shadow {
            Some(([dx, dy], at_m, left)) if dx * x_m + dy * y_m > at_m => self.light * left,
            _ => self.light,
        }
    }
}

/// A play.
#[derive(Default)]
pub struct Play {
    /// Sun on the balls; without one they are lit evenly.
    pub sun: Option<Sun>,
    /// Surface of the balls.
    pub skin: Skin,
    /// Parts of people that never move.
    pub still: Vec<BodyPart>,
    /// People who walk about.
    pub people: Vec<Person>,
    /// Arms of the caster: drawn before rod and markers, hides nothing.
    pub arms: Option<Person>,
    /// Curves, in the order drawn.
    pub curves: Vec<Curve>,
    /// Markers.
    pub balls: Vec<Ball>,
    /// Cards held up, before all else.
    pub cards: Vec<HeldCard>,
    /// What can be heard.
    pub bursts: Vec<Burst>,
    /// Flashes on the water per second.
    pub glints_per_s: f64,
}

/// Head, cap, body and legs of someone standing at a place, facing `yaw_rad` from +x toward +y, without arms.
#[must_use]
pub fn standing(at: Point3<f64>, yaw_rad: f64, shirt: Light, cap: Light) -> Vec<BodyPart> {
    let (s, c) = yaw_rad.sin_cos();
    // x forward, y to the left, z up, for someone of 1.78 m
    let p = |x: f64, y: f64, z: f64| Point3::new(at.x + c * x - s * y, at.y + s * x + c * y, at.z + z);
    let limb = |a, b, radius_a_m, radius_b_m, light| BodyPart { a, b, radius_a_m, radius_b_m, light };
    let trousers = Light::new(0.055, 0.060, 0.075);
    let skin = Light::new(0.42, 0.27, 0.19);
    let boots = Light::new(0.03, 0.025, 0.02);
    vec![
        limb(p(0.02, 0.13, 0.07), p(0.14, 0.14, 0.05), 0.06, 0.05, boots),
        limb(p(-0.02, -0.13, 0.07), p(0.10, -0.14, 0.05), 0.06, 0.05, boots),
        limb(p(0.0, 0.10, 0.90), p(0.02, 0.13, 0.10), 0.095, 0.065, trousers),
        limb(p(0.0, -0.10, 0.90), p(-0.02, -0.13, 0.10), 0.095, 0.065, trousers),
        limb(p(0.0, 0.0, 0.98), p(0.0, 0.0, 1.32), 0.165, 0.175, shirt),
        limb(p(0.0, 0.14, 1.38), p(0.0, -0.14, 1.38), 0.085, 0.085, shirt),
        limb(p(0.0, 0.0, 1.42), p(0.01, 0.0, 1.54), 0.055, 0.055, skin),
        limb(p(0.015, 0.0, 1.62), p(0.02, 0.0, 1.68), 0.085, 0.095, skin),
        limb(p(-0.01, 0.0, 1.715), p(0.03, 0.0, 1.725), 0.09, 0.085, cap),
        limb(p(0.08, 0.0, 1.70), p(0.19, 0.0, 1.685), 0.02, 0.015, cap),
    ]
}

/// An arm from a shoulder to a hand: the elbow hangs below the line between them.
#[must_use]
pub fn arm(shoulder: Point3<f64>, hand: Point3<f64>, sleeve: Light) -> Vec<BodyPart> {
    let reach = hand - shoulder;
    let length = reach.norm().max(1e-6);
    // upper arm 0.30 m, forearm 0.33 m (about the 50th percentile adult; from memory)
    let (upper, fore) = (0.30_f64, 0.33_f64);
    let along = ((length * length + upper * upper - fore * fore) / (2.0 * length)).clamp(-upper, upper);
    let sag = (upper * upper - along * along).max(0.0).sqrt();
    let down = nalgebra::Vector3::new(0.0, 0.0, -1.0);
    let across = down - reach * (down.dot(&reach) / (length * length));
    let elbow = shoulder + reach * (along / length) + across.try_normalize(1e-9).unwrap_or(down) * sag;
    let skin = Light::new(0.42, 0.27, 0.19);
    vec![
        BodyPart { a: shoulder, b: elbow, radius_a_m: 0.065, radius_b_m: 0.05, light: sleeve },
        BodyPart { a: elbow, b: hand, radius_a_m: 0.045, radius_b_m: 0.035, light: skin },
        BodyPart { a: hand, b: hand, radius_a_m: 0.045, radius_b_m: 0.045, light: skin },
    ]
}

/// Someone walking along a straight path at `speed_m_s` from `from` toward `to`, starting at `start_s`.
#[must_use]
pub fn walker(
    from: Point3<f64>,
    to: Point3<f64>,
    speed_m_s: f64,
    start_s: f64,
    shirt: Light,
    cap: Light,
) -> Person {
    let way = to - from;
    let length_m = way.norm();
    let yaw_rad = way.y.atan2(way.x);
    Person {
        parts_at: Box::new(move |t_s| {
            let gone_m = (t_s - start_s) * speed_m_s;
            if gone_m < 0.0 || gone_m > length_m {
                return Vec::new();
            }
            let mut at = from + way * (gone_m / length_m);
            // steps of 0.72 m, the body rising 2 cm at mid-step
            let phase = std::f64::consts::PI * gone_m / 0.72;
            at.z += 0.02 * (2.0 * phase).cos();
            let mut parts = standing(at, yaw_rad, shirt, cap);
            let (s, c) = yaw_rad.sin_cos();
            let swing = 0.30 * phase.sin();
            for (part, sign) in [(0, 1.0), (2, 1.0), (1, -1.0), (3, -1.0)] {
                let shift = nalgebra::Vector3::new(c, s, 0.0) * (sign * swing);
                if part < 2 {
                    parts[part].a += shift;
                }
                parts[part].b += shift;
            }
            for side in [1.0, -1.0] {
                let shoulder = at + nalgebra::Vector3::new(-s * 0.19 * side, c * 0.19 * side, 1.38);
                let hand = shoulder
                    + nalgebra::Vector3::new(-c * swing * side * 0.8, -s * swing * side * 0.8, -0.58);
                parts.extend(arm(shoulder, hand, shirt));
            }
            parts
        }),
    }
}
