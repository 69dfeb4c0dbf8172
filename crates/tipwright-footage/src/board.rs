//! Chessboard corners in a picture, by OpenCV.
//!
//! The board is looked for in a reduced picture (a chessboard is a coarse thing, and less blur and noise are left in
//! it), after a quick check that tells most pictures without a board apart; corners are then refined
//! in the full picture (OpenCV's `cornerSubPix`, after Foerstner and Guelch, 1987) in windows that scale with the board, so
//! that they never reach a neighbouring corner.

use opencv::calib3d::{
    CALIB_CB_ADAPTIVE_THRESH, CALIB_CB_FAST_CHECK, CALIB_CB_LARGER, CALIB_CB_NORMALIZE_IMAGE,
    find_chessboard_corners, find_chessboard_corners_sb_with_meta,
};
use opencv::core::{
    Mat, Point2f, Size, TermCriteria, TermCriteria_COUNT, TermCriteria_EPS, ToInputArray, Vector,
};
use opencv::imgproc::{INTER_AREA, corner_sub_pix, gaussian_blur_def, resize};
use opencv::prelude::*;
use tipwright::model::RawPixel;

/// Longer side of the picture in which the board is looked for, pixels. 960: a 9 x 6 board that fills a tenth of the
/// frame's width still has 9 px a square.
const SEARCH_SIDE_PX: u32 = 960;
/// Half the refinement window as a share of the smallest corner spacing. 0.3: the window's corner, at 0.42, stays
/// clear of the next corner even in a tilted square.
const WINDOW_SHARE: f32 = 0.3;
/// Largest half window, pixels: beyond it lens distortion bends the edges inside the window.
const MOST_HALF_WINDOW_PX: f32 = 15.0;
/// Smoothing before corners are refined, pixels. 0.8: on boards drawn sharper than lenses draw them OpenCV's refinement is off by 0.064 px
/// rms without it, by 0.042 with it, for it takes slopes from whole pixels; more gains little and mixes neighbours.
const SMOOTH_PX: f64 = 0.8;
/// Smallest half window, pixels.
const LEAST_HALF_WINDOW_PX: f32 = 2.0;

/// Inner corners of a chessboard of `columns` by `rows` inner corners in an upright 8-bit picture, row by row, or `None`
/// when the whole board is not seen.
///
/// Seen from its printed side rows run to the right and columns down. On a board with an odd number of corners one way and an
/// even one the other the square right and below of the first corner is black, which names one corner: the order is then the same
/// for every picture. Other boards look the same after half a turn (square ones of even x even after a quarter): of the corners
/// that may be the first, the one nearest to the top left is taken. Each picture is in a right order by itself, which
/// is all that a lens asks for.
#[must_use]
pub fn board_corners(luma: &[u8], size_px: [u32; 2], columns: u32, rows: u32) -> Option<Vec<RawPixel>> {
    let [w, h] = size_px;
    if columns < 3 || rows < 3 || w < 16 || h < 16 || luma.len() != w as usize * h as usize {
        return None;
    }
    let corners = search(luma, size_px, columns, rows).ok().flatten()?;
    in_board_order(corners, luma, size_px, columns as usize, rows as usize)
}

fn search(luma: &[u8], [w, h]: [u32; 2], columns: u32, rows: u32) -> opencv::Result<Option<Vec<RawPixel>>> {
    one_thread();
    let full = Mat::new_rows_cols_with_data(h as i32, w as i32, luma)?;
    let scale = (f64::from(SEARCH_SIDE_PX) / f64::from(w.max(h))).min(1.0);
    let mut reduced = Mat::default();
    let flags = CALIB_CB_ADAPTIVE_THRESH | CALIB_CB_NORMALIZE_IMAGE | CALIB_CB_FAST_CHECK;
    let pattern = Size::new(columns as i32, rows as i32);
    let mut corners = Vector::<Point2f>::new();
    let found = if scale < 1.0 {
        resize(&full, &mut reduced, Size::new(0, 0), scale, scale, INTER_AREA)?;
        find_chessboard_corners(&reduced, pattern, &mut corners, flags)?
    } else {
        find_chessboard_corners(&full, pattern, &mut corners, flags)?
    };
    // OpenCV hands back the part it saw when it did not see all.
    if !found || corners.len() != (columns * rows) as usize {
        return Ok(None);
    }
    let (sx, sy) = if scale < 1.0 {
        (w as f32 / reduced.cols() as f32, h as f32 / reduced.rows() as f32)
    } else {
        (1.0, 1.0)
    };
    // Pixel centres are whole numbers in both pictures, so edges lie at halves.
    let mut refined: Vector<Point2f> =
        corners.iter().map(|c| Point2f::new((c.x + 0.5) * sx - 0.5, (c.y + 0.5) * sy - 0.5)).collect();
    let spacing_px = smallest_spacing_px(&refined.to_vec(), columns as usize);
    refine(&full, &mut refined, WINDOW_SHARE * spacing_px)?;
    Ok(Some(refined.iter().map(|c| RawPixel::new(f64::from(c.x), f64::from(c.y))).collect()))
}

