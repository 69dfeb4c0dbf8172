//! Casters with known habits, measured from noisy marker paths, and the evidence raised: the confusion table.
//!
//! Rod and line are simulated, the markers' paths get smooth noise (2 mm at the tip, 0.7 mm at the slower butt markers,
//! correlated over three samples of 1/240 s) and go through `strokes` and `evidence`. No rule is asked of pick-ups. A habit's
//! own evidence is that of the fault it is named after; who has no fault has none.
//!
//! [`anyone`] makes people between and beyond the habits, for studies of how often a stated probability comes true.

use std::collections::BTreeMap;

use nalgebra::{Point3, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use tipwright::evidence::{self, Rule, Rules};
use tipwright::line::{LoopConfig, known_line, predict_loops};
use tipwright::model::evidence::StrokeEvidence;
use tipwright::model::line::KnownLine;
use tipwright::model::path::ButtPath;
use tipwright::model::{FigureId, MarkerPath, Measured, PathSample, RodPaths, Role, Stroke, StrokeKind};
use tipwright::strokes::{StrokesConfig, StrokesError, measure};

use crate::casters::{Habit, Manner, TakePlan, cast_take, take_outfit};
use crate::truth_figures::{TrueStroke, TruthConfig, kind_among, true_strokes};
use tipwright_physics::PhysicsError;
use tipwright_physics::motion::RodMotion;

/// Frames per second of the paths.
const FPS: f64 = 240.0;
/// Places of the butt markers on the rod.
const BUTTS_M: [f64; 2] = [0.40, 0.66];
const TIP_SD_M: f64 = 0.002;
const BUTT_SD_M: f64 = 0.0007;

/// The rules of the built-in settings that speak for a habit; none: nothing to be raised. Creep shows in the tip's stroke or,
/// when it is slower than that, before it.
#[must_use]
pub fn rules_of(habit: Habit) -> &'static [&'static str] {
    match habit {
        Habit::SmoothLatePower | Habit::SlowTight => &[],
        Habit::EarlyPunch => &["early-power"],
        Habit::NarrowArc => &["narrow-arc"],
        Habit::Creep => &["creep", "creep-before"],
        Habit::WideArc => &["dome"],
        Habit::LateStop => &["late-stop"],
        Habit::BrokenOpposite => &["both-high"],
        Habit::TrackingError => &["tracking"],
    }
}

/// A stroke with what was raised and what was true.
#[derive(Debug, Clone)]
pub struct Judged {
    /// The habit.
    pub habit: Habit,
    /// Which person of that habit.
    pub person: u64,
    /// As measured.
    pub stroke: Stroke,
    /// What was raised.
    pub evidence: StrokeEvidence,
    /// As it was; `None` when no true stroke comes near.
    pub truth: Option<TrueStroke>,
    /// What it was for.
    pub true_kind: Option<StrokeKind>,
}

/// Names of the columns of [`Judged::figure_cells`], a comma before each.
#[must_use]
pub fn figure_columns() -> String {
    FigureId::ALL.iter().map(|id| id.info().key).map(|key| format!(",{key},{key}_sd,{key}_true")).collect()
}

impl Judged {
    /// Every figure as measured, its standard deviation and its truth as cells of a CSV row, a comma before each; empty where it
    /// is not to be had.
    #[must_use]
    pub fn figure_cells(&self) -> String {
        let text = |x: Option<f64>| x.map_or(String::new(), |x| x.to_string());
        let cells = |id: &FigureId| {
            let m = self.stroke.figures.get(*id);
            let truth = self.truth.as_ref().and_then(|t| t.figures.get(*id)).map(|m| m.value);
            format!(",{},{},{}", text(m.map(|m| m.value)), text(m.map(|m| m.sd)), text(truth))
        };
        FigureId::ALL.iter().map(cells).collect()
    }
}

