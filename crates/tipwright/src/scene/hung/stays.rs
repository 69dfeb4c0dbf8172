//! Places where a wand hung still, in the picture of one camera.

use super::{HungConfig, HungError, HungInput, no_wand};
use crate::math::median;
use crate::model::{Colour, Severity, Warning, ball_area_px2};
use crate::scene::rest::{CENTROID_FLOOR_PX, LEAST_UPRIGHT, RIVAL_SHARE, Rest, rest_point};
use crate::scene::wand::WandConfig;
use crate::tracks::tracklets::{Sighting, Tracklet, link};

/// Window over which a mark is judged to be still, seconds: half of it before, half after.
const WINDOW_S: f64 = 1.0;
/// Pieces of track at one place are one stay when the one begins so long before or after the end of the other, seconds: a hand passes
/// before it, or a track went astray and came back.
const HIDDEN_S: f64 = 1.0;
/// Farthest and nearest that a wand is looked for, metres: no phone sees a marker from farther, none has a wand of a metre in the picture
/// from nearer.
const AWAY_M: [f64; 2] = [2.0, 40.0];
/// Marks nearer to each other than this share of what is still are the same: a track that went astray for a while is there twice.
const SAME_SHARE: f64 = 0.25;
/// Share of a stay's time for which a mark may go on to lie where it lay before: more, and it stands there all the while.
const LINGERS_SHARE: f64 = 0.2;

/// A mark that keeps still.
struct Stay {
    samples: Vec<Sighting>,
}

impl Stay {
    fn span_s(&self) -> [f64; 2] {
        let at = |s: Option<&Sighting>| s.map_or(f64::NAN, |s| s.own_s);
        [at(self.samples.first()), at(self.samples.last())]
    }

    fn middle(&self) -> [f64; 2] {
        let axis = |i: usize| median(self.samples.iter().map(|s| s.ray[i])).unwrap_or(f64::NAN);
        [axis(0), axis(1)]
    }
}

/// A wand at a place: half of its picture and the middle of it, at rest.
#[derive(Debug, Clone, Copy)]
pub(super) struct Placement {
    /// Both ends still, seconds of the clip.
    pub still_s: [f64; 2],
    /// Middle of both ends, undistorted.
    pub middle: Rest,
    /// From the middle to the upper end.
    pub half: Rest,
    /// Sightings of both ends.
    pub sightings: u64,
}

/// The two places, the one filmed first before the other.
pub(super) struct Placements {
    pub both: [Placement; 2],
    pub warnings: Vec<Warning>,
}

/// Two stays above each other.
struct Pair {
    /// Upper and lower.
    ends: [usize; 2],
    span_s: [f64; 2],
    worth: f64,
}

impl Pair {
    fn seconds(&self) -> f64 {
        self.span_s[1] - self.span_s[0]
    }
}

fn overlap_s(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[1].min(b[1]) - a[0].max(b[0])
}

