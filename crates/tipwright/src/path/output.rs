//! Samples, draws, clocks, spots and counts of a solved take.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::{Point3, Vector3};

use super::joint::TakeJoint;
use super::one_view::spread::{OnRod, spread};
use super::view::View;
use super::{AssignedSpot, ClipAssignment, PathConfig, TakeInput, TakePaths};
use crate::fitted::READOUT_SD_S;
use crate::math::median;
use crate::model::path::ButtPath;
use crate::model::{
    CameraPose, MarkerPath, Measured, PathDraws, PathSample, RodPaths, Role, Severity, TakeCameraFit,
    TakeClock, Tally, Warning,
};
use crate::motion::Fate;
use crate::tracks::follow::is_led;
use crate::tracks::gather::Source;

pub(super) fn write_out(
    input: &TakeInput,
    config: &PathConfig,
    views: &[View],
    joint: &TakeJoint,
    warnings: Vec<Warning>,
) -> TakePaths {
    let frame_times = sample_times_s(views);
    let mut paths: Vec<MarkerPath> =
        (0..joint.roles.len()).map(|m| marker_path(config, joint, m, &frame_times)).collect();
    let centres = put_draws(&mut paths, joint, config);
    let mut rod = RodPaths::default();
    for ((role, at_m), path) in joint.roles.iter().zip(paths) {
        if *role == Role::Tip {
            rod.tip = path;
        } else {
            rod.butts.push(ButtPath { role: *role, at_m: *at_m, path });
        }
    }
    if let Some(plane) = input.held() {
        let rod_m = input.roles.iter().find(|r| r.role == Role::Tip).map_or(f64::NAN, |r| r.at_m);
        let butts =
            rod.butts.iter_mut().map(|b| OnRod { role: b.role, share: b.at_m / rod_m, path: &mut b.path });
        let tip = OnRod { role: Role::Tip, share: 1.0, path: &mut rod.tip };
        let mut markers: Vec<OnRod<'_>> = std::iter::once(tip).chain(butts).collect();
        spread(&mut markers, plane, &centres, config.seed);
    }
    rod.butts.sort_by_key(|b| b.role);
    let clocks = views
        .iter()
        .zip(joint.solution.cameras())
        .zip(&joint.solution.layout.cameras)
        .map(|((view, state), slots)| TakeClock {
            camera: view.name.to_string(),
            clock: state.clock,
            offset_sd_s: joint.solution.border_sd(slots.offset),
            drift_sd: joint.solution.border_sd(slots.drift),
            readout_sd_s: joint.solution.border_sd(slots.readout).hypot(READOUT_SD_S),
        })
        .collect();
    let cameras = views
        .iter()
        .zip(joint.solution.cameras())
        .map(|(view, state)| TakeCameraFit {
            camera: view.name.to_string(),
            rotation_wxyz: CameraPose { camera_from_world: state.camera_from_world }.rotation_wxyz(),
            translation_m: state.camera_from_world.translation.vector.into(),
            lens: state.lens.clone(),
            picture: view.spots.picture,
        })
        .collect();
    let assignments = assignments(input, views, joint);
    let mut tally = Tally::default();
    for a in &assignments {
        tally.offered += a.tally.offered;
        tally.accepted += a.tally.accepted;
        for (reason, n) in &a.tally.rejected {
            *tally.rejected.entry(reason.clone()).or_insert(0) += n;
        }
    }
    let mut warnings = warnings;
    let butts_apart_m = butts_apart(&rod, input.take, &mut warnings);
    TakePaths {
        rod,
        butts_apart_m,
        clocks,
        cameras,
        assignments,
        tally,
        reprojection_rms_px: joint.solution.reprojection_rms_px(),
        moved: joint.moved.iter().cloned().collect(),
        warnings,
    }
}

/// Fewer draws do not tell a standard deviation to 10 %.
const FEWEST_DRAWS: usize = 50;

/// Draws all paths together, what is not known of the vertical included, and takes the samples' standard deviations from them.
/// Where the first camera stands in each draw.
fn put_draws(paths: &mut [MarkerPath], joint: &TakeJoint, config: &PathConfig) -> Vec<Point3<f64>> {
    let count = config.draws.max(FEWEST_DRAWS);
    let turns = joint.turn.as_ref().map_or_else(Vec::new, |t| t.draws(count, config.seed));
    let mut centres = Vec::with_capacity(count);
    for (draw_idx, draw) in joint.solution.draws(count, config.seed).enumerate() {
        centres.push(Point3::from(draw.state.centre_m(0)));
        for (marker_idx, path) in paths.iter_mut().enumerate() {
            let mut drawn = joint.solution.draw_of(&draw, marker_idx, &path.samples);
            if let Some(turn) = turns.get(draw_idx) {
                drawn.positions_in_world.iter_mut().for_each(|p| *p = turn * *p);
                drawn.velocities_in_world_m_s.iter_mut().for_each(|v| *v = turn * *v);
            }
            path.draws.push(&path.samples, &drawn);
        }
    }
    paths.iter_mut().for_each(MarkerPath::take_sds_from_draws);
    centres
}

