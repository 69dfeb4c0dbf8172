//! Least squares over one lens and the poses of its board views.
//!
//! The normal equations are an arrow: a 9 x 9 block of the lens, one 6 x 6 block a view, and the 9 x 6 borders
//! between them. The views are eliminated first (Schur complement), so a step costs what the corners cost and
//! the covariance of the lens is the inverse of the reduced 9 x 9 block (Triggs et al., Bundle adjustment: a
//! modern synthesis, 2000, section 6). Damping after Marquardt (1963): the diagonal is scaled.

use nalgebra::{Isometry3, Matrix6, Point3, SMatrix, Vector6};

use super::corner::{LENS_PARAMS, LensMatrix, LensVector, moved, predict};
use crate::model::RawPixel;

/// A view inside the adjustment.
pub(crate) struct AdjustView<'a> {
    /// Points seen.
    pub corners: &'a [RawPixel],
    /// Where on the board they are, metres.
    pub points: &'a [Point3<f64>],
    /// Weight of the view; 0 leaves it out.
    pub weight: f64,
}

/// A state of the adjustment.
#[derive(Clone)]
pub(crate) struct State {
    /// Lens parameters.
    pub lens: LensVector,
    /// A pose a view.
    pub camera_from_board: Vec<Isometry3<f64>>,
}

/// What the adjustment ended with.
pub(crate) struct Adjusted {
    /// Best state.
    pub state: State,
    /// Weighted sum of squares, square pixels.
    pub cost_px2: f64,
    /// Reduced normal matrix of the lens at the end.
    pub reduced: LensMatrix,
    /// Each weighted view's share of `reduced` and its score, for the spread over views.
    pub shares: Vec<Share>,
    /// It came to rest.
    pub converged: bool,
}

/// A view's share of the information about the lens.
pub(crate) struct Share {
    /// Part of the reduced matrix.
    pub information: LensMatrix,
    /// Gradient left at the end.
    pub score: LensVector,
}

struct Normal {
    b: SMatrix<f64, LENS_PARAMS, 6>,
    c: Matrix6<f64>,
    a: LensMatrix,
    ga: LensVector,
    gb: Vector6<f64>,
    cost_px2: f64,
}

fn normal_of(lens: &LensVector, pose: &Isometry3<f64>, view: &AdjustView<'_>) -> Option<Normal> {
    let mut n = Normal {
        a: LensMatrix::zeros(),
        b: SMatrix::zeros(),
        c: Matrix6::zeros(),
        ga: LensVector::zeros(),
        gb: Vector6::zeros(),
        cost_px2: 0.0,
    };
    for (corner, point) in view.corners.iter().zip(view.points) {
        let p = predict(lens, pose, point)?;
        let r = nalgebra::Vector2::new(corner.x_px, corner.y_px) - p.pixel;
        let (jl, jp) = (p.by_lens.transpose(), p.by_pose.transpose());
        n.a += jl * p.by_lens;
        n.b += jl * p.by_pose;
        n.c += jp * p.by_pose;
        n.ga += jl * r;
        n.gb += jp * r;
        n.cost_px2 += r.norm_squared();
    }
    n.a *= view.weight;
    n.b *= view.weight;
    n.c *= view.weight;
    n.ga *= view.weight;
    n.gb *= view.weight;
    n.cost_px2 *= view.weight;
    n.cost_px2.is_finite().then_some(n)
}

/// Sum of squares of one view, unweighted; infinite when a corner falls behind the camera.
pub(crate) fn view_cost_px2(
    lens: &LensVector,
    pose: &Isometry3<f64>,
    points: &[Point3<f64>],
    corners: &[RawPixel],
) -> f64 {
    let mut sum = 0.0;
    for (corner, point) in corners.iter().zip(points) {
        match predict(lens, pose, point) {
            Some(p) => {
                sum += (corner.x_px - p.pixel.x).powi(2) + (corner.y_px - p.pixel.y).powi(2);
            }
            None => return f64::INFINITY,
        }
    }
    sum
}

