//! Codes of a board in one picture: dark squares read cell by cell, and the corners of the white squares around them.

use nalgebra::{Matrix3, Vector2};

use super::words::{SIDE, find};
use crate::lens::homography::{apply, fit_plane};
use crate::math::median;
use crate::model::RawPixel;
use crate::model::footage::Footage;

/// A code that was read, upright as printed.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Code {
    /// Number of its word.
    pub id: u32,
    /// Corners of the black square: top left, top right, bottom right, bottom left of the print.
    pub corners: [RawPixel; 4],
    /// Corners of the white square around it, in the same order, put where they are in the picture.
    pub around: [Option<RawPixel>; 4],
}

/// Least difference between black and white, code values.
const LEAST_CONTRAST: f64 = 25.0;
/// Places of a cell that are sampled along each side, as shares of the cell.
const PLACES: [f64; 3] = [0.3, 0.5, 0.7];
/// How far a black square's sides lie outside of its outline, pixels: half a pixel, for outlines run through the outermost dark pixels, and
/// what smoothing takes off the corners. On drawn boards whose codes are 15 to 20 px wide 96 % are read with it, 28 % without.
const GROWTH_PX: f64 = 0.8;
/// Share of a code's rim that may not look black.
const RIM_SHARE: f64 = 0.15;
/// White square against black one along a side: printed boards have 1.33.
const AROUND: std::ops::RangeInclusive<f64> = 1.08..=2.6;
/// Half the window that puts a corner in its place, as a share of the white square's side: as for chessboards.
const WINDOW_SHARE: f64 = 0.3;
/// How far a corner may move, as a share of the white square's side.
const MOVE_SHARE: f64 = 0.08;
/// The black square's corners in its own measure.
const UNIT: [[f64; 2]; 4] = [[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]];

/// An upright 8-bit picture.
struct Grey<'a> {
    luma: &'a [u8],
    size_px: [u32; 2],
}

impl Grey<'_> {
    fn at(&self, p: Vector2<f64>) -> Option<f64> {
        let [w, h] = self.size_px;
        let (x0, y0) = (p.x.floor(), p.y.floor());
        if !(x0 >= 0.0 && y0 >= 0.0 && x0 + 1.0 < f64::from(w) && y0 + 1.0 < f64::from(h)) {
            return None;
        }
        let (fx, fy) = (p.x - x0, p.y - y0);
        let i = y0 as usize * w as usize + x0 as usize;
        let v = |k: usize| self.luma.get(k).copied().map(f64::from);
        let below = i + w as usize;
        let (upper, lower) =
            (v(i)? * (1.0 - fx) + v(i + 1)? * fx, v(below)? * (1.0 - fx) + v(below + 1)? * fx);
        Some(upper * (1.0 - fy) + lower * fy)
    }
}

/// All codes of a picture.
pub(crate) fn codes(footage: &dyn Footage, luma: &[u8], size_px: [u32; 2]) -> Vec<Code> {
    let grey = Grey { luma, size_px };
    let mut found: Vec<(Code, Matrix3<f64>)> = Vec::new();
    for square in footage.dark_squares(luma, size_px) {
        let Some((code, picture_from_code)) = read(&grey, clockwise(square)) else { continue };
        // inner and outer outline of one black rim, and another rim's inside
        if !found.iter().any(|(other, _)| other.id == code.id && is_beside(&other.corners, &code.corners)) {
            found.push((code, picture_from_code));
        }
    }
    find_around(footage, &grey, &mut found);
    found.into_iter().map(|(code, _)| code).collect()
}

fn clockwise(mut square: [RawPixel; 4]) -> [RawPixel; 4] {
    let [a, b, _, d] = square;
    let cross = (b.x_px - a.x_px) * (d.y_px - a.y_px) - (b.y_px - a.y_px) * (d.x_px - a.x_px);
    if cross < 0.0 {
        square.swap(1, 3);
    }
    square
}

fn middle(corners: &[RawPixel; 4]) -> Vector2<f64> {
    corners.iter().map(|c| Vector2::new(c.x_px, c.y_px)).sum::<Vector2<f64>>() / 4.0
}

fn is_beside(a: &[RawPixel; 4], b: &[RawPixel; 4]) -> bool {
    let side = (a[0].x_px - a[1].x_px).hypot(a[0].y_px - a[1].y_px);
    (middle(a) - middle(b)).norm() < 0.5 * side
}

/// Takes the measure of a black square, from -0.5 to 0.5 both ways, to the picture (P. Heckbert, Fundamentals of texture mapping, 1989,
/// section 2.2.3).
fn plane(corners: &[RawPixel; 4]) -> Option<Matrix3<f64>> {
    let [p0, p1, p2, p3] = corners.map(|c| Vector2::new(c.x_px, c.y_px));
    let (d1, d2, sum) = (p1 - p2, p3 - p2, p0 - p1 + p2 - p3);
    let turn = d1.perp(&d2);
    if !(turn.abs() > 1e-9) {
        return None;
    }
    let (g, h) = (sum.perp(&d2) / turn, d1.perp(&sum) / turn);
    let (across, down) = (p1 - p0 + p1 * g, p3 - p0 + p3 * h);
    let from_corner = Matrix3::new(across.x, down.x, p0.x, across.y, down.y, p0.y, g, h, 1.0);
    Some(from_corner * Matrix3::new_translation(&Vector2::new(0.5, 0.5)))
}