/// Samples of a marker's path, and the path smoothed once more.
fn marker_path(config: &PathConfig, joint: &TakeJoint, marker_idx: usize, frame_times: &[f64]) -> MarkerPath {
    let solution = &joint.solution;
    let seen_by = solution.views(&joint.problem, marker_idx, frame_times);
    let two: Vec<f64> = frame_times.iter().zip(&seen_by).filter(|(_, v)| **v >= 2).map(|(t, _)| *t).collect();
    let any: Vec<f64> = frame_times.iter().zip(&seen_by).filter(|(_, v)| **v >= 1).map(|(t, _)| *t).collect();
    let mut samples = Vec::new();
    for (t_s, views) in frame_times.iter().zip(&seen_by) {
        // between sightings not farther apart than a bridge, and between pairs of them not much farther
        let bridged = within(&any, *t_s, config.longest_bridge_s)
            && (solution.cameras().len() == 1 || within(&two, *t_s, 2.0 * config.longest_bridge_s));
        if !bridged {
            continue;
        }
        let Some((position_in_world, velocity_in_world_m_s, _)) = solution.movement(marker_idx, *t_s) else {
            continue;
        };
        if !position_in_world.coords.norm().is_finite() {
            continue;
        }
        samples.push(PathSample {
            t_s: *t_s,
            position_in_world,
            velocity_in_world_m_s,
            // the draws tell
            position_sd_m: Vector3::zeros(),
            views: *views,
        });
    }
    let again = solution.draw_of(&solution.smoothed_again(), marker_idx, &samples);
    MarkerPath { samples, draws: PathDraws::default(), smoothed_again: Some(again) }
}

/// The first camera's frame times; where it left frames out, the times they would have had, for the path goes on there
/// (the other cameras see it) and a hole of one frame would cost the stroke its figures. Where it is a slow camera beside a faster one
/// ([`is_led`]), its steps are parted into the faster one's: a forward cast is over in ten frames of 30 a second.
fn sample_times_s(views: &[View]) -> Vec<f64> {
    let first = &views[0];
    let frames: Vec<f64> = first.spots.frames.iter().map(|f| first.clock.session_s(f.pts_s, 0.0)).collect();
    let Some(step_s) = median(frames.windows(2).map(|w| w[1] - w[0])).filter(|s| *s > 0.0) else {
        return frames;
    };
    let fastest_s = views.iter().map(|v| v.spots.frame_step_s()).fold(f64::INFINITY, f64::min);
    let parts = if is_led(step_s, fastest_s) { (step_s / fastest_s).round().clamp(1.0, 100.0) } else { 1.0 };
    let mut out = Vec::with_capacity(frames.len() * parts as usize);
    for (k, t_s) in frames.iter().enumerate() {
        if let Some(before_s) = k.checked_sub(1).map(|i| frames[i]) {
            let steps = parts * ((t_s - before_s) / step_s).round().max(1.0);
            // a clip that pauses for longer than any bridge is not filled up
            if (2.0..1000.0 * parts).contains(&steps) {
                out.extend((1..steps as usize).map(|i| before_s + (t_s - before_s) * i as f64 / steps));
            }
        }
        out.push(*t_s);
    }
    out
}

/// Distance of the butt markers over the take: median and robust spread. It is rigid, so that it checks scale, poses and
/// clocks during the cast itself; told when it is not what session.toml says.
fn butts_apart(rod: &RodPaths, take: &str, warnings: &mut Vec<Warning>) -> Option<Measured> {
    let [lower, upper] = rod.butts.as_slice() else { return None };
    let mut apart: Vec<f64> = Vec::new();
    let mut k = 0;
    for s in lower.path.samples.iter().filter(|s| s.views >= 2) {
        let others = &upper.path.samples;
        while k < others.len() && others[k].t_s < s.t_s {
            k += 1;
        }
        if let Some(o) = others.get(k).filter(|o| o.t_s == s.t_s && o.views >= 2) {
            apart.push((o.position_in_world - s.position_in_world).norm());
        }
    }
    if apart.len() < 10 {
        return None;
    }
    apart.sort_by(f64::total_cmp);
    let at = |share: f64| apart[((apart.len() - 1) as f64 * share) as usize];
    let found = Measured::new(at(0.5), (at(0.841) - at(0.159)) / 2.0);
    let stated_m = (upper.at_m - lower.at_m).abs();
    // a tape measures to 5 mm; markers move on the rod by as much; 2 % beyond that is scale or a wrong marker
    if (found.value - stated_m).abs() > 0.01 + 0.02 * stated_m || found.sd > 0.02 {
        warnings.push(Warning::new(
            Severity::Warning,
            take,
            format!(
                "the butt markers are {:.0} mm apart in the pictures (spread {:.0} mm) where session.toml says {:.0} mm: every length may be {:+.0} % off",
                1e3 * found.value,
                1e3 * found.sd,
                1e3 * stated_m,
                1e2 * (found.value / stated_m - 1.0)
            ),
            "Measure their distances from the butt cap again, and [wand] length_m; if those are right, film the wand again",
        ));
    }
    Some(found)
}

