//! Sightings that are a marker together with something of its colour, or half of it.
//!
//! A marker's size in a camera is known from the solution: its ball at its distance, drawn out as far as it goes while the shutter is open. What
//! is larger is two things, what is much smaller was half hidden, and a streak whose ends the finder could hardly tell lies over something else.
//! "Larger" is beside how large this camera usually sees the marker when it is about as fast.

use std::collections::{BTreeMap, BTreeSet};

use super::gather::Source;
use crate::math::median;
use crate::model::{ClipSpots, RawPixel, ball_area_px2};
use crate::motion::Solution;

/// Sizes, in the usual one, that are not the marker's alone. Set on the simulated careless day of seed 12 (yellow among yellow flowers), whose
/// candidates beside the tip err by 0.59 to 0.85 of what they state (root mean square) up to 1.6, by 2.7 from there to 2, by 5 beyond; by 2 to 5
/// under a third, by 1.5 under 0.4. Checked on what set nothing: of what is larger on careless days 9, 31 and 32 (240 frames a second) 47 to 80 % are off
/// by more than 2.5 standard deviations an axis, and of 22,170 sightings of the clinic day of seed 13 none goes by its size.
const LARGER: f64 = 1.6;
const SMALLER: f64 = 0.4;
/// The same of the standard deviation of a streak's length and of a place, beside a frame in which the marker is missed or between two in which
/// both are as usual: half hidden there. Of 20 and 29 that go by them on that day 7 and 10 are off by more than three standard deviations, of what
/// is left 1 in 1000. Where several frames on end are vague it is the light: of 514 such on the clinic day of seed 13 not one is off.
const VAGUER_STREAK: f64 = 2.0;
const VAGUER_PLACE: f64 = 1.6;
/// As usual: 98 in 100 places of that careless day are.
const AS_USUAL: f64 = 1.3;
/// Frames on either side in which a missed one counts as beside.
const BESIDE: usize = 2;
/// Sightings about as fast by which the usual is known: this share of all, within limits. The upper one keeps a long take cheap.
const ABOUT_SHARE: usize = 8;
const ABOUT: [usize; 2] = [40, 320];
/// Fewer sightings than this say nothing of what is usual.
const FEWEST: usize = 12;
/// Where more than this share of a camera's sightings would go, the light or the marker changed, and all stay. A guess above the 14 % that
/// were two things in one take of careless seed 9.
const MOST_SHARE: f64 = 0.25;
/// How far off a marker is that no other camera sees within this time is little known, and so is how large it should look, seconds.
/// One step of 30 frames a second and a half: reasoned, not fitted.
const FAR_BY_ONE_S: f64 = 0.05;

/// Leaves out sightings that are not the marker alone. `diameters_m` are the markers'.
#[must_use]
pub fn unmixed(
    clips: &[&ClipSpots],
    diameters_m: &[f64],
    solution: &Solution,
    sources: Vec<Source>,
) -> Vec<Source> {
    let t_s = |s: &Source| {
        solution.cameras()[s.view_idx].session_s(clips[s.view_idx].frames[s.frame_pos].pts_s, 0.5)
    };
    let mut seen_s: BTreeMap<usize, Vec<(f64, usize)>> = BTreeMap::new();
    for s in &sources {
        seen_s.entry(s.marker_idx).or_default().push((t_s(s), s.view_idx));
    }
    seen_s.values_mut().for_each(|seen| seen.sort_by(|a, b| a.0.total_cmp(&b.0)));
    let is_seen_by_others = |s: &Source| {
        let (t_s, seen) = (t_s(s), &seen_s[&s.marker_idx]);
        let from = seen.partition_point(|x| x.0 < t_s - FAR_BY_ONE_S);
        seen[from..].iter().take_while(|x| x.0 < t_s + FAR_BY_ONE_S).any(|x| x.1 != s.view_idx)
    };
    let seen: BTreeSet<_> = sources.iter().map(|s| (s.view_idx, s.marker_idx, s.frame_pos)).collect();
    let mut series: BTreeMap<(usize, usize), Vec<(usize, Look)>> = BTreeMap::new();
    for (i, s) in sources.iter().enumerate().filter(|(_, s)| is_seen_by_others(s)) {
        let is_there = |frame_pos| seen.contains(&(s.view_idx, s.marker_idx, frame_pos));
        let beside_missed = !(s.frame_pos.saturating_sub(BESIDE)..=s.frame_pos + BESIDE).all(is_there);
        let look = Look::of(clips[s.view_idx], diameters_m[s.marker_idx], solution, s, beside_missed);
        series.entry((s.view_idx, s.marker_idx)).or_default().extend(look.map(|look| (i, look)));
    }
    let mut goes = vec![false; sources.len()];
    for looks in series.into_values() {
        let n = looks.len();
        let mixed = mixed(looks);
        if mixed.len() as f64 <= MOST_SHARE * n as f64 {
            mixed.into_iter().for_each(|i| goes[i] = true);
        }
    }
    sources.into_iter().zip(goes).filter(|(_, goes)| !goes).map(|(s, _)| s).collect()
}

