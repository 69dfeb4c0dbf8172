//! Coded boards: chessboards with a code in every white square.
//!
//! In a picture every code is read by itself, and the corners of the white square around it are put in their places. How the codes are laid
//! out follows from all pictures together; then each corner has its place on the board, and views hold what was seen of it.
//! Boards that carry this program's own words say it by the words' numbers ([`layout`]). Of others the words are learned with their places
//! from who stands beside whom ([`learned`]): any list of words will do, and none has to be known.

mod beside;
mod layout;
mod learned;
mod read;
pub mod words;

use std::collections::BTreeMap;

use nalgebra::Vector2;

pub(super) use read::{Code, codes};

use super::homography::{apply, fit_plane};
use crate::math::median;
use crate::model::{Board, Pattern, RawPixel};

/// Fewest codes of a picture that may show the board.
pub(super) const FEWEST_CODES: usize = 4;
/// Fewest points of a view: a pose takes three, the rest says something of the lens.
const FEWEST_POINTS: usize = 8;
/// Two codes that share a corner may find it so far apart, pixels; farther, one of them was misled.
const SAME_PX: f64 = 0.5;
/// A point off the plane of the others by more than this share of a square was misled: an edge of something in front of the board.
const OFF_SHARE: f64 = 0.15;
/// Farthest that a point lies from the middle of its neighbours, as a share of their distance, for perspective and lens, and pixels.
const BETWEEN_SHARE: f64 = 0.02;
const BETWEEN_PX: f64 = 0.3;

/// Whether codes stand beside each other as those of a board do, so many times at least.
pub(super) fn stand_together(codes: &[Code], times: usize) -> bool {
    beside::neighbours(codes).len() >= times
}

/// Where each code of a board stands, and the board.
#[derive(Debug, Clone)]
pub(super) struct Laid {
    pub(super) board: Board,
    place_of: BTreeMap<u32, [u32; 2]>,
}

/// The board that all pictures together show, by inner corners; their codes are numbered and upright afterwards. `said` is what is known of
/// it already.
pub(super) fn lay_out(pictures: &mut [&mut Vec<Code>], said: &Board) -> Option<Laid> {
    let steps: Vec<_> = pictures.iter().flat_map(|codes| beside::steps(codes)).collect();
    if let Some(layout) = layout::layout(&steps) {
        let numbers = pictures.iter().flat_map(|codes| codes.iter().filter_map(|c| c.word.number()));
        let place_of = numbers.map(|number| (number, layout.place(number))).collect();
        let explained = steps.iter().filter(|step| layout.explains(step));
        let rows = explained.map(|([_, b], _)| layout.place(*b)[1]).max()?;
        // a row of squares has a row of inner corners at its upper side, but for the first
        let board = Board::new(Pattern::Coded, layout.squares - 1, rows, said.square_mm);
        return board.has_counts().then_some(Laid { board, place_of });
    }
    let place_of = learned::number(pictures, [said.columns, said.rows])?;
    let last = |i: usize| place_of.values().map(|p| p[i]).max();
    let board = Board::new(Pattern::Coded, last(0)?, last(1)?, said.square_mm);
    board.has_counts().then_some(Laid { board, place_of })
}

/// A picture's inner corners and which of the board's they are; `None` when too few are seen, or all in one line.
pub(super) fn points(codes: &[Code], laid: &Laid) -> Option<(Vec<RawPixel>, Vec<usize>)> {
    let board = &laid.board;
    let mut found: BTreeMap<usize, Vec<RawPixel>> = BTreeMap::new();
    for code in codes {
        let Some(&[column, row]) = code.word.number().and_then(|number| laid.place_of.get(&number)) else {
            continue;
        };
        for (at, [right, down]) in code.around.iter().zip([[0, 0], [1, 0], [1, 1], [0, 1]]) {
            // corner lines of the squares; the board's rim has no inner corners
            let (i, j) = (column + right, row + down);
            if let Some(at) = at
                && (1..=board.columns).contains(&i)
                && (1..=board.rows).contains(&j)
            {
                found.entry(((j - 1) * board.columns + i - 1) as usize).or_default().push(*at);
            }
        }
    }
    // of two codes, both read: one that was not painted over would draw the corner along
    found.retain(|_, at| {
        at.len() == 2 && at.iter().all(|p| (p.x_px - at[0].x_px).hypot(p.y_px - at[0].y_px) <= SAME_PX)
    });
    let mut seen: Vec<(usize, RawPixel)> = found.into_iter().map(|(i, at)| (i, at[0])).collect();
    let whole = board.points();
    for _ in 0..3 {
        let flat: Vec<Vector2<f64>> = seen.iter().map(|(i, _)| whole[*i]).collect();
        let pixels: Vec<RawPixel> = seen.iter().map(|(_, p)| *p).collect();
        if seen.len() < FEWEST_POINTS || !is_spread(&flat) {
            return None;
        }
        let picture_from_board = fit_plane(&flat, &pixels)?.picture_from_board;
        let on = |p: &Vector2<f64>| apply(&picture_from_board, p);
        let square_px = median(flat.iter().map(|p| (on(p) - on(&(p + Vector2::x()))).norm()))?;
        let before = seen.len();
        seen.retain(|(i, p)| (on(&whole[*i]) - Vector2::new(p.x_px, p.y_px)).norm() <= OFF_SHARE * square_px);
        if seen.len() == before {
            break;
        }
    }
    drop_odd(&mut seen, board.columns as usize);
    (seen.len() >= FEWEST_POINTS).then(|| seen.into_iter().map(|(i, p)| (p, i)).unzip())
}

/// Leaves out points that do not lie between their neighbours along the board's rows and columns.
fn drop_odd(seen: &mut Vec<(usize, RawPixel)>, columns: usize) {
    let all: BTreeMap<usize, Vector2<f64>> =
        seen.iter().map(|(i, p)| (*i, Vector2::new(p.x_px, p.y_px))).collect();
    let is_between = |i: usize, step: usize| {
        let (before, after) = (i.checked_sub(step).and_then(|k| all.get(&k)), all.get(&(i + step)));
        match (before, after) {
            (Some(a), Some(b)) => {
                let middle = (a + b) / 2.0;
                Some((all[&i] - middle).norm() <= BETWEEN_SHARE * (b - a).norm() + BETWEEN_PX)
            }
            _ => None,
        }
    };
    seen.retain(|(i, _)| {
        // neighbours along a row are none across its end
        let along = (i % columns > 0 && i % columns + 1 < columns).then(|| is_between(*i, 1)).flatten();
        // a bad neighbour speaks against a good point one way, against a bad one both speak
        let said: Vec<bool> = [along, is_between(*i, columns)].into_iter().flatten().collect();
        said.is_empty() || said.contains(&true)
    });
}

/// Two columns and two rows at least.
fn is_spread(points: &[Vector2<f64>]) -> bool {
    let range = |of: fn(&Vector2<f64>) -> f64| {
        let values = points.iter().map(of);
        values.clone().fold(f64::NEG_INFINITY, f64::max) - values.fold(f64::INFINITY, f64::min)
    };
    range(|p| p.x) >= 1.0 && range(|p| p.y) >= 1.0
}
