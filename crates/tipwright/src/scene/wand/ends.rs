//! Which pieces of 3D track are the two ends of the wand.

use super::start::{Begun, pieces};
use super::{WandConfig, WandError, WandInput};
use crate::tracks::gather::{Source, unique};
use crate::tracks::pieces::Piece;

/// Two pieces at the same time.
#[derive(Debug, Clone, Copy)]
struct Couple {
    p: usize,
    q: usize,
    /// Median distance and share of samples within the tolerance of it.
    distance: f64,
    share: f64,
    seconds: f64,
}

/// The wand's ends: sightings with marker 0 or 1, and instants at which both were seen.
#[derive(Debug, Clone)]
pub(super) struct Ends {
    pub sources: Vec<Source>,
    pub both_s: Vec<f64>,
}

/// Smallest movement of a piece that may be a wand's end, as a share of the wand: two glints also keep their distance.
const LEAST_MOVEMENT: f64 = 0.3;

fn couples(pieces: &[Piece], tolerance: f64) -> Vec<Couple> {
    let mut out = Vec::new();
    for p in 0..pieces.len() {
        for q in p + 1..pieces.len() {
            let (a, b) = (&pieces[p], &pieces[q]);
            if b.start_s() > a.end_s() {
                break; // in order of start
            }
            if a.tracks().iter().any(|t| b.tracks().contains(t)) {
                continue;
            }
            let mut distances: Vec<f64> =
                a.samples.iter().filter_map(|s| b.at(s.t_s).map(|o| (o - s.position).norm())).collect();
            if distances.len() < 8 {
                continue;
            }
            distances.sort_by(f64::total_cmp);
            let distance = distances[distances.len() / 2];
            let near = distances.iter().filter(|d| (*d / distance - 1.0).abs() < tolerance).count();
            let moved = |piece: &Piece| {
                let start = piece.first();
                piece.samples.iter().map(|s| (s.position - start).norm()).fold(0.0, f64::max)
            };
            if moved(a).max(moved(b)) < LEAST_MOVEMENT * distance {
                continue;
            }
            let seconds = a.end_s().min(b.end_s()) - a.start_s().max(b.start_s());
            out.push(Couple { p, q, distance, share: near as f64 / distances.len() as f64, seconds });
        }
    }
    out
}

/// The distance most of the moving couples keep, and for how long; `None` when there is none.
pub(super) fn constant_distance(pieces: &[Piece], tolerance: f64) -> Option<(f64, f64)> {
    let couples: Vec<Couple> = couples(pieces, tolerance).into_iter().filter(|c| c.share > 0.8).collect();
    let mut best: Option<(f64, f64)> = None;
    for c in &couples {
        let (mut seconds, mut sum) = (0.0, 0.0);
        for d in couples.iter().filter(|d| (d.distance / c.distance - 1.0).abs() < tolerance) {
            seconds += d.seconds * d.share;
            sum += d.seconds * d.share * d.distance;
        }
        if best.is_none_or(|b| seconds > b.0) {
            best = Some((seconds, sum / seconds));
        }
    }
    best.filter(|b| b.0 > 0.0 && b.1 > 0.0)
}

/// Pairs of pieces that keep the wand's length, each end with one label throughout where it can be followed.
pub(super) fn find_ends(input: &WandInput, config: &WandConfig, begun: &Begun) -> Result<Ends, WandError> {
    let pieces = pieces(&begun.views(input), config.epipolar_px, 40.0);
    let couples: Vec<Couple> = couples(&pieces, config.length_tolerance)
        .into_iter()
        .filter(|c| {
            c.share > 0.8 && (c.distance / input.length_m.value - 1.0).abs() < 1.5 * config.length_tolerance
        })
        .collect();
    let labels = label(&pieces, &couples);
    let mut sources = Vec::new();
    let mut both_s = Vec::new();
    for c in &couples {
        let (a, b) = (&pieces[c.p], &pieces[c.q]);
        both_s.extend(a.samples.iter().map(|s| s.t_s).filter(|t| *t >= b.start_s() && *t <= b.end_s()));
        for idx in [c.p, c.q] {
            let piece = &pieces[idx];
            let Some(marker_idx) = labels[idx] else { continue };
            for (view_idx, track) in piece.tracks() {
                let clock = begun.clocks[view_idx];
                for s in &begun.tracks[view_idx][track].sightings {
                    let t_s = clock.offset_s + (1.0 + clock.drift) * s.own_s;
                    if t_s >= piece.start_s() && t_s <= piece.end_s() {
                        sources.push(Source {
                            view_idx,
                            frame_pos: s.frame_pos,
                            candidate_idx: s.candidate_idx,
                            marker_idx,
                        });
                    }
                }
            }
        }
    }
    both_s.sort_by(f64::total_cmp);
    if both_s.len() < 20 {
        return Err(WandError::NoAgreement {
            first: input.cameras[0].name().to_string(),
            second: input.cameras[1].name().to_string(),
            reason: format!("only {} moments at which both ends of the wand were seen by both", both_s.len()),
        });
    }
    Ok(Ends { sources: unique(sources), both_s })
}

/// Labels 0 and 1: different within a couple, continued to the nearer end over short gaps.
fn label(pieces: &[Piece], couples: &[Couple]) -> Vec<Option<usize>> {
    let mut labels: Vec<Option<usize>> = vec![None; pieces.len()];
    let mut order: Vec<&Couple> = couples.iter().collect();
    order.sort_by(|x, y| {
        let start = |c: &Couple| pieces[c.p].start_s().max(pieces[c.q].start_s());
        start(x).total_cmp(&start(y)).then((x.p, x.q).cmp(&(y.p, y.q)))
    });
    for c in order {
        match (labels[c.p], labels[c.q]) {
            (Some(_), Some(_)) => {}
            (Some(p), None) => labels[c.q] = Some(1 - p),
            (None, Some(q)) => labels[c.p] = Some(1 - q),
            (None, None) => {
                let straight = continuity(pieces, &labels, c.p, 0) + continuity(pieces, &labels, c.q, 1);
                let crossed = continuity(pieces, &labels, c.p, 1) + continuity(pieces, &labels, c.q, 0);
                let first = usize::from(crossed < straight);
                labels[c.p] = Some(first);
                labels[c.q] = Some(1 - first);
            }
        }
    }
    labels
}

/// Distance from the last known place of a label to the start of a piece; 0 when nothing is known.
fn continuity(pieces: &[Piece], labels: &[Option<usize>], idx: usize, label: usize) -> f64 {
    let piece = &pieces[idx];
    let start_s = piece.start_s();
    // the labelled piece that reaches nearest to the start
    let nearest = (0..pieces.len())
        .filter(|&i| labels[i] == Some(label) && pieces[i].start_s() <= start_s)
        .max_by(|&i, &j| pieces[i].end_s().min(start_s).total_cmp(&pieces[j].end_s().min(start_s)));
    nearest.map_or(0.0, |i| {
        let at = pieces[i].at(start_s).unwrap_or_else(|| pieces[i].last());
        (at - piece.first()).norm()
    })
}
