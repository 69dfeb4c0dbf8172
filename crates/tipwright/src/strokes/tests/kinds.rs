//! Kinds of stroke, and how sure direction is.

use nalgebra::Point3;

use crate::model::{Direction, FigureId as F, RodPaths, Severity, StrokeKind as K};

use super::made::{FPS, Sequence, path, smooth_step, tip_only};
use super::{StrokesConfig, StrokesOutcome, measure};

fn config() -> StrokesConfig {
    StrokesConfig { synthetic_draws: 2, ..StrokesConfig::default() }
}

/// A sequence with the rod low in front before it and, where it is lowered, after it.
fn cast(strokes: usize, lowered_after: bool) -> (RodPaths, Sequence) {
    let sequence = Sequence::false_casts(strokes, 0.6);
    let (first_s, end_s) = (sequence.starts_s()[0], sequence.end_s());
    let up = |t: f64| {
        let after = if lowered_after { smooth_step((t - end_s - 0.4) / 0.8) } else { 0.0 };
        1.2 + 1.8 * smooth_step((t - first_s + 0.6) / 0.6) - 1.8 * after
    };
    let paths = tip_only(path(FPS, 0.0, end_s + 2.5, |t| Point3::new(sequence.x_m(t), 0.0, up(t))));
    (paths, sequence)
}

fn part(paths: &RodPaths, from_s: f64, to_s: f64) -> StrokesOutcome {
    let mut cut = paths.clone();
    cut.tip.samples.retain(|s| s.t_s > from_s && s.t_s < to_s);
    measure(&cut, &config()).unwrap()
}

fn kinds(outcome: &StrokesOutcome) -> Vec<K> {
    outcome.strokes.iter().map(|s| s.kind).collect()
}

#[test]
fn a_sequence_is_picked_up_kept_in_the_air_and_laid_down() {
    let (paths, _) = cast(6, true);
    let outcome = part(&paths, 0.0, 99.0);
    assert_eq!(kinds(&outcome), [K::PickUp, K::False, K::False, K::False, K::False, K::Delivery]);
    assert!(outcome.strokes.iter().all(|s| s.kind_p > 0.9 && s.direction_p > 0.9), "{:?}", outcome.strokes);
    let (paths, _) = cast(2, true);
    assert_eq!(kinds(&part(&paths, 0.0, 99.0)), [K::PickUp, K::Delivery]);
}

/// A clip that begins in the middle shows no pick-up: its first stroke is a false cast, told as less sure.
#[test]
fn a_clip_that_begins_within_the_casting_has_no_pick_up() {
    let (paths, sequence) = cast(6, true);
    let outcome = part(&paths, sequence.starts_s()[2] - 0.2, 99.0);
    assert_eq!(kinds(&outcome), [K::False, K::False, K::False, K::Delivery]);
    assert!(outcome.strokes[0].kind_p < 0.98 && outcome.strokes[0].kind_p < outcome.strokes[1].kind_p);
}

/// Two casts in one clip, with a rest between them.
#[test]
fn a_rest_parts_two_sequences() {
    let mut sequence = Sequence::false_casts(8, 0.6);
    sequence.strokes[4].2 = 4.0;
    let (starts, end_s) = (sequence.starts_s(), sequence.end_s());
    let low =
        |t: f64, from_s: f64, to_s: f64| smooth_step((t - from_s) / 0.8) * smooth_step((to_s - t) / 0.6);
    let paths = tip_only(path(FPS, 0.0, end_s + 2.5, |t| {
        let down = low(t, -1.0, starts[0]) + low(t, starts[3] + 0.8, starts[4]) + low(t, end_s + 0.4, 99.0);
        Point3::new(sequence.x_m(t), 0.0, 3.0 - 1.8 * down)
    }));
    let outcome = measure(&paths, &config()).unwrap();
    let once = [K::PickUp, K::False, K::False, K::Delivery];
    assert_eq!(kinds(&outcome), [once, once].concat());
}

