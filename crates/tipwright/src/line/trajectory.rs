//! The trajectory: which way the nose goes, by all cameras together or each by itself.

use super::LoopConfig;
use super::geometry::Flat;
use super::nose::Front;
use super::one_view::OneView;
use super::robust::robust_line;

/// A trajectory less certain than this is none: 4 degrees. One known to 5.4 (a nose that was taken for another on the careless day of seed 41)
/// was 32 off and its loop twice as wide as the true one; of 217 on careless days 9, 12, 31 and 32 and clinic days 8, 13 and 31 nearly all
/// are known to 2. On careless days 42 and 43, filmed afterwards, no angle and no width is beyond 3.5 standard deviations.
const LARGEST_WAY_SD_RAD: f64 = 0.07;
/// Trajectories of two cameras farther apart than this are not of the same thing: 10 degrees, twice what a drift across
/// the plane does to that of a camera that looks along the cast.
const WAYS_APART_RAD: f64 = 0.17;

/// A trajectory with its error in radians.
pub(super) type Way = (Flat, f64);

/// Whether two trajectories cannot be of the same thing.
pub(super) fn apart(a: Way, b: Way) -> bool {
    let rising = |way: Flat| way[1].atan2(way[0]);
    (rising(a.0) - rising(b.0)).abs() > (3.0 * a.1.hypot(b.1)).max(WAYS_APART_RAD)
}

/// Trajectories that are certain enough, and each camera's own: that of all cameras together, or else of the most
/// broadside one. Where they lie apart, one camera followed something else than the nose: each camera's own before that.
pub(super) fn trajectories(
    seen: &[OneView<'_>],
    tip: &dyn Fn(f64) -> Option<Flat>,
    config: &LoopConfig,
) -> (Vec<Way>, Vec<Option<Way>>) {
    let certain = |views: &[OneView<'_>]| {
        trajectory(views, tip, config).filter(|(_, sd_rad)| *sd_rad < LARGEST_WAY_SD_RAD)
    };
    let together = certain(seen);
    let own: Vec<Option<Way>> = (0..seen.len()).map(|i| certain(&seen[i..=i])).collect();
    let ways: Vec<Way> = own.iter().copied().chain([together]).flatten().collect();
    if ways.iter().enumerate().any(|(i, a)| ways[..i].iter().any(|b| apart(*a, *b))) {
        return (ways, own);
    }
    let broadside = own.first().copied().flatten();
    (together.or(broadside).into_iter().collect(), own)
}

/// Direction of the nose's travel over the travel that counts, with its error in radians: the robust straight line through
/// the fronts that all cameras saw.
fn trajectory(
    views: &[OneView<'_>],
    tip: &dyn Fn(f64) -> Option<Flat>,
    config: &LoopConfig,
) -> Option<(Flat, f64)> {
    let within = |f: &&Front| {
        tip(f.t_s).is_some_and(|t| {
            let ahead = f.at[0] - t[0];
            ahead > config.travel_m[0] && ahead < config.travel_m[1]
        })
    };
    let places: Vec<(f64, f64)> =
        views.iter().flat_map(|v| v.nose.fronts.iter().filter(within)).map(|f| (f.at[0], f.at[1])).collect();
    if places.len() < 3 {
        return None;
    }
    let n = places.len() as f64;
    let middle = places.iter().map(|p| p.0).sum::<f64>() / n;
    let line = robust_line(&places, middle)?;
    let spread = (places.iter().map(|p| (p.0 - middle).powi(2)).sum::<f64>() / n).sqrt();
    let length = line.slope.hypot(1.0);
    let sd_rad = line.scatter.max(0.01) / (spread * (line.kept as f64).sqrt());
    (spread > 0.12).then_some(([1.0 / length, line.slope / length], sd_rad))
}
