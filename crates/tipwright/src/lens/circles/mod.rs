//! Boards of discs in rows that are shifted by half a step (OpenCV's asymmetric circle grid).
//!
//! The discs' centres are put where the grey of the picture says; neighbours are joined to a lattice, which says the board's counts too. The
//! middle of a disc's picture is not the picture of its middle: a disc's size and the board's perspective say how far it lies off (the
//! centre of a conic under a homography; J. Heikkila, IEEE Trans. Pattern Analysis and Machine Intelligence 22 (2000) 1066-1077).

mod lattice;

use nalgebra::{Matrix3, Vector2};

use super::homography::{apply, fit_plane};
use super::sharpness::edge_between;
use crate::math::median;
use crate::model::footage::{Disc, Footage};
use crate::model::{Board, RawPixel};
use lattice::{Lattice, grow};

/// Part of a disc's surroundings that its middle is found in: in units of its outline, short of its neighbours.
const REACH: f64 = 1.3;
/// Darkness that counts as none: noise and shade of the paper.
const LEAST_DARK: f64 = 0.08;
/// Half the tangent that an edge is looked at across, as a share of the radius: the disc falls off it by a quarter of a tenth.
const TANGENT: f64 = 0.7;
/// Fewest discs of a lattice that is a board.
const FEWEST: usize = 12;

/// A disc put where the grey of the picture says.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Blob {
    centre: Vector2<f64>,
    area_px2: f64,
}

/// Points of the board said, row by row; `None` when not all of it is seen.
pub(super) fn points(
    footage: &dyn Footage,
    luma: &[u8],
    size_px: [u32; 2],
    board: &Board,
) -> Option<Vec<RawPixel>> {
    let blobs = blobs(footage, luma, size_px);
    let order = grow(&blobs)?.order(board.columns, board.rows)?;
    let found: Vec<Blob> = order.iter().map(|i| blobs[*i]).collect();
    let unit = Board { square_mm: 1000.0, ..*board };
    straightened(&found, &unit.points())
}

/// Columns and rows of the board that a picture shows.
pub(super) fn counts(footage: &dyn Footage, luma: &[u8], size_px: [u32; 2]) -> Option<[u32; 2]> {
    let blobs = blobs(footage, luma, size_px);
    grow(&blobs).filter(|l: &Lattice| l.len() >= FEWEST)?.counts()
}

/// Width of the discs' edges, the larger of the picture's two directions.
pub(super) fn edge_width_px(luma: &[u8], size_px: [u32; 2], points: &[RawPixel]) -> Option<f64> {
    let step_px = median(points.windows(2).map(|w| (w[0].x_px - w[1].x_px).hypot(w[0].y_px - w[1].y_px)))?;
    let width = |p: RawPixel, [dx, dy]: [f64; 2]| {
        let rim_px = rim_px(luma, size_px, p, [dx, dy], 0.5 * step_px)?;
        // along the tangent at the disc's outermost point
        let end = |s: f64| RawPixel::new(p.x_px + rim_px * (dx + s * dy), p.y_px + rim_px * (dy + s * dx));
        edge_between(luma, size_px, end(-TANGENT), end(TANGENT))
    };
    let of =
        |ways: [[f64; 2]; 2]| median(points.iter().flat_map(|p| ways.map(|way| width(*p, way))).flatten());
    Some(of([[1.0, 0.0], [-1.0, 0.0]])?.max(of([[0.0, 1.0], [0.0, -1.0]])?))
}

/// How far from a disc's middle it ends in a direction: where it is half as dark.
fn rim_px(luma: &[u8], [w, h]: [u32; 2], from: RawPixel, way: [f64; 2], most_px: f64) -> Option<f64> {
    let at = |s: f64| {
        let (x, y) = ((from.x_px + s * way[0]).round(), (from.y_px + s * way[1]).round());
        let inside = x >= 0.0 && y >= 0.0 && x < f64::from(w) && y < f64::from(h);
        inside.then(|| f64::from(luma[y as usize * w as usize + x as usize]))
    };
    let steps = most_px.ceil() as usize;
    let values: Vec<f64> = (0..=steps).map(|i| at(i as f64)).collect::<Option<_>>()?;
    let white = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let limit = 0.5 * (values[0] + white);
    (0..steps).find(|i| values[*i] <= limit && values[i + 1] > limit).map(|i| i as f64 + 0.5)
}

fn blobs(footage: &dyn Footage, luma: &[u8], size_px: [u32; 2]) -> Vec<Blob> {
    footage.dark_discs(luma, size_px).iter().filter_map(|d| weighed(luma, size_px, d)).collect()
}

