//! Which strokes are the same, and how far their figures are off.

use std::collections::BTreeMap;

use serde::Serialize;
use tipwright::model::FigureId;

use super::ScoreConfig;
use super::read::{StrokeRow, Take};

/// A stroke of the results and the true one it stands for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    pub result_idx: usize,
    pub truth_idx: usize,
}

impl StrokeRow {
    /// Start of W.
    pub fn start_s(&self) -> Option<f64> {
        self.figures.get(&FigureId::TStart).map(|m| m.value)
    }

    /// The stop.
    pub fn stop_s(&self) -> Option<f64> {
        self.figures.get(&FigureId::TStop).map(|m| m.value)
    }

    /// How far two strokes are apart in time: at rod straight position, else (a gap can cost a stroke one) at the start,
    /// else at the stop.
    fn apart_s(&self, other: &Self) -> Option<f64> {
        [FigureId::TRsp, FigureId::TStart, FigureId::TStop].iter().find_map(|id| {
            let (a, b) = (self.figures.get(id)?, other.figures.get(id)?);
            Some((a.value - b.value).abs())
        })
    }
}

/// Nearest in time first, each stroke once.
pub fn pair(take: &Take, truth: &Take, config: &ScoreConfig) -> Vec<Pair> {
    let mut near: Vec<(f64, Pair)> = Vec::new();
    for (result_idx, a) in take.strokes.iter().enumerate() {
        for (truth_idx, b) in truth.strokes.iter().enumerate() {
            if let Some(apart_s) = a.apart_s(b).filter(|s| *s <= config.match_within_s) {
                near.push((apart_s, Pair { result_idx, truth_idx }));
            }
        }
    }
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out: Vec<Pair> = Vec::new();
    for (_, p) in near {
        if out.iter().all(|q| q.result_idx != p.result_idx && q.truth_idx != p.truth_idx) {
            out.push(p);
        }
    }
    out.sort_by_key(|p| p.truth_idx);
    out
}

/// One comparison.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FigurePoint {
    /// Take.
    pub take: String,
    /// Number of the true stroke.
    pub stroke: u64,
    /// Truth.
    pub truth: f64,
    /// Result.
    pub result: f64,
    /// Its stated standard deviation; absent when none was stated.
    pub sd: Option<f64>,
    /// The truth lies in the stated interval. Absent where none was stated, or one of no width about the truth itself: a
    /// count that agrees says nothing about an interval.
    pub inside: Option<bool>,
}

/// A figure over all strokes found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FigureScore {
    /// Column.
    pub key: &'static str,
    /// Name.
    pub name: &'static str,
    /// Unit.
    pub unit: &'static str,
    /// Strokes compared.
    pub count: usize,
    /// Strokes found whose figure has a truth but no result.
    pub absent: usize,
    /// Mean of result minus truth.
    pub bias: f64,
    /// Root mean square of result minus truth.
    pub rmse: f64,
    /// Half of the errors are smaller.
    pub median_abs: f64,
    /// Largest error.
    pub worst_abs: f64,
    /// Root mean square of the stated standard deviations.
    pub stated_sd: Option<f64>,
    /// Comparisons with a stated interval.
    pub with_interval: usize,
    /// Of those, with the truth inside.
    pub inside: usize,
    /// Their share.
    pub inside_share: Option<f64>,
    /// Root mean square of error over stated standard deviation: 1 when the intervals are as wide as the errors.
    pub z_rms: Option<f64>,
    /// Every comparison.
    pub points: Vec<FigurePoint>,
}

/// Comparisons by figure.
#[derive(Default)]
pub struct Collected {
    points: BTreeMap<FigureId, Vec<FigurePoint>>,
    absent: BTreeMap<FigureId, usize>,
}

