//! Loops filmed at their stops and measured, against the line as it was.

use std::sync::Arc;

use tipwright::model::FigureId;
use tipwright::model::stroke::LoopShape;
use tipwright_simulate::casters::{Habit, Manner, TakePlan, cast_take};
use tipwright_simulate::day::casts::outfit;
use tipwright_simulate::stops::{StopSeen, Stops, waved};

fn figure(seen: &StopSeen, id: FigureId) -> (f64, f64) {
    seen.stroke.figures.get(id).map_or((f64::NAN, f64::NAN), |m| (m.value, m.sd))
}

fn median(v: Vec<f64>) -> f64 {
    tipwright::math::median(v).unwrap_or(f64::NAN)
}

/// Widths, speeds and crossings of a sound cast, and of the same cast with a wave of 0.6 m that makes its loops tail. Limits
/// are half as wide again as what `--example loop_tails` prints over 120 strokes.
#[test]
fn loops_and_tails_are_measured_as_they_were() {
    let plan = TakePlan { manner: Manner::of(Habit::SmoothLatePower), strokes: 4, ..TakePlan::default() };
    let plain = cast_take(&plan, &outfit(40.0), 7).unwrap();
    let tailing = waved(&plain, 0.6, 0.8);
    let stops = Stops::default();
    let mut all: Vec<StopSeen> = Vec::new();
    for motion in [plain, tailing] {
        all.extend(stops.see(&Arc::new(motion), 7).unwrap());
    }
    let measured: Vec<&StopSeen> = all.iter().filter(|s| s.reason.is_none()).collect();
    assert!(all.len() >= 6 && measured.len() + 1 >= all.len(), "{} of {}", measured.len(), all.len());
    let mut tails = 0;
    for seen in &measured {
        let (n, sd) = figure(seen, FigureId::LoopCrossings);
        let t = &seen.truth;
        println!(
            "{} width {:?} true {:.3}, speed {:?} true {:.2}, crosses {n} (sd {sd:.2}) true {} ({:+.3}), {:?} true {:?}",
            seen.stroke.stroke,
            figure(seen, FigureId::LoopWidth),
            t.width_m,
            figure(seen, FigureId::LoopSpeed),
            t.nose_m_s,
            t.crossings,
            t.least_separation_m,
            seen.stroke.loop_shape,
            t.shape
        );
        // a leg that comes out by 3 cm, give or take two, is neither here nor there
        if (t.least_separation_m + 0.03).abs() > 0.02 {
            assert_eq!(n as u32 >= 2, t.crossings >= 2, "tail or none");
            assert!((n - f64::from(t.crossings)).abs() < 3.0 * sd.max(0.2), "{n} of {}", t.crossings);
        }
        if t.crossings >= 2 {
            tails += 1;
            assert!(matches!(seen.stroke.loop_shape, Some(LoopShape::Tailing) | None));
            assert!(seen.tail_probability.unwrap() > 0.5);
        }
        let (width, sd) = figure(seen, FigureId::LoopWidth);
        assert!((width - t.width_m.abs()).abs() < 0.06_f64.max(4.0 * sd), "{width} of {}", t.width_m);
    }
    assert!(tails >= 2, "{tails} tails");
    let off = |id: FigureId, truth: fn(&StopSeen) -> f64| {
        median(measured.iter().map(|s| (figure(s, id).0 / truth(s) - 1.0).abs()).collect())
    };
    assert!(off(FigureId::LoopWidth, |s| s.truth.width_m.abs()) < 0.05);
    assert!(off(FigureId::LoopSpeed, |s| s.truth.nose_m_s) < 0.03);
    // the nose runs at the mean of the legs' speeds (classical): fly leg from nose and tip, against its own nodes
    assert!(off(FigureId::FlyLegSpeed, |s| s.truth.fly_leg_m_s) < 0.08);
}
