//! Which of the views of one board are worth solving with.

use std::collections::BTreeMap;

use super::search::BoardsFound;
use super::views::{BoardView, LeftOut, LensConfig};
use crate::model::RawPixel;

/// Largest distance between the points that two views share, as a share of the frame's diagonal; views that share few are different.
fn apart(a: &BoardView, b: &BoardView, diagonal_px: f64) -> f64 {
    let place = |view: &BoardView, i: usize| view.which.as_ref().map_or(i, |w| w[i]);
    let of_b: BTreeMap<usize, RawPixel> =
        b.corners.iter().enumerate().map(|(i, p)| (place(b, i), *p)).collect();
    let shared: Vec<f64> = a
        .corners
        .iter()
        .enumerate()
        .filter_map(|(i, p)| of_b.get(&place(a, i)).map(|q| (p.x_px - q.x_px).hypot(p.y_px - q.y_px)))
        .collect();
    if 2 * shared.len() < a.corners.len().min(b.corners.len()) || shared.is_empty() {
        return f64::INFINITY;
    }
    shared.into_iter().fold(0.0, f64::max) / diagonal_px
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
            apart(a, b, w.hypot(h))
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
