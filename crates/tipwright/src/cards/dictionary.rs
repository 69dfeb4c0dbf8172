//! The words that cards carry: 36 bits in a square, any two of them, turned in any of four ways, [`DISTANCE`] bits apart (Hamming, 1950),
//! and each as far from itself turned. So a word with up to [`MOST_ERRORS`] wrong bits is still nearest to what was printed, and
//! `DISTANCE - MOST_ERRORS` bits must be wrong for another card to be read.
//!
//! The list is made when it is first needed, by the rule of `math::square_words`. Printed cards depend on it: it never changes (a test
//! holds it).

use std::sync::OnceLock;

use crate::math::square_words::{self, Rule};

/// Cells along a side.
pub const SIDE: usize = 6;
/// Least number of bits between any two words in any turns.
pub const DISTANCE: u32 = 8;
/// Wrong bits that are put right. Two of 36: then six must be wrong at once for another card.
pub const MOST_ERRORS: u32 = 2;
/// Black cells of a word: neither dark nor light patches of the world look like it.
const BLACK: std::ops::RangeInclusive<u32> = 12..=24;
/// Cells of unlike neighbours, of 60, at least: a texture of large patches is no word.
const LEAST_CHANGES: u32 = 24;

/// A word turned clockwise by a quarter.
#[must_use]
pub fn turned(word: u64) -> u64 {
    square_words::turned(word, SIDE)
}

/// Cells of a word, row by row, true where black. Bit `row * SIDE + col`.
#[must_use]
pub fn cells(word: u64) -> [[bool; SIDE]; SIDE] {
    std::array::from_fn(|row| std::array::from_fn(|col| square_words::is_black(word, SIDE, row, col)))
}

/// All words; the number of a card is its place.
#[must_use]
pub fn words() -> &'static [u64] {
    static WORDS: OnceLock<Vec<u64>> = OnceLock::new();
    let rule = Rule {
        side: SIDE,
        count: super::COUNT,
        distance: DISTANCE,
        black: BLACK,
        least_changes: LEAST_CHANGES,
    };
    WORDS.get_or_init(|| rule.words())
}

/// Number of the word that is read, quarter turns (clockwise) by which the read one is turned against it, and wrong bits.
#[must_use]
pub fn nearest(read: u64) -> Option<(usize, u32, u32)> {
    let mut turn = read;
    let mut best: Option<(usize, u32, u32)> = None;
    for turns in 0..4 {
        for (number, word) in words().iter().enumerate() {
            let errors = (word ^ turn).count_ones();
            if errors <= MOST_ERRORS && best.is_none_or(|(_, _, e)| errors < e) {
                best = Some((number, (4 - turns) % 4, errors));
            }
        }
        turn = turned(turn);
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn truth_all_words_in_all_turns_are_so_far_apart() {
        let words = words();
        assert_eq!(words.len(), crate::cards::COUNT);
        let turns: Vec<[u64; 4]> =
            words.iter().map(|w| [*w, turned(*w), turned(turned(*w)), turned(turned(turned(*w)))]).collect();
        let mut least = u32::MAX;
        for (i, a) in turns.iter().enumerate() {
            least = a[1..].iter().map(|t| (a[0] ^ t).count_ones()).min().unwrap().min(least);
            for b in &turns[..i] {
                least = b.iter().map(|t| (a[0] ^ t).count_ones()).min().unwrap().min(least);
            }
        }
        assert_eq!(least, DISTANCE);
    }

    #[test]
    fn two_wrong_bits_are_put_right_in_every_turn() {
        for (number, word) in words().iter().enumerate().step_by(97) {
            let mut seen = *word;
            for turns in 0..4 {
                let spoilt = seen ^ (1 << (number % 36)) ^ (1 << ((number / 7 + 11) % 36));
                let (found, turned_by, errors) = nearest(spoilt).unwrap();
                assert_eq!((found, turned_by), (number, turns));
                assert!(errors <= 2);
                seen = turned(seen);
            }
        }
    }

    /// Cards that lie in a drawer must be read by the next version: digest of the list, written down from the first.
    #[test]
    fn regress_the_list_stays_as_it_was_printed() {
        assert_eq!(square_words::digest(words()), "ca0f3682a1cfdaa4");
    }
}
