//! Dark squares on lighter ground, where a card may be, by OpenCV: what is darker than its surroundings, outlined and taken for four
//! corners. Which of them is a card `tipwright::cards` tells.

use opencv::core::{Mat, Point, Size, Vector};
use opencv::imgproc::{
    ADAPTIVE_THRESH_MEAN_C, CHAIN_APPROX_NONE, RETR_LIST, THRESH_BINARY_INV, adaptive_threshold,
    approx_poly_dp, arc_length, blur_def, contour_area, find_contours, is_contour_convex,
};
use tipwright::model::RawPixel;

use crate::board::one_thread;

/// Side of the surroundings, as a share of the picture's longer side: the white around a card counts, the bright sky behind it does not
/// (25 pixels of 1920, where the white is 2 to 4 wide).
const AROUND_SHARE: f64 = 0.013;
/// Side of the mean that is taken first: without it noise makes ten times as many outlines, which is where the time goes.
const MEAN_PX: i32 = 3;
/// Darker than its surroundings by so many code values.
const DARKER: f64 = 7.0;
/// Shortest and longest outline, as a share of the picture's longer side: a card of 17 cm at 15 m and at 1.5 m.
const OUTLINE_SHARE: [f64; 2] = [0.025, 0.4];
/// Farthest that the four corners' outline may run beside the seen one, as a share of its length.
const OFF_SHARE: f64 = 0.04;
/// Least area against that of an upright square of the same outline: a square tilted by 60 degrees has half.
const LEAST_AREA: f64 = 0.35;

/// Four corners of everything that may be a card's square.
#[must_use]
pub fn dark_squares(luma: &[u8], size_px: [u32; 2]) -> Vec<[RawPixel; 4]> {
    let [w, h] = size_px;
    if w < 16 || h < 16 || luma.len() != w as usize * h as usize {
        return Vec::new();
    }
    search(luma, size_px).unwrap_or_default()
}

fn search(luma: &[u8], [w, h]: [u32; 2]) -> opencv::Result<Vec<[RawPixel; 4]>> {
    one_thread();
    let side = f64::from(w.max(h));
    let picture = Mat::new_rows_cols_with_data(h as i32, w as i32, luma)?;
    let around = (AROUND_SHARE * side) as i32 | 1;
    let (mut smooth, mut dark) = (Mat::default(), Mat::default());
    blur_def(&picture, &mut smooth, Size::new(MEAN_PX, MEAN_PX))?;
    adaptive_threshold(&smooth, &mut dark, 255.0, ADAPTIVE_THRESH_MEAN_C, THRESH_BINARY_INV, around, DARKER)?;
    let mut outlines = Vector::<Vector<Point>>::new();
    find_contours(&dark, &mut outlines, RETR_LIST, CHAIN_APPROX_NONE, Point::new(0, 0))?;
    let mut out = Vec::new();
    let mut corners = Vector::<Point>::new();
    for outline in &outlines {
        let points = outline.len() as f64;
        if !(OUTLINE_SHARE[0] * side..=OUTLINE_SHARE[1] * side).contains(&points) {
            continue;
        }
        let length = arc_length(&outline, true)?;
        approx_poly_dp(&outline, &mut corners, OFF_SHARE * length, true)?;
        let area = contour_area(&corners, false)?;
        let enough = LEAST_AREA * (length / 4.0) * (length / 4.0);
        if corners.len() == 4 && area >= enough && is_contour_convex(&corners)? {
            let corner = |i: usize| corners.get(i).map(|p| RawPixel::new(f64::from(p.x), f64::from(p.y)));
            out.push([corner(0)?, corner(1)?, corner(2)?, corner(3)?]);
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
            let squares = dark_squares(&luma, [w as u32, h as u32]);
            let near = |p: &RawPixel, x: f64, y: f64| (p.x_px - x).abs() < 2.0 && (p.y_px - y).abs() < 2.0;
            let corners = [(209.5, 109.5), (249.5, 109.5), (249.5, 149.5), (209.5, 149.5)];
            let is_it = |s: &[RawPixel; 4]| corners.iter().all(|(x, y)| s.iter().any(|p| near(p, *x, *y)));
            assert!(squares.iter().any(is_it), "before {ground}: {squares:?}");
        }
        assert!(dark_squares(&[128; 640 * 360], [640, 360]).is_empty());
        assert!(dark_squares(&[0; 10], [640, 360]).is_empty());
    }
}
