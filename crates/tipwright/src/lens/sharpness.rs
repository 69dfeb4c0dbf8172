//! How sharp a board is in a picture: the width of the edges between its squares.

use crate::math::median;
use crate::model::RawPixel;

/// Samples across an edge reach this share of the spacing to either side: short of the next edge at one half,
/// and of the corners of tilted squares.
const REACH: f64 = 0.38;
/// The same beside a code, which begins at an eighth of the white square.
const REACH_TO_CODE: f64 = 0.11;
/// Fewest samples across an edge.
const FEWEST_SAMPLES: usize = 33;
/// Widest step between samples, pixels: a sharp edge is 0.8 px wide from 10 to 90 %, and must not fall between two.
const WIDEST_STEP_PX: f64 = 0.25;

/// Median 10 to 90 % width of the edges between squares, pixels, the larger of the board's two directions (smear
/// widens edges across it only). `None` when no edge has contrast.
///
/// `luma` is row-major without padding; `corners` run row by row, `columns` a row.
#[must_use]
pub fn edge_width_px(luma: &[u8], size_px: [u32; 2], corners: &[RawPixel], columns: usize) -> Option<f64> {
    if columns < 2 || corners.len() < 2 * columns || luma.len() < (size_px[0] * size_px[1]) as usize {
        return None;
    }
    let rows = corners.len() / columns;
    let at = |r: usize, c: usize| corners[r * columns + c];
    let mut along_rows = Vec::new();
    let mut along_columns = Vec::new();
    for r in 0..rows {
        for c in 0..columns {
            if c + 1 < columns {
                along_rows.extend(edge_between(luma, size_px, at(r, c), at(r, c + 1)));
            }
            if r + 1 < rows {
                along_columns.extend(edge_between(luma, size_px, at(r, c), at(r + 1, c)));
            }
        }
    }
    let (a, b) = (median(along_rows)?, median(along_columns)?);
    Some(a.max(b))
}

fn sample(luma: &[u8], [w, h]: [u32; 2], x: f64, y: f64) -> Option<f64> {
    let (x0, y0) = (x.floor(), y.floor());
    if !(x0 >= 0.0 && y0 >= 0.0 && x0 + 1.0 < f64::from(w) && y0 + 1.0 < f64::from(h)) {
        return None;
    }
    let (fx, fy) = (x - x0, y - y0);
    let i = y0 as usize * w as usize + x0 as usize;
    let v = |k: usize| f64::from(luma[k]);
    let below = i + w as usize;
    Some((v(i) * (1.0 - fx) + v(i + 1) * fx) * (1.0 - fy) + (v(below) * (1.0 - fx) + v(below + 1) * fx) * fy)
}

/// Median width of the edges around codes' white squares, the larger of two directions: `squares` hold four corners each, in turn. Beside
/// an edge there is little white before the code begins, so wide edges are told too narrow: good to tell the sharper of two views.
pub(super) fn edge_width_around_px(
    luma: &[u8],
    size_px: [u32; 2],
    squares: &[[Option<RawPixel>; 4]],
) -> Option<f64> {
    let edges = |first: usize| {
        let pairs =
            squares.iter().flat_map(move |s| [(s[first], s[first + 1]), (s[first + 2], s[(first + 3) % 4])]);
        median(pairs.filter_map(|(a, b)| one_edge(luma, size_px, a?, b?, REACH_TO_CODE)))
    };
    Some(edges(0)?.max(edges(1)?))
}

/// Width across the edge that runs from a to b, measured at its middle.
pub(super) fn edge_between(luma: &[u8], size_px: [u32; 2], a: RawPixel, b: RawPixel) -> Option<f64> {
    one_edge(luma, size_px, a, b, REACH)
}

fn one_edge(luma: &[u8], size_px: [u32; 2], a: RawPixel, b: RawPixel, reach: f64) -> Option<f64> {
    let (dx, dy) = (b.x_px - a.x_px, b.y_px - a.y_px);
    let length_px = dx.hypot(dy);
    if !(length_px > 3.0) {
        return None;
    }
    let (nx, ny) = (-dy / length_px, dx / length_px);
    let (mx, my) = (0.5 * (a.x_px + b.x_px), 0.5 * (a.y_px + b.y_px));
    let samples = FEWEST_SAMPLES.max((2.0 * reach * length_px / WIDEST_STEP_PX).ceil() as usize + 1);
    let mut profile = vec![0.0; samples];
    for (i, v) in profile.iter_mut().enumerate() {
        let s = (i as f64 / (samples - 1) as f64 - 0.5) * 2.0 * reach * length_px;
        // Three parallel tracks calm the noise.
        let mut sum = 0.0;
        for k in [-0.15, 0.0, 0.15] {
            sum += sample(luma, size_px, mx + nx * s + k * dx, my + ny * s + k * dy)?;
        }
        *v = sum / 3.0;
    }
    let first = profile[..4].iter().sum::<f64>() / 4.0;
    let last = profile[samples - 4..].iter().sum::<f64>() / 4.0;
    // 20 of 255: less is no edge but a shadow.
    if (last - first).abs() < 20.0 {
        return None;
    }
    let share = |v: f64| (v - first) / (last - first);
    let crossing = |level: f64| {
        (1..samples).find(|&i| share(profile[i]) >= level).map(|i| {
            let (p, q) = (share(profile[i - 1]), share(profile[i]));
            (i - 1) as f64 + if q > p { ((level - p) / (q - p)).clamp(0.0, 1.0) } else { 0.0 }
        })
    };
    let step_px = 2.0 * reach * length_px / (samples - 1) as f64;
    Some((crossing(0.9)? - crossing(0.1)?).abs() * step_px)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Chessboard smeared along x over `smear_px`.
    fn board(smear_px: usize) -> (Vec<u8>, Vec<RawPixel>) {
        let (w, h, side) = (400_usize, 300_usize, 40_usize);
        let colour =
            |x: usize, y: usize| if ((x / side) + (y / side)).is_multiple_of(2) { 30.0 } else { 220.0 };
        let mut luma = vec![0; w * h];
        for y in 0..h {
            for x in 0..w {
                let n = smear_px.max(1);
                let sum: f64 = (0..n).map(|k| colour((x + k).saturating_sub(n / 2).min(w - 1), y)).sum();
                luma[y * w + x] = (sum / n as f64).round() as u8;
            }
        }
        let corners = (1..7)
            .flat_map(|r| {
                (1..9).map(move |c| RawPixel::new(40.0 * f64::from(c) - 0.5, 40.0 * f64::from(r) - 0.5))
            })
            .collect();
        (luma, corners)
    }

    #[test]
    fn smear_widens_edges_by_its_length() {
        let (luma, corners) = board(1);
        let sharp = edge_width_px(&luma, [400, 300], &corners, 8).unwrap();
        assert!(sharp < 1.3, "{sharp}");
        let (luma, corners) = board(12);
        // 10 to 90 % of a ramp of 12 px is 9.6 px.
        let smeared = edge_width_px(&luma, [400, 300], &corners, 8).unwrap();
        assert!((smeared - 9.6).abs() < 1.0, "{smeared}");
    }

    #[test]
    fn grey_picture_has_no_edges() {
        let (_, corners) = board(1);
        assert!(edge_width_px(&[128; 400 * 300], [400, 300], &corners, 8).is_none());
    }
}
