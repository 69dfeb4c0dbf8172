//! Has a camera been turned since the scene? Told by what stands still in its picture: trees, banks, roofs.
//!
//! What is far away moves in the picture only when the camera turns, all of it by one rotation; what is near moves by a
//! shift too, and what walks moves by itself. The rotation that most landmarks agree on is the turn of the tripod
//! (consensus after Fischler and Bolles 1981; the rotation of two bundles of directions after Kabsch 1976).

use nalgebra::{DMatrix, Isometry3, Matrix3, SVD, Translation3, UnitQuaternion, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::model::{Landmark, Lens, Scene};

/// Settings of [`turn_between`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LandmarkConfig {
    /// Landmarks within this distance of the common rotation agree, pixels. 1.5: stills are half-size, and leaves move.
    pub agree_px: f64,
    /// Fewest landmarks that agree. 15: three parameters and chance leaves of a tree five times over.
    pub fewest: usize,
    /// Least share of the landmarks that agree. 0.35: people, water and clouds may be the rest.
    pub least_share: f64,
    /// Least standard deviation of a turn, pixels: what leaves in the wind have in common.
    pub floor_px: f64,
}

impl Default for LandmarkConfig {
    fn default() -> Self {
        Self { agree_px: 1.5, fewest: 15, least_share: 0.35, floor_px: 0.1 }
    }
}

/// A turn of a camera between two stills.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// Takes directions in the camera frame before to the camera frame now.
    pub now_from_before: UnitQuaternion<f64>,
    /// Standard deviation of each of its components, radians.
    pub sd_rad: f64,
    /// Landmarks that agree.
    pub agree: usize,
    /// Landmarks in all.
    pub landmarks: usize,
    /// Root mean square of what is left of those that agree, pixels.
    pub rms_px: f64,
}

/// Why a turn cannot be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoTurn {
    /// Sky, water, or a picture out of focus.
    #[error("only {found} things that stand still were found, {needed} are needed")]
    TooFew {
        /// Found.
        found: usize,
        /// Needed.
        needed: usize,
    },
    /// Another place, another zoom, or everything moves.
    #[error("only {agree} of {found} things that stand still agree on one turn")]
    NoAgreement {
        /// Agree.
        agree: usize,
        /// Found.
        found: usize,
    },
}

/// Pairs of directions tried for a consensus: with a third of good landmarks a pair of good ones is missed once in 10^13.
const TRIES: usize = 250;

/// The turn that landmarks agree on.
///
/// # Errors
/// Too few landmarks, or no agreement.
pub fn turn_between(lens: &Lens, landmarks: &[Landmark], config: &LandmarkConfig) -> Result<Turn, NoTurn> {
    let direction = |p| lens.undistort(p).map(|r| Vector3::new(r.x, r.y, 1.0).normalize());
    let pairs: Vec<[Vector3<f64>; 2]> =
        landmarks.iter().filter_map(|l| Some([direction(l.before)?, direction(l.now)?])).collect();
    if pairs.len() < config.fewest {
        return Err(NoTurn::TooFew { found: pairs.len(), needed: config.fewest });
    }
    let px_from_rad = lens.fx_px;
    let off_px = |turn: &UnitQuaternion<f64>, [a, b]: &[Vector3<f64>; 2]| px_from_rad * (turn * a - b).norm();
    let mut best: Option<(usize, UnitQuaternion<f64>)> = None;
    // the same tries every time
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    for _ in 0..TRIES {
        let (i, j) = (rng.random_range(0..pairs.len()), rng.random_range(0..pairs.len()));
        if pairs[i][0].angle(&pairs[j][0]) < 0.05 {
            continue;
        }
        let turn = rotation_of(&[pairs[i], pairs[j]], &[1.0, 1.0]);
        let agree = pairs.iter().filter(|p| off_px(&turn, p) < config.agree_px).count();
        if best.is_none_or(|b| agree > b.0) {
            best = Some((agree, turn));
        }
    }
    let (mut agree, mut turn) = best.unwrap_or((0, UnitQuaternion::identity()));
    if agree >= config.fewest {
        // weights of Tukey's biweight at twice the limit
        for _ in 0..10 {
            let weights: Vec<f64> = pairs
                .iter()
                .map(|p| (1.0 - (off_px(&turn, p) / (2.0 * config.agree_px)).powi(2)).max(0.0).powi(2))
                .collect();
            turn = rotation_of(&pairs, &weights);
        }
        agree = pairs.iter().filter(|p| off_px(&turn, p) < config.agree_px).count();
    }
    #[allow(clippy::cast_precision_loss)]
    let share = agree as f64 / pairs.len() as f64;
    if agree < config.fewest || share < config.least_share {
        return Err(NoTurn::NoAgreement { agree, found: pairs.len() });
    }
    let kept = || pairs.iter().filter(|p| off_px(&turn, p) < config.agree_px);
    let sum_px2: f64 = kept().map(|p| off_px(&turn, p).powi(2)).sum();
    #[allow(clippy::cast_precision_loss)]
    let n = agree as f64;
    // information of the directions about the worst-known axis
    let mut information = Matrix3::zeros();
    for [a, _] in kept() {
        information += Matrix3::identity() - a * a.transpose();
    }
    let least = information.symmetric_eigenvalues().min().max(1e-9);
    let sigma_px = (sum_px2 / (2.0 * n - 3.0).max(1.0)).sqrt();
    let sd_px = (sigma_px / least.sqrt()).hypot(config.floor_px);
    Ok(Turn {
        now_from_before: turn,
        sd_rad: sd_px / px_from_rad,
        agree,
        landmarks: pairs.len(),
        rms_px: (sum_px2 / n).sqrt(),
    })
}

