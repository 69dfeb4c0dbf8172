//! The vertical from the wand hung still from one end.
//!
//! Each end's picture position is fitted by a rest point and one sinusoid (the pendulum's swing), camera by camera, so
//! that no clock is needed and a swing does not tilt the mean. The rays of the rest points meet in the two ends.

use nalgebra::{Matrix3, Unit, Vector3};

use super::joint::WandJoint;
use super::start::Begun;
use super::{WandConfig, WandInput};
use crate::model::{CameraPose, ClipSpots, Lens, Severity, Warning};
use crate::tracks::rays::{Epipolar, WorldRay, nearest_point};
use crate::tracks::tracklets::{Tracklet, link};

/// Up in the frame of the joint solution (camera 0's), with the standard deviation of its tilt.
#[derive(Debug, Clone)]
pub(super) struct Vertical {
    pub up: Unit<Vector3<f64>>,
    pub sd_rad: f64,
    /// Ends of the hung wand apart, metres, when it was seen.
    pub length_m: Option<f64>,
}

/// Shortest track that counts as hanging, seconds.
const SHORTEST_S: f64 = 0.5;
/// Largest extent of a hanging end, radians: half a metre at eight metres.
const MOST_EXTENT_RAD: f64 = 0.06;

pub(super) fn vertical(
    input: &WandInput,
    config: &WandConfig,
    begun: &Begun,
    joint: &WandJoint,
    warnings: &mut Vec<Warning>,
) -> Vertical {
    let poses: Vec<CameraPose> = joint
        .solution
        .cameras()
        .iter()
        .map(|c| CameraPose { camera_from_world: c.camera_from_world })
        .collect();
    // the cameras' own up: minus y
    let own_up: Vector3<f64> =
        poses.iter().map(|p| p.camera_from_world.rotation.inverse() * -Vector3::y()).sum();
    let guess = |sd_rad| Vertical { up: Unit::new_normalize(own_up), sd_rad, length_m: None };
    let clips: Option<Vec<(&ClipSpots, &Lens)>> =
        input.cameras.iter().map(|c| c.plumb.map(|p| (p, c.lens))).collect();
    let Some(clips) = clips else {
        warnings.push(Warning::new(
            Severity::Warning,
            "scene",
            "there is no plumb clip: the vertical is the cameras' own up, good to about 3 degrees",
            "Film the wand hung still from one end with both phones and add it under [scene] plumb",
        ));
        return guess(config.vertical_guess_rad);
    };
    match hung(input, config, begun, &poses, &clips, &own_up) {
        Some(vertical) => {
            if let Some(found_m) = vertical.length_m {
                let off = (found_m / input.length_m.value - 1.0).abs();
                if off > 0.01 {
                    warnings.push(Warning::new(
                        Severity::Warning,
                        "scene, plumb clip",
                        format!(
                            "the hung wand measures {:.1} mm where {:.1} mm were stated",
                            1e3 * found_m,
                            1e3 * input.length_m.value
                        ),
                        "Check that no tripod was touched between the wand and the plumb clip",
                    ));
                }
            }
            vertical
        }
        None => {
            warnings.push(Warning::new(
                Severity::Warning,
                "scene, plumb clip",
                "the hung wand was not found in both cameras: the vertical is the cameras' own up, good to about 3 degrees",
                "Film the hung wand again, both ends in the picture, for five seconds",
            ));
            guess(config.vertical_guess_rad)
        }
    }
}

/// A resting thing in one picture: undistorted ray and standard deviation.
#[derive(Debug, Clone, Copy)]
struct Rest {
    ray: [f64; 2],
    sd: f64,
    seconds: f64,
}

