//! Made paths, whose loops must follow what was done to the path.

use nalgebra::{Isometry3, Point3, Vector3};

use super::{known_line, predict_loops};
use crate::line::LoopConfig;
use crate::model::line::{Change, PredictedLoop};
use crate::model::stroke::RspSource;
use crate::model::{
    CastSample, Direction, FigureId, Figures, MarkerPath, Measured, PathSample, Stroke, StrokeKind,
};

const RAMP_S: f64 = 0.3;
const START_S: f64 = 0.5;
const CHORD_M: f64 = 3.0;

/// A tip that rests, goes `CHORD_M` at constant acceleration with a dip of `dip_m` at two thirds, stops in 0.1 s and sinks.
fn tip_at(t_s: f64, dip_m: f64) -> [f64; 2] {
    let (t, fast) = (t_s - START_S, 2.0 * CHORD_M / RAMP_S);
    let u = ((t - RAMP_S) / 0.1).clamp(0.0, 1.0);
    let x = if t < RAMP_S {
        CHORD_M * (t.max(0.0) / RAMP_S).powi(2)
    } else {
        CHORD_M + fast * 0.1 * (u - 0.5 * u * u)
    };
    let w = ((x / CHORD_M - 0.66) / 0.25).abs();
    let dip = if w < 1.0 { dip_m * (0.5 * std::f64::consts::PI * w).cos().powi(2) } else { 0.0 };
    [x, 3.5 + 0.05 * x - dip - 0.8 * u * u * (3.0 - 2.0 * u)]
}

fn path(dip_m: f64) -> MarkerPath {
    let h = 1e-4;
    let samples = (0..360)
        .map(|i| {
            let t_s = f64::from(i) / 240.0;
            let (p, a, b) = (tip_at(t_s, dip_m), tip_at(t_s - h, dip_m), tip_at(t_s + h, dip_m));
            PathSample {
                t_s,
                position_in_world: Point3::new(p[0], 0.0, p[1]),
                velocity_in_world_m_s: Vector3::new(
                    (b[0] - a[0]) / (2.0 * h),
                    0.0,
                    (b[1] - a[1]) / (2.0 * h),
                ),
                position_sd_m: Vector3::repeat(0.002),
                views: 2,
            }
        })
        .collect();
    MarkerPath { samples, ..MarkerPath::default() }
}

fn stroke(kind: StrokeKind) -> Stroke {
    let mut figures = Figures::default();
    // 20 % of the peak is reached after a fifth of the time
    figures.set(FigureId::TStart, Measured::new(START_S + 0.2 * RAMP_S, 0.001));
    figures.set(FigureId::TRsp, Measured::new(START_S + RAMP_S, 0.001));
    let end = |t_s: f64| {
        let [x, z] = tip_at(t_s, 0.0);
        Point3::new(x, 0.0, z)
    };
    let sample = CastSample {
        t_s: START_S - 0.05,
        tip_in_cast: end(0.0),
        velocity_in_cast_m_s: Vector3::zeros(),
        height_sd_m: 0.002,
        s_m: 0.0,
        h_m: 0.0,
        off_plane_m: 0.0,
        bend_m: None,
        butt_angle_deg: None,
    };
    Stroke {
        stroke: 1,
        direction: Direction::Forward,
        direction_p: 0.99,
        kind,
        kind_p: 0.9,
        views: 2,
        rsp_source: RspSource::Bend,
        loop_shape: None,
        slap: None,
        figures,
        cast_from_world: Isometry3::identity(),
        chord_in_cast: [end(START_S + 0.2 * RAMP_S), end(START_S + RAMP_S)],
        samples: vec![sample],
    }
}

fn predicted(dip_m: f64) -> (PredictedLoop, Stroke) {
    let mut strokes = vec![stroke(StrokeKind::Single)];
    let line = known_line(Some(5.0), None, Some(7.5));
    let mut out = predict_loops(&path(dip_m), &mut strokes, Some(&line), &LoopConfig::default());
    assert_eq!(out.len(), 1, "{:?}", strokes[0].figures.missing);
    (out.remove(0), strokes.remove(0))
}

fn of(predicted: &PredictedLoop, change: Change) -> &crate::model::line::WhatIf {
    predicted.what_if.iter().find(|w| w.change == change).unwrap()
}

/// A straight steady stroke makes an open loop without a dip, and no change changes it: it is straight and steady already.
#[test]
fn a_straight_steady_stroke_is_what_its_changes_would_make_it() {
    let (loop_, stroke) = predicted(0.0);
    println!("{:?} {:?} {:?}", loop_.width_m, loop_.fly_leg_dip_m, loop_.crossings);
    assert!(loop_.width_m.value > 0.2 && loop_.crossings[0] > 0.5);
    assert!(loop_.fly_leg_dip_m.value < 0.03);
    for change in Change::ALL {
        let off = of(&loop_, change).width_m.value - loop_.width_m.value;
        println!("{}: {off:+.4} m", change.words());
        assert!(off.abs() < 0.02, "{change:?}: {off}");
    }
    assert_eq!(stroke.figures.get(FigureId::LoopWidthPredicted), Some(loop_.width_m));
    assert_eq!(stroke.figures.counts[&FigureId::LoopCrossingsPredicted].len(), 3);
}

/// A dip of the tip dips the fly leg, more than twice as deep; taken out of the path it is gone from the loop.
#[test]
fn a_dip_of_the_tip_dips_the_fly_leg_until_it_is_taken_out() {
    let (plain, _) = predicted(0.0);
    let (dipped, _) = predicted(0.03);
    let without = of(&dipped, Change::WithoutDip);
    let [a, b] = [&plain, &dipped].map(|p| p.fly_leg_dip_m.value);
    println!(
        "fly leg dips {a:.3} m without and {b:.3} m with a tip that dips 30 mm; width {:?} {:?}",
        dipped.width_m, without.width_m
    );
    assert!(b > 2.0 * 0.03, "{b}");
    assert!((without.width_m.value - plain.width_m.value).abs() < 0.03);
    assert!(dipped.line_in_cast_m.len() > 100 && without.line_in_cast_m.len() > 100);
}

#[test]
fn what_cannot_be_predicted_says_why() {
    let why = |path: &MarkerPath, kind, with_line: bool| {
        let mut strokes = vec![stroke(kind)];
        let line = known_line(Some(5.0), None, None);
        let out = predict_loops(path, &mut strokes, with_line.then_some(&line), &LoopConfig::default());
        assert!(out.is_empty());
        strokes[0].figures.missing[&FigureId::LoopWidthPredicted].clone()
    };
    let whole = path(0.0);
    assert!(why(&whole, StrokeKind::Single, false).contains("[line]"));
    assert!(why(&whole, StrokeKind::PickUp, true).contains("pick-up"));
    let mut gap = whole.clone();
    gap.samples.retain(|s| s.t_s < START_S + 0.1 || s.t_s > START_S + 0.2);
    assert!(why(&gap, StrokeKind::Single, true).contains("gap"));
    let mut cut = whole;
    cut.samples.retain(|s| s.t_s < START_S + RAMP_S + 0.05);
    assert!(why(&cut, StrokeKind::Single, true).contains("ends at the stop"));
}

/// The same everywhere: another run says the same to the last digit.
#[test]
fn a_prediction_is_the_same_every_time() {
    assert_eq!(predicted(0.01).0, predicted(0.01).0);
}