fn refine(full: &impl ToInputArray, corners: &mut Vector<Point2f>, half_px: f32) -> opencv::Result<()> {
    let half = half_px.clamp(LEAST_HALF_WINDOW_PX, MOST_HALF_WINDOW_PX) as i32;
    let criteria = TermCriteria::new(TermCriteria_COUNT + TermCriteria_EPS, 60, 1e-3)?;
    let mut smooth = Mat::default();
    gaussian_blur_def(full, &mut smooth, Size::new(0, 0), SMOOTH_PX)?;
    corner_sub_pix(&smooth, corners, Size::new(half, half), Size::new(-1, -1), criteria)
}

/// Corners of squares near the places given, by the search of [`board_corners`] in windows of `half_px`; places outside the picture
/// and pictures that cannot be searched come back as given.
#[must_use]
pub fn refined_corners(luma: &[u8], [w, h]: [u32; 2], near: &[RawPixel], half_px: f64) -> Vec<RawPixel> {
    let inside = |p: &RawPixel| {
        (0.0..f64::from(w) - 1.0).contains(&p.x_px) && (0.0..f64::from(h) - 1.0).contains(&p.y_px)
    };
    let mut out = near.to_vec();
    if luma.len() != w as usize * h as usize {
        return out;
    }
    let some: Vec<usize> = (0..near.len()).filter(|i| inside(&near[*i])).collect();
    let mut corners: Vector<Point2f> =
        some.iter().map(|i| Point2f::new(near[*i].x_px as f32, near[*i].y_px as f32)).collect();
    one_thread();
    let refined = Mat::new_rows_cols_with_data(h as i32, w as i32, luma)
        .and_then(|full| refine(&full, &mut corners, half_px as f32));
    if refined.is_ok() && !some.is_empty() {
        for (i, c) in some.iter().zip(&corners) {
            out[*i] = RawPixel::new(f64::from(c.x), f64::from(c.y));
        }
    }
    out
}

fn smallest_spacing_px(corners: &[Point2f], columns: usize) -> f32 {
    let distance = |a: &Point2f, b: &Point2f| (a.x - b.x).hypot(a.y - b.y);
    let mut smallest = f32::INFINITY;
    for (i, c) in corners.iter().enumerate() {
        if i % columns + 1 < columns {
            smallest = smallest.min(distance(c, &corners[i + 1]));
        }
        if let Some(below) = corners.get(i + columns) {
            smallest = smallest.min(distance(c, below));
        }
    }
    smallest
}

/// Mean luma in the middle of the square between corner (row, column) and its neighbours right and below.
fn square_luma(
    grid: &[RawPixel],
    columns: usize,
    row: usize,
    column: usize,
    luma: &[u8],
    [w, h]: [u32; 2],
) -> f64 {
    let at = |r: usize, c: usize| grid[r * columns + c];
    let around = [at(row, column), at(row, column + 1), at(row + 1, column), at(row + 1, column + 1)];
    let x = around.iter().map(|p| p.x_px).sum::<f64>() / 4.0;
    let y = around.iter().map(|p| p.y_px).sum::<f64>() / 4.0;
    let clamp = |v: f64, size: u32| (v.round().max(0.0) as usize).min(size as usize - 1);
    f64::from(luma[clamp(y, h) * w as usize + clamp(x, w)])
}

/// Corners counted along both sides of the chessboard in a picture, the larger count first; `None` when there is none, or when
/// it comes too near to the picture's border for its rim to be seen (a part of a board has a wrong count).
///
/// OpenCV's sector-based detector (Duda and Frese, BMVC 2018) grows a board from a small piece as far as it goes.
#[must_use]
pub fn board_count(luma: &[u8], size_px: [u32; 2]) -> Option<[u32; 2]> {
    let [w, h] = size_px;
    if w < 16 || h < 16 || luma.len() != w as usize * h as usize {
        return None;
    }
    count(luma, size_px).ok().flatten()
}

