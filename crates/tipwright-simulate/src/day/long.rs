//! All takes of a day in one clip: casters change, a card is held up, they cast.

use std::sync::Arc;

use nalgebra::{Isometry3, Matrix3, Point3, UnitQuaternion, Vector3};
use tipwright::cards::Card;
use tipwright::model::{Camera, Clock};
use tipwright_footage::encode::Spend;
use tipwright_physics::motion::RodMotion;

use super::plan::Plan;
use super::{SimulateConfig, casts, place};
use crate::phone::clip::Idle;
use crate::phone::noise::{between, stream};
use crate::phone::play::HeldCard;

/// Name of the clip that holds them.
pub const CLIP: &str = "takes";
/// A card is down again so long before the cast, and held up for so long.
const BEFORE_CAST_S: f64 = 3.0;
const HELD_S: f64 = 3.2;
/// Between states of the joined motion: 2 ms are far finer than any wobble of a rod.
const STEP_S: f64 = 0.002;
/// What is written again and again while nothing happens, seconds.
pub const IDLE_S: u32 = 2;
/// After the last take.
const AFTER_S: f64 = 3.0;

impl Plan {
    pub(super) fn long(config: &SimulateConfig) -> Self {
        let mut plan = Self::minimal(config);
        let mut rng = stream(config.seed, "long plan");
        plan.title = "Alder Reach, in one clip".into();
        plan.cameras = place::phones(1280, 720, None, &mut rng);
        plan.modes.iter_mut().for_each(|mode| mode.fps = 60);
        plan.casters = casts::clinic_casters();
        plan.casters.truncate(2);
        plan.takes = casts::long_takes(config.seed);
        // longer than a pause between casts, as long as it takes to change places
        plan.pauses_s = plan.takes.iter().map(|_| between(&mut rng, 11.0, 16.0)).collect();
        plan
    }

    pub(super) fn hour(config: &SimulateConfig) -> Self {
        let mut plan = Self::long(config);
        plan.title = "Alder Reach, an hour in one clip".into();
        plan.casters = casts::heap_casters();
        plan.takes = casts::hour_takes(config.seed);
        let mut rng = stream(config.seed, "hour plan");
        plan.pauses_s = plan.takes.iter().map(|_| between(&mut rng, 11.0, 16.0)).collect();
        plan.idle_s = 280;
        // little moves for nine tenths of it: this comes to some 1.5 Mbit/s, less than phones spend on an hour
        plan.modes.iter_mut().for_each(|mode| mode.spend = Spend::Quality(18.5));
        plan
    }
}

/// A take inside the clip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// When its card is up.
    pub card_s: [f64; 2],
    /// When its motion begins and ends: a rest, strokes, the line laid down.
    pub take_s: [f64; 2],
}

/// Where the takes lie in the clip, by session time.
#[must_use]
pub fn spans(plan: &Plan) -> Vec<Span> {
    let mut t_s = 0.0;
    plan.takes
        .iter()
        .zip(&plan.pauses_s)
        .map(|(take, pause_s)| {
            let begin_s = t_s + pause_s;
            t_s = begin_s + take.duration_s;
            let down_s = begin_s - BEFORE_CAST_S;
            Span { card_s: [down_s - HELD_S, down_s], take_s: [begin_s, t_s] }
        })
        .collect()
}

/// The same by the first phone's clock, with the time in which nothing happens before each.
#[must_use]
pub fn filed_spans(plan: &Plan) -> Vec<Span> {
    let mut spans = spans(plan);
    for (k, span) in spans.iter_mut().enumerate() {
        let idle_s = f64::from(plan.idle_s) * (k + 1) as f64;
        for s in span.card_s.iter_mut().chain(&mut span.take_s) {
            *s += idle_s;
        }
    }
    spans
}

/// The stretches of a phone's clip in which nothing happens: two seconds each before a card, written again and again. Two, because two
/// pictures that stand alone and follow each other must carry different numbers (H.264, idr_pic_id).
#[must_use]
pub fn idle(plan: &Plan, clock: &Clock, fps: u32, ticks_per_s: i64) -> Vec<Idle> {
    if plan.idle_s == 0 {
        return Vec::new();
    }
    let before = |span: &Span| {
        let quiet_s = clock.pts_s(span.card_s[0] - 0.2).floor();
        let times = plan.idle_s / IDLE_S;
        let ticks = i64::from(times * IDLE_S) * ticks_per_s;
        Idle { before_frame: quiet_s as usize * fps as usize, times, ticks }
    };
    spans(plan).iter().map(before).collect()
}

/// Length of the clip as it is played.
#[must_use]
pub fn length_s(plan: &Plan) -> f64 {
    spans(plan).last().map_or(0.0, |s| s.take_s[1] + AFTER_S)
}

/// The motions of all takes as one.
#[must_use]
pub fn joined(plan: &Plan, motions: &[Arc<RodMotion>]) -> RodMotion {
    let parts: Vec<(f64, &RodMotion)> =
        spans(plan).iter().zip(motions).map(|(s, m)| (s.take_s[0], m.as_ref())).collect();
    RodMotion::joined(&parts, STEP_S, length_s(plan) + 1.0)
}

/// A page before the caster, turned to a phone.
#[must_use]
pub fn page_towards(camera: &Camera) -> Isometry3<f64> {
    let eye = camera.pose.camera_from_world.inverse().translation.vector;
    let at = Point3::new(0.2, -2.6, 1.5);
    // the page's z goes into it, away from who looks; its y down
    let into = (at.coords - eye).normalize();
    let right = Vector3::new(0.1, 0.0, -1.0).cross(&into).normalize();
    let axes = Matrix3::from_columns(&[right, into.cross(&right), into]);
    Isometry3::from_parts(at.into(), UnitQuaternion::from_matrix(&axes))
}

/// The card of a take, held up before the caster towards the first phone, a little crooked.
#[must_use]
pub fn held_card(plan: &Plan, take_idx: usize, span: &Span) -> Option<HeldCard> {
    let take = &plan.takes[take_idx];
    let row = plan.casters.iter().position(|c| c.id == *take.caster.as_str())?;
    let mut phases: Vec<&str> = Vec::new();
    for phase in plan.takes.iter().filter_map(|t| t.phase.as_deref()) {
        if !phases.contains(&phase) {
            phases.push(phase);
        }
    }
    let phase = take.phase.as_deref()?;
    let phase_idx = phases.iter().position(|p| *p == phase)?;
    let card = Card::take(row, &take.caster, phase_idx, phase)?;
    let page = page_towards(plan.cameras.first()?);
    let [up_s, down_s] = span.card_s;
    let page_at = Box::new(move |t_s: f64| (up_s..down_s).contains(&t_s).then_some(page));
    Some(HeldCard { card, page_at, light: 1.0, shadow: None })
}
