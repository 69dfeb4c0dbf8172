//! Codes beside each other in one picture: how large the white squares around them are, where their corners lie, and who stands where as
//! seen from whom.

use nalgebra::{Matrix3, Vector2};

use super::read::{Code, Grey, UNIT, middle, plane, ring};
use crate::lens::homography::{apply, fit_plane};
use crate::math::median;
use crate::model::RawPixel;
use crate::model::footage::Footage;

/// White square against black one along a side: printed boards have 1.33.
const AROUND: std::ops::RangeInclusive<f64> = 1.08..=2.6;
/// Half the window that puts a corner in its place, as a share of the white square's side: as for chessboards.
const WINDOW_SHARE: f64 = 0.3;
/// How far a corner may move, as a share of the white square's side.
const MOVE_SHARE: f64 = 0.08;

/// Finds the corners of the white squares: neighbours' distance says how large they are, the picture where they lie.
pub(super) fn find_around(footage: &dyn Footage, grey: &Grey<'_>, found: &mut [(Code, Matrix3<f64>)]) {
    let Some(ratio) = around_share(found) else { return };
    let planes: Vec<Matrix3<f64>> =
        (0..found.len()).map(|i| plane_with_neighbours(found, i, ratio)).collect();
    let plain = painted_over(grey, &planes, ratio);
    for ((code, _), picture_from_code) in found.iter_mut().zip(&planes) {
        let near = UNIT.map(|[x, y]| {
            let p = apply(picture_from_code, &Vector2::new(ratio * x, ratio * y));
            RawPixel::new(p.x, p.y)
        });
        let side_px = (0..4)
            .map(|i| (near[i].x_px - near[(i + 1) % 4].x_px).hypot(near[i].y_px - near[(i + 1) % 4].y_px))
            .fold(f64::INFINITY, f64::min);
        let half_px = WINDOW_SHARE * side_px;
        // the window must lie in the picture, or its border draws the corner along
        let [w, h] = grey.size_px.map(|n| f64::from(n) - 1.0);
        let inside = |p: &RawPixel| {
            (half_px..=w - half_px).contains(&p.x_px) && (half_px..=h - half_px).contains(&p.y_px)
        };
        let refined = footage.refined_corners(&plain, grey.size_px, &near, half_px);
        for (i, (at, was)) in refined.iter().zip(&near).enumerate() {
            let moved = (at.x_px - was.x_px).hypot(at.y_px - was.y_px);
            code.around[i] = (moved <= MOVE_SHARE * side_px && inside(at)).then_some(*at);
        }
    }
}

/// The picture with its codes painted over in the white around them, up to the middle of that: a plain chessboard is left, whose corners
/// are found in windows as wide as on any.
fn painted_over(grey: &Grey<'_>, planes: &[Matrix3<f64>], ratio: f64) -> Vec<u8> {
    let mut out = grey.luma.to_vec();
    let [w, h] = grey.size_px.map(|n| n as usize);
    let half = 0.25 * (1.0 + ratio);
    for plane in planes {
        let (Some(white), Some(code_from_picture)) = (ring(grey, plane), plane.try_inverse()) else {
            continue;
        };
        let corners = UNIT.map(|[x, y]| apply(plane, &Vector2::new(2.0 * half * x, 2.0 * half * y)));
        let range = |of: fn(&Vector2<f64>) -> f64, size: usize| {
            let values = corners.iter().map(of);
            let low = values.clone().fold(f64::INFINITY, f64::min).max(0.0) as usize;
            low..(values.fold(0.0, f64::max) + 1.0).min(size as f64) as usize
        };
        let (columns, rows) = (range(|p| p.x, w), range(|p| p.y, h));
        for row in rows {
            for column in columns.clone() {
                let at = apply(&code_from_picture, &Vector2::new(column as f64, row as f64));
                if at.x.abs() <= half && at.y.abs() <= half {
                    out[row * w + column] = white.round() as u8;
                }
            }
        }
    }
    out
}