fn count(luma: &[u8], [w, h]: [u32; 2]) -> opencv::Result<Option<[u32; 2]>> {
    one_thread();
    let full = Mat::new_rows_cols_with_data(h as i32, w as i32, luma)?;
    let scale = (f64::from(SEARCH_SIDE_PX) / f64::from(w.max(h))).min(1.0);
    let mut reduced = Mat::default();
    resize(&full, &mut reduced, Size::new(0, 0), scale, scale, INTER_AREA)?;
    let (mut corners, mut meta) = (Mat::default(), Mat::default());
    let flags = CALIB_CB_NORMALIZE_IMAGE | CALIB_CB_LARGER;
    let smallest = Size::new(3, 3);
    if !find_chessboard_corners_sb_with_meta(&reduced, smallest, &mut corners, flags, &mut meta)? {
        return Ok(None);
    }
    let (columns, rows) = (meta.cols() as usize, meta.rows() as usize);
    let corners: Vec<Point2f> = corners.data_typed::<Point2f>()?.to_vec();
    if columns < 3 || rows < 3 || corners.len() != columns * rows {
        return Ok(None);
    }
    // One more square outwards from the outer corners: the board's own rim must be in the picture.
    let at = |r: usize, c: usize| corners[r * columns + c];
    let inside = |p: Point2f, q: Point2f| {
        let (x, y) = (2.0 * p.x - q.x, 2.0 * p.y - q.y);
        x > 1.0 && y > 1.0 && x < reduced.cols() as f32 - 2.0 && y < reduced.rows() as f32 - 2.0
    };
    let whole = (0..rows)
        .all(|r| inside(at(r, 0), at(r, 1)) && inside(at(r, columns - 1), at(r, columns - 2)))
        && (0..columns).all(|c| inside(at(0, c), at(1, c)) && inside(at(rows - 1, c), at(rows - 2, c)));
    Ok(whole.then_some([columns.max(rows) as u32, columns.min(rows) as u32]))
}

/// Pictures are searched in parallel by the caller; OpenCV's own threads would only queue up.
pub(crate) fn one_thread() {
    static ONCE: std::sync::Once = std::sync::Once::new();
    ONCE.call_once(|| {
        if opencv::core::set_num_threads(1).is_err() {
            // It then works with its own threads: slower, the same corners.
        }
    });
}

/// Puts corners into the order [`board_corners`] promises.
fn in_board_order(
    corners: Vec<RawPixel>,
    luma: &[u8],
    size_px: [u32; 2],
    columns: usize,
    rows: usize,
) -> Option<Vec<RawPixel>> {
    let mut candidates: Vec<Vec<RawPixel>> = Vec::new();
    let turned_half = |g: &[RawPixel]| g.iter().rev().copied().collect::<Vec<_>>();
    let mirrored =
        |g: &[RawPixel]| g.chunks(columns).flat_map(|row| row.iter().rev().copied()).collect::<Vec<_>>();
    let transposed = |g: &[RawPixel]| {
        (0..columns)
            .flat_map(|c| (0..rows).map(move |r| (r, c)))
            .map(|(r, c)| g[r * columns + c])
            .collect::<Vec<_>>()
    };
    // Seen from the printed side, a row's direction turned towards a column's goes clockwise on the screen.
    let (a, b, d) = (corners[0], corners[columns - 1], corners[(rows - 1) * columns]);
    let cross = (b.x_px - a.x_px) * (d.y_px - a.y_px) - (b.y_px - a.y_px) * (d.x_px - a.x_px);
    let grid = if cross < 0.0 { mirrored(&corners) } else { corners };
    candidates.push(turned_half(&grid));
    if columns == rows {
        let quarter = mirrored(&transposed(&grid));
        candidates.push(turned_half(&quarter));
        candidates.push(quarter);
    }
    candidates.push(grid);
    // Where a half turn keeps the colours and a quarter is none of the board's, the first square may be white whatever corner is
    // taken.
    if candidates.iter().any(|g| first_square_is_black(g, luma, size_px, columns, rows)) {
        candidates.retain(|g| first_square_is_black(g, luma, size_px, columns, rows));
    }
    candidates.into_iter().min_by(|p, q| (p[0].x_px + p[0].y_px).total_cmp(&(q[0].x_px + q[0].y_px)))
}