fn hung(
    input: &WandInput,
    config: &WandConfig,
    begun: &Begun,
    poses: &[CameraPose],
    clips: &[(&ClipSpots, &Lens)],
    own_up: &Vector3<f64>,
) -> Option<Vertical> {
    let rests: Vec<Vec<Rest>> = clips
        .iter()
        .enumerate()
        .map(|(k, (spots, lens))| {
            let tracks = link(spots, lens, begun.readouts_s[k].value, begun.colour, &config.link);
            resting(&tracks, lens.fx_px)
        })
        .collect();
    // points where cameras 0 and k agree
    let mut best: Option<(f64, Vertical)> = None;
    for k in 1..poses.len() {
        let focal_px = clips[0].1.fx_px;
        let epipolar = Epipolar::between(&poses[0], &poses[k], focal_px);
        let mut points = Vec::new();
        for a in &rests[0] {
            for b in &rests[k] {
                if epipolar.distance_px(a.ray, b.ray).abs() > config.epipolar_px {
                    continue;
                }
                // what is wrong about a centroid everywhere alike: a good one keeps below 0.05 px (Hechenblaikner, arXiv
                // 2307.09557, sub-pixel bias); lens and pose move both ends of the wand alike
                let floor = 0.05 / focal_px;
                let rays = [
                    WorldRay::new(&poses[0], a.ray, a.sd.hypot(floor)),
                    WorldRay::new(&poses[k], b.ray, b.sd.hypot(floor)),
                ];
                if let Some(p) = nearest_point(&rays) {
                    points.push((p, a.seconds.min(b.seconds)));
                }
            }
        }
        for i in 0..points.len() {
            for j in i + 1..points.len() {
                let (p, q) = (&points[i], &points[j]);
                let between = p.0.position - q.0.position;
                let length_m = between.norm();
                let off = (length_m / input.length_m.value - 1.0).abs();
                let upright = between.normalize().dot(&own_up.normalize()).abs();
                // a hung wand is within 40 degrees of what the phones call up, whatever else has its length
                if off > config.length_tolerance || upright < 0.77 {
                    continue;
                }
                let worth = p.1.min(q.1) * (1.0 - off / config.length_tolerance);
                if best.as_ref().is_none_or(|b| worth > b.0) {
                    let sign = between.dot(own_up).signum();
                    let up = Unit::new_normalize(between * sign);
                    let across = Matrix3::identity() - up.into_inner() * up.transpose();
                    let covariance = across * (p.0.covariance + q.0.covariance) * across;
                    let tilt = (0.5 * covariance.trace()).sqrt() / length_m;
                    let sd_rad = tilt.hypot(config.vertical_floor_rad);
                    best = Some((worth, Vertical { up, sd_rad, length_m: Some(length_m) }));
                }
            }
        }
    }
    best.map(|b| b.1)
}

/// Tracks that rest or swing a little; broken tracks at the same place count as one.
fn resting(tracks: &[Tracklet], focal_px: f64) -> Vec<Rest> {
    let mut groups: Vec<Vec<&Tracklet>> = Vec::new();
    let middle = |t: &Tracklet| t.sightings[t.sightings.len() / 2].ray;
    for track in tracks.iter().filter(|t| t.extent() < MOST_EXTENT_RAD) {
        let at = middle(track);
        let near = groups.iter_mut().find(|g| {
            let other = middle(g[0]);
            (at[0] - other[0]).hypot(at[1] - other[1]) < 0.5 * MOST_EXTENT_RAD
                && g.iter().all(|o| o.span_s()[1] < track.span_s()[0] || o.span_s()[0] > track.span_s()[1])
        });
        match near {
            Some(group) => group.push(track),
            None => groups.push(vec![track]),
        }
    }
    groups
        .iter()
        .filter_map(|group| {
            let seconds: f64 = group.iter().map(|t| t.span_s()[1] - t.span_s()[0]).sum();
            let samples: Vec<(f64, [f64; 2])> =
                group.iter().flat_map(|t| &t.sightings).map(|s| (s.own_s, s.ray)).collect();
            (seconds >= SHORTEST_S && samples.len() >= 10).then(|| rest_point(&samples, seconds, focal_px))
        })
        .collect()
}

/// Rest point of a swing: constant and one sinusoid per axis, the frequency scanned from 0.2 to 2 Hz (a wand of half a
/// metre to three metres swings between 0.3 and 0.9 Hz about one end, a pendulum about its end).
fn rest_point(samples: &[(f64, [f64; 2])], seconds: f64, focal_px: f64) -> Rest {
    let n = samples.len() as f64;
    let mean = |axis: usize| samples.iter().map(|s| s.1[axis]).sum::<f64>() / n;
    let mut ray = [mean(0), mean(1)];
    let spread: f64 =
        samples.iter().map(|s| (s.1[0] - ray[0]).powi(2) + (s.1[1] - ray[1]).powi(2)).sum::<f64>();
    let mut left = spread;
    for i in 0..60 {
        let hz = 0.2 + 0.03 * f64::from(i);
        // less than three quarters of a period tells a swing from a drift badly
        if hz * seconds < 0.75 {
            continue;
        }
        let mut normal = Matrix3::zeros();
        let mut right = [Vector3::zeros(), Vector3::zeros()];
        for (t_s, r) in samples {
            let phase = std::f64::consts::TAU * hz * t_s;
            let row = Vector3::new(1.0, phase.cos(), phase.sin());
            normal += row * row.transpose();
            for axis in 0..2 {
                right[axis] += row * r[axis];
            }
        }
        let Some(inverse) = normal.try_inverse() else { continue };
        let fits = [inverse * right[0], inverse * right[1]];
        let residual: f64 = samples
            .iter()
            .map(|(t_s, r)| {
                let phase = std::f64::consts::TAU * hz * t_s;
                let row = Vector3::new(1.0, phase.cos(), phase.sin());
                (0..2).map(|axis| (r[axis] - row.dot(&fits[axis])).powi(2)).sum::<f64>()
            })
            .sum();
        if residual < left {
            left = residual;
            ray = [fits[0].x, fits[1].x];
        }
    }
    // what the swing leaves lasts: it counts as one sample per quarter second, not per frame
    let independent = (4.0 * seconds).max(1.0);
    let sd = (0.5 * left / n).sqrt() / independent.sqrt();
    Rest { ray, sd: sd.max(0.01 / focal_px), seconds }
}