/// Somebody between two habits or a little beyond, with a punch, a sink of the hand and an arc of any size: few are without
/// fault.
#[must_use]
pub fn anyone(seed: u64) -> Manner {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xa110_f7e4);
    let mut habit = |seed| Manner::of_person(Habit::ALL[rng.random_range(0..Habit::ALL.len())], seed);
    let (a, b) = (habit(seed), habit(seed + 1_000_000));
    let mut m = a.toward(&b, rng.random_range(0.0..1.3));
    if rng.random_bool(0.6) {
        m.punch += rng.random_range(0.0..0.35);
        m.punch_at = rng.random_range(0.2..0.85);
        m.punch_width = rng.random_range(0.15..0.5);
        m.hand_drop_m += rng.random_range(-0.05..0.2);
        m.drop_at = rng.random_range(0.3..0.8);
        let arc: f64 = rng.random_range(0.5..1.1);
        m.front_rad *= arc;
        m.back_rad *= arc;
    }
    m
}

/// Whether what a rule names was true of a stroke: its signs, asked of the true figures. `None` where those are not to be had.
#[must_use]
pub fn came_true(rule: &Rule, truth: &TrueStroke) -> Option<bool> {
    let value = |id| truth.figures.get(id).map(|m| m.value);
    rule.sign.iter().try_fold(true, |all, sign| {
        let x = value(sign.figure)? / sign.per.map_or(Some(1.0), value)?;
        Some(all && sign.above.is_none_or(|low| x > low) && sign.below.is_none_or(|high| x < high))
    })
}

/// Strokes found and there, and those judged.
#[derive(Debug, Clone, Default)]
pub struct Confusion {
    /// Strokes found by the measuring library, pick-ups included.
    pub found: usize,
    /// Strokes cast.
    pub there: usize,
    /// Strokes judged.
    pub judged: Vec<Judged>,
}

/// Why there is no table.
#[derive(Debug, thiserror::Error)]
pub enum ConfusionError {
    /// Rod or line flew apart.
    #[error("the cast of {habit} {person} cannot be simulated: {reason}")]
    Cast {
        /// Habit.
        habit: &'static str,
        /// Person.
        person: u64,
        /// What the mechanics said.
        reason: PhysicsError,
    },
    /// A made path the stage does not take.
    #[error("the made path of {habit} {person} cannot be measured: {reason}")]
    Strokes {
        /// Habit.
        habit: &'static str,
        /// Person.
        person: u64,
        /// What the stage said.
        reason: StrokesError,
    },
}

/// Casts a take of `strokes` strokes in a manner and judges it.
///
/// # Errors
/// [`ConfusionError`].
pub fn judge_take(
    habit: Habit,
    person: u64,
    manner: Manner,
    strokes: u32,
    tip_only: bool,
) -> Result<Confusion, ConfusionError> {
    let plan = TakePlan { manner, strokes, ..TakePlan::default() };
    let motion = cast_take(&plan, &take_outfit(0.04), person).map_err(|reason| ConfusionError::Cast {
        habit: habit.key(),
        person,
        reason,
    })?;
    judge_cast(&motion, habit, person, tip_only)
}

/// Measures and judges a cast.
///
/// # Errors
/// [`ConfusionError::Strokes`].
pub fn judge_cast(
    motion: &RodMotion,
    habit: Habit,
    person: u64,
    tip_only: bool,
) -> Result<Confusion, ConfusionError> {
    let butts_at_m = if tip_only { Vec::new() } else { BUTTS_M.to_vec() };
    let truth = true_strokes(motion, Vector3::x(), &TruthConfig { butts_at_m, ..TruthConfig::default() });
    let paths = noisy_paths(motion, tip_only, 1000 * person + habit as u64);
    let mut outcome = measure(&paths, &StrokesConfig::default())
        .map_err(|reason| ConfusionError::Strokes { habit: habit.key(), person, reason })?;
    let line = line_as_told(person);
    let _predicted = predict_loops(&paths.tip, &mut outcome.strokes, Some(&line), &LoopConfig::default());
    let evidence = evidence::judge(&outcome.strokes, &Rules::default_rules());
    let (found, there) = (outcome.strokes.len(), truth.len());
    let judged = outcome
        .strokes
        .into_iter()
        .zip(evidence)
        .map(|(stroke, evidence)| {
            let truth = nearest(&truth, &stroke).cloned();
            let true_kind = truth.as_ref().map(|t| kind_among(t.stroke, there));
            Judged { habit, person, stroke, evidence, truth, true_kind }
        })
        .collect();
    Ok(Confusion { found, there, judged })
}

