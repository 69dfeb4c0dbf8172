//! What is a stroke and what is not.

use nalgebra::Point3;

use crate::model::FigureId as F;
use crate::model::figures::Needs;
use crate::model::{Direction, RodPaths};

use super::made::{FPS, Push, Sequence, path, smooth_step, tip_only};
use super::{StrokesConfig, measure};

fn config() -> StrokesConfig {
    StrokesConfig { synthetic_draws: 2, ..StrokesConfig::default() }
}

fn flat(sequence: &Sequence, after_s: f64, more: impl Fn(f64) -> f64) -> RodPaths {
    tip_only(path(FPS, 0.0, sequence.end_s() + after_s, |t| Point3::new(sequence.x_m(t) + more(t), 0.0, 3.0)))
}

/// A smooth step of height 1 between two moments.
fn step(t: f64, from_s: f64, to_s: f64) -> f64 {
    smooth_step((t - from_s) / (to_s - from_s))
}

#[test]
fn false_casts_with_ringing_are_counted_once() {
    for (amplitude, frequency, damping) in
        [(0.0, 1.5, 0.1), (0.25, 1.6, 0.12), (0.4, 2.0, 0.05), (0.15, 3.0, 0.03)]
    {
        for pause_s in [0.35, 0.6, 1.1] {
            let sequence =
                Sequence { ring: (amplitude, frequency, damping), ..Sequence::false_casts(7, pause_s) };
            let outcome = measure(&flat(&sequence, 2.0, |_| 0.0), &config()).unwrap();
            assert_eq!(
                outcome.strokes.len(),
                7,
                "ring {amplitude} m {frequency} Hz, pause {pause_s}: {:?}",
                outcome.set_aside
            );
        }
    }
}

#[test]
fn moments_are_those_of_the_push() {
    let sequence = Sequence { ring: (0.0, 1.0, 0.1), ..Sequence::false_casts(4, 0.6) };
    let outcome = measure(&flat(&sequence, 2.0, |_| 0.0), &config()).unwrap();
    for (s, start) in outcome.strokes.iter().zip(sequence.starts_s()) {
        let get = |id| s.figures.get(id).unwrap().value;
        // ramp of 0.3 s: 20 % after 0.06 s; peak where ramp and fall meet, a corner found to a third of a frame
        assert!((get(F::TStart) - (start + 0.06)).abs() < 1e-4);
        assert!((get(F::TRsp) - (start + 0.3)).abs() < 1.5e-3);
        assert!((get(F::Chord) - (18.0 * 0.3 / 2.0 * 0.96)).abs() < 18.0 * 1.5e-3);
        assert!(get(F::DipDepth) < 1e-6 && get(F::OffPlaneMax) < 1e-6);
    }
    let second = &outcome.strokes[1].figures;
    // from 20 % of the fall (0.0705 s after the peak) over the rest of it, the pause and 20 % of the ramp
    let fall = 0.1 * (-0.6_f64).acos() / std::f64::consts::PI;
    let pause = 0.1 - fall + 0.6 + 0.06;
    assert!((second.get(F::Pause).unwrap().value - pause).abs() < 1e-3);
    assert!((second.get(F::Opposite).unwrap().value - 180.0).abs() < 1e-3);
    assert!(outcome.strokes[0].figures.missing[&F::Pause].contains("first stroke"));
}

#[test]
fn handling_walking_creep_and_drift_are_no_strokes() {
    let sequence = Sequence::false_casts(6, 1.0);
    let starts = sequence.starts_s();
    let paths = flat(&sequence, 4.0, |t| {
        // the rod is lifted 2 m before and lowered 2.5 m after, up to 5 m/s; someone walks at 1.2 m/s
        let handling =
            -2.0 * step(t, 0.2, 1.2) + 2.5 * step(t, sequence.end_s() + 2.0, sequence.end_s() + 3.0);
        let walking = 1.2 * t;
        // 0.3 m of creep before the second stroke, 0.3 m of drift after the third
        let creep = 0.3 * step(t, starts[1] - 0.5, starts[1] - 0.05);
        let drift = -0.3 * step(t, starts[2] + 0.5, starts[2] + 0.9);
        handling + walking + creep + drift
    });
    let outcome = measure(&paths, &config()).unwrap();
    assert_eq!(outcome.strokes.len(), 6, "{:?}", outcome.set_aside);
    assert!(outcome.set_aside.iter().all(|s| !s.reason.is_empty() && s.t_end_s > s.t_start_s));
}

