//! Which of the views of one board are worth solving with.

use super::source::BoardsFound;
use super::views::{LeftOut, LensConfig};
use crate::model::RawPixel;

/// Largest distance between the outer corners of two views, as a share of the frame's diagonal.
fn apart(a: &[RawPixel], b: &[RawPixel], columns: usize, diagonal_px: f64) -> f64 {
    let n = a.len().min(b.len());
    if n == 0 || columns == 0 {
        return f64::INFINITY;
    }
    [0, columns - 1, n - columns, n - 1]
        .iter()
        .map(|&i| (a[i].x_px - b[i].x_px).hypot(a[i].y_px - b[i].y_px))
        .fold(0.0, f64::max)
        / diagonal_px
}

/// Of views that show the board in the same place the sharpest stays; of too many the most different stay.
pub(super) fn thin_out(mut found: Vec<BoardsFound>, config: &LensConfig) -> Vec<BoardsFound> {
    let sharpness =
        |f: &BoardsFound| f.view.as_ref().ok().and_then(|v| v.edge_width_px).unwrap_or(f64::INFINITY);
    let mut by_sharpness: Vec<usize> = (0..found.len()).filter(|&i| found[i].view.is_ok()).collect();
    by_sharpness.sort_by(|&a, &b| sharpness(&found[a]).total_cmp(&sharpness(&found[b])).then(a.cmp(&b)));
    let distance = |i: usize, j: usize| match (&found[i].view, &found[j].view) {
        (Ok(a), Ok(b)) => {
            let [w, h] = found[i].size_px.map(f64::from);
            apart(&a.corners, &b.corners, corners_per_row(&a.corners), w.hypot(h))
        }
        _ => f64::INFINITY,
    };
    let mut kept: Vec<usize> = Vec::new();
    for i in by_sharpness {
        if kept.iter().all(|&k| distance(i, k) > config.duplicate_share) {
            kept.push(i);
        }
    }
    if kept.len() > config.max_views_of_clip {
        let mut chosen = vec![kept[0]];
        let mut nearest: Vec<f64> = kept.iter().map(|&i| distance(i, kept[0])).collect();
        while chosen.len() < config.max_views_of_clip {
            let Some(next) =
                (0..kept.len()).max_by(|&a, &b| nearest[a].total_cmp(&nearest[b]).then(b.cmp(&a)))
            else {
                break;
            };
            chosen.push(kept[next]);
            for (d, &i) in nearest.iter_mut().zip(&kept) {
                *d = d.min(distance(i, kept[next]));
            }
        }
        kept = chosen;
    }
    for (i, f) in found.iter_mut().enumerate() {
        if f.view.is_ok() && !kept.contains(&i) {
            f.view = Err(LeftOut::SameAsAnother);
        }
    }
    found
}

/// Corners in the first row: the run of corners before the direction turns back.
fn corners_per_row(corners: &[RawPixel]) -> usize {
    for i in 2..corners.len() {
        let (a, b, c) = (corners[i - 2], corners[i - 1], corners[i]);
        let along = (b.x_px - a.x_px) * (c.x_px - b.x_px) + (b.y_px - a.y_px) * (c.y_px - b.y_px);
        let step = (b.x_px - a.x_px).hypot(b.y_px - a.y_px) * (c.x_px - b.x_px).hypot(c.y_px - b.y_px);
        if along < 0.5 * step {
            return i;
        }
    }
    corners.len()
}
