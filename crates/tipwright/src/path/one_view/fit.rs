//! The plane nearest to a tip's fast movement.

use nalgebra::{Matrix2, Point3, Vector2, Vector3};

use crate::math::median;
use crate::model::{ButtBeside, OffPlane, PathSample, RodPaths, TipPlane};

/// What is slower does not count: a stroke begins at a fifth of its peak of 15 m/s and more (published tip speeds).
const FAST_M_S: f64 = 3.0;
/// Fewest seconds of fast movement: two short strokes.
const FEWEST_S: f64 = 0.5;
/// How far a plane leans beforehand, as a slope: a rod is held 0 to 20 degrees aside (common practice). Only a path so level that its
/// lean cannot be told is held by it.
const LEAN_SD: f64 = 0.15;
/// What the tip does off the plane goes together over about this long: so many instants of a path tell of its lean as go into it.
const TOGETHER_S: f64 = 0.1;
/// Later by these, seconds: within a stroke (0.2 to 0.5 s) and from one to the next.
const LAGS_S: [f64; 8] = [0.0, 0.02, 0.05, 0.1, 0.15, 0.25, 0.4, 0.8];

/// The plane of a take that two cameras measured; `None` where the tip is fast for less than half a second.
#[must_use]
pub fn tip_plane(rod: &RodPaths) -> Option<TipPlane> {
    let is_fast = |s: &&PathSample| s.views >= 2 && s.velocity_in_world_m_s.norm() > FAST_M_S;
    let fast: Vec<&PathSample> = rod.tip.samples.iter().filter(is_fast).collect();
    let step_s = median(rod.tip.samples.windows(2).map(|w| w[1].t_s - w[0].t_s))?;
    if !(fast.len() as f64 * step_s >= FEWEST_S) {
        return None;
    }
    let n = fast.len() as f64;
    let middle = Point3::from(fast.iter().map(|s| s.position_in_world.coords).sum::<Vector3<f64>>() / n);
    let from_middle: Vec<Vector3<f64>> = fast.iter().map(|s| s.position_in_world - middle).collect();
    let normal = normal_of(&from_middle, step_s)?;
    let off: Vec<(f64, f64)> = fast.iter().zip(&from_middle).map(|(s, r)| (s.t_s, normal.dot(r))).collect();
    let butts = rod.butts.iter().filter_map(|butt| {
        let mut at = 0;
        let mut sum = (0.0, 0.0);
        for s in butt.path.samples.iter().filter(|s| s.views >= 2) {
            while at < fast.len() && fast[at].t_s < s.t_s {
                at += 1;
            }
            if fast.get(at).is_some_and(|f| f.t_s == s.t_s) {
                sum = (sum.0 + normal.dot(&(s.position_in_world - middle)), sum.1 + 1.0);
            }
        }
        (sum.1 * step_s >= FEWEST_S).then(|| ButtBeside { role: butt.role, mean_m: sum.0 / sum.1 })
    });
    Some(TipPlane {
        middle_m: middle.coords.into(),
        normal: normal.into(),
        off_plane: LAGS_S.iter().filter_map(|lag_s| covariance(&off, *lag_s, step_s)).collect(),
        butts: butts.collect(),
    })
}

/// Normal of the plane through the middle that is nearest to the points, level distances counted.
fn normal_of(from_middle: &[Vector3<f64>], step_s: f64) -> Option<Vector3<f64>> {
    let sum = |f: &dyn Fn(&Vector3<f64>) -> f64| from_middle.iter().map(f).sum::<f64>();
    let (xx, xy, yy) = (sum(&|r| r.x * r.x), sum(&|r| r.x * r.y), sum(&|r| r.y * r.y));
    let azimuth_rad = 0.5 * (2.0 * xy).atan2(xx - yy);
    let along = Vector3::new(azimuth_rad.cos(), azimuth_rad.sin(), 0.0);
    let left = Vector3::z().cross(&along);
    let (s, y) = (|r: &Vector3<f64>| r.dot(&along), |r: &Vector3<f64>| r.dot(&left));
    let right_side = Vector2::new(sum(&|r| s(r) * y(r)), sum(&|r| r.z * y(r)));
    let mut solved = Vector2::zeros();
    let mut ridge = 0.0;
    for _ in 0..2 {
        let (ss, sz, zz) = (sum(&|r| s(r) * s(r)), sum(&|r| s(r) * r.z), sum(&|r| r.z * r.z));
        solved = Matrix2::new(ss, sz, sz, zz + ridge).lu().solve(&right_side)?;
        let rest = sum(&|r| (y(r) - solved.x * s(r) - solved.y * r.z).powi(2)) / from_middle.len() as f64;
        ridge = rest / (LEAN_SD * LEAN_SD) * (TOGETHER_S / step_s).max(1.0);
    }
    let normal = left - along * solved.x - Vector3::z() * solved.y;
    normal.iter().all(|v| v.is_finite()).then(|| normal.normalize())
}

/// Mean product of distances a lag apart; `None` where too few instants have one.
fn covariance(off: &[(f64, f64)], lag_s: f64, step_s: f64) -> Option<OffPlane> {
    let (mut sum, mut n, mut later) = (0.0, 0.0, 0);
    for (t_s, off_m) in off {
        while later < off.len() && off[later].0 < t_s + lag_s - 0.5 * step_s {
            later += 1;
        }
        if let Some((_, later_m)) = off.get(later).filter(|l| (l.0 - t_s - lag_s).abs() <= 0.51 * step_s) {
            sum += off_m * later_m;
            n += 1.0;
        }
    }
    (n * step_s >= 0.2).then(|| OffPlane { lag_s, covariance_m2: sum / n })
}
