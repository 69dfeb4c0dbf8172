//! Pieces of 3D track: runs of sightings of one track of camera a that stay near the epipolar line of one track of
//! camera b, b interpolated to a's instants.

use std::collections::BTreeMap;

use nalgebra::{Matrix3, Point3, Vector3};

use super::follow::is_led;
use super::rays::{Epipolar, RayPoint, WorldRay, nearest_point};
use super::sync::TrackIndex;
use super::tracklets::{Sighting, TrackState, Tracklet};
use crate::model::{CameraPose, Clock, ball_area_px2};

/// A camera with its tracks, as the search for pieces sees it.
#[derive(Debug, Clone, Copy)]
pub struct TrackView<'a> {
    /// Pose.
    pub pose: &'a CameraPose,
    /// Clock; the readout is already in the tracks' own times.
    pub clock: Clock,
    /// Focal length.
    pub focal_px: f64,
    /// From frame to frame, seconds.
    pub frame_step_s: f64,
    /// Tracks of one colour.
    pub tracks: &'a [Tracklet],
}

impl TrackView<'_> {
    /// Session time of an own time.
    #[must_use]
    pub fn session_s(&self, own_s: f64) -> f64 {
        self.clock.offset_s + (1.0 + self.clock.drift) * own_s
    }
}

/// What a piece must satisfy.
#[derive(Debug, Clone, PartialEq)]
pub struct PieceConfig {
    /// Largest epipolar distance, pixels, on top of three standard deviations of the sightings.
    pub epipolar_px: f64,
    /// Farthest from a camera, in the unit of the poses.
    pub farthest: f64,
    /// Fastest motion, in the unit of the poses per second.
    pub fastest_per_s: f64,
    /// Fewest samples.
    pub fewest: usize,
    /// Diameter of the marker, in the unit of the poses, and the range of seen over expected area.
    pub size: Option<(f64, [f64; 2])>,
}

/// One sighting of a with the interpolated b.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PieceSample {
    /// Session time.
    pub t_s: f64,
    /// Nearest point to both rays.
    pub position: Point3<f64>,
    /// Its covariance.
    pub covariance: Matrix3<f64>,
}

/// A run of agreement of one track of a with one of b.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// Position of camera a among the views.
    pub a_view: usize,
    /// Position of camera b.
    pub b_view: usize,
    /// Track of a.
    pub a_track: usize,
    /// Track of b.
    pub b_track: usize,
    /// In order of time; never empty.
    pub samples: Vec<PieceSample>,
}

impl Piece {
    /// Time of the first sample.
    #[must_use]
    pub fn start_s(&self) -> f64 {
        self.samples[0].t_s
    }

    /// Time of the last sample.
    #[must_use]
    pub fn end_s(&self) -> f64 {
        self.samples[self.samples.len() - 1].t_s
    }

    /// Position of the first sample.
    #[must_use]
    pub fn first(&self) -> Point3<f64> {
        self.samples[0].position
    }

    /// Position of the last sample.
    #[must_use]
    pub fn last(&self) -> Point3<f64> {
        self.samples[self.samples.len() - 1].position
    }

    /// Position at a session time inside the piece, by straight lines.
    #[must_use]
    pub fn at(&self, t_s: f64) -> Option<Point3<f64>> {
        if !(t_s >= self.start_s() && t_s <= self.end_s()) || self.samples.len() < 2 {
            return None;
        }
        let i = self.samples.partition_point(|s| s.t_s < t_s).clamp(1, self.samples.len() - 1);
        let (p, q) = (&self.samples[i - 1], &self.samples[i]);
        let f = ((t_s - p.t_s) / (q.t_s - p.t_s)).clamp(0.0, 1.0);
        Some(p.position + (q.position - p.position) * f)
    }

    /// Its two tracks as (view, track).
    #[must_use]
    pub fn tracks(&self) -> [(usize, usize); 2] {
        [(self.a_view, self.a_track), (self.b_view, self.b_track)]
    }
}

