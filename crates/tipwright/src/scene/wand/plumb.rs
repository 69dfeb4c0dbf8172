//! The vertical from the wand hung still from one end.
//!
//! Each end's picture position is fitted by a rest point and one sinusoid (the pendulum's swing), camera by camera, so
//! that no clock is needed and a swing does not tilt the mean. The rays of the rest points meet in the two ends.
//!
//! Without it the phones tell: people level a picture's lower edge, and tilt the phone up or down as they need. So up is across
//! the right-hand sides of all pictures, and, much less surely, across their lines of sight.

use nalgebra::{Matrix3, Unit, Vector3};

use super::joint::WandJoint;
use super::start::Begun;
use super::{WandConfig, WandInput};
use crate::model::{CameraPose, ClipSpots, Lens, Severity, Warning};
use crate::scene::rest::{CENTROID_FLOOR_PX, LEAST_UPRIGHT, RIVAL_SHARE, Rest, rest_point};
use crate::tracks::rays::{Epipolar, WorldRay, nearest_point};
use crate::tracks::tracklets::{Tracklet, link};

/// Up in the frame of the joint solution (camera 0's), with the covariance of its tip across itself.
#[derive(Debug, Clone)]
pub(super) struct Vertical {
    pub up: Unit<Vector3<f64>>,
    pub covariance: Matrix3<f64>,
    /// Ends of the hung wand apart, metres, when it was seen.
    pub length_m: Option<f64>,
}

/// Shortest track that counts as hanging, seconds.
const SHORTEST_S: f64 = 0.5;
/// Largest extent of a hanging end, radians: half a metre at eight metres.
const MOST_EXTENT_RAD: f64 = 0.06;

/// Couples that share an end and a place differ by their noise, and by this: a centimetre in a metre.
const SAME_RAD: f64 = 0.01;

impl Vertical {
    /// Standard deviation of its tilt, root mean square of both directions, radians.
    pub fn sd_rad(&self) -> f64 {
        (0.5 * self.covariance.trace()).sqrt()
    }

    /// The same in the direction in which it is known least, degrees.
    fn worst_deg(&self) -> f64 {
        self.covariance.symmetric_eigenvalues().max().sqrt().to_degrees()
    }
}

/// Up by how phones stand: across each picture's right-hand side to `vertical_guess_rad`, across its line of sight to
/// `pitch_guess_rad`. The unit vector of least squares is an eigenvector of the normal matrix.
fn level(poses: &[CameraPose], config: &WandConfig) -> Vertical {
    let mut normal = Matrix3::zeros();
    let mut own_up = Vector3::zeros();
    for pose in poses {
        let to_frame = pose.camera_from_world.rotation.inverse();
        for (axis, sd) in [(Vector3::x(), config.vertical_guess_rad), (Vector3::z(), config.pitch_guess_rad)]
        {
            let axis = to_frame * axis;
            normal += axis * axis.transpose() / (sd * sd);
        }
        own_up -= to_frame * Vector3::y();
    }
    let eigen = normal.symmetric_eigen();
    let least = eigen.eigenvalues.imin();
    let up = eigen.eigenvectors.column(least).into_owned();
    let up = Unit::new_normalize(if up.dot(&own_up) < 0.0 { -up } else { up });
    // of the two other eigenvectors, what is left of them above the least: the curvature on the sphere
    let across = (0..3).filter(|i| *i != least).map(|i| {
        let v = eigen.eigenvectors.column(i);
        let stiff = (eigen.eigenvalues[i] - eigen.eigenvalues[least]).max(1.0);
        v * v.transpose() / stiff
    });
    Vertical { up, covariance: across.sum(), length_m: None }
}

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
    let level = level(&poses, config);
    let about =
        format!("the vertical is how phones are levelled, good to about {:.0} degrees", level.worst_deg());
    let clips: Option<Vec<(&ClipSpots, &Lens)>> =
        input.cameras.iter().map(|c| c.plumb.map(|p| (p, c.lens))).collect();
    let Some(clips) = clips else {
        warnings.push(Warning::new(
            Severity::Warning,
            "scene",
            format!("there is no plumb clip: {about}"),
            "Film the wand hung still from one end with both phones and add it under [scene] plumb",
        ));
        return level;
    };
    match hung(input, config, begun, &poses, &clips, &level.up) {
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
                format!("the hung wand was not found in both cameras: {about}"),
                "Film the hung wand again, both ends in the picture, for five seconds",
            ));
            level
        }
    }
}

