//! A made-up clinic at the Alder Reach mill pond: strokes drawn from formulas, with figures taken from the same
//! formulas, so that every table and page can be made without a camera. Not a simulation of casting.

#![allow(clippy::unwrap_used)] // made-up strokes always have a peak, a stop and, when worn, a bend

use std::collections::BTreeMap;

use nalgebra::{Isometry3, Point3, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tipwright::model::ReportUnits;
use tipwright::model::results::{
    LensSummary, Note, NoteOn, PathPoint, RodSample, SessionResults, SolvedSetUp, TakeClock, TakeKeys,
    TakeResults, TakeStatus, Tally,
};
use tipwright::model::stroke::{CastSample, Direction, RspSource, Stroke, StrokeKind};
use tipwright::model::{
    Clock, FigureId, Figures, Measured, Scene, SceneQuality, Severity, SlapWord, Warning,
};

#[path = "habit.rs"]
mod habit;
#[path = "several.rs"]
pub mod several;

use habit::Habit;

/// What to make up.
pub struct Wish {
    /// Takes of ten strokes.
    pub takes: usize,
    /// Feet first.
    pub feet: bool,
    /// Butt markers worn.
    pub butt: bool,
    /// Of the draws.
    pub seed: u64,
}

const CASTERS: [(&str, &str); 6] = [
    ("01", "Heron"),
    ("02", "Wagtail"),
    ("03", "Dipper"),
    ("04", "Sandpiper"),
    ("05", "Kingfisher"),
    ("06", "Otter"),
];
const STEP_S: f64 = 1.0 / 240.0;
const BEFORE_S: f64 = 0.16;
const AFTER_S: f64 = 0.26;

/// The whole session.
pub fn session(wish: &Wish) -> SessionResults {
    let mut takes: Vec<TakeResults> = (0..wish.takes).map(|k| take(k, wish)).collect();
    if let Some(last) = takes.last_mut().filter(|_| wish.takes > 3) {
        fail(last);
    }
    let (steadiness, differences) = tipwright::evidence::consistency::of_takes(
        &takes,
        &tipwright::evidence::consistency::ConsistencyConfig::default(),
    );
    SessionResults {
        schema: 1,
        tipwright_version: "0.1.0".into(),
        title: "Alder Reach, Saturday clinic".into(),
        notes: notes(&takes),
        report_units: if wish.feet { ReportUnits::Ft } else { ReportUnits::M },
        rod_length_m: 2.743,
        lenses: ["west", "east"]
            .map(|camera| LensSummary {
                camera: camera.into(),
                fx_px: 1571.3,
                fx_sd_px: Some(2.4),
                rms_px: Some(0.31),
                views_used: Some(24),
                views_left_out: Some(3),
            })
            .into(),
        set_ups: vec![SolvedSetUp {
            name: None,
            scene: Scene {
                schema: 1,
                length_unit: "m".into(),
                quality: SceneQuality {
                    wand_rms_mm: Some(1.9),
                    reprojection_rms_px: Some(0.42),
                    scale_sd_relative: Some(0.0011),
                    observations_accepted: 4120,
                    observations_rejected: 37,
                    ..SceneQuality::default()
                },
                ..Scene::default()
            },
            convergence_deg: Some(74.0),
            wand_length_m: Some(Measured::new(1.0003, 0.0019)),
        }],
        warnings: vec![Warning::new(
            Severity::Note,
            "east/wand.mp4",
            "the wand stayed in the lower half of the picture",
            "wave it as high as the rod tip reaches next time",
        )],
        steadiness,
        differences,
        takes,
    }
}

fn notes(takes: &[TakeResults]) -> Vec<Note> {
    let Some(first) = takes.first() else { return Vec::new() };
    let on_stroke = NoteOn::Stroke { take: first.take.clone(), stroke: 2 };
    vec![
        Note {
            on: NoteOn::Caster { caster: first.caster.clone() },
            text: "Slower to begin with, then squeeze.\nNext time: the pause.".into(),
        },
        Note { on: on_stroke, text: "This one: \"early\" hand <look at the bend>".into() },
    ]
}

fn fail(take: &mut TakeResults) {
    take.status = TakeStatus::Failed;
    take.strokes.clear();
    take.evidence.clear();
    take.path.clear();
    take.rod.clear();
    take.warnings.push(Warning::new(
        Severity::Problem,
        "east/0031.mp4",
        "the clip ends after 12 frames",
        "copy the original file from the phone again",
    ));
}

fn take(k: usize, wish: &Wish) -> TakeResults {
    let (caster, alias) = CASTERS[(k / 2) % CASTERS.len()];
    let phase = ["before", "after"][k % 2];
    let mut rng = ChaCha8Rng::seed_from_u64(wish.seed + k as u64);
    let mut strokes = Vec::new();
    let mut t_s = 1.2 + rng.random_range(0.0..0.4);
    let mut stop_before_s = None;
    for n in 0..10_u32 {
        let direction = if n % 2 == 0 { Direction::Back } else { Direction::Forward };
        let habit = Habit::draw(&mut rng, k.is_multiple_of(2), direction);
        let stroke = habit.stroke(n + 1, t_s, stop_before_s, wish.butt);
        t_s = stroke.samples.last().map_or(t_s, |p| p.t_s) + STEP_S;
        stop_before_s = stroke.figures.get(FigureId::TStop).map(|m| m.value);
        strokes.push(stroke);
    }
    let samples = || strokes.iter().flat_map(|s| &s.samples);
    let path = samples().map(|p| PathPoint {
        t_s: p.t_s,
        position_m: [p.tip_in_cast.x, p.tip_in_cast.y, p.tip_in_cast.z],
        velocity_m_s: [p.velocity_in_cast_m_s.x, p.velocity_in_cast_m_s.y, p.velocity_in_cast_m_s.z],
        sd_m: [0.003, 0.005, 0.003],
        views: 2,
    });
    let rod = samples().filter_map(|p| {
        Some(RodSample {
            t_s: p.t_s,
            butt_angle_deg: p.butt_angle_deg?,
            bend_m: p.bend_m?,
            bend_sigma_m: 0.008,
        })
    });
    TakeResults {
        session: "Alder Reach, Saturday clinic".into(),
        keys: TakeKeys {
            session_id: Some("alder-reach-2026-05-09-m4x7".into()),
            date: Some("2026-05-09".into()),
            caster_key: None,
            caster_class: None,
        },
        take: format!("{caster}-{phase}{}", if k >= 10 { "-again" } else { "" }),
        caster: caster.into(),
        alias: alias.into(),
        phase: Some(phase.into()),
        status: TakeStatus::Done,
        clips: BTreeMap::from([
            ("west".into(), format!("west/{:04}.mp4", 7 + k)),
            ("east".into(), format!("east/{:04}.mp4", 11 + k)),
        ]),
        clocks: vec![
            TakeClock {
                camera: "west".into(),
                clock: Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.0041 },
                offset_sd_s: 0.0,
                drift_sd: 0.0,
                readout_sd_s: 2e-4,
            },
            TakeClock {
                camera: "east".into(),
                clock: Clock { offset_s: -0.7316, drift: 8e-6, readout_s: 0.0044 },
                offset_sd_s: 1.4e-4,
                drift_sd: 5e-6,
                readout_sd_s: 2e-4,
            },
        ],
        tally: Tally {
            offered: 3960,
            accepted: 3871,
            rejected: BTreeMap::from([("off the epipolar line".into(), 61), ("a still light".into(), 28)]),
        },
        path: path.collect(),
        rod: rod.collect(),
        evidence: tipwright::evidence::judge(&strokes, &tipwright::evidence::Rules::default()),
        strokes,
        set_aside: vec![(0.31, 0.62, "tip speed stayed below 3 m/s: a wiggle".into())],
        missing: BTreeMap::from([
            ("loop_width_m".into(), "the line was not measured".into()),
            ("loop_speed_m_s".into(), "the line was not measured".into()),
        ]),
        ..TakeResults::failed()
    }
}