/// Pieces of every pair of views, in order of their start.
#[must_use]
pub fn find_pieces(views: &[TrackView], config: &PieceConfig) -> Vec<Piece> {
    let mut out = Vec::new();
    for a in 0..views.len() {
        for b in a + 1..views.len() {
            // between the frames of a slow camera nobody knows where it saw a thing
            let (a, b) = if is_led(views[b].frame_step_s, views[a].frame_step_s) { (b, a) } else { (a, b) };
            pieces_of_pair(views, a, b, config, &mut out);
        }
    }
    out.sort_by(|p, q| p.start_s().total_cmp(&q.start_s()));
    out
}

/// Tracks of one view as pieces where their rays meet a plane, `normal . x = offset` with a unit normal, in order of their start.
#[must_use]
pub fn pieces_in_plane(
    view: &TrackView,
    normal: &Vector3<f64>,
    offset: f64,
    config: &PieceConfig,
) -> Vec<Piece> {
    let mut out = Vec::new();
    for (idx, track) in view.tracks.iter().enumerate() {
        let mut run = Run::default();
        for s in &track.sightings {
            // half a pixel stands for what poses and first readouts don't know
            let ray = WorldRay::new(view.pose, s.ray, s.sigma_px.hypot(0.5) / view.focal_px);
            let (by_ray, away) = (normal.dot(&ray.direction), offset - normal.dot(&ray.origin.coords));
            let reach = away / by_ray;
            if !(reach > 0.0 && reach < config.farthest) {
                continue;
            }
            let position = ray.origin + ray.direction.into_inner() * reach;
            if let Some((diameter, _)) = config.size {
                run.ratios.push(s.area_px2 / expected_px2(view, &position, diameter, s.streak_px));
            }
            let sd = reach * ray.sd_rad / by_ray.abs();
            run.samples.push(PieceSample {
                t_s: view.session_s(s.own_s),
                position,
                covariance: Matrix3::identity() * (sd * sd),
            });
        }
        close(run, [0, 0, idx, idx], config, &mut out);
    }
    out.sort_by(|p, q| p.start_s().total_cmp(&q.start_s()));
    out
}

/// Where the rays of a sighting of the first view and of a state of the second meet; `None` beyond the farthest.
pub(super) fn meeting(
    [a, b]: [&TrackView; 2],
    s: &Sighting,
    state: &TrackState,
    config: &PieceConfig,
) -> Option<RayPoint> {
    // half a pixel stands for what poses and first readouts don't know
    let rays = [
        WorldRay::new(a.pose, s.ray, s.sigma_px.hypot(0.5) / a.focal_px),
        WorldRay::new(b.pose, state.ray, state.sigma_px.hypot(0.5) / b.focal_px),
    ];
    nearest_point(&rays).filter(|p| rays.iter().all(|r| (p.position - r.origin).norm() < config.farthest))
}

/// Area that a marker should have in a picture.
pub(super) fn expected_px2(view: &TrackView, position: &Point3<f64>, diameter: f64, streak_px: f64) -> f64 {
    let depth = (view.pose.camera_from_world * position).z.max(0.1);
    ball_area_px2(diameter / depth * view.focal_px, streak_px)
}

#[derive(Default)]
struct Run {
    samples: Vec<PieceSample>,
    ratios: Vec<f64>,
    missed: usize,
}

