//! People and things that go with what is filmed: who casts, who holds the wand, who walks by.

use std::sync::Arc;

use nalgebra::{Point3, Vector3};
use tipwright::model::Colour;

use super::place::{HungWand, MIDDLE, TwiceHung, WavedWand};
use crate::phone::exposure::Light;
use crate::phone::noise::between;
use crate::phone::play::{Curve, Person, Play, arm, standing, walker};
use tipwright_day::session::Hand;
use tipwright_physics::motion::RodMotion;
use tipwright_physics::{LineSpec, RodSpec};

/// A pale fly line in daylight.
pub const LINE: Light = Light::new(0.85, 0.80, 0.45);

/// Clear nylon shows a part of what is behind it: the mean of bright rims and a dark middle.
const LEADER: Light = Light::new(0.30, 0.32, 0.33);
const CARBON: Light = Light::new(0.030, 0.034, 0.032);
const CORK: Light = Light::new(0.42, 0.30, 0.18);
const WOOD: Light = Light::new(0.16, 0.11, 0.06);
const WHITE_CAP: Light = Light::new(0.78, 0.78, 0.76);
const DARK_CAP: Light = Light::new(0.04, 0.05, 0.07);
const SHIRTS: [Light; 4] = [
    Light::new(0.10, 0.12, 0.20),
    Light::new(0.16, 0.14, 0.10),
    Light::new(0.22, 0.06, 0.05),
    Light::new(0.28, 0.28, 0.26),
];

/// Paint of a marker in the sun.
#[must_use]
pub fn light_of(colour: Colour) -> Light {
    match colour {
        Colour::White => Light::new(0.93, 0.93, 0.91),
        Colour::Red => Light::new(0.72, 0.03, 0.03),
        Colour::Orange => Light::new(0.95, 0.26, 0.02),
        Colour::Yellow => Light::new(0.93, 0.80, 0.04),
        Colour::Green => Light::new(0.10, 0.78, 0.08),
        Colour::Blue => Light::new(0.03, 0.12, 0.75),
        Colour::Magenta => Light::new(0.80, 0.04, 0.50),
    }
}

/// The caster's body, arms and cap, placed to fit the grip at the start.
pub fn caster(play: &mut Play, motion: &Arc<RodMotion>, hand: Hand, white_cap: bool, which: usize) {
    let side = if hand == Hand::Left { -1.0 } else { 1.0 };
    // mean place of the grip over the take: the feet do not follow every stroke
    let samples: Vec<Vector3<f64>> =
        motion.frames.iter().step_by(100).map(|f| f.butt_in_world.coords).collect();
    let grip = samples.iter().sum::<Vector3<f64>>() / samples.len().max(1) as f64;
    let feet = Point3::new(grip.x - 0.12, grip.y + 0.24 * side, 0.0);
    let shirt = SHIRTS[which / 2 % SHIRTS.len()];
    let cap = if white_cap { WHITE_CAP } else { DARK_CAP };
    play.still.extend(standing(feet, 0.0, shirt, cap));
    let motion = Arc::clone(motion);
    let shoulder = Point3::new(feet.x, feet.y - 0.19 * side, 1.38);
    let other = Point3::new(feet.x, feet.y + 0.19 * side, 1.38);
    play.arms = Some(Person {
        parts_at: Box::new(move |t_s| {
            let mut parts = arm(other, Point3::new(feet.x + 0.32, feet.y + 0.05 * side, 1.02), shirt);
            parts.extend(arm(shoulder, motion.rod_point_at(t_s, 0.12), shirt));
            parts
        }),
    });
}

/// Rod and cork grip.
pub fn rod_curves(play: &mut Play, motion: &Arc<RodMotion>, spec: &RodSpec) {
    let rod = Arc::clone(motion);
    play.curves.push(Curve {
        light: CARBON,
        is_smooth: true,
        diameters_m: motion.rod_at_m.iter().map(|at| spec.diameter_m(*at)).collect(),
        nodes_at: Box::new(move |t_s| rod.rod_nodes_at(t_s)),
    });
    let grip = Arc::clone(motion);
    play.curves.push(Curve {
        light: CORK,
        is_smooth: true,
        diameters_m: vec![0.022, 0.027, 0.025, 0.018],
        nodes_at: Box::new(move |t_s| [0.02, 0.10, 0.20, 0.27].map(|at| grip.rod_point_at(t_s, at)).to_vec()),
    });
}

/// Fly line and leader, as thick as they weigh.
pub fn line_curves(play: &mut Play, motion: &Arc<RodMotion>, spec: &LineSpec) {
    let (diameters_m, leader_from) = spec.node_diameters_m();
    for (light, nodes) in [(LINE, 0..leader_from + 1), (LEADER, leader_from..diameters_m.len())] {
        let motion = Arc::clone(motion);
        play.curves.push(Curve {
            light,
            is_smooth: true,
            diameters_m: diameters_m[nodes.clone()].to_vec(),
            nodes_at: Box::new(move |t_s| motion.line_nodes_at(t_s)[nodes.clone()].to_vec()),
        });
    }
}

