//! Dark squares and discs on lighter ground, by OpenCV: what is darker than its surroundings, outlined and taken for four corners or
//! for an ellipse. Which of them is a card `tipwright::cards` tells, which a part of a board `tipwright::lens`.

use opencv::core::{Mat, Point, Rect, Size, Vector};
use opencv::imgproc::{
    ADAPTIVE_THRESH_MEAN_C, CHAIN_APPROX_NONE, RETR_LIST, THRESH_BINARY_INV, adaptive_threshold,
    approx_poly_dp, arc_length, blur_def, contour_area, convex_hull_def, find_contours, fit_ellipse,
    is_contour_convex,
};
use tipwright::model::RawPixel;
use tipwright::model::footage::{Disc, Window};

use crate::board::one_thread;

/// Side of the surroundings, as a share of the picture's longer side: the white around a card counts, the bright sky behind it does not
/// (25 pixels of 1920, where the white is 2 to 4 wide).
const AROUND_SHARE: f64 = 0.013;
/// Side of the mean that is taken first: without it noise makes ten times as many outlines, which is where the time goes.
const MEAN_PX: i32 = 3;
/// Darker than its surroundings by so many code values.
const DARKER: f64 = 7.0;
/// Shortest and longest outline of a square, as a share of the picture's longer side: a card of 17 cm at 15 m, a code of a board that
/// more than fills the picture.
const SQUARE_SHARE: [f64; 2] = [0.025, 1.2];
/// Of a disc: 6 px across at 1080p, and a sixth of the picture.
const DISC_SHARE: [f64; 2] = [0.01, 0.5];
/// Farthest that a disc's outline runs beside its ellipse, rms: a share of its radius (a square's runs 0.12 beside) and what whole
/// pixels make.
const DISC_OFF_SHARE: f64 = 0.05;
const DISC_OFF_PX: f64 = 0.4;
/// Shorter axis of a disc against the longer one: a board tilted by 70 degrees.
const DISC_AXES: f64 = 0.34;
/// Farthest that the four corners' outline may run beside the seen one, as a share of its length.
const OFF_SHARE: f64 = 0.04;
/// Smallest side of what is searched.
const LEAST_SIDE_PX: u32 = 16;
/// Share of what an outline spans that must be dark in it: of a card's square with its rim open half is.
const LEAST_DARK: f64 = 0.3;
/// Least area against that of an upright square of the same outline: a square tilted by 60 degrees has half.
const LEAST_AREA: f64 = 0.35;

/// Four corners of everything that may be a card's square in a part of a picture.
#[must_use]
pub fn dark_squares(luma: &[u8], size_px: [u32; 2], within: Window) -> Vec<[RawPixel; 4]> {
    let [w, h] = size_px;
    let holds =
        |k: usize| within.from_px[k].checked_add(within.size_px[k]).is_some_and(|end| end <= size_px[k]);
    let is_large = within.size_px.iter().all(|side| *side >= LEAST_SIDE_PX);
    if !is_large || !holds(0) || !holds(1) || luma.len() != w as usize * h as usize {
        return Vec::new();
    }
    search_squares(luma, size_px, within).unwrap_or_default()
}

/// Ellipses of everything that may be a board's disc; of several about one centre the largest.
#[must_use]
pub fn dark_discs(luma: &[u8], size_px: [u32; 2]) -> Vec<Disc> {
    let [w, h] = size_px;
    if w < LEAST_SIDE_PX || h < LEAST_SIDE_PX || luma.len() != w as usize * h as usize {
        return Vec::new();
    }
    search_discs(luma, size_px).unwrap_or_default()
}