/// The plane of a code through its own corners and those of its neighbours: they lie around the corners that are looked for.
fn plane_with_neighbours(found: &[(Code, Matrix3<f64>)], i: usize, ratio: f64) -> Matrix3<f64> {
    let (code, own) = &found[i];
    let (mut flat, mut seen) = (Vec::new(), Vec::new());
    let mut add = |corners: &[RawPixel; 4], [dx, dy]: [f64; 2]| {
        flat.extend(UNIT.map(|[x, y]| Vector2::new(x + dx * ratio, y + dy * ratio)));
        seen.extend(corners);
    };
    add(&code.corners, [0.0, 0.0]);
    for (_, j, p) in beside(found, i) {
        if let (true, Some(turns)) = (is_step(p, ratio), turns_between(own, &found[j].0)) {
            let mut corners = found[j].0.corners;
            corners.rotate_right(turns);
            add(&corners, [p.x.signum(), p.y.signum()]);
        }
    }
    if flat.len() == UNIT.len() {
        return *own;
    }
    fit_plane(&flat, &seen).map_or(*own, |fit| fit.picture_from_board)
}

/// One white square over and one up or down.
fn is_step(p: Vector2<f64>, ratio: f64) -> bool {
    let is_one = |v: f64| (0.7..1.3).contains(&(v.abs() / ratio));
    is_one(p.x) && is_one(p.y)
}

/// Quarter turns clockwise by which a code stands turned against the one whose plane this is.
fn turns_between(picture_from_code: &Matrix3<f64>, other: &Code) -> Option<usize> {
    let code_from_picture = picture_from_code.try_inverse()?;
    let [a, b, ..] = other.corners.map(|c| Vector2::new(c.x_px, c.y_px));
    let along = apply(&code_from_picture, &b) - apply(&code_from_picture, &a);
    let quarters = (along.y.atan2(along.x) / std::f64::consts::FRAC_PI_2).round();
    Some(quarters.rem_euclid(4.0) as usize % 4)
}

/// Where other codes may be neighbours of one across a corner: in its own measure, about as far over as up or down.
fn beside(codes: &[(Code, Matrix3<f64>)], i: usize) -> Vec<(usize, usize, Vector2<f64>)> {
    let Some(code_from_picture) = codes[i].1.try_inverse() else { return Vec::new() };
    let others = codes.iter().enumerate().filter(|(j, _)| *j != i);
    others
        .map(|(j, (other, _))| (i, j, apply(&code_from_picture, &middle(&other.corners))))
        .filter(|(_, _, p)| {
            let (x, y) = (p.x.abs(), p.y.abs());
            AROUND.contains(&x) && AROUND.contains(&y) && x.max(y) <= 1.35 * x.min(y)
        })
        .collect()
}

/// White square against black one along a side, from the nearest neighbour of each code.
fn around_share(codes: &[(Code, Matrix3<f64>)]) -> Option<f64> {
    let nearest = |i: usize| {
        let distances = beside(codes, i).into_iter().map(|(_, _, p)| 0.5 * (p.x.abs() + p.y.abs()));
        distances.min_by(f64::total_cmp)
    };
    median((0..codes.len()).filter_map(nearest))
}

/// Two codes that touch at a corner of their white squares.
pub(super) struct Beside {
    /// Which two, by their places in the list.
    pub pair: [usize; 2],
    /// From the first to the second in squares, right and down as the first one stands.
    pub step: [i32; 2],
    /// Quarter turns clockwise by which the second stands turned against the first.
    pub turns: usize,
}

/// All pairs of neighbours in a picture.
pub(super) fn neighbours(codes: &[Code]) -> Vec<Beside> {
    let planes: Vec<(Code, Matrix3<f64>)> =
        codes.iter().filter_map(|c| Some((c.clone(), plane(&c.corners)?))).collect();
    if planes.len() < codes.len() {
        return Vec::new();
    }
    let Some(ratio) = around_share(&planes) else { return Vec::new() };
    (0..planes.len())
        .flat_map(|i| beside(&planes, i))
        .filter(|(_, _, p)| is_step(*p, ratio))
        .filter_map(|(i, j, p)| {
            let turns = turns_between(&planes[i].1, &planes[j].0)?;
            Some(Beside { pair: [i, j], step: [p.x.signum() as i32, p.y.signum() as i32], turns })
        })
        .collect()
}

/// Numbered codes that touch at a corner of their white squares: numbers, and the step from the first to the second in squares, right and
/// down.
pub(super) fn steps(codes: &[Code]) -> Vec<([u32; 2], [i32; 2])> {
    let numbered = |b: Beside| {
        let [a, c] = b.pair.map(|i| codes[i].word.number());
        Some(([a?, c?], b.step))
    };
    neighbours(codes).into_iter().filter_map(numbered).collect()
}