/// Somebody who waves the wand on a pole.
pub fn wand_bearer(play: &mut Play, wand: Arc<WavedWand>) {
    let feet = Point3::new(MIDDLE[0], 0.45, 0.0);
    play.still.extend(standing(feet, -1.4, SHIRTS[3], DARK_CAP));
    let hand = feet + Vector3::new(0.15, -0.30, 1.25);
    play.still.extend(arm(feet + Vector3::new(-0.18, 0.0, 1.38), hand, SHIRTS[3]));
    play.still.extend(arm(feet + Vector3::new(0.18, 0.0, 1.38), hand, SHIRTS[3]));
    let stick = Arc::clone(&wand);
    play.curves.push(Curve {
        light: WOOD,
        is_smooth: false,
        diameters_m: vec![0.018; 2],
        nodes_at: Box::new(move |t_s| {
            vec![hand, stick.end_at(0, t_s) + (stick.end_at(1, t_s) - stick.end_at(0, t_s)) * 0.5]
        }),
    });
    play.curves.push(Curve {
        light: WOOD,
        is_smooth: false,
        diameters_m: vec![0.012; 2],
        nodes_at: Box::new(move |t_s| vec![wand.end_at(0, t_s), wand.end_at(1, t_s)]),
    });
}

/// A stand from which the wand hangs.
pub fn wand_stand(play: &mut Play, wand: Arc<HungWand>) {
    let top = wand.top_in_world;
    play.curves.push(Curve {
        light: WOOD,
        is_smooth: false,
        diameters_m: vec![0.04, 0.04, 0.03, 0.004],
        nodes_at: Box::new(move |_| {
            let foot = Point3::new(top.x + 0.9, top.y + 0.5, 0.0);
            let over = top + Vector3::new(0.0, 0.0, 0.25);
            vec![foot, Point3::new(foot.x, foot.y, over.z), over, top]
        }),
    });
    play.curves.push(Curve {
        light: WOOD,
        is_smooth: false,
        diameters_m: vec![0.012; 2],
        nodes_at: Box::new(move |t_s| vec![wand.end_at(0, t_s), wand.end_at(1, t_s)]),
    });
}

/// A wand that is hung twice; who holds it stays out of the picture.
pub fn carried_wand(play: &mut Play, wand: Arc<TwiceHung>) {
    play.curves.push(Curve {
        light: WOOD,
        is_smooth: false,
        diameters_m: vec![0.012; 2],
        nodes_at: Box::new(move |t_s| vec![wand.end_at(0, t_s), wand.end_at(1, t_s)]),
    });
}

/// Somebody who tosses the ball.
pub fn thrower(play: &mut Play) {
    let feet = Point3::new(0.0, 0.25, 0.0);
    play.still.extend(standing(feet, -0.9, SHIRTS[0], DARK_CAP));
    play.still.extend(arm(feet + Vector3::new(0.12, -0.12, 1.38), Point3::new(0.2, -0.2, 1.28), SHIRTS[0]));
}

/// Somebody strolling along the shore behind.
pub fn stroller(rng: &mut impl rand::Rng) -> Person {
    let y = between(rng, 3.0, 5.2);
    let (from, to) = (Point3::new(-14.0, y, 0.0), Point3::new(14.0, y + between(rng, -1.0, 1.0), 0.0));
    let (from, to) = if between(rng, 0.0, 1.0) < 0.5 { (from, to) } else { (to, from) };
    let cap = if between(rng, 0.0, 1.0) < 0.4 { WHITE_CAP } else { DARK_CAP };
    let shirt = SHIRTS[(between(rng, 0.0, 3.99)) as usize];
    walker(from, to, between(rng, 1.0, 1.5), between(rng, -11.0, -5.0), shirt, cap)
}

/// Somebody who walks through right before a phone and hides what it looks at for a moment.
pub fn passer_by(eye: Point3<f64>, rng: &mut impl rand::Rng) -> Person {
    let way = Vector3::new(MIDDLE[0] - eye.x, MIDDLE[1] - eye.y, 0.0).normalize();
    let across = Vector3::new(-way.y, way.x, 0.0);
    let near = Point3::new(eye.x, eye.y, 0.0) + way * between(rng, 1.25, 1.6);
    let side = if between(rng, 0.0, 1.0) < 0.5 { 1.0 } else { -1.0 };
    let speed_m_s = between(rng, 1.2, 1.6);
    let middle_s = between(rng, 2.4, 4.2);
    let half_m = 2.5;
    walker(
        near - across * (side * half_m),
        near + across * (side * half_m),
        speed_m_s,
        middle_s - half_m / speed_m_s,
        SHIRTS[(between(rng, 0.0, 3.99)) as usize],
        DARK_CAP,
    )
}
