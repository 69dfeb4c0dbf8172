//! Whether the pictures show another board than the one that was said.
//!
//! As long as no picture has shown the board asked for, each is also asked what board it does show. Only boards seen whole
//! count; pictures that agree and none that does not end the search at once, so that a slip in `--board` costs seconds.

use std::collections::BTreeMap;

use super::views::LensError;
use crate::model::Board;

/// Pictures that must agree before the search is given up. 3: two may both have the same row behind a hand.
const SURE: usize = 3;
/// Most pictures that are asked; what is then undecided shows in the end.
const ASKED: usize = 24;

/// What boards were seen while the one asked for was not.
#[derive(Debug, Default)]
pub(super) struct Seen {
    counts: BTreeMap<[u32; 2], usize>,
    searched: usize,
    boards: usize,
}

impl Seen {
    /// Whether a picture without the board should be asked for its count.
    pub fn asks(&self) -> bool {
        self.boards == 0 && self.searched < ASKED
    }

    /// Takes in one searched picture: whether it shows the board, else what it shows.
    pub fn add(&mut self, found: bool, count: Option<[u32; 2]>) {
        self.searched += 1;
        self.boards += usize::from(found);
        if let Some(count) = count {
            *self.counts.entry(count).or_default() += 1;
        }
    }

    /// The other board most pictures show, when at least two do and hardly one contradicts.
    pub fn other(&self, board: &Board) -> Option<[u32; 2]> {
        let (count, n) = self.counts.iter().max_by_key(|(_, n)| **n)?;
        let all: usize = self.counts.values().sum();
        let said = [board.columns.max(board.rows), board.columns.min(board.rows)];
        (self.boards == 0 && *count != said && *n >= 2 && 4 * (all - n) <= *n).then_some(*count)
    }

    /// # Errors
    /// The pictures agree on another board.
    pub fn check(&self, board: &Board) -> Result<(), LensError> {
        match self.other(board) {
            Some(seen) if self.counts.len() == 1 && self.counts[&seen] >= SURE => {
                Err(LensError::OtherBoard {
                    columns: board.columns,
                    rows: board.rows,
                    seen,
                    pictures: self.counts[&seen],
                    searched: self.searched,
                })
            }
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_pictures_that_agree_end_the_search() {
        let board = Board { columns: 9, rows: 6, square_mm: 25.0 };
        let mut seen = Seen::default();
        for _ in 0..2 {
            seen.add(false, Some([8, 5]));
            seen.add(false, None);
        }
        assert!(seen.check(&board).is_ok());
        assert_eq!(seen.other(&board), Some([8, 5]));
        seen.add(false, Some([8, 5]));
        let said = seen.check(&board).unwrap_err().to_string();
        assert!(said.contains("8 x 5 inner corners") && said.contains("--board 8x5"), "{said}");
        seen.add(false, Some([7, 5]));
        assert!(seen.check(&board).is_ok());
        seen.add(true, None);
        assert_eq!((seen.other(&board), seen.asks()), (None, false));
        // The board asked for, seen but not read: nothing else to propose.
        let mut seen = Seen::default();
        (0..5).for_each(|_| seen.add(false, Some([9, 6])));
        assert!(seen.check(&Board { columns: 6, rows: 9, ..board }).is_ok());
    }
}