/// A clip that ends on a back cast had all its directions exchanged and printed as certain. Lowered before, it is
/// told right; where only the end is seen the doubt reaches every row.
#[test]
fn a_clip_that_ends_on_a_back_cast_is_not_certain_of_its_directions() {
    let (paths, sequence) = cast(5, false);
    let outcome = part(&paths, 0.0, 99.0);
    assert_eq!(outcome.strokes[0].direction, Direction::Back);
    assert!(outcome.strokes.iter().all(|s| s.direction_p < 0.98));
    let outcome = part(&paths, sequence.starts_s()[1] - 0.1, 99.0);
    assert!(outcome.strokes.iter().all(|s| s.direction_p < 0.85), "{}", outcome.strokes[0].direction_p);
    assert!(outcome.warnings.iter().any(|w| w.what.contains("exchanged")));
    let known = StrokesConfig { forward_in_world: Some([1.0, 0.0]), ..config() };
    let told = measure(&paths, &known).unwrap();
    assert!(told.strokes.iter().all(|s| (s.direction_p - 1.0).abs() < 1e-12));
}

/// A pick-up whose tip leaves the picture before its stop, and a clip that begins within it: what comes next was called a pick-up, with
/// "the first stroke of the take has none before it".
#[test]
fn a_stroke_that_was_not_seen_whole_is_a_stroke_before() {
    let (paths, sequence) = cast(4, true);
    let first_s = sequence.starts_s()[0];
    // the ramp lasts 0.3 s, the stop 0.1 s
    let mut lost = paths.clone();
    lost.tip.samples.retain(|s| s.t_s < first_s + 0.315 || s.t_s > first_s + 0.9);
    let lost = measure(&lost, &config()).unwrap();
    let begun = part(&paths, first_s + 0.2, 99.0);
    for (outcome, severity) in [(&lost, Severity::Warning), (&begun, Severity::Note)] {
        assert_eq!(kinds(outcome), [K::False, K::False, K::Delivery]);
        assert!(outcome.strokes[0].kind_p > 0.9, "{}", outcome.strokes[0].kind_p);
        for id in [F::Pause, F::Opposite, F::Creep] {
            let why = &outcome.strokes[0].figures.missing[&id];
            assert!(why.contains("before this one was not seen whole"), "{id:?}: {why}");
        }
        let told: Vec<_> = outcome.warnings.iter().filter(|w| w.what.contains("left out")).collect();
        assert!(told.len() == 1 && told[0].severity == severity, "{:?}", outcome.warnings);
    }
    // nor is what stands before in the list then what came before
    let mut lost = paths.clone();
    let second_s = sequence.starts_s()[1];
    lost.tip.samples.retain(|s| s.t_s < second_s + 0.1 || s.t_s > second_s + 0.4);
    let lost = measure(&lost, &config()).unwrap();
    assert_eq!(lost.strokes.len(), 3);
    for id in [F::Pause, F::Opposite, F::Creep, F::LoopSymmetry] {
        assert_eq!(lost.strokes[1].figures.missing[&id], super::super::CUT_BEFORE, "{id:?}");
    }
    // nor is lowering the rod, in which the clip ends, a stroke after the delivery
    let sequence = Sequence::false_casts(4, 0.6);
    let end_s = sequence.end_s();
    let goes_on = tip_only(path(FPS, 0.0, end_s + 1.0, |t| {
        let on_m = 4.0 * smooth_step((t - end_s - 0.6) / 0.8);
        Point3::new(sequence.x_m(t) + on_m, 0.0, 3.0)
    }));
    let ends = measure(&goes_on, &config()).unwrap();
    let aside = ends.set_aside.last().unwrap();
    assert!(aside.t_end_s > end_s + 0.9 && aside.reason.contains("goes on"), "{aside:?}");
    assert!(!ends.warnings.iter().any(|w| w.what.contains("left out")), "{:?}", ends.warnings);
    // a whole take says nothing of the kind
    assert!(!part(&paths, 0.0, 99.0).warnings.iter().any(|w| w.what.contains("left out")));
}
