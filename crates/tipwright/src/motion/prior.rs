//! What is known of the set-up together beforehand.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Isometry3};

use super::problem::Problem;
use super::state::{Layout, State};

/// A joint normal prior on parameters of the border.
#[derive(Debug, Clone)]
pub struct JointPrior {
    /// Position in the border, camera, and which of its parameters (order of [`crate::model::Scene::set_up_covariance`]).
    pub parameters: Vec<(usize, usize, usize)>,
    /// Inverse of the covariance.
    pub information: DMatrix<f64>,
}

/// The problem's joint prior reduced to what is free.
pub fn joint_prior(problem: &Problem, layout: &Layout) -> Option<JointPrior> {
    let n = problem.cameras.len();
    let (covariance, each) = match (&problem.set_up, &problem.pose_covariance) {
        (Some(set_up), _) => (&set_up.covariance, crate::model::Scene::PARAMETERS),
        (None, Some(covariance)) => (covariance, 6),
        (None, None) => return None,
    };
    if covariance.nrows() != each * n || covariance.ncols() != each * n {
        return None;
    }
    let mut parameters = Vec::new();
    for (k, slots) in layout.cameras.iter().enumerate() {
        let pose = (0..6).map(|i| slots.pose.map(|at| at + i));
        let rest =
            [slots.readout, slots.focal, slots.centre, slots.centre.map(|at| at + 1), slots.k1].into_iter();
        for (which, at) in pose.chain(rest).take(each).enumerate() {
            parameters.extend(at.map(|at| (at, k, which)));
        }
    }
    if parameters.is_empty() {
        return None;
    }
    let row = |i: usize| each * parameters[i].1 + parameters[i].2;
    let sub = DMatrix::from_fn(parameters.len(), parameters.len(), |a, b| covariance[(row(a), row(b))]);
    factored(sub).map(|c| JointPrior { parameters, information: c.inverse() })
}

/// Factor of a set-up's covariance with a hair of independence: one that has lost rank (a known length) still inverts. `None` where it is
/// no covariance.
pub fn factored(mut covariance: DMatrix<f64>) -> Option<Cholesky<f64, Dyn>> {
    for i in 0..covariance.nrows() {
        covariance[(i, i)] = covariance[(i, i)] * (1.0 + 1e-9) + 1e-12;
    }
    covariance.cholesky()
}

impl JointPrior {
    /// How far a state was pulled from the prior's centre: chi-square beside what is not known beforehand and what the sightings' errors do
    /// (`spread`, covariance of the border under them), and the number of parameters. Errors that last, as those of a ball lit from one
    /// side, pull a set-up the same way in every frame, and the prior knows nothing of them.
    pub fn pull(&self, problem: &Problem, state: &State, spread: &DMatrix<f64>) -> (f64, usize) {
        let d = self.deviation(problem, state);
        let at = |i: usize| self.parameters[i].0;
        let n = self.parameters.len();
        let errors = DMatrix::from_fn(n, n, |i, j| spread[(at(i), at(j))]);
        let known = Cholesky::new(self.information.clone()).map(|c| c.inverse());
        let chi2 = known.and_then(|known| Cholesky::new(known + errors)).map_or(0.0, |c| d.dot(&c.solve(&d)));
        (chi2, n)
    }

    /// How far a state is from the prior's centre.
    pub fn deviation(&self, problem: &Problem, state: &State) -> DVector<f64> {
        let poses: Vec<[f64; 6]> = problem
            .cameras
            .iter()
            .zip(&state.cameras)
            .map(|(given, now)| pose_difference(&now.camera_from_world, &given.camera_from_world))
            .collect();
        DVector::from_iterator(
            self.parameters.len(),
            self.parameters.iter().map(|&(_, k, which)| {
                let now = &state.cameras[k];
                match which {
                    0..6 => poses[k][which],
                    6 => {
                        now.clock.readout_s
                            - problem.set_up.as_ref().map_or(now.clock.readout_s, |s| s.readouts_s[k])
                    }
                    7 => now.focal_log,
                    8 | 9 => now.centre_shift_px[which - 8],
                    _ => now.k1_shift,
                }
            }),
        )
    }
}

/// Small difference of two poses in the convention of the border: turn, then translation.
pub fn pose_difference(now: &Isometry3<f64>, reference: &Isometry3<f64>) -> [f64; 6] {
    let turn = (now.rotation * reference.rotation.inverse()).scaled_axis();
    let shift = now.translation.vector - reference.translation.vector;
    [turn.x, turn.y, turn.z, shift.x, shift.y, shift.z]
}