/// Rotation that takes the first of each pair nearest to the second, weighted.
fn rotation_of(pairs: &[[Vector3<f64>; 2]], weights: &[f64]) -> UnitQuaternion<f64> {
    let mut h = Matrix3::zeros();
    for ([a, b], w) in pairs.iter().zip(weights) {
        h += *w * b * a.transpose();
    }
    let svd = SVD::new(h, true, true);
    let (Some(u), Some(v_t)) = (svd.u, svd.v_t) else { return UnitQuaternion::identity() };
    let mut d = Matrix3::identity();
    d[(2, 2)] = (u * v_t).determinant().signum();
    UnitQuaternion::from_matrix(&(u * d * v_t))
}

/// Farthest from a camera that turned it may have been pushed, metres per radian of turn: a tripod that tips over its feet
/// carries the camera along an arc of about its own height.
const SHIFT_M_PER_RAD: f64 = 1.0;
/// How far the things are that the turn was read from, metres; a shift of the camera feigns a turn by its share of this.
const LANDMARKS_AT_M: f64 = 25.0;

/// The scene with one camera turned about its own centre, and with what is not known of the knock in its covariances.
#[must_use]
pub fn turned(scene: &Scene, camera_idx: usize, turn: &Turn) -> Scene {
    let mut out = scene.clone();
    let Some(camera) = out.cameras.get_mut(camera_idx) else { return out };
    let mut pose = camera.pose();
    let rotation = turn.now_from_before;
    pose.camera_from_world =
        Isometry3::from_parts(Translation3::identity(), rotation) * pose.camera_from_world;
    camera.set_pose(&pose);
    let shift_sd_m = SHIFT_M_PER_RAD * rotation.angle();
    let turn_sd_rad = turn.sd_rad.hypot(shift_sd_m / LANDMARKS_AT_M);
    let knock = pose.knock_covariance(turn_sd_rad, shift_sd_m);
    for axis in 0..3 {
        let sd_rad = camera.rotation_sd_deg[axis].to_radians().hypot(knock[(axis, axis)].sqrt());
        camera.rotation_sd_deg[axis] = sd_rad.to_degrees();
        camera.translation_sd_m[axis] =
            camera.translation_sd_m[axis].hypot(knock[(axis + 3, axis + 3)].sqrt());
    }
    let turn_axes = rotation.to_rotation_matrix();
    let cameras = scene.cameras.len();
    for (all, each) in [(&mut out.pose_covariance, 6), (&mut out.set_up_covariance, Scene::PARAMETERS)] {
        let n = each * cameras;
        if all.len() != n * n || n == 0 {
            continue;
        }
        // errors are about the camera's axes, which have turned
        let mut by_turn = DMatrix::identity(n, n);
        for at in [each * camera_idx, each * camera_idx + 3] {
            by_turn.view_mut((at, at), (3, 3)).copy_from(turn_axes.matrix());
        }
        let mut covariance = &by_turn * DMatrix::from_row_slice(n, n, all) * by_turn.transpose();
        let mut own = covariance.view_mut((each * camera_idx, each * camera_idx), (6, 6));
        own += knock;
        *all = covariance.transpose().as_slice().to_vec();
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{RawPixel, UndistortedRay};

    fn lens() -> Lens {
        Lens::new([1920, 1080], 1507.0, 1510.0, 961.0, 537.0, [0.12, -0.3, 0.001, -0.0005, 0.1])
    }

    /// Landmarks over the picture, turned, with noise; every `wild`-th moved by itself.
    fn film(turn: &UnitQuaternion<f64>, noise_px: f64, wild: usize) -> Vec<Landmark> {
        let lens = lens();
        (0..160)
            .map(|i| {
                let (x, y) = (90.0 + 110.0 * f64::from(i % 16), 80.0 + 95.0 * f64::from(i / 16));
                let before = RawPixel::new(x, y);
                let ray = lens.undistort(before).unwrap();
                let d = turn * Vector3::new(ray.x, ray.y, 1.0);
                let mut now = lens.distort(UndistortedRay { x: d.x / d.z, y: d.y / d.z });
                let wave = |k: f64| (f64::from(i) * k).sin() * std::f64::consts::SQRT_2;
                now.x_px += noise_px * wave(12.9898);
                now.y_px += noise_px * wave(78.233);
                if wild > 0 && (i as usize).is_multiple_of(wild) {
                    now.x_px += 9.0 * wave(3.7);
                    now.y_px -= 7.0;
                }
                Landmark { before, now }
            })
            .collect()
    }

    #[test]
    fn a_turn_is_found_among_things_that_walk() {
        let truth = UnitQuaternion::from_euler_angles(0.004, -0.011, 0.007);
        let found = turn_between(&lens(), &film(&truth, 0.3, 2), &LandmarkConfig::default()).unwrap();
        let off_rad = found.now_from_before.angle_to(&truth);
        println!("{off_rad:.2e} rad off, sd {:.2e}, {found:?}", found.sd_rad);
        // three components, each within three standard deviations
        assert!(off_rad < 3.0 * 3f64.sqrt() * found.sd_rad);
        assert!(found.sd_rad * 1507.0 < 0.2, "{}", found.sd_rad);
        assert!(found.agree >= 78 && found.agree <= 90, "{}", found.agree);
    }

    #[test]
    fn a_still_camera_has_no_turn() {
        let found =
            turn_between(&lens(), &film(&UnitQuaternion::identity(), 0.3, 3), &LandmarkConfig::default())
                .unwrap();
        assert!(found.now_from_before.angle() < 3.0 * 3f64.sqrt() * found.sd_rad);
    }

    #[test]
    fn another_zoom_is_no_turn() {
        let zoomed: Vec<Landmark> = film(&UnitQuaternion::identity(), 0.3, 0)
            .into_iter()
            .map(|l| Landmark { now: RawPixel::new(1.06 * l.now.x_px, 1.06 * l.now.y_px), ..l })
            .collect();
        let told = turn_between(&lens(), &zoomed, &LandmarkConfig::default());
        assert!(matches!(told, Err(NoTurn::NoAgreement { .. })), "{told:?}");
    }

    #[test]
    fn a_plain_sky_tells_nothing() {
        let told = turn_between(
            &lens(),
            &film(&UnitQuaternion::identity(), 0.3, 0)[..9],
            &LandmarkConfig::default(),
        );
        assert_eq!(told, Err(NoTurn::TooFew { found: 9, needed: 15 }));
    }
}
