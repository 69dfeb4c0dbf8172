//! What a take inherits from the scene.

use nalgebra::DMatrix;

use super::upright::LooseTurn;
use super::view::View;
use super::{PathConfig, TakeInput};
use crate::model::Scene;
use crate::motion::SetUpPrior;

/// Joint knowledge of the cameras before the take: of everything, else of the poses alone, and the common turn that was taken out of it.
#[derive(Debug, Clone)]
pub(super) struct Known {
    pub set_up: Option<SetUpPrior>,
    pub pose_covariance: Option<DMatrix<f64>>,
    pub turn: Option<LooseTurn>,
}

impl Known {
    pub fn of(input: &TakeInput, config: &PathConfig, views: &[View]) -> Self {
        let mut set_up = set_up(input, config, views);
        let mut pose_covariance = if set_up.is_some() { None } else { pose_covariance(input, config, views) };
        let turn = match (&mut set_up, &mut pose_covariance) {
            // of one camera a plane of the same world holds the path
            _ if input.held().is_some() => None,
            (Some(all), _) => LooseTurn::taken_out(&mut all.covariance, Scene::PARAMETERS, views),
            (None, Some(poses)) => LooseTurn::taken_out(poses, 6, views),
            (None, None) => None,
        };
        Self { set_up, pose_covariance, turn }
    }
}

/// The scene's joint covariance for the cameras of the take, with the settling of each tripod on top.
fn pose_covariance(input: &TakeInput, config: &PathConfig, views: &[View]) -> Option<DMatrix<f64>> {
    let n = 6 * input.scene.cameras.len();
    if input.scene.pose_covariance.len() != n * n || n == 0 {
        return None;
    }
    let all = DMatrix::from_row_slice(n, n, &input.scene.pose_covariance);
    let m = 6 * views.len();
    Some(DMatrix::from_fn(m, m, |i, j| {
        let at = |k: usize| 6 * views[k / 6].scene_idx + k % 6;
        let settle = if i % 6 < 3 { config.settle_turn_rad } else { config.settle_m };
        all[(at(i), at(j))] + if i == j { settle * settle } else { 0.0 }
    }))
}

/// The scene's joint covariance of everything for the cameras of the take, with the settling of each tripod on top.
fn set_up(input: &TakeInput, config: &PathConfig, views: &[View]) -> Option<SetUpPrior> {
    let each = Scene::PARAMETERS;
    let n = each * input.scene.cameras.len();
    if input.scene.set_up_covariance.len() != n * n || n == 0 {
        return None;
    }
    let all = DMatrix::from_row_slice(n, n, &input.scene.set_up_covariance);
    let m = each * views.len();
    let covariance = DMatrix::from_fn(m, m, |i, j| {
        let at = |k: usize| each * views[k / each].scene_idx + k % each;
        let settle = match i % each {
            0..3 => config.settle_turn_rad,
            3..6 => config.settle_m,
            _ => 0.0,
        };
        all[(at(i), at(j))] + if i == j { settle * settle } else { 0.0 }
    });
    let readouts_s = views.iter().map(|v| input.scene.cameras[v.scene_idx].readout_s).collect();
    Some(SetUpPrior { readouts_s, covariance })
}
