//! Coarse time offset between two clips of cameras that stand somewhere known: the offset at which most of what moves
//! in one picture lies on the epipolar lines of what is seen in the other.
//!
//! After the trajectory-and-epipolar-geometry synchronisation of Albl et al., CVPR 2017, but by exhaustive search of
//! a truncated cost, which cannot be trapped by the period of false casting. Motion along the epipolar lines carries
//! no time; the search then returns several offsets of nearly the same worth, and says so.

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::rays::Epipolar;
use super::tracklets::Tracklet;
use crate::model::Clock;

/// How the search goes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SyncConfig {
    /// Step of the first scan. 2 ms: at 20 m/s and eight metres a wrong ms costs 2 px at most, see `scan_px`.
    pub scan_step_s: f64,
    /// Truncation of the first scan: two steps' worth of error.
    pub scan_px: f64,
    /// Step of the second scan about the best offsets of the first.
    pub fine_step_s: f64,
    /// Truncation of the second scan: a few standard deviations of poses, lens and centres.
    pub fine_px: f64,
    /// Shortest overlap of the clips that may be claimed.
    pub shortest_overlap_s: f64,
    /// Most sightings the scan looks at; more add time, not certainty.
    pub most_sightings: usize,
    /// Best offsets of the first scan that are looked at finely.
    pub peaks: usize,
}

impl Default for SyncConfig {
    fn default() -> Self {
        Self {
            scan_step_s: 0.002,
            scan_px: 8.0,
            fine_step_s: 0.000_25,
            fine_px: 3.0,
            shortest_overlap_s: 0.5,
            most_sightings: 800,
            peaks: 8,
        }
    }
}

/// Result of the search.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SyncFound {
    /// Session offset of b (its own time zero on a's clock).
    pub offset_s: f64,
    /// Weighted share of a's moving sightings in the overlap that are on a line of b, 0 to 1.
    pub agreement: f64,
    /// Worth of the best offset at least 20 ms away, over that of the best: near 1 means undecided.
    pub rival: f64,
    /// How well the best offset stands out: curvature of the worth, as a standard deviation of the offset.
    pub sd_s: f64,
}

/// Most buckets of a look-up: an hour and more of 0.05 s each.
const MOST_BUCKETS: f64 = 1e5;
/// Most offsets that a search tries: half an hour of film against half an hour in steps of 2 ms has 1.8 million.
const MOST_STEPS: f64 = 1e7;

/// Tracks of one camera, looked up by time.
#[derive(Debug, Clone)]
pub struct TrackIndex<'a> {
    tracks: &'a [Tracklet],
    /// Start of the span and bucket width, seconds.
    start_s: f64,
    bucket_s: f64,
    buckets: Vec<Vec<u32>>,
}

impl<'a> TrackIndex<'a> {
    /// Builds the look-up.
    #[must_use]
    pub fn new(tracks: &'a [Tracklet]) -> Self {
        Self::longer_than(0.0, tracks)
    }

    /// Builds the look-up of the tracks that last so long.
    #[must_use]
    pub fn longer_than(least_s: f64, tracks: &'a [Tracklet]) -> Self {
        let spans: Vec<[f64; 2]> = tracks.iter().map(Tracklet::span_s).collect();
        let start_s = spans.iter().map(|s| s[0]).fold(f64::INFINITY, f64::min);
        let end_s = spans.iter().map(|s| s[1]).fold(f64::NEG_INFINITY, f64::max);
        // few buckets, however far apart a broken stamp puts two tracks
        let bucket_s = f64::max(0.05, (end_s - start_s) / MOST_BUCKETS);
        let count = if end_s >= start_s { ((end_s - start_s) / bucket_s) as usize + 1 } else { 0 };
        let mut buckets = vec![Vec::new(); count];
        for (idx, span) in spans.iter().enumerate().filter(|(_, s)| s[1] - s[0] >= least_s) {
            let from = ((span[0] - start_s) / bucket_s) as usize;
            let to = (((span[1] - start_s) / bucket_s) as usize).min(count.saturating_sub(1));
            for bucket in &mut buckets[from..=to] {
                bucket.push(idx as u32);
            }
        }
        Self { tracks, start_s, bucket_s, buckets }
    }

    /// Tracks that may be alive at an own time.
    pub fn live_at(&self, own_s: f64) -> impl Iterator<Item = usize> + '_ {
        let at = (own_s - self.start_s) / self.bucket_s;
        let bucket = if at >= 0.0 { self.buckets.get(at as usize) } else { None };
        bucket.into_iter().flatten().map(|&i| i as usize)
    }

    /// First and last own time.
    #[must_use]
    pub fn span_s(&self) -> [f64; 2] {
        let end = self.tracks.iter().map(|t| t.span_s()[1]).fold(f64::NEG_INFINITY, f64::max);
        [self.start_s, end]
    }
}

/// A sighting of a with its weight.
struct Probe {
    own_s: f64,
    ray: [f64; 2],
    weight: f64,
}

/// A track that lasts so long is surely of one thing; shorter ones count less, for glints and leaves make many by chance.
const SURE_S: f64 = 0.25;
/// Shorter tracks of the other camera are not looked at.
const LEAST_S: f64 = 0.05;