impl Collected {
    /// Enters the pairs of a take.
    pub fn add(&mut self, name: &str, take: &Take, truth: &Take, pairs: &[Pair], config: &ScoreConfig) {
        // creep and drift are the upper grip marker's where the take has one, along a chord that ends by the speed in some of its strokes: of
        // those there is no true value
        let has_butt = take.strokes.iter().any(|s| !s.is_by_tip);
        for p in pairs {
            let (result, there) = (&take.strokes[p.result_idx], &truth.strokes[p.truth_idx]);
            // W ends at another instant when rod straight position is taken from speed: then so do the true figures
            let by_tip = truth.strokes_by_tip.iter().find(|s| s.stroke == there.stroke);
            let same = by_tip.filter(|_| result.is_by_tip && !there.is_by_tip).unwrap_or(there);
            for id in
                there.figures.keys().chain(same.figures.keys().filter(|id| !there.figures.contains_key(id)))
            {
                let is_butt_s = matches!(id, FigureId::Creep | FigureId::Drift) && has_butt;
                if is_butt_s && result.is_by_tip && !there.is_by_tip {
                    continue;
                }
                let Some(true_value) = same.figures.get(id) else {
                    *self.absent.entry(*id).or_default() += 1;
                    continue;
                };
                let Some(measured) = result.figures.get(id) else {
                    *self.absent.entry(*id).or_default() += 1;
                    continue;
                };
                let sd = measured.sd.is_finite().then_some(measured.sd);
                let error = (measured.value - true_value.value).abs();
                self.points.entry(*id).or_default().push(FigurePoint {
                    take: name.to_owned(),
                    stroke: there.stroke,
                    truth: true_value.value,
                    result: measured.value,
                    sd,
                    inside: sd
                        .filter(|sd| *sd > 0.0 || error > 0.0)
                        .map(|sd| error <= config.interval_sds * sd),
                });
            }
        }
    }

    /// In column order; figures that were never compared but should have been come with a count of 0.
    pub fn scores(self) -> Vec<FigureScore> {
        FigureId::ALL
            .iter()
            .filter_map(|id| {
                let points = self.points.get(id).cloned().unwrap_or_default();
                let absent = self.absent.get(id).copied().unwrap_or(0);
                (!points.is_empty() || absent > 0).then(|| one(*id, points, absent))
            })
            .collect()
    }
}

fn one(id: FigureId, points: Vec<FigurePoint>, absent: usize) -> FigureScore {
    let info = id.info();
    let n = points.len();
    let errors: Vec<f64> = points.iter().map(|p| p.result - p.truth).collect();
    let mean = |f: &dyn Fn(f64) -> f64| {
        if n == 0 { f64::NAN } else { errors.iter().map(|e| f(*e)).sum::<f64>() / n as f64 }
    };
    let mut sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let sds: Vec<f64> = points.iter().filter_map(|p| p.sd).collect();
    let with_interval = points.iter().filter(|p| p.inside.is_some()).count();
    let inside = points.iter().filter(|p| p.inside == Some(true)).count();
    let z: Vec<f64> =
        points.iter().filter_map(|p| Some((p.result - p.truth) / p.sd.filter(|sd| *sd > 0.0)?)).collect();
    FigureScore {
        key: info.key,
        name: info.name,
        unit: info.unit,
        count: n,
        absent,
        bias: mean(&|e| e),
        rmse: mean(&|e| e * e).sqrt(),
        median_abs: sizes.get(n / 2).copied().unwrap_or(f64::NAN),
        worst_abs: sizes.last().copied().unwrap_or(f64::NAN),
        stated_sd: (!sds.is_empty())
            .then(|| (sds.iter().map(|s| s * s).sum::<f64>() / sds.len() as f64).sqrt()),
        with_interval,
        inside,
        inside_share: (with_interval > 0).then(|| inside as f64 / with_interval as f64),
        z_rms: (!z.is_empty()).then(|| (z.iter().map(|z| z * z).sum::<f64>() / z.len() as f64).sqrt()),
        points,
    }
}
