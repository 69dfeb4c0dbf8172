//! Plays: what each clip has before its cameras.

use std::sync::Arc;

use nalgebra::{Point3, UnitQuaternion, Vector3};
use tipwright_day::session::Hand;

use super::{Item, Shoot, TICKS, What};
use crate::day::heap;
use crate::day::long;
use crate::day::place::BALL_DIAMETER_M;
use crate::day::planned::Fault;
use crate::day::scenery;
use crate::phone::exposure::Light;
use crate::phone::noise::stream;
use crate::phone::play::{Ball, Play};
use crate::phone::sound::Burst;
use tipwright_physics::motion::RodMotion;

impl Shoot<'_> {
    pub(super) fn end_s(&self, item: &Item) -> f64 {
        item.ticks
            .iter()
            .zip(&item.clocks)
            .filter(|(ticks, _)| ticks.len() > 1)
            .map(|(ticks, clock)| {
                ticks.last().map_or(0.0, |t| clock.session_s(*t as f64 / TICKS as f64, 0.0))
            })
            .fold(f64::INFINITY, f64::min)
    }

    pub(super) fn play(&self, item: &Item) -> Play {
        let plan = self.plan;
        let mut play =
            Play { sun: plan.sun, skin: plan.skin, glints_per_s: plan.glints_per_s, ..Play::default() };
        for walker_idx in 0..plan.walkers {
            let mut rng = stream(plan.seed, &format!("{} walker {walker_idx}", item.name));
            play.people.push(scenery::stroller(&mut rng));
        }
        let clap = |t_s: f64| Burst::clap(t_s, Point3::new(0.25, -0.8, 1.3));
        play.bursts = vec![clap(1.0), clap(self.end_s(item) - 0.4)];
        let tip = scenery::light_of(plan.tip.0);
        match &item.what {
            What::Wand(wand) => {
                scenery::wand_bearer(&mut play, Arc::clone(wand));
                let wand = Arc::clone(wand);
                play.balls.extend(wand_ends(plan.tip.1, tip, move |end, t_s| wand.end_at(end, t_s)));
            }
            What::Plumb(wand) => {
                scenery::wand_stand(&mut play, Arc::clone(wand));
                let wand = Arc::clone(wand);
                play.balls.extend(wand_ends(plan.tip.1, tip, move |end, t_s| wand.end_at(end, t_s)));
            }
            What::TwiceHung(wand) => {
                scenery::carried_wand(&mut play, Arc::clone(wand));
                let wand = Arc::clone(wand);
                play.balls.extend(wand_ends(plan.tip.1, tip, move |end, t_s| wand.end_at(end, t_s)));
            }
            What::Toss(toss) => {
                scenery::thrower(&mut play);
                let toss = Arc::clone(toss);
                play.balls.push(Ball {
                    role: "ball".into(),
                    diameter_m: BALL_DIAMETER_M,
                    light: tip,
                    at: Box::new(move |t_s| toss.at(t_s)),
                    turned: Box::new(|_| UnitQuaternion::identity()),
                });
            }
            What::Take(take_idx) => {
                self.show_cast(&mut play, *take_idx);
                let filed = plan.heap.as_ref().and_then(|part| part.filed.get(&item.name));
                play.cards.extend(filed.and_then(|f| f.card).map(|card| heap::held_card(plan, &card)));
            }
            What::Stray => {
                play.bursts.clear();
                play.people.push(scenery::stroller(&mut stream(plan.seed, &item.name)));
            }
            What::Takes => {
                play.bursts.clear();
                for (take_idx, span) in long::spans(plan).iter().enumerate() {
                    play.bursts.push(clap(span.take_s[0] - 1.0));
                    play.cards.extend(long::held_card(plan, take_idx, span));
                }
                let motion = &self.motions[0];
                scenery::caster(&mut play, motion, Hand::Right, plan.white_cap, 0);
                self.gear(&mut play, motion);
            }
        }
        if let Some(motion_idx) = self.motion_of(item) {
            play.bursts.extend(self.sounds[motion_idx].bursts.iter().copied());
        }
        play
    }

    fn show_cast(&self, play: &mut Play, take_idx: usize) {
        let plan = self.plan;
        let take = &plan.takes[take_idx];
        let hand =
            plan.casters.iter().find(|c| c.id == take.caster).and_then(|c| c.hand).unwrap_or(Hand::Right);
        let motion = &self.motions[take_idx];
        scenery::caster(play, motion, hand, plan.white_cap, take_idx);
        if take.passer_by {
            let mut rng = stream(plan.seed, &format!("{} passer-by", take.name));
            for camera in &plan.cameras {
                let eye = camera.pose.camera_from_world.inverse() * Point3::origin();
                play.people.push(scenery::passer_by(eye, &mut rng));
            }
        }
        self.gear(play, motion);
        if take.fault == Some(Fault::NoMarkers) {
            play.balls.clear();
        }
    }

    /// Rod, line and markers.
    fn gear(&self, play: &mut Play, motion: &Arc<RodMotion>) {
        let plan = self.plan;
        scenery::rod_curves(play, motion, &self.outfit.rod);
        if let Some(line) = &self.outfit.line {
            scenery::line_curves(play, motion, line);
        }
        for (k, (at_m, colour, diameter_mm)) in plan.butts.iter().enumerate() {
            let (motion, along, at_m) = (Arc::clone(motion), Arc::clone(motion), *at_m);
            play.balls.push(Ball {
                role: format!("butt{}", k + 1),
                diameter_m: diameter_mm / 1000.0,
                light: scenery::light_of(*colour),
                at: Box::new(move |t_s| motion.rod_point_at(t_s, at_m)),
                turned: Box::new(move |t_s| {
                    stuck_on(
                        along.rod_point_at(t_s, at_m + 0.05) - along.rod_point_at(t_s, at_m - 0.05),
                        k + 1,
                    )
                }),
            });
        }
        let (motion, along) = (Arc::clone(motion), Arc::clone(motion));
        let before_tip_m = along.rod_length_m() - 0.05;
        play.balls.push(Ball {
            role: "tip".into(),
            diameter_m: plan.tip.1 / 1000.0,
            light: scenery::light_of(plan.tip.0),
            at: Box::new(move |t_s| motion.tip_at(t_s)),
            turned: Box::new(move |t_s| {
                stuck_on(along.tip_at(t_s) - along.rod_point_at(t_s, before_tip_m), 0)
            }),
        });
    }
}

/// The two markers of a wand whose ends are where `end_at` says (end, time).
fn wand_ends(
    diameter_mm: f64,
    light: Light,
    end_at: impl Fn(usize, f64) -> Point3<f64> + Clone + Send + Sync + 'static,
) -> [Ball; 2] {
    [0, 1].map(|end| {
        let (end_at, ends_at) = (end_at.clone(), end_at.clone());
        Ball {
            role: format!("wand{}", end + 1),
            diameter_m: diameter_mm / 1000.0,
            light,
            at: Box::new(move |t_s| end_at(end, t_s)),
            turned: Box::new(move |t_s| stuck_on(ends_at(1, t_s) - ends_at(0, t_s), 3 + end)),
        }
    })
}

/// How a ball is turned that is stuck on a stick; `number` says how it happened to be put on.
fn stuck_on(stick: Vector3<f64>, number: usize) -> UnitQuaternion<f64> {
    let along = UnitQuaternion::rotation_between(&Vector3::z(), &stick).unwrap_or_default();
    along * UnitQuaternion::from_euler_angles(0.9 * number as f64, 0.4, 2.1 * number as f64)
}