fn probes(tracks: &[Tracklet], most: usize) -> Vec<Probe> {
    let total: usize = tracks.iter().map(|t| t.sightings.len()).sum();
    let every = total.div_ceil(most.max(1)).max(1);
    let mut out = Vec::new();
    let mut counter = 0;
    for track in tracks {
        let [from_s, to_s] = track.span_s();
        let sure = ((to_s - from_s) / SURE_S).min(1.0).powi(2);
        for s in &track.sightings {
            counter += 1;
            if counter % every != 0 {
                continue;
            }
            let Some(state) = track.at(s.own_s) else { continue };
            // what moves tells time; a radian per second is an ordinary speed for a tip
            let speed = state.rate_per_s[0].hypot(state.rate_per_s[1]);
            let weight = sure * (0.01 + speed.min(2.0));
            out.push(Probe { own_s: s.own_s, ray: s.ray, weight });
        }
    }
    out
}

/// Worth and weight in the overlap at one offset.
fn worth(
    probes: &[Probe],
    a_clock: &Clock,
    b: &TrackIndex,
    b_clock: &Clock,
    epipolar: &Epipolar,
    truncation_px: f64,
) -> (f64, f64) {
    let [b_start, b_end] = b.span_s();
    let mut sum = 0.0;
    let mut weight = 0.0;
    for probe in probes {
        let t_s = a_clock.offset_s + (1.0 + a_clock.drift) * probe.own_s;
        let b_own = b_clock.pts_s(t_s);
        if b_own < b_start || b_own > b_end {
            continue;
        }
        weight += probe.weight;
        let mut best = 1.0;
        for idx in b.live_at(b_own) {
            if let Some(state) = b.tracks[idx].at(b_own) {
                let d = epipolar.distance_px(probe.ray, state.ray) / truncation_px;
                best = f64::min(best, d * d);
            }
        }
        sum += probe.weight * (1.0 - best);
    }
    (sum, weight)
}

/// Searches the offset of b against a within `range_s` (session time of b's own zero); `None` when nothing moves in
/// both or nothing agrees.
#[must_use]
pub fn find_offset(
    a: &[Tracklet],
    a_clock: &Clock,
    b: &[Tracklet],
    b_drift: f64,
    epipolar: &Epipolar,
    range_s: Option<[f64; 2]>,
    config: &SyncConfig,
) -> Option<SyncFound> {
    let probes = probes(a, config.most_sightings);
    let index = TrackIndex::longer_than(LEAST_S, b);
    if probes.is_empty() || b.is_empty() {
        return None;
    }
    let a_span = TrackIndex::new(a).span_s();
    let b_span = index.span_s();
    let widest = [
        a_clock.offset_s + a_span[0] - b_span[1] + config.shortest_overlap_s,
        a_clock.offset_s + a_span[1] - b_span[0] - config.shortest_overlap_s,
    ];
    let range = range_s.map_or(widest, |r| [r[0].max(widest[0]), r[1].min(widest[1])]);
    if !(range[1] >= range[0] && range[1] - range[0] < MOST_STEPS * config.scan_step_s) {
        return None;
    }
    let at = |offset_s: f64, px: f64| {
        let clock = Clock { offset_s, drift: b_drift, readout_s: 0.0 };
        worth(&probes, a_clock, &index, &clock, epipolar, px)
    };
    let steps = ((range[1] - range[0]) / config.scan_step_s).ceil() as usize + 1;
    let scan: Vec<f64> = (0..steps)
        .into_par_iter()
        .map(|i| at(range[0] + i as f64 * config.scan_step_s, config.scan_px).0)
        .collect();
    // best local maxima
    let mut maxima: Vec<usize> = (0..steps)
        .filter(|&i| (i == 0 || scan[i] >= scan[i - 1]) && (i + 1 == steps || scan[i] >= scan[i + 1]))
        .collect();
    maxima.sort_by(|&i, &j| scan[j].total_cmp(&scan[i]).then(i.cmp(&j)));
    maxima.truncate(config.peaks);
    let reach = (1.5 * config.scan_step_s / config.fine_step_s).ceil() as i64;
    let mut fine: Vec<(f64, f64)> = maxima
        .par_iter()
        .map(|&i| {
            let centre = range[0] + i as f64 * config.scan_step_s;
            let mut best = (f64::NEG_INFINITY, centre);
            for k in -reach..=reach {
                let offset = centre + k as f64 * config.fine_step_s;
                let value = at(offset, config.fine_px).0;
                if value > best.0 {
                    best = (value, offset);
                }
            }
            best
        })
        .collect();
    fine.sort_by(|p, q| q.0.total_cmp(&p.0).then(p.1.total_cmp(&q.1)));
    let (value, offset_s) = *fine.first()?;
    let (_, weight) = at(offset_s, config.fine_px);
    if !(value > 0.0 && weight > 0.0) {
        return None;
    }
    let rival = fine.iter().filter(|f| (f.1 - offset_s).abs() > 0.02).map(|f| f.0).fold(0.0, f64::max);
    // the vertex of the parabola through three fine steps
    let h = 2.0 * config.fine_step_s;
    let (left, right) = (at(offset_s - h, config.fine_px).0, at(offset_s + h, config.fine_px).0);
    let curvature = (left - 2.0 * value + right) / (h * h);
    let shift = if curvature < 0.0 { (-(right - left) / (2.0 * h) / curvature).clamp(-h, h) } else { 0.0 };
    let sd_s = if curvature < 0.0 {
        (value / -curvature / probes.len() as f64).sqrt().max(0.2 * config.fine_step_s)
    } else {
        config.scan_step_s
    };
    Some(SyncFound { offset_s: offset_s + shift, agreement: value / weight, rival: rival / value, sd_s })
}