/// A square whose corners run clockwise on the screen with each side moved outwards by [`GROWTH_PX`].
fn grown(square: &[RawPixel; 4]) -> Option<[RawPixel; 4]> {
    let p = square.map(|c| Vector2::new(c.x_px, c.y_px));
    // a point and a direction of each side
    let sides: [(Vector2<f64>, Vector2<f64>); 4] = std::array::from_fn(|i| {
        let along = (p[(i + 1) % 4] - p[i]).normalize();
        (p[i] + Vector2::new(along.y, -along.x) * GROWTH_PX, along)
    });
    let mut out = *square;
    for (i, corner) in out.iter_mut().enumerate() {
        let ((a, along), (b, other)) = (sides[(i + 3) % 4], sides[i]);
        let s = (b - a).perp(&other) / along.perp(&other);
        let at = a + along * s;
        if !s.is_finite() {
            return None;
        }
        *corner = RawPixel::new(at.x, at.y);
    }
    Some(out)
}

/// The code in a black square whose corners run clockwise on the screen.
fn read(grey: &Grey<'_>, square: [RawPixel; 4]) -> Option<(Code, Matrix3<f64>)> {
    let square = grown(&square)?;
    let picture_from_code = plane(&square)?;
    let white = ring(grey, &picture_from_code)?;
    let word = word_of(grey, &picture_from_code, white)?;
    let (id, turns) = find(word)?;
    // turned clockwise once, the print's top left is the square's top right
    let corners: [RawPixel; 4] = std::array::from_fn(|i| square[(i + turns) % 4]);
    let picture_from_code = plane(&corners)?;
    Some((Code { id, corners, around: [None; 4] }, picture_from_code))
}

/// What the white around a black square looks like: the median just outside of its sides.
fn ring(grey: &Grey<'_>, picture_from_code: &Matrix3<f64>) -> Option<f64> {
    let (out, along) = (0.56, [-0.3, 0.0, 0.3]);
    let places = along.into_iter().flat_map(|s| [[s, -out], [s, out], [-out, s], [out, s]]);
    let seen: Vec<f64> =
        places.filter_map(|[x, y]| grey.at(apply(picture_from_code, &Vector2::new(x, y)))).collect();
    if seen.len() < 8 { None } else { median(seen) }
}

/// Cells of a square as a word; `None` where its rim is not black.
fn word_of(grey: &Grey<'_>, picture_from_code: &Matrix3<f64>, white: f64) -> Option<u64> {
    let cells = SIDE + 2;
    let mut values = Vec::with_capacity(cells * cells);
    for row in 0..cells {
        for column in 0..cells {
            let mut sum = 0.0;
            for dy in PLACES {
                for dx in PLACES {
                    let share = |i: usize, d: f64| (i as f64 + d) / cells as f64 - 0.5;
                    sum +=
                        grey.at(apply(picture_from_code, &Vector2::new(share(column, dx), share(row, dy))))?;
                }
            }
            values.push(sum / (PLACES.len() * PLACES.len()) as f64);
        }
    }
    let is_rim = |i: usize| {
        let (row, column) = (i / cells, i % cells);
        row == 0 || column == 0 || row + 1 == cells || column + 1 == cells
    };
    let rim = || (0..values.len()).filter(|i| is_rim(*i));
    let black = median(rim().map(|i| values[i]))?;
    if !(white - black >= LEAST_CONTRAST) {
        return None;
    }
    let limit = 0.5 * (white + black);
    if rim().filter(|i| values[*i] > limit).count() as f64 > RIM_SHARE * rim().count() as f64 {
        return None;
    }
    let inner = (0..values.len()).filter(|i| !is_rim(*i));
    Some(inner.enumerate().fold(0, |word, (bit, i)| word | u64::from(values[i] <= limit) << bit))
}

/// Finds the corners of the white squares: neighbours' distance says how large they are, the picture where they lie.
fn find_around(footage: &dyn Footage, grey: &Grey<'_>, found: &mut [(Code, Matrix3<f64>)]) {
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
        if is_step(p, ratio) {
            add(&found[j].0.corners, [p.x.signum(), p.y.signum()]);
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

/// Codes that touch at a corner of their white squares: ids, and the step from the first to the second in squares, right and down.
pub(crate) fn steps(codes: &[Code]) -> Vec<([u32; 2], [i32; 2])> {
    let planes: Vec<(Code, Matrix3<f64>)> =
        codes.iter().filter_map(|c| Some((c.clone(), plane(&c.corners)?))).collect();
    let Some(ratio) = around_share(&planes) else { return Vec::new() };
    (0..planes.len())
        .flat_map(|i| beside(&planes, i))
        .filter(|(_, _, p)| is_step(*p, ratio))
        .map(|(i, j, p)| ([planes[i].0.id, planes[j].0.id], [p.x.signum() as i32, p.y.signum() as i32]))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_squares_plane_runs_through_its_corners_and_keeps_lines_straight() {
        let corners =
            [[100.0, 50.0], [141.0, 58.0], [135.0, 97.0], [96.0, 84.0]].map(|[x, y]| RawPixel::new(x, y));
        let plane = plane(&corners).unwrap();
        for ([x, y], corner) in UNIT.iter().zip(&corners) {
            let at = apply(&plane, &Vector2::new(*x, *y));
            assert!((at.x - corner.x_px).abs() < 1e-9 && (at.y - corner.y_px).abs() < 1e-9, "{at}");
        }
        // the middle lies where the diagonals cross
        let middle = apply(&plane, &Vector2::zeros());
        for (a, b) in [(0, 2), (1, 3)] {
            let (a, b) = (corners[a], corners[b]);
            let along = Vector2::new(b.x_px - a.x_px, b.y_px - a.y_px);
            assert!(along.perp(&(middle - Vector2::new(a.x_px, a.y_px))).abs() < 1e-9);
        }
    }
}
