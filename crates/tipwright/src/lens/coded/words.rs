//! The words that codes of a board carry: [`COUNT`] words of 4 x 4 cells, any two of them, turned in any of four ways, [`DISTANCE`] bits
//! apart, and each as far from itself turned (`math::square_words`, where the rule stands by which they are made). A word is read only
//! without a wrong bit: then [`DISTANCE`] bits must be wrong at once for another to be read.
//!
//! Boards that hang on walls depend on the list: it never changes (a test holds it). Few cells, because a board that is held as far as
//! the corners of the picture ask has codes of 15 to 20 pixels there.

use std::ops::RangeInclusive;
use std::sync::OnceLock;

use crate::math::square_words::{self, Rule};

/// Cells along a side.
pub const SIDE: usize = 4;
/// Words, and white squares of the largest board: 17 x 14 squares. The greedy rule finds 135 at this distance.
pub const COUNT: usize = 128;
/// Least number of bits between any two words in any turns.
pub const DISTANCE: u32 = 4;
/// Black cells of a word: neither dark nor light patches of the world look like it.
const BLACK: RangeInclusive<u32> = 4..=12;
/// Cells of unlike neighbours, of 24, at least.
const LEAST_CHANGES: u32 = 8;

/// All words; the number of a code is its place.
#[must_use]
pub fn words() -> &'static [u64] {
    static WORDS: OnceLock<Vec<u64>> = OnceLock::new();
    let rule =
        Rule { side: SIDE, count: COUNT, distance: DISTANCE, black: BLACK, least_changes: LEAST_CHANGES };
    WORDS.get_or_init(|| rule.words())
}

/// Whether cell (row, column) of a word is black.
#[must_use]
pub fn is_black(word: u64, row: usize, column: usize) -> bool {
    square_words::is_black(word, SIDE, row, column)
}

/// Number of a word read, and the quarter turns clockwise by which it is turned; only without a wrong cell.
#[must_use]
pub fn find(read: u64) -> Option<(u32, usize)> {
    words().iter().enumerate().find_map(|(number, word)| {
        let turns = square_words::turns(*word, SIDE).iter().position(|turn| *turn == read)?;
        Some((number as u32, turns))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn truth_all_words_in_all_turns_are_so_far_apart() {
        let turns: Vec<[u64; 4]> = words().iter().map(|w| square_words::turns(*w, SIDE)).collect();
        assert_eq!(turns.len(), COUNT);
        let mut least = u32::MAX;
        for (i, a) in turns.iter().enumerate() {
            let others = turns[..i].iter().flatten().chain(&a[1..]);
            least = others.map(|t| (a[0] ^ t).count_ones()).min().unwrap().min(least);
        }
        assert_eq!(least, DISTANCE);
    }

    #[test]
    fn every_word_is_found_in_every_turn_and_none_with_a_wrong_cell() {
        for (number, word) in words().iter().enumerate() {
            for (turns, turn) in square_words::turns(*word, SIDE).into_iter().enumerate() {
                assert_eq!(find(turn), Some((number as u32, turns)));
                assert_eq!(find(turn ^ (1 << ((number + turns) % 16))), None);
            }
        }
    }

    /// Boards that hang on walls must be read by the next version: digest of the list, written down from the first.
    #[test]
    fn regress_the_list_stays_as_it_was_printed() {
        assert_eq!(square_words::digest(words()), "bc46fd7b0fe54730");
    }
}
