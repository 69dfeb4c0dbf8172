//! Standard deviations against simulated noise.

use std::collections::BTreeMap;

use nalgebra::Point3;

use crate::model::FigureId as F;

use super::made::{FPS, Sequence, noisy, path, tip_only};
use super::{StrokesConfig, measure};

fn coverage(shape: impl Fn(f64) -> f64, runs: u64) -> BTreeMap<F, (usize, usize)> {
    let sequence = Sequence::false_casts(6, 0.7);
    let clean = path(FPS, 0.0, sequence.end_s() + 1.5, |t| {
        let x = sequence.x_m(t);
        Point3::new(x, 0.0, 3.0 + shape(x))
    });
    let config = StrokesConfig { synthetic_draws: 200, ..StrokesConfig::default() };
    let truth = measure(&tip_only(clean.clone()), &config).unwrap();
    let mut out: BTreeMap<F, (usize, usize)> = BTreeMap::new();
    for seed in 0..runs {
        let noisy = noisy(&clean, 1000 + seed, config.noise_correlation_samples);
        let got = measure(&tip_only(noisy), &StrokesConfig { seed, ..config.clone() }).unwrap();
        assert_eq!(got.strokes.len(), truth.strokes.len());
        for (t, g) in truth.strokes.iter().zip(&got.strokes) {
            for (id, m) in &t.figures.values {
                let Some(g) = g.figures.get(*id) else { continue };
                let (all, held) = out.entry(*id).or_default();
                *all += 1;
                *held += usize::from((g.value - m.value).abs() <= g.half_width_95());
            }
        }
    }
    out
}

/// 95 % intervals hold the truth in 93 to 97 % of cases. 600 cases a figure: the count itself is known to 0.9 %.
#[test]
fn intervals_are_honest() {
    let got = coverage(|x| 0.05 * (2.2 * x).cos() - 0.04 * (4.0 * x).sin(), 100);
    let plain = [
        F::TStart,
        F::TStop,
        F::Duration,
        F::Chord,
        F::ChordAngle,
        F::Travel,
        F::DipDepth,
        F::DomeHeight,
        F::SlpRms,
        F::Straightness,
        F::PeakSpeed,
        F::Stop,
        F::Pause,
    ];
    // the moment of a peak moves with the curvature that noise itself gives the peak: intervals are a little narrow
    let at_a_peak = [F::TRsp, F::LatePower];
    let report: Vec<String> = plain
        .iter()
        .chain(&at_a_peak)
        .map(|id| format!("{} {:.3}", id.info().key, got[id].1 as f64 / got[id].0 as f64))
        .collect();
    println!("coverage of 95 % intervals: {}", report.join(", "));
    for (id, least) in plain.iter().map(|id| (id, 0.93)).chain(at_a_peak.iter().map(|id| (id, 0.91))) {
        let (all, held) = got[id];
        let share = held as f64 / all as f64;
        assert!((least..=0.97).contains(&share), "{id:?} {share}");
    }
}

/// Near zero a size is biased upwards by noise; its sd owns that: a straight path never claims a dip.
#[test]
fn near_zero_intervals_still_hold_the_truth() {
    let got = coverage(|_| 0.0, 40);
    for id in [F::DipDepth, F::DomeHeight, F::SlpRms, F::Straightness, F::OffPlaneMax, F::Opposite] {
        let (all, held) = got[&id];
        assert!(held as f64 >= 0.93 * all as f64, "{id:?} {held} of {all}");
    }
}
