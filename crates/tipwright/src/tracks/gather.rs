//! Sightings near a solution: which candidates are which markers, once paths, poses and clocks are known well.

use std::collections::{BTreeMap, BTreeSet};

use crate::math::median;
use crate::model::{ClipSpots, Colour, RawPixel, ball_area_px2};
use crate::motion::Solution;

/// Which candidate of which camera is taken for which marker.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Source {
    /// Camera, by its position in the problem.
    pub view_idx: usize,
    /// Position in `ClipSpots::frames`.
    pub frame_pos: usize,
    /// Position in the frame's candidates.
    pub candidate_idx: usize,
    /// Marker.
    pub marker_idx: usize,
}

/// Sorts sources and keeps one marker per candidate and one candidate per marker and frame.
#[must_use]
pub fn unique(mut sources: Vec<Source>) -> Vec<Source> {
    sources.sort_unstable();
    sources.dedup_by_key(|s| (s.view_idx, s.frame_pos, s.candidate_idx));
    let mut seen = BTreeSet::new();
    sources.retain(|s| seen.insert((s.view_idx, s.frame_pos, s.marker_idx)));
    sources
}

/// Frames in which a marker may be missed before what comes next stands alone, and fewest sightings that stand together. Set where such
/// sightings were found, on the clinic day of seed 7 lit from 60 degrees (an arc 6.2 degrees off at a stated 0.3); careless days of seeds 6
/// and 9 keep the strokes that they had.
const APART_FRAMES: usize = 6;
const COMPANY: usize = 5;

/// What lasts no longer than this between frames in which the marker is missed is a glimpse, seconds: five frames of 240 a second. At 30 none is.
const GLIMPSE_S: f64 = 0.02;
/// Frames that are missed one by one say nothing of what is seen between them.
const MISSED_BY_CHANCE: usize = 1;
/// Of a marker that is seen in nearly every frame, up to this share of its sightings may be glimpses. Where more are, that is how it is seen, and
/// they stay. A guess above what runs of up to five frames were of the tip's at 240 frames a second: 0.7 % on careless seed 12, 1.2 on 31.
const GLIMPSES_SHARE: f64 = 0.05;

/// Leaves out few sightings of a marker that stand alone in their camera: little is known by them, and where a marker is hidden for long, what
/// is seen of its colour for a frame or two is often something else, which nothing there speaks against. The same of glimpses of a marker that
/// is seen in nearly every frame: it passes before something of its colour then, and what is seen is half of each. Of the careless day of seed 12
/// a quarter to three quarters of sightings in runs of up to five frames are off by more than three standard deviations, of seed 31, where nothing
/// was set, a quarter to a half, of all others 1 in 300 (counted with any missed frame as a run's end).
#[must_use]
pub fn in_company(clips: &[&ClipSpots], mut sources: Vec<Source>) -> Vec<Source> {
    let marker = |s: &Source| (s.view_idx, s.marker_idx);
    sources.sort_unstable_by_key(|s| (marker(s), s.frame_pos));
    let kept = in_runs(&sources, APART_FRAMES, COMPANY);
    let of_marker = kept.chunk_by(|a, b| marker(a) == marker(b)).map(|seen| {
        let step_s = clips[seen[0].view_idx].frame_step_s();
        // a hundredth of a step for stamps that are rounded
        let longest = (GLIMPSE_S / step_s + 0.01) as usize;
        let longer = in_runs(seen, MISSED_BY_CHANCE + 1, longest + 1);
        let glimpses = seen.len() - longer.len();
        if glimpses as f64 <= GLIMPSES_SHARE * seen.len() as f64 { longer } else { seen.to_vec() }
    });
    unique(of_marker.flatten().collect())
}

/// Those that stand together, at least `fewest` with no more than `apart` frames from one to the next; they come by camera, marker and frame.
fn in_runs(sources: &[Source], apart: usize, fewest: usize) -> Vec<Source> {
    let goes_on = |a: &Source, b: &Source| {
        (a.view_idx, a.marker_idx) == (b.view_idx, b.marker_idx) && b.frame_pos <= a.frame_pos + apart
    };
    sources.chunk_by(goes_on).filter(|run| run.len() >= fewest).flatten().copied().collect()
}

/// How many times as large as a camera usually sees the marker something else is.
const LARGER: f64 = 2.0;
/// The same of what is drawn out further than the marker goes from frame to frame, by pixels and by standard deviations: the shutter is open no
/// longer than that. A streak alone is no sign, for it is also had from the places before and after.
const LARGER_AND_LONGER: f64 = 1.5;
const LONGER_PX: f64 = 2.0;
const LONGER_SD: f64 = 3.0;
/// How far off a marker is that no other camera sees within this time is little known, and so is how large it should look, seconds.
/// One step of 30 frames a second and a half: reasoned, not fitted.
const FAR_BY_ONE_S: f64 = 0.05;