/// Middle and area of a disc by how dark each pixel is between its surroundings and its own middle.
fn weighed(luma: &[u8], [w, h]: [u32; 2], disc: &Disc) -> Option<Blob> {
    let reach = disc.half_px.map(|half| REACH * half + 1.5);
    let (x, y) = (disc.centre.x_px, disc.centre.y_px);
    let (x0, x1, y0, y1) = (x - reach[0], x + reach[0], y - reach[1], y + reach[1]);
    if !(x0 >= 0.0 && y0 >= 0.0 && x1 < f64::from(w) - 1.0 && y1 < f64::from(h) - 1.0) {
        return None;
    }
    let mut inside = Vec::new();
    let (mut rim, mut core) = (Vec::new(), Vec::new());
    for row in y0.ceil() as usize..=y1 as usize {
        for column in x0.ceil() as usize..=x1 as usize {
            let (dx, dy) = (column as f64 - x, row as f64 - y);
            let r = (dx / reach[0]).hypot(dy / reach[1]);
            if r > 1.0 {
                continue;
            }
            let value = f64::from(luma[row * w as usize + column]);
            if r > 0.93 {
                rim.push(value);
            }
            if (dx / disc.half_px[0]).hypot(dy / disc.half_px[1]) < 0.5 {
                core.push(value);
            }
            inside.push((dx, dy, value));
        }
    }
    let (white, black) = (median(rim)?, median(core)?);
    if !(white - black >= 25.0) {
        return None;
    }
    let (mut sum, mut mx, mut my) = (0.0, 0.0, 0.0);
    for (dx, dy, value) in inside {
        let dark = ((white - value) / (white - black)).clamp(0.0, 1.0);
        if dark > LEAST_DARK {
            sum += dark;
            mx += dark * dx;
            my += dark * dy;
        }
    }
    (sum > 4.0).then(|| Blob { centre: Vector2::new(x + mx / sum, y + my / sum), area_px2: sum })
}

/// Pictures of the discs' middles: the middles of their pictures, less what perspective shifts them by.
fn straightened(found: &[Blob], flat: &[Vector2<f64>]) -> Option<Vec<RawPixel>> {
    let mut out: Vec<RawPixel> = found.iter().map(|b| RawPixel::new(b.centre.x, b.centre.y)).collect();
    // twice: the second plane runs through what the first has put right
    for _ in 0..2 {
        let h = fit_plane(flat, &out)?.picture_from_board;
        let radius = median(
            found
                .iter()
                .zip(flat)
                .map(|(b, p)| (b.area_px2 / std::f64::consts::PI / magnification(&h, p)).sqrt()),
        )?;
        for ((at, blob), p) in out.iter_mut().zip(found).zip(flat) {
            let shift = middle_of_picture(&h, p, radius)? - apply(&h, p);
            *at = RawPixel::new(blob.centre.x - shift.x, blob.centre.y - shift.y);
        }
    }
    Some(out)
}

/// Area in the picture of a small area of 1 on the board.
fn magnification(h: &Matrix3<f64>, p: &Vector2<f64>) -> f64 {
    let z = h[(2, 0)] * p.x + h[(2, 1)] * p.y + h[(2, 2)];
    (h.determinant() / z.powi(3)).abs()
}

/// Middle of the picture of a disc: of the conic `H C^-1 H'`, the pole of the line at infinity.
fn middle_of_picture(h: &Matrix3<f64>, p: &Vector2<f64>, radius: f64) -> Option<Vector2<f64>> {
    let to = Matrix3::new(radius, 0.0, p.x, 0.0, radius, p.y, 0.0, 0.0, 1.0);
    let m = h * to;
    let dual = m * Matrix3::from_diagonal(&nalgebra::Vector3::new(1.0, 1.0, -1.0)) * m.transpose();
    let z = dual[(2, 2)];
    (z.abs() > 0.0).then(|| Vector2::new(dual[(0, 2)] / z, dual[(1, 2)] / z))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn truth_the_middle_of_a_discs_picture_is_that_of_its_outline() {
        let h = Matrix3::new(210.0, 20.0, 300.0, -15.0, 180.0, 200.0, 0.09, -0.06, 1.0);
        let (p, radius) = (Vector2::new(0.4, -0.3), 0.35);
        // moments of the polygon through a thousand points of the picture's outline
        let n = 1000;
        let outline: Vec<Vector2<f64>> = (0..n)
            .map(|i| {
                let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / f64::from(n)).sin_cos();
                apply(&h, &(p + radius * Vector2::new(cos, sin)))
            })
            .collect();
        let (mut area, mut moment) = (0.0, Vector2::zeros());
        for (i, a) in outline.iter().enumerate() {
            let b = outline[(i + 1) % outline.len()];
            let cross = a.x * b.y - a.y * b.x;
            area += cross / 2.0;
            moment += (a + b) * (cross / 6.0);
        }
        let middle = middle_of_picture(&h, &p, radius).unwrap();
        assert!((middle - moment / area).norm() < 1e-2, "{middle} {}", moment / area);
        let off = (middle - apply(&h, &p)).norm();
        assert!(off > 0.3, "the test would not see the shift: {off}");
        let small = magnification(&h, &p) * std::f64::consts::PI * radius * radius;
        assert!((small / area.abs() - 1.0).abs() < 0.02, "{small} {area}");
    }
}