/// Compares the squares of the first square's colour with the others over the whole board.
fn first_square_is_black(
    grid: &[RawPixel],
    luma: &[u8],
    size_px: [u32; 2],
    columns: usize,
    rows: usize,
) -> bool {
    let (mut same, mut other) = ((0.0, 0.0), (0.0, 0.0));
    for r in 0..rows - 1 {
        for c in 0..columns - 1 {
            let sum = if (r + c) % 2 == 0 { &mut same } else { &mut other };
            sum.0 += square_luma(grid, columns, r, c, luma, size_px);
            sum.1 += 1.0;
        }
    }
    same.0 / same.1 < other.0 / other.1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A board drawn as seen head on after a turn by `angle_rad`, four by four samples a pixel. Squares run from
    /// -1 to columns and rows in both directions; (0, 0) is the first inner corner.
    fn picture(columns: i32, rows: i32, angle_rad: f64) -> (Vec<u8>, [u32; 2], Vec<RawPixel>) {
        let (w, h, side) = (640_u32, 480_u32, 34.0);
        let (sin, cos) = angle_rad.sin_cos();
        let (mx, my) = (f64::from(w) / 2.0, f64::from(h) / 2.0);
        let (bx, by) = (f64::from(columns - 1) / 2.0, f64::from(rows - 1) / 2.0);
        let colour = |x: f64, y: f64| {
            let (u, v) = ((x - mx) / side, (y - my) / side);
            let (p, q) = (cos * u + sin * v + bx, -sin * u + cos * v + by);
            let (i, j) = (p.floor() as i32, q.floor() as i32);
            let on = (-1..columns).contains(&i) && (-1..rows).contains(&j);
            if on && (i + j).rem_euclid(2) == 0 { 25.0 } else { 225.0 }
        };
        let mut luma = Vec::with_capacity((w * h) as usize);
        for y in 0..h {
            for x in 0..w {
                let mut sum = 0.0;
                for k in 0..16 {
                    sum += colour(
                        f64::from(x) + (f64::from(k % 4) - 1.5) / 4.0,
                        f64::from(y) + (f64::from(k / 4) - 1.5) / 4.0,
                    );
                }
                luma.push((sum / 16.0) as u8);
            }
        }
        let corners = (0..rows)
            .flat_map(|r| (0..columns).map(move |c| (f64::from(c) - bx, f64::from(r) - by)))
            .map(|(p, q)| RawPixel::new(mx + side * (cos * p - sin * q), my + side * (sin * p + cos * q)))
            .collect();
        (luma, [w, h], corners)
    }

    #[test]
    fn corners_come_in_board_order_at_every_turn() {
        for (columns, rows) in [(9, 6), (7, 6), (6, 9)] {
            for k in 0..8 {
                let (luma, size_px, truth) = picture(columns, rows, 0.07 + f64::from(k) * 0.785);
                let Some(found) = board_corners(&luma, size_px, columns as u32, rows as u32) else {
                    // A 9 square board does not fit upright in a 480 row picture at every angle.
                    let fits = truth
                        .iter()
                        .all(|c| (60.0..580.0).contains(&c.x_px) && (60.0..420.0).contains(&c.y_px));
                    assert!(!fits, "board {columns}x{rows} not found at turn {k}");
                    continue;
                };
                for (f, t) in found.iter().zip(&truth) {
                    let off = (f.x_px - t.x_px).hypot(f.y_px - t.y_px);
                    assert!(off < 0.1, "{columns}x{rows} turn {k}: {off} px");
                }
            }
        }
    }

    #[test]
    fn no_board_no_corners() {
        assert!(board_corners(&[128; 640 * 480], [640, 480], 9, 6).is_none());
        let noise: Vec<u8> =
            (0..640_u32 * 480).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        assert!(board_corners(&noise, [640, 480], 9, 6).is_none());
        assert!(board_corners(&[0; 10], [640, 480], 9, 6).is_none());
        // A board cut off by the picture's edge.
        let (luma, [w, h], _) = picture(9, 6, 0.0);
        let half: Vec<u8> = luma.chunks(w as usize).flat_map(|row| row[..300].to_vec()).collect();
        assert!(board_corners(&half, [300, h], 9, 6).is_none());
    }
}