fn hung(
    input: &WandInput,
    config: &WandConfig,
    begun: &Begun,
    poses: &[CameraPose],
    clips: &[(&ClipSpots, &Lens)],
    own_up: &Unit<Vector3<f64>>,
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
    let mut found: Vec<(f64, Vertical)> = Vec::new();
    for k in 1..poses.len() {
        let focal_px = clips[0].1.fx_px;
        let epipolar = Epipolar::between(&poses[0], &poses[k], focal_px);
        let mut points = Vec::new();
        for a in &rests[0] {
            for b in &rests[k] {
                if epipolar.distance_px(a.ray, b.ray).abs() > config.epipolar_px {
                    continue;
                }
                // lens and pose move both ends of the wand alike
                let floor = CENTROID_FLOOR_PX / focal_px;
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
                let upright = between.normalize().dot(own_up).abs();
                if off > config.length_tolerance || upright < LEAST_UPRIGHT {
                    continue;
                }
                let worth = p.1.min(q.1) * (1.0 - off / config.length_tolerance);
                let sign = between.dot(own_up).signum();
                let up = Unit::new_normalize(between * sign);
                let across = Matrix3::identity() - up.into_inner() * up.transpose();
                let covariance = across * (p.0.covariance + q.0.covariance) * across / length_m.powi(2)
                    + across * config.vertical_floor_rad.powi(2);
                found.push((worth, Vertical { up, covariance, length_m: Some(length_m) }));
            }
        }
    }
    // flowers and glints also hang still, and some two of many are a wand's length apart: where two couples are as good as each other
    // and say otherwise, neither is the wand
    let best = found.iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let contradicts = |other: &&(f64, Vertical)| {
        let off_rad = other.1.up.angle(&best.1.up);
        other.0 > RIVAL_SHARE * best.0 && off_rad > SAME_RAD + 3.0 * (best.1.sd_rad() + other.1.sd_rad())
    };
    if found.iter().any(|other| contradicts(&other)) {
        return None;
    }
    Some(best.1.clone())
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

#[cfg(test)]
mod tests {
    use nalgebra::{Isometry3, Translation3, UnitQuaternion};
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    /// Phones that stand round a caster, each rolled and tilted by what people leave.
    fn phones(bearings_deg: [f64; 2], roll_rad: [f64; 2], pitch_rad: [f64; 2]) -> Vec<CameraPose> {
        (0..2)
            .map(|k| {
                // x right, y down, z away from the phone; the world's z is up
                let flat = UnitQuaternion::from_axis_angle(&Vector3::x_axis(), std::f64::consts::FRAC_PI_2);
                let round = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), bearings_deg[k].to_radians());
                let tilt = UnitQuaternion::from_axis_angle(&Vector3::x_axis(), -pitch_rad[k]);
                let roll = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), roll_rad[k]);
                let camera_from_world = roll * tilt * flat * round;
                CameraPose {
                    camera_from_world: Isometry3::from_parts(Translation3::identity(), camera_from_world),
                }
            })
            .collect()
    }

    #[test]
    fn phones_that_look_up_from_one_side_do_not_tilt_the_world() {
        // both 6 degrees up, 30 degrees apart: the mean of their own ups is 6 degrees off
        let up = level(&phones([0.0, 30.0], [0.0; 2], [0.105; 2]), &WandConfig::default()).up;
        let off_deg = up.angle(&Vector3::z_axis()).to_degrees();
        // rolls hold it with sin^2(15) / 0.05^2 = 27, tilts with cos^2(15) / 0.17^2 = 32 and pull with cos(15) / 0.17^2 = 33: 6 x 33 / 59
        assert!(off_deg < 3.5, "{off_deg}");
        let up = level(&phones([0.0, 80.0], [0.0; 2], [0.105; 2]), &WandConfig::default()).up;
        let off_deg = up.angle(&Vector3::z_axis()).to_degrees();
        // 165, 20 and 27: 6 x 27 / 185
        assert!(off_deg < 0.9, "{off_deg}");
    }

    #[test]
    fn its_covariance_holds_what_it_should() {
        let config = WandConfig::default();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let roll = Normal::new(0.0, config.vertical_guess_rad).expect("positive");
        let pitch = Normal::new(0.0, config.pitch_guess_rad).expect("positive");
        for apart_deg in [20.0, 45.0, 90.0] {
            let inside = (0..400)
                .filter(|_| {
                    let rolls = [roll.sample(&mut rng), roll.sample(&mut rng)];
                    let pitches = [pitch.sample(&mut rng), pitch.sample(&mut rng)];
                    let found = level(&phones([0.0, apart_deg], rolls, pitches), &config);
                    let off = Vector3::z() - found.up.into_inner();
                    // chi-square of two degrees of freedom: 5.99 at 95 %
                    let weights = found.covariance.pseudo_inverse(1e-9).expect("finite");
                    (off.transpose() * weights * off).x < 5.99
                })
                .count();
            // 95 % of 400 is 380, its standard deviation 4.4; four of those and a little for the sphere
            assert!((360..=400).contains(&inside), "{apart_deg}: {inside}");
        }
    }
}