fn pieces_of_pair(
    views: &[TrackView],
    a_view: usize,
    b_view: usize,
    config: &PieceConfig,
    out: &mut Vec<Piece>,
) {
    let (a, b) = (&views[a_view], &views[b_view]);
    let epipolar = Epipolar::between(a.pose, b.pose, a.focal_px);
    let index = TrackIndex::new(b.tracks);
    for (a_track, track) in a.tracks.iter().enumerate() {
        // runs by track of b
        let mut runs: BTreeMap<usize, Run> = BTreeMap::new();
        for s in &track.sightings {
            let t_s = a.session_s(s.own_s);
            let b_own = b.clock.pts_s(t_s);
            for b_track in index.live_at(b_own) {
                let Some(state) = b.tracks[b_track].at(b_own) else { continue };
                let sd_px = s.sigma_px.hypot(state.sigma_px);
                let near = epipolar.distance_px(s.ray, state.ray).abs() < config.epipolar_px + 3.0 * sd_px;
                let point = if near { meeting([a, b], s, &state, config) } else { None };
                let run = runs.entry(b_track).or_default();
                if let Some(point) = point {
                    if let Some((diameter, _)) = config.size {
                        let expected =
                            |view, streak_px| expected_px2(view, &point.position, diameter, streak_px);
                        let ratio = s.area_px2 / expected(a, s.streak_px) * state.area_px2
                            / expected(b, state.streak_px);
                        run.ratios.push(ratio.sqrt());
                    }
                    run.samples.push(PieceSample {
                        t_s,
                        position: point.position,
                        covariance: point.covariance,
                    });
                    run.missed = 0;
                } else {
                    run.missed += 1;
                }
                // two sightings off in a row end a run: one is an outlier
                if run.missed >= 2
                    && let Some(run) = runs.remove(&b_track)
                {
                    close(run, [a_view, b_view, a_track, b_track], config, out);
                }
            }
        }
        for (b_track, run) in runs {
            close(run, [a_view, b_view, a_track, b_track], config, out);
        }
    }
}

/// Makes pieces of a run: cut where it moves impossibly fast, dropped when too short or of the wrong size.
fn close(mut run: Run, ids: [usize; 4], config: &PieceConfig, out: &mut Vec<Piece>) {
    if let Some((_, range)) = config.size {
        run.ratios.sort_by(f64::total_cmp);
        let ratio = run.ratios.get(run.ratios.len() / 2).copied().unwrap_or(0.0);
        if !(ratio >= range[0] && ratio <= range[1]) {
            return;
        }
    }
    let mut start = 0;
    let samples = run.samples;
    for i in 1..=samples.len() {
        let cut = i == samples.len() || {
            let (p, q) = (&samples[i - 1], &samples[i]);
            let sd = (p.covariance.trace() + q.covariance.trace()).sqrt();
            (q.position - p.position).norm() > config.fastest_per_s * (q.t_s - p.t_s) + 4.0 * sd
        };
        if cut {
            let part = samples[start..i].to_vec();
            start = i;
            if part.len() >= config.fewest.max(2) {
                let [a_view, b_view, a_track, b_track] = ids;
                out.push(Piece { a_view, b_view, a_track, b_track, samples: part });
            }
        }
    }
}

/// Longest that a tip's velocity may be taken as one, seconds: a stop takes 50 ms.
const ONE_VELOCITY_S: f64 = 0.035;

/// Velocity at an end, m/s: straight line through up to five samples that are near in time, two at least; zero of a single sample.
pub fn end_velocity(samples: &[PieceSample], last: bool) -> Vector3<f64> {
    let end_s = if last { samples[samples.len() - 1].t_s } else { samples[0].t_s };
    let is_near = |s: &&PieceSample| (s.t_s - end_s).abs() <= ONE_VELOCITY_S;
    let near = if last {
        samples.iter().rev().take_while(is_near).count()
    } else {
        samples.iter().take_while(is_near).count()
    };
    let n = near.clamp(2, 5).min(samples.len());
    let part = if last { &samples[samples.len() - n..] } else { &samples[..n] };
    let mean_t = part.iter().map(|s| s.t_s).sum::<f64>() / n as f64;
    let mut top = Vector3::zeros();
    let mut bottom = 0.0;
    for s in part {
        top += s.position.coords * (s.t_s - mean_t);
        bottom += (s.t_s - mean_t) * (s.t_s - mean_t);
    }
    if bottom > 0.0 { top / bottom } else { Vector3::zeros() }
}
