//! Where a second camera stands against a first, from pairs of views of one board with both lenses fixed.
//!
//! Least squares over the pose `second_from_first` and one board pose a pair; the pairs are eliminated first, so the
//! step is a 6 x 6 system. Used to check lenses: the distance of two cameras bolted to one bar is a length
//! that both lenses must agree on.

use nalgebra::{Isometry3, Matrix6, Point3, Vector6};

use super::calibrate::board_points_m;
use super::corner::{cross_matrix, moved, predict, vector_from_lens};
use super::homography::{fit_plane, pose_from_plane};
use crate::model::Board;
use crate::model::{Lens, Measured, RawPixel};

/// One board seen by both cameras at the same time, corners in the same order.
#[derive(Debug, Clone, PartialEq)]
pub struct BoardPair {
    /// Corners in the first camera.
    pub first: Vec<RawPixel>,
    /// Corners in the second camera.
    pub second: Vec<RawPixel>,
}

/// How two cameras stand to each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Stereo {
    /// Takes points of the first camera to the second's, metres.
    pub second_from_first: Isometry3<f64>,
    /// Distance between the cameras.
    pub baseline_m: Measured,
    /// Rms over the corners of both cameras.
    pub rms_px: f64,
}

/// Most steps; it takes 5 to 10.
const MOST_STEPS: usize = 50;

/// Relative pose from pairs; `None` without at least two usable pairs.
#[must_use]
pub fn relative_pose(lenses: [&Lens; 2], board: &Board, pairs: &[BoardPair]) -> Option<Stereo> {
    let flat = board_points_m(board);
    let points: Vec<Point3<f64>> = flat.iter().map(|p| Point3::new(p.x, p.y, 0.0)).collect();
    let start_of = |lens: &Lens, corners: &[RawPixel]| {
        // Distortion is taken off first, so that a plane's picture is a homography.
        let straight: Vec<RawPixel> = corners
            .iter()
            .map(|c| {
                lens.undistort(*c)
                    .map(|r| RawPixel::new(lens.fx_px * r.x + lens.cx_px, lens.fy_px * r.y + lens.cy_px))
            })
            .collect::<Option<_>>()?;
        let fit = fit_plane(&flat, &straight)?;
        pose_from_plane(&fit.picture_from_board, [lens.fx_px, lens.fy_px], [lens.cx_px, lens.cy_px])
    };
    let mut used: Vec<(&BoardPair, Isometry3<f64>)> = Vec::new();
    let mut relatives = Vec::new();
    for pair in pairs {
        if pair.first.len() != points.len() || pair.second.len() != points.len() {
            continue;
        }
        let (Some(first), Some(second)) =
            (start_of(lenses[0], &pair.first), start_of(lenses[1], &pair.second))
        else {
            continue;
        };
        used.push((pair, first));
        relatives.push(second * first.inverse());
    }
    if used.len() < 2 {
        return None;
    }
    // The pair whose relative pose agrees best with the others is the start.
    let mut second_from_first = *relatives.iter().min_by(|a, b| {
        let spread = |x: &Isometry3<f64>| {
            relatives
                .iter()
                .map(|y| {
                    (x.translation.vector - y.translation.vector).norm() + x.rotation.angle_to(&y.rotation)
                })
                .sum::<f64>()
        };
        spread(a).total_cmp(&spread(b))
    })?;
    let mut boards: Vec<Isometry3<f64>> = used.iter().map(|u| u.1).collect();
    let parameters = [vector_from_lens(lenses[0]), vector_from_lens(lenses[1])];
    let mut damping = 1e-4;
    let mut now = linearise(&parameters, &points, &used, &second_from_first, &boards)?;
    for _ in 0..MOST_STEPS {
        let Some((relative_step, board_steps)) = now.step(damping) else {
            damping *= 10.0;
            continue;
        };
        let trial_relative = moved(&second_from_first, &relative_step);
        let trial_boards: Vec<_> = boards.iter().zip(&board_steps).map(|(b, s)| moved(b, s)).collect();
        match linearise(&parameters, &points, &used, &trial_relative, &trial_boards) {
            Some(trial) if trial.cost_px2 <= now.cost_px2 => {
                let at_rest = now.cost_px2 - trial.cost_px2 <= 1e-14 * now.cost_px2;
                (second_from_first, boards, now) = (trial_relative, trial_boards, trial);
                damping = f64::max(damping * 0.1, 1e-15);
                if at_rest {
                    break;
                }
            }
            _ => {
                damping *= 10.0;
                if damping > 1e10 {
                    break;
                }
            }
        }
    }
    let corners = 2 * points.len() * used.len();
    let unknowns = 6 + 6 * used.len();
    let variance_px2 = now.cost_px2 / (2 * corners).saturating_sub(unknowns).max(1) as f64;
    let covariance = now.reduced(0.0)?.0.try_inverse()? * variance_px2;
    // The distance only depends on the translation: a turn about the second camera leaves it.
    let t = second_from_first.translation.vector;
    let along = t / t.norm();
    let block = covariance.fixed_view::<3, 3>(3, 3);
    let sd = (along.transpose() * block * along)[(0, 0)].sqrt();
    Some(Stereo {
        second_from_first,
        baseline_m: Measured::new(t.norm(), sd),
        rms_px: (now.cost_px2 / corners as f64).sqrt(),
    })
}