/// The instant lies between two of the sorted times that are at most `bridge_s` apart, or on one of them.
fn within(times: &[f64], t_s: f64, bridge_s: f64) -> bool {
    let after = times.partition_point(|x| *x < t_s);
    match (after.checked_sub(1).map(|i| times[i]), times.get(after)) {
        (_, Some(next)) if *next == t_s => true,
        (Some(before), Some(next)) => next - before <= bridge_s,
        _ => false,
    }
}

fn assignments(input: &TakeInput, views: &[View], joint: &TakeJoint) -> Vec<ClipAssignment> {
    let colours: BTreeSet<_> = input.roles.iter().map(|r| r.colour).collect();
    let mut fate_of: BTreeMap<(usize, usize, usize), (&Source, &Fate)> = BTreeMap::new();
    for (source, fate) in joint.sources.iter().zip(&joint.solution.fates) {
        fate_of.insert((source.view_idx, source.frame_pos, source.candidate_idx), (source, fate));
    }
    // session time in which another camera runs
    let session_s = |k: usize, pts_s: f64| joint.solution.cameras()[k].clock.session_s(pts_s, 0.0);
    let overlaps = |k: usize, pts_s: f64| {
        let t_s = session_s(k, pts_s);
        views.iter().enumerate().any(|(j, other)| {
            let ends = (other.spots.frames.first(), other.spots.frames.last());
            j != k
                && matches!(ends, (Some(a), Some(b)) if session_s(j, a.pts_s) <= t_s && t_s <= session_s(j, b.pts_s))
        })
    };
    views
        .iter()
        .enumerate()
        .map(|(view_idx, view)| {
            let mut linked = BTreeSet::new();
            for s in view.tracks.values().flatten().flat_map(|t| &t.sightings) {
                linked.insert((s.frame_pos, s.candidate_idx));
            }
            let mut spots = Vec::new();
            let mut tally = Tally::default();
            for (frame_pos, frame) in view.spots.frames.iter().enumerate() {
                for (candidate_idx, candidate) in frame.candidates.iter().enumerate() {
                    tally.offered += 1;
                    let reason = match fate_of.get(&(view_idx, frame_pos, candidate_idx)) {
                        Some((source, Fate::Used { .. })) => {
                            tally.accepted += 1;
                            let role = joint.roles[source.marker_idx].0;
                            spots.push(AssignedSpot { frame_pos, candidate_idx, role });
                            continue;
                        }
                        Some((_, Fate::Outlier { .. })) => "too far from the path",
                        Some((_, Fate::OffPath)) => "seen by one camera alone for too long",
                        None if !colours.contains(&candidate.colour) => "colour of no marker",
                        None if !linked.contains(&(frame_pos, candidate_idx)) => "isolated",
                        None if views.len() > 1 && !overlaps(view_idx, frame.pts_s) => {
                            "filmed by this camera alone"
                        }
                        None if views.len() == 1 => "not the marker: wrong size, or slow",
                        None => "not the marker: cameras disagree, wrong size, or slow",
                    };
                    *tally.rejected.entry(reason.to_string()).or_insert(0) += 1;
                }
            }
            ClipAssignment { camera: view.name.to_string(), spots, tally }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::solve_take;
    use super::super::tests::{scene_of, take, with_butts};
    use super::*;
    use crate::testing::two_phones;

    /// A wand typed 1.10 m for 1.00: everything is 10 % too large, and only the butt markers' own distance knows.
    #[test]
    fn a_scale_that_the_butt_markers_contradict_is_told_with_both_numbers() {
        let cameras = two_phones();
        let mut scene = scene_of(&cameras);
        for camera in &mut scene.cameras {
            camera.translation_m = camera.translation_m.map(|t| 1.1 * t);
        }
        let (clips, roles) = with_butts(&cameras, 6.0, 11);
        let out = solve_take(&take(&scene, &cameras, &clips, roles), &PathConfig::default()).unwrap();
        let told = out.warnings.iter().find(|w| w.what.contains("butt markers are")).map(|w| w.what.clone());
        let told = told.unwrap_or_else(|| panic!("{:?}", out.warnings));
        assert!(told.contains("385 mm") && told.contains("350 mm") && told.contains("+10 %"), "{told}");
    }
}