/// Finds the two places at which the wand hung.
pub(super) fn placements(
    input: &HungInput,
    config: &WandConfig,
    colour: Colour,
) -> Result<Placements, HungError> {
    // hung still, a row's own time says nothing
    let tracks = link(input.clip, input.lens, 0.0, colour, &config.link);
    let stays = stays(&tracks, &config.hung);
    let pairs = pairs(input, config, &stays);
    let Some(best) = pairs.iter().max_by(|a, b| a.worth.total_cmp(&b.worth)) else {
        return Err(no_wand(input, &config.hung));
    };
    // the wand left the one place before it came to the other: what lies there all the while is none
    let lingers = |pair: &Pair, then: &Pair| {
        pair.ends.iter().any(|i| overlap_s(stays[*i].span_s(), then.span_s) > LINGERS_SHARE * then.seconds())
    };
    let middles: Vec<[f64; 2]> = stays.iter().map(Stay::middle).collect();
    let apart_rad = |a: &Pair, b: &Pair| {
        let of = |end: usize| {
            let (p, q) = (middles[a.ends[end]], middles[b.ends[end]]);
            (p[0] - q[0]).hypot(p[1] - q[1])
        };
        of(0).max(of(1))
    };
    let is_another = |p: &Pair, q: &Pair| {
        overlap_s(p.span_s, q.span_s) <= 0.0
            && apart_rad(p, q) > config.hung.still_rad
            && !lingers(p, q)
            && !lingers(q, p)
    };
    let mut found: Vec<(f64, usize, usize)> = Vec::new();
    for (i, p) in pairs.iter().enumerate() {
        for (j, q) in pairs.iter().enumerate() {
            if p.span_s[0] < q.span_s[0] && is_another(p, q) {
                found.push((p.worth.min(q.worth), i, j));
            }
        }
    }
    let camera = || input.clip.camera.clone();
    let Some(&(worth, first, second)) = found.iter().max_by(|a, b| a.0.total_cmp(&b.0)) else {
        let [from_s, to_s] = best.span_s;
        return Err(HungError::OnePlace { camera: camera(), from_s, to_s });
    };
    let chosen = [&pairs[first], &pairs[second]];
    let contradicts = |other: &Pair| {
        chosen.iter().any(|c| {
            overlap_s(c.span_s, other.span_s) > 0.0
                && apart_rad(c, other) > SAME_SHARE * config.hung.still_rad
        })
    };
    let rivals = found.iter().filter(|f| f.0 > RIVAL_SHARE * worth);
    if rivals.flat_map(|f| [f.1, f.2]).any(|k| contradicts(&pairs[k])) {
        return Err(HungError::Ambiguous { camera: camera() });
    }
    let elsewhere = pairs.iter().find(|p| chosen.iter().all(|c| is_another(p, c)));
    let warnings = elsewhere.map(|p| {
        Warning::new(
            Severity::Warning,
            format!("scene, plumb clip of {}", camera()),
            format!(
                "the wand also seems to hang still at {:.1} to {:.1} s; the two places where it is seen best were taken",
                p.span_s[0], p.span_s[1]
            ),
            "Hang it at two places, and carry it without a rest between them",
        )
    });
    let both = chosen.map(|pair| placement(input, &stays, pair));
    Ok(Placements { both, warnings: warnings.into_iter().collect() })
}

/// Marks that keep still for long enough; broken tracks at the same place count as one.
fn stays(tracks: &[Tracklet], config: &HungConfig) -> Vec<Stay> {
    let mut out: Vec<Stay> = Vec::new();
    let mut pieces: Vec<Vec<Sighting>> = tracks.iter().flat_map(|t| still_parts(t, config)).collect();
    pieces.sort_by(|a, b| a[0].own_s.total_cmp(&b[0].own_s));
    for piece in pieces {
        let piece = Stay { samples: piece };
        let [from_s, _] = piece.span_s();
        let at = piece.middle();
        let same = out.iter_mut().find(|stay| {
            let [_, to_s] = stay.span_s();
            let other = stay.middle();
            (from_s - to_s).abs() < HIDDEN_S
                && (at[0] - other[0]).hypot(at[1] - other[1]) < 0.5 * config.still_rad
        });
        match same {
            Some(stay) => {
                stay.samples.extend(piece.samples);
                stay.samples.sort_by(|a, b| a.own_s.total_cmp(&b.own_s));
            }
            None => out.push(piece),
        }
    }
    let long = |s: &Stay| s.span_s()[1] - s.span_s()[0] >= config.shortest_s && s.samples.len() >= 10;
    out.retain(long);
    out
}

/// Parts of a track of which every sighting lies in the middle of a window without much movement.
fn still_parts(track: &Tracklet, config: &HungConfig) -> Vec<Vec<Sighting>> {
    let all = &track.sightings;
    let mut parts: Vec<Vec<Sighting>> = Vec::new();
    let (mut from, mut to) = (0, 0);
    let mut was_still = false;
    for s in all {
        while all[from].own_s < s.own_s - 0.5 * WINDOW_S {
            from += 1;
        }
        while to < all.len() && all[to].own_s <= s.own_s + 0.5 * WINDOW_S {
            to += 1;
        }
        // a sighting of something else in between is no movement
        let reach = |axis: usize| {
            let mut places: Vec<f64> = all[from..to].iter().map(|o| o.ray[axis]).collect();
            places.sort_by(f64::total_cmp);
            let aside = places.len() / 20;
            places[places.len() - 1 - aside] - places[aside]
        };
        let is_still = reach(0).hypot(reach(1)) < config.still_rad;
        match (is_still, was_still, parts.last_mut()) {
            (true, true, Some(part)) => part.push(*s),
            (true, ..) => parts.push(vec![*s]),
            _ => {}
        }
        was_still = is_still;
    }
    parts
}

