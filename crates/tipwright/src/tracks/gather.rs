//! Sightings near a solution: which candidates are which markers, once paths, poses and clocks are known well.

use std::collections::BTreeSet;

use crate::model::{ClipSpots, Colour};
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
