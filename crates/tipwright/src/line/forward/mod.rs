//! The loop that this path of the tip makes: a line in the cast plane (`tipwright_physics::planar`), led by the measured path
//! from the stroke before on, read at the standard moment by the same definitions as a measured one.
//!
//! It begins straight behind the tip when the stroke before begins (or, where there is none or the path has a gap, when this one
//! does): the stroke before lays it out as it was. Not known are the line's mass and length, the leader, the air's grip and
//! which of its draws the path is; each run takes one of each, the spread of the runs and what the model misses of a simulated
//! line (`fitted`) are the standard deviation. A pick-up has no prediction: its line comes off the water or the grass.

mod cast;
mod lead;
#[cfg(test)]
mod tests;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;
use tipwright_physics::LineSpec;

use super::LoopConfig;
use super::geometry::crossings;
use crate::fitted::{PREDICTED_DIP_SD, PREDICTED_SEPARATION_M, PREDICTED_TWICE, PREDICTED_WIDTH_SD};
use crate::model::line::{Change, KnownLine, PredictedLoop, WhatIf};
use crate::model::{FigureId, MarkerPath, Measured, Stroke, StrokeKind};

use cast::{Cast, cast};
use lead::Lead;

/// Runs with other draws beside the one of the path itself: 12 give an sd to a fifth of itself.
const RUNS: usize = 12;
/// Leader, metres, with an sd: 9 ft (common practice), 7.5 ft to 12 ft.
const LEADER_M: [f64; 2] = [2.6, 0.3];
/// Drag's coefficient across the line: about 1 for a cylinder at these Reynolds numbers, lines are not smooth (common practice).
const DRAG_SD: f64 = 0.1;
/// Length of a link: eight and more around the nose of a loop 0.5 m wide.
const LINK_M: f64 = 0.15;

/// The line as a session has it: class on the box or grams per metre, metres beyond the tip-top. A line is often heavier than
/// its box says (Moore, sexyloops 2021), by a tenth: the sd; who counts arm's lengths is off by a tenth; without a length, what
/// is cast for practice, 6 to 12 m (common practice); without class or mass, a 5, give or take two classes.
#[must_use]
pub fn known_line(class: Option<f64>, mass_g_m: Option<f64>, length_out_m: Option<f64>) -> KnownLine {
    let of_class = |class: f64| 1e3 * LineSpec::of_class(class.round() as u8).belly_kg_m();
    let (mass, mass_share) = match (mass_g_m, class) {
        (Some(mass), _) => (mass, 0.05),
        (None, Some(class)) => (of_class(class), 0.1),
        (None, None) => (of_class(5.0), 0.25),
    };
    let (length, length_share) = length_out_m.map_or((9.0, 0.2), |l| (l, 0.1));
    KnownLine {
        mass_g_m: Measured::new(mass, mass_share * mass),
        length_out_m: Measured::new(length, length_share * length),
    }
}

/// Predicts the loop of every stroke and enters its figures; `line`: nothing is known of it where `None`.
#[must_use]
pub fn predict_loops(
    tip: &MarkerPath,
    strokes: &mut [Stroke],
    line: Option<&KnownLine>,
    config: &LoopConfig,
) -> Vec<PredictedLoop> {
    let found: Vec<Result<PredictedLoop, String>> = match line {
        None => vec![Err("session.toml has no [line] to predict with".into()); strokes.len()],
        Some(line) => {
            let strokes = &*strokes;
            (0..strokes.len()).into_par_iter().map(|i| predict(tip, strokes, i, line, config)).collect()
        }
    };
    let mut out = Vec::new();
    for (stroke, found) in strokes.iter_mut().zip(found) {
        match found {
            Ok(predicted) => {
                enter(&predicted, stroke);
                out.push(predicted);
            }
            Err(reason) => {
                for id in FIGURES {
                    stroke.figures.set_missing(id, reason.clone());
                }
            }
        }
    }
    out
}

const FIGURES: [FigureId; 3] =
    [FigureId::LoopWidthPredicted, FigureId::LoopCrossingsPredicted, FigureId::FlyLegDipPredicted];

fn enter(predicted: &PredictedLoop, stroke: &mut Stroke) {
    let p = predicted.crossings;
    let likeliest = (0..3).fold(0, |b, k| if p[k] > p[b] { k } else { b });
    stroke.figures.set(FigureId::LoopWidthPredicted, predicted.width_m);
    stroke.figures.set(FigureId::FlyLegDipPredicted, predicted.fly_leg_dip_m);
    stroke.figures.set_count(FigureId::LoopCrossingsPredicted, likeliest, &p);
}

