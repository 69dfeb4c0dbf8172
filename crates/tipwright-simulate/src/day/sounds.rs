//! What is heard on the field: the line that slaps the rod, voices, onlookers who clap.

use std::sync::Arc;

use nalgebra::{Point3, Vector3};
use rand::{Rng, RngExt};
use tipwright::model::{FigureId, Measured};
use tipwright_physics::motion::RodMotion;

use super::plan::Plan;
use crate::phone::noise::{between, stream};
use crate::phone::sound::{Burst, Kind};
use crate::truth_figures::{TrueStroke, TruthConfig, true_strokes};

/// Wind and water at every phone, standard deviation of samples from -1 to 1.
pub const BACKGROUND: f64 = 0.004;
/// Gusts are up to so many times louder: 16 dB.
pub const GUSTS: f64 = 5.0;
/// Where the line slaps the rod, from the butt cap: between grip and stripping guide.
const SLAP_AT_M: f64 = 0.58;
/// Share of strokes after which it does.
const SLAPS: f64 = 0.75;
/// How long after rod straight, seconds (chosen by us: while the rod flexes the other way and comes back).
const AFTER_S: [f64; 2] = [0.015, 0.09];

/// Sounds to be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Sounds {
    /// The line slaps the rod after three strokes of four, so loud over the background without gusts, dB.
    pub slap_db: Option<i32>,
    /// Gusts.
    pub wind: bool,
    /// Someone talks.
    pub voices: bool,
    /// Onlookers clap now and then.
    pub claps: bool,
}

impl Sounds {
    /// Voices and claps between two times.
    #[must_use]
    pub fn chatter(&self, [from_s, to_s]: [f64; 2], rng: &mut impl Rng) -> Vec<Burst> {
        let mut out = Vec::new();
        if self.voices {
            let at_in_world = around(rng, [3.0, 9.0]);
            let loud = between(rng, 0.05, 0.2);
            let mut t_s = from_s + between(rng, 0.0, 1.0);
            while t_s < to_s {
                let part = |kind, t_s, loudness| Burst { kind, t_s, at_in_world, loudness };
                out.push(part(Kind::Consonant, t_s, loud * between(rng, 0.1, 0.5)));
                out.push(part(Kind::Vowel, t_s + between(rng, 0.02, 0.06), loud * between(rng, 0.5, 1.0)));
                // four or five syllables a second, and a breath now and then
                t_s += between(rng, 0.16, 0.3) + if rng.random::<f64>() < 0.15 { 0.8 } else { 0.0 };
            }
        }
        if self.claps {
            let at_in_world = around(rng, [8.0, 20.0]);
            let mut t_s = from_s;
            while t_s < to_s {
                t_s += -between(rng, 1e-3, 1.0).ln() * 2.0;
                out.push(Burst { loudness: between(rng, 0.02, 0.6), ..Burst::clap(t_s, at_in_world) });
            }
        }
        out
    }
}

/// Somewhere about the caster.
fn around(rng: &mut impl Rng, away_m: [f64; 2]) -> Point3<f64> {
    let (sin, cos) = between(rng, 0.0, std::f64::consts::TAU).sin_cos();
    Point3::from(Vector3::new(cos, sin, 0.0) * between(rng, away_m[0], away_m[1])) + Vector3::z() * 1.5
}

/// The line slaps the rod after some of these moments of rod straight: when.
#[must_use]
pub fn slap_times_s(rsp_s: &[f64], rng: &mut impl Rng) -> Vec<Option<f64>> {
    rsp_s
        .iter()
        .map(|t_s| {
            let after_s = between(rng, AFTER_S[0], AFTER_S[1]);
            (rng.random::<f64>() < SLAPS).then_some(t_s + after_s)
        })
        .collect()
}

/// What is heard in a take, and when the line slapped the rod.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct OfTake {
    /// What is heard.
    pub bursts: Vec<Burst>,
    slaps_s: Vec<f64>,
    slap_db: f64,
}

impl OfTake {
    /// The slaps as figures of the strokes after which they come.
    pub fn put_into(&self, strokes: &mut [TrueStroke]) {
        for stroke in strokes {
            let Some(rsp_s) = stroke.figures.get(FigureId::TRsp).map(|m| m.value) else { continue };
            // rod straight by the tip's speed alone is up to some hundredths of a second away
            let of_stroke = |t_s: &&f64| (-0.1..0.3).contains(&(**t_s - rsp_s));
            let Some(slap_s) = self.slaps_s.iter().find(of_stroke) else { continue };
            stroke.figures.set(FigureId::SlapTime, Measured::new(1e3 * (slap_s - rsp_s), 0.0));
            stroke.figures.set(FigureId::SlapLevel, Measured::new(self.slap_db, 0.0));
        }
    }
}

/// Of each motion of a day.
pub(super) fn of_motions(plan: &Plan, motions: &[Arc<RodMotion>]) -> Vec<OfTake> {
    motions.iter().enumerate().map(|(k, motion)| of_motion(plan, k, motion)).collect()
}

fn of_motion(plan: &Plan, motion_idx: usize, motion: &RodMotion) -> OfTake {
    let mut rng = stream(plan.seed, &format!("sounds {motion_idx}"));
    let mut out =
        OfTake { bursts: plan.sounds.chatter([0.0, motion.end_s()], &mut rng), ..OfTake::default() };
    let Some(slap_db) = plan.sounds.slap_db.map(f64::from) else { return out };
    let butts_at_m = plan.butts.iter().map(|(at_m, ..)| *at_m).collect();
    let strokes = true_strokes(motion, Vector3::x(), &TruthConfig { butts_at_m, ..TruthConfig::default() });
    let rsp_s: Vec<f64> =
        strokes.iter().filter_map(|s| s.figures.get(FigureId::TRsp)).map(|m| m.value).collect();
    out.slap_db = slap_db;
    out.slaps_s = slap_times_s(&rsp_s, &mut rng).into_iter().flatten().collect();
    for t_s in &out.slaps_s {
        let at_in_world = motion.rod_point_at(*t_s, SLAP_AT_M);
        let eyes = plan.cameras.iter().map(|c| c.pose.camera_from_world.inverse() * Point3::origin());
        let away_m: Vec<f64> = eyes.map(|eye| (eye - at_in_world).norm()).collect();
        out.bursts.push(Burst::slap(*t_s, at_in_world, slap_db, BACKGROUND, &away_m));
    }
    out
}