/// Outlines of what is darker than its surroundings in a part of a picture, by the part's own pixels.
fn outlines(luma: &[u8], [w, h]: [u32; 2], within: Window) -> opencv::Result<Vector<Vector<Point>>> {
    one_thread();
    let side = f64::from(w.max(h));
    let picture = Mat::new_rows_cols_with_data(h as i32, w as i32, luma)?;
    let ([x, y], [columns, rows]) = (within.from_px.map(|v| v as i32), within.size_px.map(|v| v as i32));
    let picture = Mat::roi(&picture, Rect::new(x, y, columns, rows))?;
    let around = (AROUND_SHARE * side) as i32 | 1;
    let (mut smooth, mut dark) = (Mat::default(), Mat::default());
    blur_def(&picture, &mut smooth, Size::new(MEAN_PX, MEAN_PX))?;
    adaptive_threshold(&smooth, &mut dark, 255.0, ADAPTIVE_THRESH_MEAN_C, THRESH_BINARY_INV, around, DARKER)?;
    let mut outlines = Vector::<Vector<Point>>::new();
    find_contours(&dark, &mut outlines, RETR_LIST, CHAIN_APPROX_NONE, Point::new(0, 0))?;
    Ok(outlines)
}

/// Whether an outline of so many points is as long as it may be.
fn has_length(points: usize, [w, h]: [u32; 2], share: [f64; 2]) -> bool {
    let side = f64::from(w.max(h));
    (share[0] * side..=share[1] * side).contains(&(points as f64))
}

fn search_squares(luma: &[u8], size_px: [u32; 2], within: Window) -> opencv::Result<Vec<[RawPixel; 4]>> {
    let mut out = Vec::new();
    let [left, top] = within.from_px.map(f64::from);
    let (mut corners, mut hull) = (Vector::<Point>::new(), Vector::<Point>::new());
    for outline in &outlines(luma, size_px, within)? {
        if !has_length(outline.len(), size_px, SQUARE_SHARE) {
            continue;
        }
        if !four_corners(&outline, &mut corners)? {
            // a rim of two or three pixels beside white cells is washed out here and there: what is left of it still spans the square
            convex_hull_def(&outline, &mut hull)?;
            let spanned = contour_area(&hull, false)?;
            if contour_area(&outline, false)? < LEAST_DARK * spanned || !four_corners(&hull, &mut corners)? {
                continue;
            }
        }
        let corner =
            |i: usize| corners.get(i).map(|p| RawPixel::new(left + f64::from(p.x), top + f64::from(p.y)));
        out.push([corner(0)?, corner(1)?, corner(2)?, corner(3)?]);
    }
    Ok(out)
}

/// Takes an outline for four corners; `false` where it has others.
fn four_corners(outline: &Vector<Point>, corners: &mut Vector<Point>) -> opencv::Result<bool> {
    let length = arc_length(outline, true)?;
    approx_poly_dp(outline, corners, OFF_SHARE * length, true)?;
    let enough = LEAST_AREA * (length / 4.0) * (length / 4.0);
    Ok(corners.len() == 4 && contour_area(corners, false)? >= enough && is_contour_convex(corners)?)
}

