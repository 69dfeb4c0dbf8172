//! What belongs to a session and what to its casters, told apart by casters who were in several: a mean of strokes is a caster's own
//! level, plus what the session has in common for everybody (its set-up, its wind), plus what is left. Least squares over the cells
//! of casters and sessions, each cell alike, sessions' parts summing to zero (a two-way layout without interaction: Scheffe, The
//! Analysis of Variance, 1959, chapter 4). Casters of one session alone say nothing about it.

use nalgebra::{DMatrix, DVector};

use super::contrast::Mean;
use crate::stats::Estimate;
use tipwright::math::student_975;
use tipwright::model::FigureId;

/// Fewest casters that a session shares with others before its part is spoken of: with one it could be that caster's day.
const FEWEST_SHARED: usize = 2;

/// What a session has in common for everybody.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SessionPart {
    /// Index of the side.
    pub side: usize,
    /// Casters who were in other sessions too.
    pub casters: usize,
    /// Above the mean of the sessions.
    pub above: Estimate,
}

/// A figure over a season.
#[derive(Debug, Clone, PartialEq)]
pub struct Season {
    /// The figure.
    pub figure: FigureId,
    /// Sessions, in order.
    pub sessions: Vec<SessionPart>,
    /// Standard deviation between casters.
    pub between_casters: f64,
    /// Standard deviation between sessions, freed of what chance alone would spread.
    pub between_sessions: f64,
    /// Standard deviation of what is left: the same caster from session to session.
    pub left: f64,
}

/// Parts of sessions and casters of one figure; `None` where no two sessions share enough casters.
#[must_use]
pub fn of(figure: FigureId, means: &[Mean]) -> Option<Season> {
    let mut cells: Vec<&Mean> = means.iter().filter(|m| m.figure == figure).collect();
    loop {
        let before = cells.len();
        let (by_row, by_side) = (count(&cells, |m| m.row), count(&cells, |m| m.side));
        cells.retain(|m| by_row[m.row] > 1 && by_side[m.side] >= FEWEST_SHARED);
        if cells.len() == before {
            break;
        }
    }
    let cells = largest_joined(cells);
    let (rows, sides) = (places(&cells, |m| m.row), places(&cells, |m| m.side));
    // casters' levels, and parts of all sessions but the last, which is minus their sum
    let unknowns = rows.len() + sides.len().checked_sub(1)?;
    let freedom = cells.len().checked_sub(unknowns).filter(|n| *n > 0)?;
    let mut design = DMatrix::zeros(cells.len(), unknowns);
    for (k, m) in cells.iter().enumerate() {
        design[(k, rows.binary_search(&m.row).ok()?)] = 1.0;
        let side = sides.binary_search(&m.side).ok()?;
        if side + 1 < sides.len() {
            design[(k, rows.len() + side)] = 1.0;
        } else {
            design.view_mut((k, rows.len()), (1, sides.len() - 1)).fill(-1.0);
        }
    }
    let seen = DVector::from_iterator(cells.len(), cells.iter().map(|m| m.sample.mean));
    let inverse = (design.transpose() * &design).try_inverse()?;
    let found = &inverse * design.transpose() * &seen;
    let left_sq = (&seen - &design * &found).norm_squared() / freedom as f64;
    let factor = student_975(freedom as f64);
    let part = |idx: usize| {
        let mut of_unknowns = DVector::zeros(unknowns);
        if idx + 1 < sides.len() {
            of_unknowns[rows.len() + idx] = 1.0;
        } else {
            of_unknowns.rows_mut(rows.len(), sides.len() - 1).fill(-1.0);
        }
        let variance = left_sq * of_unknowns.dot(&(&inverse * &of_unknowns));
        (of_unknowns.dot(&found), variance)
    };
    let parts: Vec<(f64, f64)> = (0..sides.len()).map(part).collect();
    let by_side = count(&cells, |m| m.side);
    let sessions = sides.iter().zip(&parts).map(|(&side, &(value, variance))| SessionPart {
        side,
        casters: by_side[side],
        above: Estimate { value, half_width: factor * variance.sqrt() },
    });
    let squares: f64 = parts.iter().map(|(value, variance)| value.powi(2) - variance).sum();
    Some(Season {
        figure,
        sessions: sessions.collect(),
        between_casters: crate::stats::describe(&found.as_slice()[..rows.len()])?.spread?,
        between_sessions: (squares / (sides.len() as f64 - 1.0)).max(0.0).sqrt(),
        left: left_sq.sqrt(),
    })
}

/// How often each index occurs.
fn count(cells: &[&Mean], idx: impl Fn(&Mean) -> usize) -> Vec<usize> {
    let mut out = vec![0; cells.iter().map(|m| idx(m) + 1).max().unwrap_or(0)];
    cells.iter().for_each(|m| out[idx(m)] += 1);
    out
}