/// What is told of the line that is cast: a 5, whose mass and length are each off by up to a tenth and more.
fn line_as_told(person: u64) -> KnownLine {
    let mut rng = ChaCha8Rng::seed_from_u64(person ^ 0x1111_e0f5);
    let mut off = || {
        1.0 + 0.1
            * (-2.0 * rng.random::<f64>().max(1e-300).ln()).sqrt().min(2.5)
            * (std::f64::consts::TAU * rng.random::<f64>()).cos()
    };
    let line = take_outfit(0.04).line.unwrap_or_default();
    let told = known_line(None, Some(1e3 * line.belly_kg_m() * off()), Some(line.carry_m * off()));
    KnownLine { mass_g_m: Measured::new(told.mass_g_m.value, 0.1 * told.mass_g_m.value), ..told }
}

/// Persons of habits, each with a take of `strokes` strokes.
///
/// # Errors
/// [`ConfusionError`] of the first take that cannot be had.
pub fn confusion(
    habits: &[Habit],
    persons: std::ops::Range<u64>,
    strokes: u32,
    tip_only: bool,
) -> Result<Confusion, ConfusionError> {
    let takes: Vec<(Habit, u64)> = habits.iter().flat_map(|h| persons.clone().map(|p| (*h, p))).collect();
    let all: Vec<Confusion> = takes
        .into_par_iter()
        .with_max_len(1)
        .map(|(habit, person)| judge_take(habit, person, Manner::of_person(habit, person), strokes, tip_only))
        .collect::<Result<_, _>>()?;
    let mut out = Confusion::default();
    for one in all {
        out.found += one.found;
        out.there += one.there;
        out.judged.extend(one.judged);
    }
    Ok(out)
}

impl Confusion {
    /// Strokes in which each rule was raised, and in which it could be asked, by habit.
    #[must_use]
    pub fn counts(&self) -> BTreeMap<(Habit, String), (usize, usize)> {
        let mut out: BTreeMap<_, (usize, usize)> = BTreeMap::new();
        for j in &self.judged {
            for one in &j.evidence.evidence {
                let of = out.entry((j.habit, one.rule.clone())).or_default();
                of.0 += usize::from(one.is_raised);
                of.1 += 1;
            }
        }
        out
    }

    /// Strokes in which one of the rules was raised, and in which one could be asked, over the habits that `are`.
    #[must_use]
    pub fn share(&self, rules: &[&str], are: impl Fn(Habit) -> bool) -> (usize, usize) {
        let mut out = (0, 0);
        for j in self.judged.iter().filter(|j| are(j.habit)) {
            let asked: Vec<bool> = j
                .evidence
                .evidence
                .iter()
                .filter(|e| rules.contains(&e.rule.as_str()))
                .map(|e| e.is_raised)
                .collect();
            out.0 += usize::from(asked.contains(&true));
            out.1 += usize::from(!asked.is_empty());
        }
        out
    }
}

/// The true stroke that was straight at about the same time.
#[must_use]
pub fn nearest<'a>(truth: &'a [TrueStroke], stroke: &Stroke) -> Option<&'a TrueStroke> {
    let at = stroke.figures.get(FigureId::TRsp)?.value;
    truth.iter().find(|t| t.figures.get(FigureId::TRsp).is_some_and(|m| (m.value - at).abs() < 0.15))
}