struct PairNormal {
    b: Matrix6<f64>,
    c: Matrix6<f64>,
    gb: Vector6<f64>,
}

struct Linear {
    a: Matrix6<f64>,
    ga: Vector6<f64>,
    pairs: Vec<PairNormal>,
    cost_px2: f64,
}

/// Normal matrix and right side of the relative pose alone, and what puts the views back.
type Reduced = (Matrix6<f64>, Vector6<f64>, Vec<Matrix6<f64>>);

impl Linear {
    fn reduced(&self, damping: f64) -> Option<Reduced> {
        let damped = |mut m: Matrix6<f64>| {
            for i in 0..6 {
                m[(i, i)] *= 1.0 + damping;
            }
            m
        };
        let (mut s, mut rhs, mut inverses) = (damped(self.a), self.ga, Vec::new());
        for pair in &self.pairs {
            let inverse = damped(pair.c).cholesky()?.inverse();
            s -= pair.b * inverse * pair.b.transpose();
            rhs -= pair.b * (inverse * pair.gb);
            inverses.push(inverse);
        }
        Some((s, rhs, inverses))
    }

    fn step(&self, damping: f64) -> Option<(Vector6<f64>, Vec<Vector6<f64>>)> {
        let (s, rhs, inverses) = self.reduced(damping)?;
        let relative = s.cholesky()?.solve(&rhs);
        let boards = self
            .pairs
            .iter()
            .zip(&inverses)
            .map(|(pair, inverse)| inverse * (pair.gb - pair.b.transpose() * relative))
            .collect();
        Some((relative, boards))
    }
}

fn linearise(
    parameters: &[super::corner::LensVector; 2],
    points: &[Point3<f64>],
    used: &[(&BoardPair, Isometry3<f64>)],
    second_from_first: &Isometry3<f64>,
    boards: &[Isometry3<f64>],
) -> Option<Linear> {
    let mut out = Linear { a: Matrix6::zeros(), ga: Vector6::zeros(), pairs: Vec::new(), cost_px2: 0.0 };
    for ((pair, _), first_from_board) in used.iter().zip(boards) {
        let mut n = PairNormal { b: Matrix6::zeros(), c: Matrix6::zeros(), gb: Vector6::zeros() };
        for (i, point) in points.iter().enumerate() {
            let p = predict(&parameters[0], first_from_board, point)?;
            let r = nalgebra::Vector2::new(pair.first[i].x_px, pair.first[i].y_px) - p.pixel;
            n.c += p.by_pose.transpose() * p.by_pose;
            n.gb += p.by_pose.transpose() * r;
            out.cost_px2 += r.norm_squared();
            // Second camera: its point is R (turned + u) + t, so the board's step acts through R.
            let in_first = first_from_board * point;
            let q = predict(&parameters[1], second_from_first, &in_first)?;
            let r = nalgebra::Vector2::new(pair.second[i].x_px, pair.second[i].y_px) - q.pixel;
            let rotation = second_from_first.rotation.to_rotation_matrix();
            let by_first = q.by_point * rotation.matrix();
            let turned = first_from_board.rotation * point.coords;
            let mut by_board = nalgebra::SMatrix::<f64, 2, 6>::zeros();
            by_board.fixed_view_mut::<2, 3>(0, 0).copy_from(&(-by_first * cross_matrix(&turned)));
            by_board.fixed_view_mut::<2, 3>(0, 3).copy_from(&by_first);
            out.a += q.by_pose.transpose() * q.by_pose;
            out.ga += q.by_pose.transpose() * r;
            n.b += q.by_pose.transpose() * by_board;
            n.c += by_board.transpose() * by_board;
            n.gb += by_board.transpose() * r;
            out.cost_px2 += r.norm_squared();
        }
        out.pairs.push(n);
    }
    out.cost_px2.is_finite().then_some(out)
}
