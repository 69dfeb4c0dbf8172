//! How often the legs cross, from what all cameras and looks say together, with probabilities.

use super::LoopConfig;
use super::geometry::crossings;
use super::paths::{LegStart, Legs, SAMPLES};
use crate::math::median;

/// Profiles count by this power of the share of the fly leg that is seen, and need this much of each leg.
const SEEN_POWER: i32 = 4;
const LEAST_SEEN: [f64; 2] = [0.6, 0.4];
/// Least error of a separation: how well a leg is placed.
const FLOOR_M: f64 = 0.012;
/// Scatter that the fit over travel counts with.
const SCATTER_M: f64 = 0.015;

/// Probabilities that the legs cross not at all, once, twice or oftener at the standard moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Crossings {
    pub probability: [f64; 3],
}

impl Crossings {
    /// The likeliest number with its probability.
    pub fn likeliest(&self) -> (u32, f64) {
        let p = self.probability;
        let best = (0..3).fold(0, |b, k| if p[k] > p[b] { k } else { b });
        (best as u32, p[best])
    }
}

/// Weighted robust straight line over travel at one sample: value at the standard moment, scatter.
fn at_standard(rows: &[(f64, f64, f64)]) -> (f64, f64) {
    let mut kept: Vec<f64> = rows.iter().map(|r| r.2).collect();
    let mut out = (f64::NAN, f64::NAN);
    let spread =
        rows.iter().map(|r| r.0).fold(f64::MIN, f64::max) - rows.iter().map(|r| r.0).fold(f64::MAX, f64::min);
    for _ in 0..8 {
        let (mut n, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for ((x, y, _), w) in rows.iter().zip(&kept) {
            (n, sx, sy, sxx, sxy) = (n + w, sx + w * x, sy + w * y, sxx + w * x * x, sxy + w * x * y);
        }
        let det = n * sxx - sx * sx;
        let slope = if spread > 0.2 && det > 1e-9 { (n * sxy - sx * sy) / det } else { 0.0 };
        let value = (sy - slope * sx) / n;
        let off: Vec<f64> = rows.iter().map(|(x, y, _)| (y - value - slope * x).abs()).collect();
        let scatter = (1.4826 * median(off.iter().copied()).unwrap_or(f64::NAN)).max(SCATTER_M);
        for ((w, r), row) in kept.iter_mut().zip(&off).zip(rows) {
            *w = row.2 / (1.0 + (r / (2.0 * scatter)).powi(2));
        }
        out = (value, scatter);
    }
    out
}

/// Crossings from both legs at looks about the standard moment, each with what its camera's place makes it worth; `None`
/// when too few are seen. `apart_sd_m`: error common
/// to all of a leg, from its unknown distance off the plane.
pub(super) fn crossings_of(
    looks: &[(Legs, LegStart, f64)],
    apart_sd_m: f64,
    config: &LoopConfig,
) -> Option<Crossings> {
    let used: Vec<(&Legs, f64)> = looks
        .iter()
        .filter(|(l, ..)| l.seen[0] >= LEAST_SEEN[0] && l.seen[1] >= LEAST_SEEN[1])
        .map(|(l, _, trust)| (l, trust * l.seen[1].powi(SEEN_POWER)))
        .collect();
    let start = looks.first()?.1;
    if used.len() < 2 {
        return None;
    }
    let mut scatters = Vec::new();
    let mut leg = |of: fn(&Legs) -> &[f64; SAMPLES]| -> [f64; SAMPLES] {
        std::array::from_fn(|k| {
            let rows: Vec<(f64, f64, f64)> =
                used.iter().map(|(l, w)| (l.travel_m - config.standard_travel_m, of(l)[k], *w)).collect();
            let (value, scatter) = at_standard(&rows);
            scatters.push(scatter);
            value
        })
    };
    let (rod, fly) = (leg(|l| &l.rod_m), leg(|l| &l.fly_m));
    let apart: [f64; SAMPLES] = std::array::from_fn(|k| fly[k] - rod[k]);
    // from the width's section on, by its definition
    let section = (0..SAMPLES).find(|k| {
        let behind_m = start.sample_m(*k, config.standard_travel_m);
        behind_m >= config.least_section_m && apart[*k].abs() <= 2.0 * behind_m
    })?;
    // looks share two of three frames
    let independent = (used.len() as f64 / 2.0).max(1.0);
    let sd_m = (median(scatters).unwrap_or(f64::NAN) / independent.sqrt()).hypot(FLOOR_M).hypot(apart_sd_m);
    let side = apart[section].signum();
    let mut probability = [0.0; 3];
    for k in -30..=30 {
        let z = 0.1 * f64::from(k);
        let shifted: Vec<(f64, f64)> =
            apart[section..].iter().map(|w| (0.0, side * (w + z * sd_m))).collect();
        probability[crossings(&shifted, config.least_crossing_m).min(2) as usize] += (-0.5 * z * z).exp();
    }
    let total: f64 = probability.iter().sum();
    Some(Crossings { probability: probability.map(|p| p / total) })
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: LegStart = LegStart { behind_m: 0.25, heights_m: [-0.2, 0.2], standard_m: 1.5 };

    /// A rod leg that falls to the tip by `fall_m`, and a fly leg with a wave of `depth_m`.
    fn all(fall_m: f64, depth_m: f64) -> Vec<(Legs, LegStart, f64)> {
        (0..6)
            .map(|i| {
                let travel_m = 1.25 + 0.1 * f64::from(i);
                let rod_m = std::array::from_fn(|k| {
                    let behind_m = START.sample_m(k, travel_m);
                    -0.2 - fall_m * (behind_m - 0.25) / (travel_m - 0.25)
                });
                let fly_m = std::array::from_fn(|k| {
                    let behind_m = START.sample_m(k, 1.5);
                    0.2 - depth_m * (-((behind_m - 0.85) / 0.2).powi(2)).exp()
                });
                (Legs { travel_m, rod_m, fly_m, seen: [1.0, 1.0] }, START, 1.0)
            })
            .collect()
    }

    fn said(fall_m: f64, depth_m: f64) -> Crossings {
        crossings_of(&all(fall_m, depth_m), 0.01, &LoopConfig::default()).unwrap()
    }

    #[test]
    fn crossings_are_counted_with_their_certainty() {
        assert_eq!(said(0.0, 0.2).likeliest().0, 0);
        let twice = said(0.0, 0.6);
        assert_eq!(twice.likeliest().0, 2);
        assert!(twice.likeliest().1 > 0.99);
        let once = said(-0.7, 0.0);
        assert_eq!(once.likeliest().0, 1);
        assert!(once.likeliest().1 > 0.99);
        // on the edge it says so
        let edge = said(-0.43, 0.0).probability;
        assert!((edge[0] - 0.5).abs() < 0.1 && (edge[1] - 0.5).abs() < 0.1, "{edge:?}");
    }

    #[test]
    fn a_few_wrong_looks_change_nothing_and_unseen_ones_are_left_out() {
        let mut looks = all(0.0, 0.2);
        looks[1].0.fly_m = [-0.4; SAMPLES];
        assert_eq!(crossings_of(&looks, 0.01, &LoopConfig::default()).unwrap().likeliest().0, 0);
        for (legs, ..) in &mut looks {
            legs.seen = [0.9, 0.2];
        }
        assert!(crossings_of(&looks, 0.01, &LoopConfig::default()).is_none());
    }
}
