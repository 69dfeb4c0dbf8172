//! Whether the pictures show another board than the one that was said.
//!
//! As long as no picture has shown the board asked for, each is also asked what board it does show. Only boards seen whole
//! count; pictures that agree, four of five at least, end the search at once, so that a slip in `--board` costs seconds. One picture
//! in many is misread: seen of one set of stills that was read beside four others.

use std::collections::BTreeMap;

use super::views::LensError;
use crate::model::{Board, Pattern};

/// Pictures that must agree before the search is given up. 3: two may both have the same row behind a hand.
const SURE: usize = 3;
/// Most pictures that are asked; what is then undecided shows in the end.
const ASKED: usize = 24;

/// A board as pictures show it: its pattern, the larger count first; a coded board without counts.
pub(super) type Shown = (Pattern, [u32; 2]);

/// What boards were seen while the one asked for was not.
#[derive(Debug, Default)]
pub(super) struct Seen {
    counts: BTreeMap<Shown, usize>,
    searched: usize,
    boards: usize,
}

impl Seen {
    /// Whether a picture without the board should be asked for its count.
    pub fn asks(&self) -> bool {
        self.boards == 0 && self.searched < ASKED
    }

    /// Takes in one searched picture: whether it shows the board, else what it shows.
    pub fn add(&mut self, found: bool, count: Option<Shown>) {
        self.searched += 1;
        self.boards += usize::from(found);
        if let Some(count) = count {
            *self.counts.entry(count).or_default() += 1;
        }
    }

    /// The other board most pictures show, when at least two do and hardly one contradicts.
    pub fn other(&self, board: &Board) -> Option<Board> {
        let (count, n) = self.counts.iter().max_by_key(|(_, n)| **n)?;
        let all: usize = self.counts.values().sum();
        let (pattern, [columns, rows]) = *count;
        let seen = Board::new(pattern, columns, rows, board.square_mm);
        let same = seen == *board || seen == Board { columns: board.rows, rows: board.columns, ..*board };
        (self.boards == 0 && !same && *n >= 2 && 4 * (all - n) <= *n).then_some(seen)
    }

    fn boards_like(&self, board: &Board) -> usize {
        self.counts.get(&(board.pattern, [board.columns, board.rows])).copied().unwrap_or(0)
    }

    /// # Errors
    /// The pictures agree on another board.
    pub fn check(&self, board: &Board) -> Result<(), LensError> {
        match self.other(board) {
            Some(seen) if self.boards_like(&seen) >= SURE => Err(LensError::OtherBoard {
                said: *board,
                seen,
                pictures: self.boards_like(&seen),
                searched: self.searched,
            }),
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_pictures_that_agree_end_the_search() {
        let board = Board::chessboard(9, 6, 25.0);
        let chess = |columns, rows| Some((Pattern::Chessboard, [columns, rows]));
        let mut seen = Seen::default();
        for _ in 0..2 {
            seen.add(false, chess(8, 5));
            seen.add(false, None);
        }
        assert!(seen.check(&board).is_ok());
        assert_eq!(seen.other(&board), Some(Board::chessboard(8, 5, 25.0)));
        seen.add(false, chess(8, 5));
        let said = seen.check(&board).unwrap_err().to_string();
        assert!(said.contains("8 x 5 inner corners") && said.contains("--board 8x5"), "{said}");
        seen.add(false, chess(7, 5));
        assert!(seen.check(&board).is_ok(), "one of four disagrees");
        seen.add(false, chess(8, 5));
        assert!(seen.check(&board).is_err(), "one of five");
        seen.add(true, None);
        assert_eq!((seen.other(&board), seen.asks()), (None, false));
        // The board asked for, seen but not read: nothing else to propose.
        let mut seen = Seen::default();
        (0..5).for_each(|_| seen.add(false, chess(9, 6)));
        assert!(seen.check(&Board { columns: 6, rows: 9, ..board }).is_ok());
    }
}