/// Leaves out sightings that are the marker together with something of its colour behind it: larger than this camera sees it at its distance, even
/// if it were drawn out as far as it goes from frame to frame by the solution. `diameters_m` are the markers'.
///
/// Simulated careless days (yellow among yellow flowers), candidates beside the tip: on seed 12, where the limits were set, 111 of 7683 go, 79 of
/// them off by more than three standard deviations; what goes errs by 10 of what it states (root mean square), what is left by 0.94. Seed 31, which
/// set nothing: 120 of 142, 10 and 0.90.
#[must_use]
pub fn unmixed(
    clips: &[&ClipSpots],
    diameters_m: &[f64],
    solution: &Solution,
    sources: Vec<Source>,
) -> Vec<Source> {
    let mut ratios: BTreeMap<(usize, usize), Vec<f64>> = BTreeMap::new();
    let mut seen_s: BTreeMap<usize, Vec<(f64, usize)>> = BTreeMap::new();
    let t_s = |s: &Source| {
        solution.cameras()[s.view_idx].session_s(clips[s.view_idx].frames[s.frame_pos].pts_s, 0.5)
    };
    for s in &sources {
        seen_s.entry(s.marker_idx).or_default().push((t_s(s), s.view_idx));
    }
    seen_s.values_mut().for_each(|seen| seen.sort_by(|a, b| a.0.total_cmp(&b.0)));
    let look = |s: &Source| {
        let (t_s, seen) = (t_s(s), &seen_s[&s.marker_idx]);
        let from = seen.partition_point(|x| x.0 < t_s - FAR_BY_ONE_S);
        let near = seen[from..].iter().take_while(|x| x.0 < t_s + FAR_BY_ONE_S);
        near.map(|x| x.1).any(|view| view != s.view_idx).then_some(())?;
        Look::of(clips[s.view_idx], diameters_m[s.marker_idx], solution, s)
    };
    let looks: Vec<Option<Look>> = sources.iter().map(look).collect();
    for (s, look) in sources.iter().zip(&looks) {
        let of_marker = ratios.entry((s.view_idx, s.marker_idx)).or_default();
        of_marker.extend(look.as_ref().map(|l| l.area_px2 / l.as_seen_px2));
    }
    let usual: BTreeMap<_, _> = ratios.into_iter().map(|(key, r)| (key, median(r))).collect();
    let stays = |s: &Source, look: &Option<Look>| {
        let Some(look) = look else { return true };
        let usual = usual.get(&(s.view_idx, s.marker_idx)).copied().flatten();
        let larger = if look.is_longer { LARGER_AND_LONGER } else { LARGER };
        usual.is_none_or(|usual| look.area_px2 < larger * usual * look.at_most_px2)
    };
    sources.iter().zip(&looks).filter(|(s, look)| stays(s, look)).map(|(s, _)| *s).collect()
}

/// A sighting against what the solution says should be seen there.
struct Look {
    area_px2: f64,
    /// Area of the marker's ball with the streak that was seen, and with as long a one as there may be.
    as_seen_px2: f64,
    at_most_px2: f64,
    is_longer: bool,
}

impl Look {
    /// `None` where the solution does not reach over its neighbouring frames.
    fn of(spots: &ClipSpots, diameter_m: f64, solution: &Solution, s: &Source) -> Option<Self> {
        let state = &solution.cameras()[s.view_idx];
        let frame = &spots.frames[s.frame_pos];
        let candidate = &frame.candidates[s.candidate_idx];
        let fraction = spots.picture.shutter_fraction(candidate.centre);
        let camera = |pts_s: f64| {
            let p = solution.position(s.marker_idx, state.session_s(pts_s, fraction))?;
            Some(state.camera_from_world * p)
        };
        let place = |pts_s: f64| state.lens.project(&camera(pts_s)?);
        let step_s = spots.frame_step_s();
        let [before, here, after] = [-step_s, 0.0, step_s].map(|dt_s| place(frame.pts_s + dt_s));
        let (before, here, after) = (before?, here?, after?);
        let way = |a: &RawPixel, b: &RawPixel| (a.x_px - b.x_px).hypot(a.y_px - b.y_px);
        let way_px = way(&before, &here).max(way(&here, &after));
        let across_px = diameter_m / camera(frame.pts_s)?.z.max(0.1) * state.lens.fx_px;
        let (streak_px, sd_px) = candidate.streak.map_or((0.0, 0.0), |s| (s.length_px, s.length_sd_px));
        Some(Self {
            area_px2: candidate.area_px2,
            as_seen_px2: ball_area_px2(across_px, streak_px.min(way_px)),
            at_most_px2: ball_area_px2(across_px, way_px),
            is_longer: streak_px > way_px + LONGER_SD * sd_px + LONGER_PX,
        })
    }
}

