//! Things that stand still, found again in another still of the same camera, by OpenCV.
//!
//! Corners (Shi and Tomasi 1994, OpenCV's `goodFeaturesToTrack`) of the first still are looked for in the second around
//! the shift of the picture as a whole (`phaseCorrelate`, Kuglin and Hines 1975), by normalised correlation
//! (`matchTemplate`, which light and exposure don't touch), to a fraction of a pixel.

use opencv::core::{CV_32F, Mat, Point2d, Point2f, Rect, Size, Vector, no_array};
use opencv::imgproc::{
    TM_CCOEFF_NORMED, create_hanning_window, good_features_to_track, match_template, phase_correlate,
};
use opencv::prelude::*;
use tipwright::model::{Landmark, Still};

/// Corners looked for. 240: a hundred that stand still fix a turn to a hundredth of a pixel.
const CORNERS: i32 = 240;
/// Strength of a corner against the strongest. 0.003: leaves are faint beside a horizon.
const LEAST_STRENGTH: f64 = 0.003;
/// Corners keep this distance from each other, half-size pixels, so that they spread over the picture.
const APART_PX: f64 = 18.0;
/// Half a template's side, half-size pixels: 21 pixels hold a corner and its neighbourhood.
const HALF_TEMPLATE: i32 = 10;
/// Search around the shift of the whole, half-size pixels: a roll by 2 degrees moves the rim by 17.
const REACH: i32 = 18;
/// Least correlation of the same thing. 0.8: leaves in the wind come to 0.9, other leaves to 0.6.
const LEAST_CORRELATION: f32 = 0.8;

/// Landmarks of two stills; empty when their sizes differ or nothing is found.
pub(crate) fn landmarks(before: &Still, now: &Still) -> Vec<Landmark> {
    if before.size_px != now.size_px || before.picture != now.picture {
        return Vec::new();
    }
    find(before, now).unwrap_or_default()
}

fn find(before: &Still, now: &Still) -> opencv::Result<Vec<Landmark>> {
    let [columns, rows] = before.size_px.map(|n| n as i32);
    let a = Mat::new_rows_cols_with_data(rows, columns, &before.luma)?;
    let b = Mat::new_rows_cols_with_data(rows, columns, &now.luma)?;
    let (shift_x, shift_y) = shift_of_whole(&a, &b)?;
    let mut corners = Vector::<Point2f>::new();
    good_features_to_track(&a, &mut corners, CORNERS, LEAST_STRENGTH, APART_PX, &no_array(), 5, false, 0.04)?;
    let mut out = Vec::new();
    let mut scores = Mat::default();
    let side = 2 * HALF_TEMPLATE + 1;
    for corner in &corners {
        let (x, y) = (corner.x.round() as i32, corner.y.round() as i32);
        let template = Rect::new(x - HALF_TEMPLATE, y - HALF_TEMPLATE, side, side);
        let reach = 2 * REACH + side;
        let (cx, cy) = (x + shift_x.round() as i32, y + shift_y.round() as i32);
        let search = Rect::new(cx - REACH - HALF_TEMPLATE, cy - REACH - HALF_TEMPLATE, reach, reach);
        let whole = Rect::new(0, 0, columns, rows);
        if template & whole != template || search & whole != search {
            continue;
        }
        match_template(
            &Mat::roi(&b, search)?,
            &Mat::roi(&a, template)?,
            &mut scores,
            TM_CCOEFF_NORMED,
            &no_array(),
        )?;
        let Some((dx, dy)) = peak(&scores)? else { continue };
        let found = [f64::from(cx - REACH) + dx, f64::from(cy - REACH) + dy];
        out.push(Landmark {
            before: before.upright_from_half(f64::from(x), f64::from(y)),
            now: now.upright_from_half(found[0], found[1]),
        });
    }
    Ok(out)
}

/// Shift of the picture as a whole, pixels, from the first to the second.
fn shift_of_whole(a: &impl MatTraitConst, b: &impl MatTraitConst) -> opencv::Result<(f64, f64)> {
    let (mut fa, mut fb, mut window) = (Mat::default(), Mat::default(), Mat::default());
    a.convert_to(&mut fa, CV_32F, 1.0, 0.0)?;
    b.convert_to(&mut fb, CV_32F, 1.0, 0.0)?;
    create_hanning_window(&mut window, Size::new(a.cols(), a.rows()), CV_32F)?;
    let Point2d { x, y } = phase_correlate(&fa, &fb, &window, None)?;
    Ok((x, y))
}

/// The best place to a fraction of a pixel by a parabola each way; `None` when it is weak or at the rim.
fn peak(scores: &Mat) -> opencv::Result<Option<(f64, f64)>> {
    let (rows, columns) = (scores.rows(), scores.cols());
    let (mut best, mut at) = (f32::MIN, (0, 0));
    for y in 0..rows {
        let row: &[f32] = scores.at_row(y)?;
        for (x, v) in row.iter().enumerate() {
            if *v > best {
                (best, at) = (*v, (x as i32, y));
            }
        }
    }
    let (x, y) = at;
    if best < LEAST_CORRELATION || x == 0 || y == 0 || x == columns - 1 || y == rows - 1 {
        return Ok(None);
    }
    let value = |x: i32, y: i32| scores.at_2d::<f32>(y, x).map(|v| f64::from(*v));
    let vertex = |l: f64, m: f64, r: f64| {
        let bend = l - 2.0 * m + r;
        if bend < 0.0 { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) } else { 0.0 }
    };
    let m = value(x, y)?;
    let dx = vertex(value(x - 1, y)?, m, value(x + 1, y)?);
    let dy = vertex(value(x, y - 1)?, m, value(x, y + 1)?);
    Ok(Some((f64::from(x) + dx, f64::from(y) + dy)))
}