/// Stays above each other, seen together, as large as the wand's markers would be so far away.
fn pairs(input: &HungInput, config: &WandConfig, stays: &[Stay]) -> Vec<Pair> {
    let most = config.gate.most_size_ratio.ln();
    let focal_px = input.lens.fx_px;
    let middles: Vec<[f64; 2]> = stays.iter().map(Stay::middle).collect();
    let areas: Vec<f64> =
        stays.iter().map(|s| median(s.samples.iter().map(|s| s.area_px2)).unwrap_or(f64::NAN)).collect();
    let mut out = Vec::new();
    for (i, upper) in stays.iter().enumerate() {
        for (j, lower) in stays.iter().enumerate() {
            let between = [middles[j][0] - middles[i][0], middles[j][1] - middles[i][1]];
            let long = between[0].hypot(between[1]);
            let (a, b) = (upper.span_s(), lower.span_s());
            let span_s = [a[0].max(b[0]), a[1].min(b[1])];
            let away_m = input.length_m.value / long;
            if !(i != j
                && between[1] > LEAST_UPRIGHT * long
                && (AWAY_M[0]..AWAY_M[1]).contains(&away_m)
                && span_s[1] - span_s[0] >= config.hung.shortest_s)
            {
                continue;
            }
            let expected_px2 = ball_area_px2(input.diameter_m / away_m * focal_px, 0.0);
            let sizes = [areas[i], areas[j]].map(|area| 0.5 * (area / expected_px2).ln());
            // as large as they are, and as large as each other
            let off = sizes[0].abs().max(sizes[1].abs()).max((sizes[0] - sizes[1]).abs());
            let likeness = 1.0 - off / most;
            if likeness > 0.0 {
                out.push(Pair { ends: [i, j], span_s, worth: likeness * (span_s[1] - span_s[0]) });
            }
        }
    }
    out
}

/// Without what lies farther from the median than six times as far as others do: a swing goes no farther than one and a half times.
fn without_wild(samples: &[(f64, [f64; 2])]) -> Vec<(f64, [f64; 2])> {
    let middle = [0, 1].map(|i| median(samples.iter().map(|s| s.1[i])).unwrap_or(f64::NAN));
    let off = |s: &(f64, [f64; 2])| (s.1[0] - middle[0]).hypot(s.1[1] - middle[1]);
    let usual = median(samples.iter().map(off)).unwrap_or(f64::NAN);
    samples.iter().filter(|s| off(s) <= 6.0 * usual).copied().collect()
}

/// Where the wand is at rest: the middle and the half of it each by itself, for a hand that is not still moves both ends alike.
fn placement(input: &HungInput, stays: &[Stay], pair: &Pair) -> Placement {
    let [upper, lower] = pair.ends.map(|i| &stays[i].samples);
    let (mut middles, mut halves) = (Vec::new(), Vec::new());
    let mut at = 0;
    for u in upper {
        while at < lower.len() && lower[at].frame_pos < u.frame_pos {
            at += 1;
        }
        if let Some(l) = lower.get(at).filter(|l| l.frame_pos == u.frame_pos) {
            let of = |sign: f64| [0, 1].map(|i| 0.5 * (u.ray[i] + sign * l.ray[i]));
            middles.push((u.own_s, of(1.0)));
            halves.push((u.own_s, of(-1.0)));
        }
    }
    let focal_px = input.lens.fx_px;
    let rest = |samples: &[(f64, [f64; 2])]| {
        let found = rest_point(&without_wild(samples), pair.seconds(), focal_px);
        // two centroids with errors of their own
        Rest { sd: found.sd.hypot(CENTROID_FLOOR_PX / focal_px / 2.0_f64.sqrt()), ..found }
    };
    Placement {
        still_s: pair.span_s,
        middle: rest(&middles),
        half: rest(&halves),
        sightings: 2 * middles.len() as u64,
    }
}