/// Which sightings of one marker in one camera are not it alone.
fn mixed(mut looks: Vec<(usize, Look)>) -> Vec<usize> {
    // how much of the way from frame to frame the shutter is open; a streak that was not seen is none
    let fast = looks.iter().map(|(_, look)| look).filter(|look| look.way_px > look.across_px);
    let shares: Vec<f64> = fast.map(|look| look.streak_px / look.way_px).collect();
    let open = if shares.len() < FEWEST { None } else { median(shares) };
    let ball = |look: &Look, share: f64| ball_area_px2(look.across_px, share * look.way_px);
    let sizes = |look: &Look| [ball(look, open.unwrap_or(1.0)), ball(look, open.unwrap_or(0.0))];
    looks.sort_by(|(_, a), (_, b)| (a.way_px / a.across_px).total_cmp(&(b.way_px / b.across_px)));
    let largest: Vec<f64> = looks.iter().map(|(_, look)| look.area_px2 / sizes(look)[0]).collect();
    let smallest = looks.iter().map(|(_, look)| look.area_px2 / sizes(look)[1]);
    let usual = running_median(&largest);
    let odd_size = looks.iter().zip(largest.iter().zip(smallest)).zip(usual).filter_map(
        |(((i, _), (large, small)), usual)| {
            let usual = usual?;
            (*large > LARGER * usual || small < SMALLER * usual).then_some(*i)
        },
    );
    let mut out: Vec<usize> = odd_size.collect();
    out.extend(vaguer(VAGUER_PLACE, looks.iter(), |look| look.sigma_px));
    let drawn_out = looks.iter().filter(|(_, look)| look.streak_px > 0.0);
    out.extend(vaguer(VAGUER_STREAK, drawn_out, |look| look.streak_sd_px));
    out.sort_unstable();
    out.dedup();
    out
}

/// Which are so many times as vague as those about as fast, and not because of the light.
fn vaguer<'a>(
    times: f64,
    looks: impl Iterator<Item = &'a (usize, Look)>,
    sd_px: fn(&Look) -> f64,
) -> Vec<usize> {
    let looks: Vec<_> = looks.collect();
    let sds_px: Vec<f64> = looks.iter().map(|(_, look)| sd_px(look)).collect();
    let usual = running_median(&sds_px);
    let vague: Vec<f64> = sds_px.iter().zip(usual).map(|(sd, usual)| usual.map_or(1.0, |u| sd / u)).collect();
    let by_frame: BTreeMap<usize, f64> =
        looks.iter().zip(&vague).map(|((_, look), vague)| (look.frame_pos, *vague)).collect();
    let is_as_usual = |frame_pos: usize| by_frame.get(&frame_pos).is_none_or(|vague| *vague < AS_USUAL);
    let is_alone = |look: &Look| {
        let before = look.frame_pos.checked_sub(1).is_none_or(is_as_usual);
        look.beside_missed || before && is_as_usual(look.frame_pos + 1)
    };
    let goes = looks.iter().zip(&vague).filter(|((_, look), vague)| **vague > times && is_alone(look));
    goes.map(|((i, _), _)| *i).collect()
}

/// Median of the values around each.
fn running_median(values: &[f64]) -> Vec<Option<f64>> {
    let n = values.len();
    let about = (n / ABOUT_SHARE).clamp(ABOUT[0], ABOUT[1]).min(n);
    let of = |i: usize| {
        let from = i.saturating_sub(about / 2).min(n - about);
        (n >= FEWEST).then(|| median(values[from..from + about].iter().copied())).flatten()
    };
    (0..n).map(of).collect()
}

/// A sighting against what the solution says should be seen there.
struct Look {
    frame_pos: usize,
    area_px2: f64,
    sigma_px: f64,
    streak_px: f64,
    streak_sd_px: f64,
    /// Diameter of the marker's ball.
    across_px: f64,
    /// Way from frame to frame.
    way_px: f64,
    /// The marker is missed in a frame beside it.
    beside_missed: bool,
}

impl Look {
    /// `None` where the solution does not reach over its neighbouring frames.
    fn of(
        spots: &ClipSpots,
        diameter_m: f64,
        solution: &Solution,
        s: &Source,
        beside_missed: bool,
    ) -> Option<Self> {
        let state = &solution.cameras()[s.view_idx];
        let frame = &spots.frames[s.frame_pos];
        let candidate = &frame.candidates[s.candidate_idx];
        let fraction = spots.picture.shutter_fraction(candidate.centre);
        let camera = |pts_s: f64| {
            let p = solution.position(s.marker_idx, state.session_s(pts_s, fraction))?;
            Some(state.camera_from_world * p)
        };
        let place = |pts_s: f64| state.lens.project(&camera(pts_s)?);
        // half a step on either side: at its own speed
        let half_s = 0.5 * spots.frame_step_s();
        let (before, after) = (place(frame.pts_s - half_s)?, place(frame.pts_s + half_s)?);
        let way = |a: &RawPixel, b: &RawPixel| (a.x_px - b.x_px).hypot(a.y_px - b.y_px);
        let (streak_px, streak_sd_px) =
            candidate.streak.map_or((0.0, 0.0), |s| (s.length_px, s.length_sd_px));
        Some(Self {
            frame_pos: s.frame_pos,
            area_px2: candidate.area_px2,
            sigma_px: candidate.sigma_px(),
            streak_px,
            streak_sd_px,
            across_px: diameter_m / camera(frame.pts_s)?.z.max(0.1) * state.lens.fx_px,
            way_px: way(&before, &after),
            beside_missed,
        })
    }
}