/// Paths of the markers with noise.
#[must_use]
pub fn noisy_paths(motion: &RodMotion, tip_only: bool, seed: u64) -> RodPaths {
    let tip = noisy_path(motion, seed, TIP_SD_M, |t| motion.tip_at(t));
    let butt = |role, at_m: f64, k: u64| ButtPath {
        role,
        at_m,
        path: noisy_path(motion, seed + k * 7919, BUTT_SD_M, move |t| motion.rod_point_at(t, at_m)),
    };
    let butts = if tip_only {
        Vec::new()
    } else {
        vec![butt(Role::Butt1, BUTTS_M[0], 1), butt(Role::Butt2, BUTTS_M[1], 2)]
    };
    RodPaths { tip, butts }
}

/// Samples, differentiates and adds smooth noise with its own derivative: white noise under a Gaussian three samples
/// wide.
fn noisy_path(motion: &RodMotion, seed: u64, sd_m: f64, at: impl Fn(f64) -> Point3<f64>) -> MarkerPath {
    const WIDTH: f64 = 3.0;
    const REACH: usize = 12;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (from_s, to_s) = (motion.start_s() + 0.01, motion.end_s() - 0.01);
    let n = ((to_s - from_s) * FPS) as usize;
    let mut normal = || {
        let (u, v): (f64, f64) = (rng.random(), rng.random());
        (-2.0 * u.max(1e-300).ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    };
    let white: Vec<Vector3<f64>> =
        (0..n + 2 * REACH).map(|_| Vector3::new(normal(), normal(), normal())).collect();
    let offset = |k: usize| k as f64 - REACH as f64;
    let kernel: Vec<f64> = (0..=2 * REACH).map(|k| (-0.5 * (offset(k) / WIDTH).powi(2)).exp()).collect();
    let scale = sd_m / kernel.iter().map(|k| k * k).sum::<f64>().sqrt();
    let samples = (0..n)
        .map(|i| {
            let t_s = from_s + i as f64 / FPS;
            let (mut p, mut v) = (Vector3::zeros(), Vector3::zeros());
            for (k, w) in kernel.iter().enumerate() {
                p += white[i + k] * (w * scale);
                v += white[i + k] * (w * scale * offset(k) / (WIDTH * WIDTH) * FPS);
            }
            let h = 1e-3;
            PathSample {
                t_s,
                position_in_world: at(t_s) + p,
                velocity_in_world_m_s: (at(t_s + h) - at(t_s - h)) / (2.0 * h) + v,
                position_sd_m: Vector3::repeat(sd_m),
                views: 2,
            }
        })
        .collect();
    MarkerPath { samples, ..MarkerPath::default() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The small table: one person of each habit, a pick-up and three casts. Each fault's own evidence in most of its
    /// strokes, in four of five of all together (of 20 or so with 95 % each, fewer than that have a chance of 0.3 %), and
    /// none of it in casts without a fault. `tests/studies/habits.sh` prints the large one, where 90 % is the bar.
    #[test]
    fn a_habit_raises_its_own_evidence_and_a_clean_cast_none() {
        let table = confusion(&Habit::ALL, 31..32, 4, false).unwrap();
        assert_eq!((table.found, table.there), (36, 36));
        let (mut own, mut asked) = (0, 0);
        for habit in Habit::ALL.into_iter().filter(|h| !rules_of(*h).is_empty()) {
            let rules = rules_of(habit);
            let (raised, of) = table.share(rules, |h| h == habit);
            println!("{}: {rules:?} in {raised} of {of}", habit.key());
            assert!(of >= 2 && 2 * raised > of, "{}: {rules:?} in {raised} of {of}", habit.key());
            (own, asked) = (own + raised, asked + of);
            let (false_alarms, clean) = table.share(rules, |h| rules_of(h).is_empty());
            assert_eq!(false_alarms, 0, "{rules:?} in {false_alarms} of {clean} clean casts");
        }
        assert!(5 * own >= 4 * asked, "{own} of {asked}");
    }
}
