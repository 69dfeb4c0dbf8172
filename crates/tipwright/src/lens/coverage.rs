//! Where in the frame the board's corners were seen, and what that leaves open.

use std::fmt::Write as _;

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

/// Pixel of a grid point.
fn grid_px([w, h]: [u32; 2], i: usize) -> RawPixel {
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

/// The coverage picture: corners used and left out in the frame, the nine parts, and the expected error.
#[must_use]
pub fn coverage_svg(coverage: &Coverage, views: &[ViewReport], title: &str) -> String {
    let [w, h] = coverage.resolution_px.map(f64::from);
    let width = 900.0;
    let s = width / w.max(1.0);
    let height = h * s;
    let (left, top, foot) = (20.0, 58.0, 62.0);
    let mut out = String::new();
    let _ = writeln!(
        out,
        r##"<svg xmlns="http://www.w3.org/2000/svg" width="{:.0}" height="{:.0}" viewBox="0 0 {:.0} {:.0}" font-family="Helvetica, Arial, sans-serif">
<rect width="100%" height="100%" fill="#ffffff"/>
<text x="{left}" y="24" font-size="17" font-weight="bold" fill="#1d2b33">{}</text>"##,
        width + 2.0 * left,
        height + top + foot,
        width + 2.0 * left,
        height + top + foot,
        escape(title)
    );
    let used = views.iter().filter(|v| v.left_out.is_none()).count();
    let with_corners_left = views.iter().filter(|v| v.left_out.is_some() && !v.corners.is_empty()).count();
    let _ = writeln!(
        out,
        r##"<text x="{left}" y="46" font-size="13" fill="#44545c">{used} views used, {with_corners_left} with a board left out; largest tilt {:.0} degrees; frame {:.0} x {:.0} px</text>
<g transform="translate({left} {top})">
<rect width="{width:.1}" height="{height:.1}" fill="#f4f6f5" stroke="#1d2b33"/>"##,
        coverage.tilt_max_deg, w, h
    );
    for (i, n) in coverage.corners_by_part.iter().enumerate() {
        let (cw, ch) = (width / 3.0, height / 3.0);
        let (x, y) = ((i % 3) as f64 * cw, (i / 3) as f64 * ch);
        let fill = if *n == 0 { "#f6d9cf" } else { "none" };
        let _ = writeln!(
            out,
            r##"<rect x="{x:.1}" y="{y:.1}" width="{cw:.1}" height="{ch:.1}" fill="{fill}" stroke="#b9c4c4" stroke-dasharray="5 5"/>"##
        );
    }
    for v in views.iter().filter(|v| v.left_out.is_some()) {
        for c in &v.corners {
            let _ = writeln!(
                out,
                r##"<circle cx="{:.1}" cy="{:.1}" r="1.6" fill="none" stroke="#c2683f" stroke-width="0.7"/>"##,
                (c.x_px + 0.5) * s,
                (c.y_px + 0.5) * s
            );
        }
    }
    for v in views.iter().filter(|v| v.left_out.is_none()) {
        for c in &v.corners {
            let _ = writeln!(
                out,
                r##"<circle cx="{:.1}" cy="{:.1}" r="1.6" fill="#1f6f78" fill-opacity="0.55"/>"##,
                (c.x_px + 0.5) * s,
                (c.y_px + 0.5) * s
            );
        }
    }
    for (i, sd) in coverage.expected_sd_px.iter().enumerate() {
        let p = grid_px(coverage.resolution_px, i);
        let (column, row) = (i % GRID[0], i / GRID[0]);
        let anchor = if column == 0 {
            "start"
        } else if column + 1 == GRID[0] {
            "end"
        } else {
            "middle"
        };
        let dx = if column == 0 {
            5.0
        } else if column + 1 == GRID[0] {
            -5.0
        } else {
            0.0
        };
        let dy = if row == 0 {
            15.0
        } else if row + 1 == GRID[1] {
            -6.0
        } else {
            4.0
        };
        let text = if sd.is_finite() && *sd < 99.0 { format!("{sd:.2}") } else { "?".into() };
        let _ = writeln!(
            out,
            r##"<text x="{:.1}" y="{:.1}" font-size="12" text-anchor="{anchor}" fill="#1d2b33" stroke="#ffffff" stroke-width="3" paint-order="stroke">{text}</text>"##,
            p.x_px * s + dx,
            p.y_px * s + dy
        );
    }
    for (i, n) in coverage.corners_by_part.iter().enumerate() {
        if *n == 0 {
            let x = (0.5 + (i % 3) as f64) * width / 3.0;
            let y = (0.5 + (i / 3) as f64) * height / 3.0 + 22.0;
            let _ = writeln!(
                out,
                r##"<text x="{x:.1}" y="{y:.1}" font-size="14" text-anchor="middle" fill="#9a3412">no corner here</text>"##
            );
        }
    }
    let y = height + top + 20.0;
    let _ = writeln!(
        out,
        r##"</g>
<circle cx="{:.0}" cy="{:.0}" r="3" fill="#1f6f78"/><text x="{:.0}" y="{:.0}" font-size="12" fill="#1d2b33">corner used</text>
<circle cx="{:.0}" cy="{:.0}" r="3" fill="none" stroke="#c2683f"/><text x="{:.0}" y="{:.0}" font-size="12" fill="#1d2b33">corner of a view left out</text>
<text x="{left}" y="{:.0}" font-size="12" fill="#1d2b33">Numbers: expected error of a direction there, pixels (one standard deviation, a turn of the camera taken off)</text>
</svg>"##,
        left + 5.0,
        y - 4.0,
        left + 14.0,
        y,
        left + 115.0,
        y - 4.0,
        left + 124.0,
        y,
        y + 22.0
    );
    out
}

pub(crate) fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