/// Candidates of each marker's colour nearest to where the solution puts it, the closest first, up to `reach_px` and
/// three standard deviations away. Looks at every `every`th frame.
#[must_use]
pub fn gather(
    clips: &[&ClipSpots],
    colours: &[Colour],
    solution: &Solution,
    reach_px: f64,
    every: &[usize],
) -> Vec<Source> {
    let mut out = Vec::new();
    for (view_idx, spots) in clips.iter().enumerate() {
        let state = &solution.cameras()[view_idx];
        let step = every.get(view_idx).copied().unwrap_or(1).max(1);
        for (frame_pos, frame) in spots.frames.iter().enumerate().step_by(step) {
            let mut near: Vec<(f64, usize, usize)> = Vec::new();
            for (candidate_idx, candidate) in frame.candidates.iter().enumerate() {
                let t_s = state.session_s(frame.pts_s, spots.picture.shutter_fraction(candidate.centre));
                for (marker_idx, colour) in colours.iter().enumerate() {
                    if *colour != candidate.colour {
                        continue;
                    }
                    let Some(p) = solution.position(marker_idx, t_s) else { continue };
                    let Some(seen) = state.lens.project(&(state.camera_from_world * p)) else { continue };
                    let off_px = (seen.x_px - candidate.centre.x_px).hypot(seen.y_px - candidate.centre.y_px);
                    if off_px < reach_px + 3.0 * candidate.sigma_px() {
                        near.push((off_px, candidate_idx, marker_idx));
                    }
                }
            }
            near.sort_by(|p, q| p.0.total_cmp(&q.0).then((p.1, p.2).cmp(&(q.1, q.2))));
            let mut candidates_taken = Vec::new();
            let mut markers_taken = Vec::new();
            for (_, candidate_idx, marker_idx) in near {
                if candidates_taken.contains(&candidate_idx) || markers_taken.contains(&marker_idx) {
                    continue;
                }
                candidates_taken.push(candidate_idx);
                markers_taken.push(marker_idx);
                out.push(Source { view_idx, frame_pos, candidate_idx, marker_idx });
            }
        }
    }
    out.sort_unstable();
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{FrameSpots, FrameTimes};
    use crate::testing;

    /// A clip of so many frames a second without candidates.
    fn clip(fps: f64) -> ClipSpots {
        let frame = |k: u32| FrameSpots { frame_idx: k, pts_s: f64::from(k) / fps, candidates: Vec::new() };
        ClipSpots {
            camera: String::new(),
            picture: testing::two_phones()[0].picture,
            frames: (0..100).map(frame).collect(),
            times: FrameTimes::default(),
        }
    }

    fn of(view_idx: usize, marker_idx: usize, frames: &[usize]) -> Vec<Source> {
        let source = |f: &usize| Source { view_idx, frame_pos: *f, candidate_idx: marker_idx, marker_idx };
        frames.iter().map(source).collect()
    }

    #[test]
    fn few_sightings_that_stand_alone_are_left_out() {
        let clip = clip(240.0);
        // five with gaps of six frames are one run; a camera's two markers and a marker's two cameras are no company to each other
        let stay = [of(0, 0, &[1, 7, 13, 19, 25]), of(1, 1, &(40..60).collect::<Vec<_>>())].concat();
        let go = [of(0, 0, &[32, 33]), of(1, 0, &[41, 42, 43, 44]), of(0, 1, &[20, 21])].concat();
        let kept = in_company(&[&clip, &clip], [stay.clone(), go].concat());
        assert_eq!(kept, unique(stay));
    }

    #[test]
    fn glimpses_of_a_marker_that_is_seen_nearly_always_are_left_out() {
        let dense: Vec<usize> = (0..40).chain(46..86).collect();
        let both = [of(0, 0, &dense), of(0, 0, &[42, 43])].concat();
        assert_eq!(in_company(&[&clip(240.0)], both.clone()), unique(of(0, 0, &dense)));
        // at 30 frames a second two are a fifteenth of a second; of a marker that is seen in every other frame all stay
        assert_eq!(in_company(&[&clip(30.0)], both.clone()), unique(both));
        let every_other = of(0, 0, &(0..80).step_by(2).collect::<Vec<_>>());
        assert_eq!(in_company(&[&clip(240.0)], every_other.clone()), unique(every_other));
    }
}
