//! The best way through pieces of 3D track in order of time: worth gained by pieces and lost by jumps from one to the next.
//!
//! Dynamic programming over a directed acyclic graph (the shortest-path data association of Zhang, Li & Nevatia, CVPR 2008,
//! without their flow network: one marker at a time needs none).

use nalgebra::{Point3, Vector3};

use crate::math::worthiest_chain;
use crate::tracks::pieces::{Piece, PieceSample, end_velocity};

/// The chain of greatest worth. `fastest_m_s`: jumps faster than this between pieces are impossible.
pub(super) fn best_chain(
    pieces: Vec<Piece>,
    worth: impl Fn(&Piece) -> f64,
    fastest_m_s: Option<f64>,
) -> Vec<Piece> {
    let fastest = fastest_m_s.unwrap_or(40.0);
    let worths = pieces.iter().map(&worth).collect();
    // pieces are in order of start
    let ends: Vec<Ends> = pieces.iter().map(Ends::of).collect();
    let order = worthiest_chain(worths, |_| 0, |i, j| Some(join(&ends[i], &ends[j], fastest)?.cost));
    let mut slots: Vec<Option<Piece>> = pieces.into_iter().map(Some).collect();
    let mut chain: Vec<Piece> = order.into_iter().filter_map(|i| slots[i].take()).collect();
    for k in 1..chain.len() {
        let [before, after] = [k - 1, k].map(|k| Ends::of(&chain[k]));
        let Some(join) = join(&before, &after, fastest) else { continue };
        if join.without_last {
            chain[k - 1].samples.pop();
        }
        if join.without_first {
            chain[k].samples.remove(0);
        }
    }
    chain
}

/// An end of a piece that another one is joined to.
struct End {
    t_s: f64,
    position: Point3<f64>,
    velocity: Vector3<f64>,
}

impl End {
    /// The last sample, or the first.
    fn of(samples: &[PieceSample], last: bool) -> Option<Self> {
        let end = if last { samples.last()? } else { samples.first()? };
        Some(Self { t_s: end.t_s, position: end.position, velocity: end_velocity(samples, last) })
    }
}

/// Both ends of a piece, each of the whole and without the sample there.
struct Ends {
    first: [Option<End>; 2],
    last: [Option<End>; 2],
}

impl Ends {
    fn of(piece: &Piece) -> Self {
        let samples = &piece.samples[..];
        let n = samples.len();
        Self {
            first: [0, 1].map(|off| End::of(&samples[off..], false)),
            last: [0, 1].map(|off| End::of(&samples[..n - off], true)),
        }
    }
}

/// How a piece follows another one.
struct Join {
    /// In the unit of the pieces' worth.
    cost: f64,
    without_last: bool,
    without_first: bool,
}

/// The cheapest way from a piece to a later one; `None` when impossible. The last sample of the one and the first of the other may be taken
/// off: a track that is lost to something else has that for its last sighting, and one that something else was taken for begins with it.
fn join(p: &Ends, q: &Ends, fastest_m_s: f64) -> Option<Join> {
    let mut best: Option<Join> = None;
    for (without_last, without_first) in [(false, false), (true, false), (false, true), (true, true)] {
        let (before, after) = (&p.last[usize::from(without_last)], &q.first[usize::from(without_first)]);
        let (Some(before), Some(after)) = (before, after) else { continue };
        let Some(cost) = jump_cost(before, after, fastest_m_s) else { continue };
        // nothing is taken off for nothing
        if best.as_ref().is_none_or(|b| cost < b.cost) {
            best = Some(Join { cost, without_last, without_first });
        }
    }
    best
}

/// What it costs to go from a piece's end to a later one, in the unit of the pieces' worth; `None` when they overlap or it is impossible.
fn jump_cost(p: &End, q: &End, fastest_m_s: f64) -> Option<f64> {
    let gap_s = q.t_s - p.t_s;
    let jump = q.position - p.position;
    if gap_s <= 0.0 || jump.norm() > fastest_m_s * gap_s + 0.05 {
        return None;
    }
    // from where both ends are heading; a rod's quarter period bounds how long heading means anything
    let look_s = gap_s.min(0.1);
    let heading = (p.velocity + q.velocity) * (0.5 * look_s);
    let off_m = (jump - heading).norm();
    let expected_m = (0.03 + 75.0 * gap_s * gap_s).min(1.0);
    let beyond = (off_m / expected_m - 1.0).max(0.0);
    Some(0.1 * beyond * beyond)
}

#[cfg(test)]
mod tests {
    use nalgebra::Matrix3;

    use super::super::chain::speed_worth;
    use super::*;

    /// A piece along a line at 10 m/s from `start_s` on, 120 samples a second.
    fn along_x(start_s: f64, samples: usize) -> Piece {
        let samples: Vec<PieceSample> = (0..samples)
            .map(|k| {
                let t_s = start_s + k as f64 / 120.0;
                PieceSample {
                    t_s,
                    position: Point3::new(10.0 * t_s, 0.0, 2.0),
                    covariance: Matrix3::identity() * 1e-8,
                }
            })
            .collect();
        Piece { a_view: 0, b_view: 1, a_track: 0, b_track: 0, samples }
    }

    /// A track's last sighting is another thing's, 0.6 m aside: it is taken off, and what is left heads where it was heading.
    #[test]
    fn a_piece_without_its_last_sample_heads_where_the_rest_does() {
        let mut lost = along_x(0.0, 30);
        let goes_on = along_x(29.0 / 120.0, 30);
        if let Some(last) = lost.samples.last_mut() {
            last.position.y += 0.6;
        }
        let heads = end_velocity(&lost.samples, true);
        assert!(heads.y > 10.0, "{heads:?}");
        let chain = best_chain(vec![lost, goes_on], speed_worth, None);
        assert_eq!(chain.iter().map(|p| p.samples.len()).collect::<Vec<_>>(), [29, 30]);
        // straight lines through exact places
        let heads = end_velocity(&chain[0].samples, true);
        assert!((heads - Vector3::new(10.0, 0.0, 0.0)).norm() < 1e-9, "{heads:?}");
    }

    /// A slow piece between two fast ones, of which the first begins and the last ends where the slow one does; the last one's first sighting is
    /// another thing's, 0.2 m aside, so that it seems to head elsewhere: that is taken off, and the slow piece, of little worth, is not passed over.
    #[test]
    fn a_piece_without_its_first_sample_follows_a_slow_one() {
        let mut slow = along_x(31.0 / 120.0, 40);
        for s in &mut slow.samples {
            s.position.x = 2.5 + (s.t_s - 30.0 / 120.0);
        }
        let mut after = along_x(71.0 / 120.0, 30);
        let turns = slow.last().x - after.first().x;
        after.samples.iter_mut().for_each(|s| s.position.x += turns);
        after.samples[0].position.y += 0.2;
        let chain = best_chain(vec![along_x(0.0, 30), slow, after], speed_worth, None);
        assert_eq!(chain.iter().map(|p| p.samples.len()).collect::<Vec<_>>(), [30, 40, 29]);
        let heads = end_velocity(&chain[2].samples, false);
        assert!(heads.y.abs() < 1e-9, "{heads:?}");
    }
}