/// Line and air of one run.
fn drawn(line: &KnownLine, rng: Option<&mut ChaCha8Rng>) -> LineSpec {
    let mut normal = {
        let mut rng = rng;
        move || rng.as_deref_mut().map_or(0.0, |r| r.sample::<f64, _>(StandardNormal).clamp(-2.5, 2.5))
    };
    let of = |m: Measured, z: f64| (m.value + z * m.sd).max(0.2 * m.value);
    let mass = of(line.mass_g_m, normal());
    let base = LineSpec::of_mass(mass);
    LineSpec {
        carry_m: of(line.length_out_m, normal()),
        leader_m: LEADER_M[0] + normal() * LEADER_M[1],
        drag_normal: base.drag_normal * (1.0 + normal() * DRAG_SD),
        link_m: LINK_M,
        ..base
    }
}

fn predict(
    tip: &MarkerPath,
    strokes: &[Stroke],
    i: usize,
    line: &KnownLine,
    config: &LoopConfig,
) -> Result<PredictedLoop, String> {
    let stroke = &strokes[i];
    if stroke.kind == StrokeKind::PickUp {
        return Err("the line of a pick-up comes off the water or the grass".into());
    }
    let before = i.checked_sub(1).map(|k| &strokes[k]);
    let lead = Lead::new(tip, None, stroke, before)?;
    let nominal = drawn(line, None);
    let own =
        cast(&lead, &nominal, config).ok_or("the predicted line makes no loop 1.5 m ahead of the tip")?;
    let runs: Vec<Cast> = (0..RUNS)
        .filter_map(|k| {
            let mut rng = ChaCha8Rng::seed_from_u64(0x100b);
            rng.set_stream(u64::from(stroke.stroke) << 16 | k as u64);
            let draw =
                (!tip.draws.is_empty()).then(|| tip.draws.get(k * tip.draws.len() / RUNS, &tip.samples));
            cast(&Lead::new(tip, draw.as_ref(), stroke, before).ok()?, &drawn(line, Some(&mut rng)), config)
        })
        .collect();
    if 2 * runs.len() < RUNS {
        return Err("most runs of the line model make no loop 1.5 m ahead of the tip".into());
    }
    let what_if = Change::ALL
        .into_iter()
        .filter_map(|change| {
            let changed = cast(&lead.changed(change)?, &nominal, config)?;
            // what is not known of the line moves both loops alike: the runs' spread is that of the unchanged path's
            let shifted: Vec<Cast> = runs.iter().map(|r| r.about(&own, &changed)).collect();
            Some(WhatIf {
                change,
                width_m: with_sd(changed.width_m(), shifted.iter().map(Cast::width_m), PREDICTED_WIDTH_SD),
                crossings: crossing_share(&changed, &[], config),
                line_in_cast_m: changed.line_in_cast_m,
            })
        })
        .collect();
    Ok(PredictedLoop {
        stroke: stroke.stroke,
        width_m: with_sd(own.width_m(), runs.iter().map(Cast::width_m), PREDICTED_WIDTH_SD),
        fly_leg_dip_m: with_sd(own.look.dip_m, runs.iter().map(|r| r.look.dip_m), PREDICTED_DIP_SD),
        crossings: crossing_share(&own, &runs, config),
        line_in_cast_m: own.line_in_cast_m,
        what_if,
    })
}

/// The nominal run's value; root mean square distance of the others from it, and what the model misses.
fn with_sd(value: f64, runs: impl Iterator<Item = f64> + Clone, misses: [f64; 2]) -> Measured {
    let n = runs.clone().count().max(1) as f64;
    let spread = (runs.map(|x| (x - value).powi(2)).sum::<f64>() / n).sqrt();
    Measured::new(value, spread.hypot(misses[0]).hypot(misses[1] * value))
}

/// Probabilities of no crossing, one, two or more: over the runs, each with its fly leg moved by what the model misses.
fn crossing_share(own: &Cast, runs: &[Cast], config: &LoopConfig) -> [f64; 3] {
    let [nearer_m, sd_m] = PREDICTED_SEPARATION_M;
    let mut out = [0.0; 3];
    for run in runs.iter().chain([own]) {
        for k in -20..=20 {
            let z = 0.125 * f64::from(k);
            let moved: Vec<(f64, f64)> =
                run.look.separations.iter().map(|(behind, w)| (*behind, w + nearer_m + z * sd_m)).collect();
            out[crossings(&moved, config.least_crossing_m).min(2) as usize] += (-0.5 * z * z).exp();
        }
    }
    out[2] *= PREDICTED_TWICE;
    let total: f64 = out.iter().sum();
    out.map(|p| p / total)
}