/// The indices that occur, in order.
fn places(cells: &[&Mean], idx: impl Fn(&Mean) -> usize) -> Vec<usize> {
    let mut out: Vec<usize> = cells.iter().map(|m| idx(m)).collect();
    out.sort_unstable();
    out.dedup();
    out
}

/// The cells of the largest group of sessions that casters join: between two groups that share nobody nothing can be told.
fn largest_joined(cells: Vec<&Mean>) -> Vec<&Mean> {
    let mut left = cells;
    let mut best: Vec<&Mean> = Vec::new();
    while let Some(first) = left.first() {
        let (mut rows, mut sides) = (vec![first.row], vec![first.side]);
        loop {
            let before = (rows.len(), sides.len());
            for m in &left {
                let (has_row, has_side) = (rows.contains(&m.row), sides.contains(&m.side));
                if has_row && !has_side {
                    sides.push(m.side);
                } else if has_side && !has_row {
                    rows.push(m.row);
                }
            }
            if (rows.len(), sides.len()) == before {
                break;
            }
        }
        let (joined, rest): (Vec<&Mean>, Vec<&Mean>) = left.into_iter().partition(|m| rows.contains(&m.row));
        if joined.len() > best.len() {
            best = joined;
        }
        left = rest;
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Sample;

    fn cell(row: usize, side: usize, mean: f64) -> Mean {
        let sample = Sample { count: 4, mean, spread: Some(1.0), half_width: Some(1.0) };
        Mean { row, side, figure: FigureId::Arc, sample, trend: None }
    }

    /// Levels 1, 5, 9 and parts -1, 0, 3, -2 of sessions come back from some of the cells, exactly where nothing else is in them.
    #[test]
    fn truth_parts_of_a_layout_with_holes() {
        let (levels, parts) = ([1.0, 5.0, 9.0], [-1.0, 0.0, 3.0, -2.0]);
        let holes = [(0, 3), (2, 0), (1, 1)];
        let all = (0..3).flat_map(|r| (0..4).map(move |s| (r, s))).filter(|c| !holes.contains(c));
        let mut cells: Vec<Mean> = all.map(|(r, s)| cell(r, s, levels[r] + parts[s])).collect();
        // somebody who came once says nothing, however far off
        cells.push(cell(3, 2, 1000.0));
        let season = of(FigureId::Arc, &cells).unwrap();
        for (found, wanted) in season.sessions.iter().zip(parts) {
            assert!((found.above.value - wanted).abs() < 1e-9 && found.above.half_width < 1e-6, "{found:?}");
        }
        assert_eq!(season.sessions.iter().map(|s| s.casters).collect::<Vec<_>>(), [2, 2, 3, 2]);
        assert!((season.between_casters - 4.0).abs() < 1e-9);
        // of -1, 0, 3, -2
        assert!((season.between_sessions - (14.0_f64 / 3.0).sqrt()).abs() < 1e-9);
        assert!(season.left < 1e-9);
    }

    /// Errors of +-1 in a full layout of 2 x 2: one degree of freedom, written out by hand. Cells 1, -1, -1, 1: no part, left 2.
    #[test]
    fn truth_what_is_left_of_two_by_two() {
        let cells = [cell(0, 0, 1.0), cell(0, 1, -1.0), cell(1, 0, -1.0), cell(1, 1, 1.0)];
        let season = of(FigureId::Arc, &cells).unwrap();
        assert!(season.sessions.iter().all(|s| s.above.value.abs() < 1e-12));
        assert!((season.left - 2.0).abs() < 1e-12);
        // a session's part is half a difference of two means of two: variance left^2 / 4; Student's t of one freedom is 12.706
        assert!((season.sessions[0].above.half_width - 12.706_205).abs() < 1e-4);
    }

    #[test]
    fn sessions_that_share_nobody_cannot_be_told() {
        assert_eq!(of(FigureId::Arc, &[cell(0, 0, 1.0), cell(1, 1, 2.0)]), None);
        assert_eq!(of(FigureId::Arc, &[]), None);
        // two groups: the larger is told, the other left out
        let mut cells = Vec::new();
        for (row, side) in [(0, 0), (0, 1), (1, 0), (1, 1), (2, 0), (2, 1), (3, 2), (3, 3), (4, 2), (4, 3)] {
            cells.push(cell(row, side, row as f64));
        }
        let season = of(FigureId::Arc, &cells).unwrap();
        assert_eq!(season.sessions.iter().map(|s| s.side).collect::<Vec<_>>(), [0, 1]);
    }
}