#[test]
fn directions_alternate_and_the_delivery_goes_forward() {
    let sequence = Sequence::false_casts(6, 0.8);
    let outcome = measure(&flat(&sequence, 2.5, |_| 0.0), &config()).unwrap();
    let directions: Vec<_> = outcome.strokes.iter().map(|s| s.direction).collect();
    let expected: Vec<_> =
        (0..6).map(|i| if i % 2 == 0 { Direction::Back } else { Direction::Forward }).collect();
    assert_eq!(directions, expected);
    assert!(!outcome.warnings.iter().any(|w| w.what.contains("exchanged")), "{:?}", outcome.warnings);
    // five strokes beginning with a pick-up end with a back stroke: the ends disagree, and that is said
    let odd = Sequence::false_casts(5, 0.8);
    let outcome = measure(&flat(&odd, 2.5, |_| 0.0), &config()).unwrap();
    assert!(outcome.warnings.iter().any(|w| w.what.contains("exchanged")), "{:?}", outcome.warnings);
}

#[test]
fn strokes_cut_by_the_clip_are_set_aside() {
    let sequence = Sequence::false_casts(4, 0.6);
    let starts = sequence.starts_s();
    let whole = flat(&sequence, 1.5, |_| 0.0);
    let cut = |from_s: f64, to_s: f64| {
        let mut p = whole.clone();
        p.tip.samples.retain(|s| s.t_s > from_s && s.t_s < to_s);
        measure(&p, &config()).unwrap()
    };
    let late = cut(starts[0] + 0.2, 99.0);
    assert_eq!(late.strokes.len(), 3);
    assert!(late.set_aside.iter().any(|s| s.reason.contains("start")), "{:?}", late.set_aside);
    // slower than a fifth of its peak already, at 2.7 of 18 m/s, but not at rest: what it did before nobody saw
    let just_late = cut(starts[0] + 0.045, 99.0);
    assert_eq!(just_late.strokes.len(), 3);
    assert!(just_late.set_aside.iter().any(|s| s.reason.contains("start")), "{:?}", just_late.set_aside);
    // nor of a later one, but where the tip was in the same place before a gap there is no room for more
    let gap = |from_s: f64| {
        let mut p = whole.clone();
        p.tip.samples.retain(|s| s.t_s < from_s || s.t_s > starts[1] + 0.045);
        measure(&p, &config()).unwrap().strokes.len()
    };
    assert_eq!(gap(starts[1] - 0.25), 4);
    let early = cut(0.0, starts[3] + 0.25);
    assert_eq!(early.strokes.len(), 3);
    assert!(early.set_aside.iter().any(|s| s.reason.contains("end")), "{:?}", early.set_aside);
}

#[test]
fn a_gap_in_the_window_costs_the_figures_of_that_stroke_only() {
    let sequence = Sequence { ring: (0.0, 1.0, 0.1), ..Sequence::false_casts(4, 0.6) };
    let starts = sequence.starts_s();
    let mut p = flat(&sequence, 2.5, |_| 0.0);
    p.tip.samples.retain(|s| s.t_s < starts[1] + 0.15 || s.t_s > starts[1] + 0.2);
    let outcome = measure(&p, &config()).unwrap();
    assert_eq!(outcome.strokes.len(), 4);
    let hurt = &outcome.strokes[1].figures;
    assert!(hurt.get(F::DipDepth).is_none() && hurt.get(F::PeakSpeed).is_none());
    assert!(hurt.missing[&F::DipDepth].contains("not seen from"), "{:?}", hurt.missing[&F::DipDepth]);
    assert!((hurt.get(F::TStart).unwrap().value - starts[1] - 0.06).abs() < 0.01);
    for k in [0, 2, 3] {
        assert!(outcome.strokes[k].figures.get(F::DipDepth).is_some());
    }
    assert!(outcome.strokes[2].figures.get(F::Opposite).is_none());
    // a long gap ends the span: the stroke in it is lost, the others stay
    let mut p = flat(&sequence, 2.5, |_| 0.0);
    p.tip.samples.retain(|s| s.t_s < starts[1] + 0.05 || s.t_s > starts[1] + 0.35);
    let outcome = measure(&p, &config()).unwrap();
    assert_eq!(outcome.strokes.len(), 3, "{:?}", outcome.set_aside);
    // two back strokes follow each other now: what lies between them is no pause of one
    let figures = |k: usize| &outcome.strokes[k].figures;
    for id in [F::Pause, F::Opposite, F::Creep] {
        let why = figures(1).missing.get(&id);
        assert!(why.is_some_and(|w| w.contains("a stroke between")), "{id:?}: {why:?}");
        assert!(figures(2).get(id).is_some(), "{id:?}: {:?}", figures(2).missing.get(&id));
    }
    assert!(figures(0).missing[&F::Drift].contains("a stroke between"), "{:?}", figures(0).missing);
}

