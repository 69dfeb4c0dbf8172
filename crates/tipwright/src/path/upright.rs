//! The vertical where the scene hardly knows it. Nothing in a take tells which way is up: turn the world, the cameras and the path
//! with it, and every picture stays as it is.
//!
//! The equations about a solution don't know that. A path that is turned in their straight-line way is stretched by the square of the
//! turn, which costs jerk, and a turn of some degrees looks as if the path's smoothness spoke against it: draws held half of a
//! tilt of five degrees. So the part of the set-up's covariance that is a common turn is taken out before a take is solved and given
//! back to its draws as what it is, a turn.

use nalgebra::{DMatrix, Matrix3, Rotation3, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::view::View;
use crate::motion::factored;

/// Common turns known better than this need none of it, radians: what smoothness seems to say of them is some hundreds per square radian,
/// a hundredth of what is known. A hung wand tells the vertical to 0.001 to 0.002.
const LOOSE_RAD: f64 = 0.01;
/// Standard deviation that is left in the set-up's covariance, radians.
const LEFT_RAD: f64 = 1e-3;

/// Covariance of a common turn of all cameras about the world's axes, rad^2, beyond what stays in the set-up's covariance.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LooseTurn(Matrix3<f64>);

/// The turns about the world's axes as errors of all cameras' poses, `each` parameters a camera.
fn turns(each: usize, views: &[View]) -> DMatrix<f64> {
    let mut out = DMatrix::zeros(each * views.len(), 3);
    for (k, view) in views.iter().enumerate() {
        let turn = view.pose.camera_from_world.rotation.to_rotation_matrix();
        out.view_mut((each * k, 0), (3, 3)).copy_from(turn.matrix());
    }
    out
}

impl LooseTurn {
    /// Takes the common turn out of a covariance of the cameras' poses; `None`, and nothing taken, where it is known well.
    pub fn taken_out(covariance: &mut DMatrix<f64>, each: usize, views: &[View]) -> Option<Self> {
        let turns = turns(each, views);
        // what is known of the turn with everything else unknown (generalised least squares)
        let information = turns.transpose() * factored(covariance.clone())?.solve(&turns);
        let information = Matrix3::from_fn(|i, j| information[(i, j)]);
        let known = information.try_inverse()?.symmetric_eigen();
        if !(known.eigenvalues.max() > LOOSE_RAD * LOOSE_RAD) {
            return None;
        }
        let beyond = known.eigenvalues.map(|v| (v - LEFT_RAD * LEFT_RAD).max(0.0));
        let beyond = known.eigenvectors * Matrix3::from_diagonal(&beyond) * known.eigenvectors.transpose();
        *covariance -= &turns * beyond * turns.transpose();
        Some(Self(beyond))
    }

    /// One turn for each draw.
    pub fn draws(&self, count: usize, seed: u64) -> Vec<Rotation3<f64>> {
        let eigen = self.0.symmetric_eigen();
        let sds = eigen.eigenvalues.map(|v| v.max(0.0).sqrt());
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        // a stream of its own: the errors of the take's draws have the first ones
        rng.set_stream(u64::MAX);
        let mut one = || {
            let z = Vector3::from_fn(|_, _| StandardNormal.sample(&mut rng));
            Rotation3::new(eigen.eigenvectors * sds.component_mul(&z))
        };
        (0..count).map(|_| one()).collect()
    }
}
