//! What must not change, and what must turn round.

use nalgebra::{Isometry3, Point3, Translation3, UnitQuaternion, Vector3};
use proptest::prelude::*;

use crate::model::FigureId as F;
use crate::model::{Direction, MarkerPath, RodPaths};

use super::made::{FPS, Sequence, path, tip_only};
use super::{StrokesConfig, StrokesError, StrokesOutcome, measure};

fn casts() -> RodPaths {
    let sequence = Sequence::false_casts(4, 0.6);
    tip_only(path(FPS, 0.0, sequence.end_s() + 1.5, |t| {
        let x = sequence.x_m(t);
        Point3::new(x, 0.05 * (1.3 * x).sin(), 3.0 + 0.1 * x + 0.06 * (1.7 * x).cos())
    }))
}

fn moved(paths: &RodPaths, later_s: f64, to: &Isometry3<f64>) -> RodPaths {
    let mut out = paths.clone();
    for s in &mut out.tip.samples {
        s.t_s += later_s;
        s.position_in_world = to * s.position_in_world;
        s.velocity_in_world_m_s = to * s.velocity_in_world_m_s;
    }
    out
}

fn no_draws() -> StrokesConfig {
    StrokesConfig { synthetic_draws: 2, ..StrokesConfig::default() }
}

fn same(a: &StrokesOutcome, b: &StrokesOutcome, later_s: f64, bar: f64) {
    assert_eq!(a.strokes.len(), b.strokes.len());
    for (a, b) in a.strokes.iter().zip(&b.strokes) {
        assert_eq!(a.direction, b.direction);
        for (id, m) in &a.figures.values {
            let shift = if matches!(id, F::TStart | F::TRsp | F::TStop) { later_s } else { 0.0 };
            // angles near 180 and places of shallow extremes are ill-conditioned: rounding is magnified
            let bar = bar * if matches!(id, F::Opposite | F::DipAt) { 1e3 } else { 1.0 };
            let got = b.figures.get(*id).unwrap_or_else(|| panic!("{id:?}"));
            assert!(
                (m.value + shift - got.value).abs() < bar * (1.0 + m.value.abs()),
                "{id:?} {m:?} {got:?}"
            );
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]
    /// A shift of the clock, a turn about the vertical and a move change nothing but the moments.
    #[test]
    fn figures_do_not_depend_on_where_and_when(
        later_s in -100.0..100.0, yaw in -3.1..3.1, x in -20.0..20.0, y in -20.0..20.0, z in -2.0..2.0,
    ) {
        let to = Isometry3::from_parts(
            Translation3::new(x, y, z),
            UnitQuaternion::from_axis_angle(&Vector3::z_axis(), yaw),
        );
        let paths = casts();
        let here = measure(&paths, &no_draws()).unwrap();
        let there = measure(&moved(&paths, later_s, &to), &no_draws()).unwrap();
        prop_assert_eq!(here.strokes.len(), 4);
        same(&here, &there, later_s, 2e-6);
    }
}

/// Seen in a mirror along the casting line, every figure is the same: left and right do not matter.
#[test]
fn mirrored_casts_are_the_same() {
    let paths = casts();
    let mut mirror = paths.clone();
    for s in &mut mirror.tip.samples {
        s.position_in_world.y *= -1.0;
        s.velocity_in_world_m_s.y *= -1.0;
    }
    let (a, b) = (measure(&paths, &no_draws()).unwrap(), measure(&mirror, &no_draws()).unwrap());
    same(&a, &b, 0.0, 1e-9);
    for (a, b) in a.strokes.iter().zip(&b.strokes) {
        for (p, q) in a.samples.iter().zip(&b.samples) {
            assert!((p.off_plane_m + q.off_plane_m).abs() < 1e-9 && (p.h_m - q.h_m).abs() < 1e-9);
        }
    }
}

/// Known forward direction decides; turned round it turns every stroke and the cast frame.
#[test]
fn a_known_forward_direction_decides() {
    let paths = casts();
    for (forward, first) in [([1.0, 0.1], Direction::Back), ([-1.0, 0.2], Direction::Forward)] {
        let config = StrokesConfig { forward_in_world: Some(forward), ..no_draws() };
        let outcome = measure(&paths, &config).unwrap();
        assert_eq!(outcome.strokes[0].direction, first);
        for s in &outcome.strokes {
            let run = s.chord_in_cast[1] - s.chord_in_cast[0];
            assert_eq!(run.x > 0.0, s.direction == Direction::Forward);
            assert!(run.y.abs() < 0.15 * run.x.abs() && s.chord_in_cast[0].z > 2.0);
        }
    }
    let back = StrokesConfig { last_stroke: Some(Direction::Back), ..no_draws() };
    assert_eq!(measure(&paths, &back).unwrap().strokes[0].direction, Direction::Forward);
}

/// The samples of a stroke repeat the figures: h at the ends of the chord is zero, forward runs along +X.
#[test]
fn samples_lie_in_the_cast_plane() {
    let outcome = measure(&casts(), &no_draws()).unwrap();
    for s in &outcome.strokes {
        let (start, rsp) = (s.figures.get(F::TStart).unwrap().value, s.figures.get(F::TRsp).unwrap().value);
        let first = s.samples.iter().find(|p| p.t_s >= start).unwrap();
        assert!(first.h_m.abs() < 0.03 && first.s_m.abs() < 0.05);
        let dome =
            s.samples.iter().filter(|p| p.t_s >= start && p.t_s <= rsp).map(|p| p.h_m).fold(0.0, f64::max);
        assert!((dome - s.figures.get(F::DomeHeight).unwrap().value).abs() < 0.003);
        assert!(s.samples.first().unwrap().t_s < start && s.samples.last().unwrap().t_s > rsp);
    }
}

/// One thread or many: not a bit differs.
#[test]
fn threads_do_not_matter() {
    let paths = casts();
    let run = |threads| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| measure(&paths, &StrokesConfig { synthetic_draws: 20, ..StrokesConfig::default() }))
            .unwrap()
    };
    assert_eq!(run(1), run(3));
}

#[test]
fn unusable_paths_say_which_sample() {
    let paths = casts();
    let with = |change: fn(&mut MarkerPath)| {
        let mut p = paths.clone();
        change(&mut p.tip);
        measure(&p, &no_draws()).unwrap_err()
    };
    assert_eq!(
        with(|p| p.samples[17].position_in_world.z = f64::NAN),
        StrokesError::NotFinite { marker: "tip", sample_idx: 17 }
    );
    assert_eq!(
        with(|p| p.samples[20].t_s = p.samples[19].t_s),
        StrokesError::NotIncreasing { marker: "tip", sample_idx: 20 }
    );
    assert!(matches!(with(|p| p.samples.truncate(3)), StrokesError::TooShort { got: 3, .. }));
}

#[test]
fn a_path_without_motion_has_no_strokes() {
    let still = tip_only(path(FPS, 0.0, 2.0, |_| Point3::new(1.0, 2.0, 3.0)));
    let outcome = measure(&still, &no_draws()).unwrap();
    assert!(outcome.strokes.is_empty() && outcome.warnings.len() == 1);
}