fn search_discs(luma: &[u8], size_px: [u32; 2]) -> opencv::Result<Vec<Disc>> {
    let mut found: Vec<(f64, Disc)> = Vec::new();
    for outline in &outlines(luma, size_px, Window::whole(size_px))? {
        if !has_length(outline.len(), size_px, DISC_SHARE) || outline.len() < 12 {
            continue;
        }
        let ellipse = fit_ellipse(&outline)?;
        let (a, b) = (f64::from(ellipse.size.width), f64::from(ellipse.size.height));
        let radius_px = (a * b).sqrt() / 2.0;
        let (sin, cos) = f64::from(ellipse.angle).to_radians().sin_cos();
        let off = |p: Point| {
            let (x, y) =
                (f64::from(p.x) - f64::from(ellipse.center.x), f64::from(p.y) - f64::from(ellipse.center.y));
            2.0 * ((x * cos + y * sin) / a).hypot((y * cos - x * sin) / b) - 1.0
        };
        let off_share = (outline.iter().map(|p| off(p).powi(2)).sum::<f64>() / outline.len() as f64).sqrt();
        let limit_px = DISC_OFF_SHARE * radius_px + DISC_OFF_PX;
        if !(a.min(b) >= DISC_AXES * a.max(b) && off_share * radius_px <= limit_px) {
            continue;
        }
        // half extents of the turned ellipse, half a pixel more: an outline runs through the outermost dark pixels
        let half_px = [(a * cos).hypot(b * sin) / 2.0 + 0.5, (a * sin).hypot(b * cos) / 2.0 + 0.5];
        let centre = RawPixel::new(f64::from(ellipse.center.x), f64::from(ellipse.center.y));
        found.push((radius_px, Disc { centre, half_px }));
    }
    found.sort_by(|p, q| q.0.total_cmp(&p.0));
    let mut out: Vec<Disc> = Vec::new();
    for (_, disc) in found {
        let inside = |o: &Disc| {
            let (dx, dy) = (disc.centre.x_px - o.centre.x_px, disc.centre.y_px - o.centre.y_px);
            dx.abs() < 0.5 * o.half_px[0] && dy.abs() < 0.5 * o.half_px[1]
        };
        if !out.iter().any(inside) {
            out.push(disc);
        }
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dark_square_is_found_with_its_white_before_sky_and_before_trees() {
        for ground in [250_u8, 40] {
            let (w, h) = (640_usize, 360_usize);
            let mut luma = vec![ground; w * h];
            for row in 100..160 {
                luma[row * w + 200..row * w + 260].fill(150);
            }
            for row in 110..150 {
                luma[row * w + 210..row * w + 250].fill(25);
            }
            let size_px = [w as u32, h as u32];
            let squares = dark_squares(&luma, size_px, Window::whole(size_px));
            let near = |p: &RawPixel, x: f64, y: f64| (p.x_px - x).abs() < 2.0 && (p.y_px - y).abs() < 2.0;
            let corners = [(209.5, 109.5), (249.5, 109.5), (249.5, 149.5), (209.5, 149.5)];
            let is_it = |s: &[RawPixel; 4]| corners.iter().all(|(x, y)| s.iter().any(|p| near(p, *x, *y)));
            assert!(squares.iter().any(is_it), "before {ground}: {squares:?}");
            // a part of the picture that holds it gives the same corners, one beside it none
            let part = |x: u32| Window { from_px: [x, 60], size_px: [150, 150] };
            let same: Vec<_> = squares.iter().filter(|s| is_it(s)).copied().collect();
            let in_part = dark_squares(&luma, size_px, part(150));
            assert_eq!(in_part.into_iter().filter(is_it).collect::<Vec<_>>(), same, "before {ground}");
            assert!(!dark_squares(&luma, size_px, part(270)).iter().any(is_it), "before {ground}");
        }
        let size_px = [640, 360];
        assert!(dark_squares(&[128; 640 * 360], size_px, Window::whole(size_px)).is_empty());
        assert!(dark_squares(&[0; 10], size_px, Window::whole(size_px)).is_empty());
        for from_px in [[600, 0], [0, 300], [u32::MAX, 0]] {
            let beyond = Window { from_px, size_px: [100, 100] };
            assert!(dark_squares(&[128; 640 * 360], size_px, beyond).is_empty());
        }
    }

    #[test]
    fn discs_are_found_and_squares_are_none() {
        let (w, h) = (640_usize, 360_usize);
        let mut luma = vec![210_u8; w * h];
        let (x, y, a, b) = (200.25, 120.5, 14.0, 9.0);
        for row in 0..h {
            for col in 0..w {
                let (dx, dy) = ((col as f64 - x) / a, (row as f64 - y) / b);
                let in_square = (400..430).contains(&col) && (200..230).contains(&row);
                if dx.hypot(dy) < 1.0 || in_square {
                    luma[row * w + col] = 30;
                }
            }
        }
        let discs = dark_discs(&luma, [w as u32, h as u32]);
        assert_eq!(discs.len(), 1, "{discs:?}");
        let d = discs[0];
        assert!((d.centre.x_px - x).abs() < 0.3 && (d.centre.y_px - y).abs() < 0.3, "{d:?}");
        assert!((d.half_px[0] - a).abs() < 1.0 && (d.half_px[1] - b).abs() < 1.0, "{d:?}");
    }
}
