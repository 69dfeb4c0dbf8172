//! Where in the frame the board's corners were seen, and what that leaves open.

use nalgebra::{Matrix2x3, Matrix3, SMatrix, Vector3};

use super::corner::{LensMatrix, predict, vector_from_lens};
use super::views::ViewReport;
use crate::model::{Lens, RawPixel, UndistortedRay};

/// Names of the nine parts of the frame, row by row.
pub const PART_NAMES: [&str; 9] = [
    "top left",
    "top middle",
    "top right",
    "middle left",
    "middle",
    "middle right",
    "bottom left",
    "bottom middle",
    "bottom right",
];

/// Columns and rows of the grid on which the expected error is stated.
pub const GRID: [usize; 2] = [9, 5];

/// What the views in use say about the frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Coverage {
    /// Size of the frame.
    pub resolution_px: [u32; 2],
    /// Corners in use in each of the nine parts, row by row.
    pub corners_by_part: [u32; 9],
    /// Largest angle between a board's normal and its line of sight, degrees.
    pub tilt_max_deg: f64,
    /// Expected error of a marker's direction, pixels, on a grid of [`GRID`] points from corner to corner of
    /// the frame, row by row; what a turn of the camera would take up is taken off. Empty without a solution.
    pub expected_sd_px: Vec<f64>,
}

impl Coverage {
    /// Counts corners of the views in use.
    #[must_use]
    pub fn of(resolution_px: [u32; 2], views: &[ViewReport]) -> Self {
        let mut corners_by_part = [0; 9];
        let used = || views.iter().filter(|v| v.left_out.is_none());
        for corner in used().flat_map(|v| &v.corners) {
            if let Some(part) = part_of(resolution_px, *corner) {
                corners_by_part[part] += 1;
            }
        }
        let tilt_max_deg = used().filter_map(|v| v.tilt_deg).fold(0.0, f64::max);
        Self { resolution_px, corners_by_part, tilt_max_deg, expected_sd_px: Vec::new() }
    }

    /// Parts with corners in them.
    #[must_use]
    pub fn parts(&self) -> usize {
        self.corners_by_part.iter().filter(|&&n| n > 0).count()
    }

    /// Names of the parts without corners.
    #[must_use]
    pub fn missing(&self) -> Vec<&'static str> {
        PART_NAMES.iter().zip(self.corners_by_part).filter(|(_, n)| *n == 0).map(|(name, _)| *name).collect()
    }
}

fn part_of([w, h]: [u32; 2], p: RawPixel) -> Option<usize> {
    let third = |v: f64, size: u32| {
        let share = (v + 0.5) / f64::from(size.max(1));
        (0.0..1.0).contains(&share).then(|| ((share * 3.0) as usize).min(2))
    };
    Some(third(p.y_px, h)? * 3 + third(p.x_px, w)?)
}

/// Pixel of point `i` of the [`GRID`], row by row.
#[must_use]
pub fn grid_px([w, h]: [u32; 2], i: usize) -> RawPixel {
    let (column, row) = (i % GRID[0], i / GRID[0]);
    let at = |k: usize, n: usize, size: u32| k as f64 / (n - 1) as f64 * (f64::from(size) - 1.0);
    RawPixel::new(at(column, GRID[0], w), at(row, GRID[1], h))
}

/// Expected error of a marker's direction over the frame from the covariance of the lens.
///
/// An error of the lens that looks like a turn of the camera does no harm, because poses are found with the same
/// lens: it is fitted over the frame and taken off before the error is stated.
#[must_use]
pub(crate) fn expected_sd_px(lens: &Lens, covariance: &LensMatrix) -> Vec<f64> {
    let parameters = vector_from_lens(lens);
    let straight = nalgebra::Isometry3::identity();
    let points: Vec<Option<(SMatrix<f64, 2, 9>, Matrix2x3<f64>)>> = (0..GRID[0] * GRID[1])
        .map(|i| {
            let UndistortedRay { x, y } = lens.undistort(grid_px(lens.resolution_px, i))?;
            let p = predict(&parameters, &straight, &nalgebra::Point3::new(x, y, 1.0))?;
            let by_turn = -p.by_point * super::corner::cross_matrix(&Vector3::new(x, y, 1.0));
            Some((p.by_lens, by_turn))
        })
        .collect();
    let (mut tt, mut tl) = (Matrix3::zeros(), SMatrix::<f64, 3, 9>::zeros());
    for (by_lens, by_turn) in points.iter().flatten() {
        tt += by_turn.transpose() * by_turn;
        tl += by_turn.transpose() * by_lens;
    }
    let Some(inverse) = tt.try_inverse() else { return Vec::new() };
    let turn_by_lens = inverse * tl;
    points
        .iter()
        .map(|p| {
            p.as_ref().map_or(f64::NAN, |(by_lens, by_turn)| {
                let j = by_lens - by_turn * turn_by_lens;
                (0.5 * (j * covariance * j.transpose()).trace()).sqrt()
            })
        })
        .collect()
}