#[test]
fn figures_of_the_rod_say_what_they_need() {
    let sequence = Sequence::false_casts(2, 0.6);
    let outcome = measure(&flat(&sequence, 2.5, |_| 0.0), &config()).unwrap();
    let figures = &outcome.strokes[0].figures;
    for id in [F::Arc, F::MaxBend, F::BendLead, F::PeakLead, F::Counterflex, F::RingFrequency] {
        assert!(figures.missing[&id].contains("two butt markers"), "{id:?}");
    }
    assert!(figures.missing[&F::LoopWidth].contains("line"));
    for id in F::ALL {
        assert!(figures.values.contains_key(id) != figures.missing.contains_key(id), "{id:?}");
    }
}

/// A session with the tip's marker alone: of a stroke with a neighbour on both sides every figure of the tip is there,
/// and every other says what it needs.
#[test]
fn the_tip_alone_gives_every_figure_of_the_tip() {
    let sequence = Sequence::false_casts(3, 0.6);
    // a sag early in every stroke, so that there is a dip whose place can be told
    let end_s = sequence.end_s() + 2.5;
    let paths = tip_only(path(FPS, 0.0, end_s, |t| {
        let x = sequence.x_m(t);
        Point3::new(
            x,
            0.01 * (3.0 * x).sin(),
            3.0 + 0.15 * (x * 1.5).cos() - 0.05 * (-(3.0 * x).powi(2)).exp(),
        )
    }));
    let outcome = measure(&paths, &config()).unwrap();
    assert_eq!(outcome.strokes.len(), 3);
    assert!(outcome.rod.is_none());
    let stroke = &outcome.strokes[1];
    assert_eq!(stroke.rsp_source, crate::model::RspSource::Speed);
    for id in F::ALL {
        let (value, missing) = (stroke.figures.get(*id), stroke.figures.missing.get(id));
        match id.info().needs {
            Needs::Tip => assert!(value.is_some(), "{id:?}: {missing:?}"),
            Needs::Butt => assert!(missing.unwrap().contains("butt marker"), "{id:?}: {missing:?}"),
            Needs::Sound => assert!(missing.unwrap().contains("sound"), "{id:?}: {missing:?}"),
            Needs::Line | Needs::Model => assert!(missing.unwrap().contains("line"), "{id:?}: {missing:?}"),
        }
    }
}

#[test]
fn a_tracking_error_is_no_stroke() {
    let sequence = Sequence::false_casts(4, 0.8);
    let mut p = flat(&sequence, 2.5, |_| 0.0);
    let push = Push { peak_m_s: 90.0, rise_s: 0.05, fall_s: 0.05 };
    for s in &mut p.tip.samples {
        let t = s.t_s - 0.5;
        s.position_in_world.x += push.at(t) - push.at(t - 0.3);
        s.velocity_in_world_m_s.x += (push.at(t + 1e-6) - push.at(t - 1e-6)) / 2e-6
            - (push.at(t - 0.3 + 1e-6) - push.at(t - 0.3 - 1e-6)) / 2e-6;
    }
    let outcome = measure(&p, &config()).unwrap();
    assert_eq!(outcome.strokes.len(), 4, "{:?}", outcome.set_aside);
    assert!(outcome.set_aside.iter().any(|s| s.reason.contains("tracking error")));
}

/// The rod lowered in the way of the delivery, at half its speed and as far: it follows a stroke the same way, so it
/// is none. A quick creep before a stroke is none either.
#[test]
fn a_second_movement_the_same_way_is_no_stroke() {
    let sequence = Sequence { ring: (0.0, 1.0, 0.1), ..Sequence::false_casts(6, 1.2) };
    let starts = sequence.starts_s();
    let push = Push { peak_m_s: 9.0, rise_s: 0.3, fall_s: 0.3 };
    let paths = flat(&sequence, 3.0, |t| {
        let lowered = push.at(t - sequence.end_s() - 0.5);
        let crept = Push { peak_m_s: 10.0, rise_s: 0.15, fall_s: 0.15 }.at(t - starts[3] + 0.7);
        lowered + crept
    });
    let outcome = measure(&paths, &config()).unwrap();
    assert_eq!(outcome.strokes.len(), 6, "{:?}", outcome.set_aside);
    let reasons: Vec<&str> = outcome.set_aside.iter().map(|a| a.reason.as_str()).collect();
    assert!(reasons.iter().any(|r| r.contains("lowering")), "{reasons:?}");
    assert!(reasons.iter().any(|r| r.contains("creep")), "{reasons:?}");
}