fn total_cost_px2(state: &State, views: &[AdjustView<'_>]) -> f64 {
    let mut sum = 0.0;
    for (view, pose) in views.iter().zip(&state.camera_from_board) {
        if view.weight > 0.0 {
            sum += view.weight * view_cost_px2(&state.lens, pose, view.points, view.corners);
        }
    }
    sum
}

/// Solves `m x = rhs` after scaling the diagonal to one.
fn solve_scaled(m: &LensMatrix, rhs: &LensVector) -> Option<LensVector> {
    let d = m.diagonal().map(|v| v.max(1e-300).sqrt().recip());
    let scaled = LensMatrix::from_fn(|i, j| m[(i, j)] * d[i] * d[j]);
    let x = scaled.cholesky()?.solve(&rhs.component_mul(&d));
    Some(x.component_mul(&d))
}

/// Inverse of a positive definite matrix over the lens parameters, scaled as above.
pub(crate) fn inverse_scaled(m: &LensMatrix) -> Option<LensMatrix> {
    let d = m.diagonal().map(|v| v.max(1e-300).sqrt().recip());
    let scaled = LensMatrix::from_fn(|i, j| m[(i, j)] * d[i] * d[j]);
    let inverse = scaled.cholesky()?.inverse();
    Some(LensMatrix::from_fn(|i, j| inverse[(i, j)] * d[i] * d[j]))
}

/// Levenberg-Marquardt from `start` over the views of positive weight. Views of zero weight keep their pose.
/// `free_lens = false` holds the lens and moves poses only. `None` when the start is impossible.
pub(crate) fn adjust(
    start: State,
    views: &[AdjustView<'_>],
    free_lens: bool,
    max_steps: usize,
) -> Option<Adjusted> {
    let mut state = start;
    let mut cost = total_cost_px2(&state, views);
    if !cost.is_finite() {
        return None;
    }
    let mut damping = 1e-3;
    let mut converged = false;
    let mut at_rest = 0;
    'steps: for _ in 0..max_steps {
        let normals = normals_of(&state, views)?;
        loop {
            let Some(trial) = step(&state, &normals, damping, free_lens) else {
                damping = f64::max(damping * 10.0, 1e-12);
                if damping > 1e12 {
                    break 'steps;
                }
                continue;
            };
            let trial_cost = total_cost_px2(&trial, views);
            // Rounding keeps the cost from falling for ever: standing still twice is the end.
            if trial_cost <= cost {
                let still = cost - trial_cost <= 1e-14 * cost;
                at_rest = if still { at_rest + 1 } else { 0 };
                state = trial;
                cost = trial_cost;
                damping = (damping * 0.1).max(1e-15);
                if at_rest >= 2 || cost == 0.0 {
                    converged = true;
                    break 'steps;
                }
                break;
            }
            if trial_cost - cost <= 1e-13 * cost {
                converged = true;
                break 'steps;
            }
            damping *= 10.0;
            if damping > 1e12 {
                break 'steps;
            }
        }
    }
    let normals = normals_of(&state, views)?;
    let mut reduced = LensMatrix::zeros();
    let mut shares = Vec::new();
    for n in normals.iter().flatten() {
        let inverse = n.c.cholesky()?.inverse();
        let information = n.a - n.b * inverse * n.b.transpose();
        reduced += information;
        shares.push(Share { information, score: n.ga - n.b * inverse * n.gb });
    }
    Some(Adjusted { state, cost_px2: cost, reduced, shares, converged })
}

fn normals_of(state: &State, views: &[AdjustView<'_>]) -> Option<Vec<Option<Normal>>> {
    views
        .iter()
        .zip(&state.camera_from_board)
        .map(
            |(view, pose)| {
                if view.weight > 0.0 { normal_of(&state.lens, pose, view).map(Some) } else { Some(None) }
            },
        )
        .collect()
}

fn step(state: &State, normals: &[Option<Normal>], damping: f64, free_lens: bool) -> Option<State> {
    let mut s = LensMatrix::zeros();
    let mut rhs = LensVector::zeros();
    let mut inverses = Vec::with_capacity(normals.len());
    for n in normals {
        let Some(n) = n else {
            inverses.push(None);
            continue;
        };
        let mut c = n.c;
        for i in 0..6 {
            c[(i, i)] *= 1.0 + damping;
        }
        let inverse = c.cholesky()?.inverse();
        if free_lens {
            let mut a = n.a;
            for i in 0..LENS_PARAMS {
                a[(i, i)] *= 1.0 + damping;
            }
            s += a - n.b * inverse * n.b.transpose();
            rhs += n.ga - n.b * (inverse * n.gb);
        }
        inverses.push(Some(inverse));
    }
    let lens_step = if free_lens { solve_scaled(&s, &rhs)? } else { LensVector::zeros() };
    let mut trial = State {
        lens: state.lens + lens_step,
        camera_from_board: Vec::with_capacity(state.camera_from_board.len()),
    };
    for ((pose, n), inverse) in state.camera_from_board.iter().zip(normals).zip(&inverses) {
        let next = match (n, inverse) {
            (Some(n), Some(inverse)) => moved(pose, &(inverse * (n.gb - n.b.transpose() * lens_step))),
            _ => *pose,
        };
        trial.camera_from_board.push(next);
    }
    Some(trial)
}
