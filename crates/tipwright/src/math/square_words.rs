//! Words of black and white cells in a square, far from each other in every turn: what cards and codes of boards carry.
//!
//! A list is made by a rule, not kept: the numbers of a fixed generator (splitmix64: Steele, Lea and Flood, 2014), begun at 1, are taken
//! in order, cut to their lowest `side * side` bits, and one is kept that is patterned and far (Hamming, 1950) from all kept before in
//! every turn, and from itself turned. Bit `row * side + column` of a word is 1 where the cell is black.

use std::ops::RangeInclusive;

/// How a list is made. What is printed depends on it.
#[derive(Debug, Clone)]
pub struct Rule {
    /// Cells along a side, 8 at most.
    pub side: usize,
    /// Words.
    pub count: usize,
    /// Least number of unlike bits between any two words in any turns.
    pub distance: u32,
    /// Black cells of a word.
    pub black: RangeInclusive<u32>,
    /// Cells of unlike neighbours, at least: a texture of large patches is no word.
    pub least_changes: u32,
}

impl Rule {
    /// The list. A rule that so many words cannot follow never ends.
    #[must_use]
    pub fn words(&self) -> Vec<u64> {
        let mask = u64::MAX >> (64 - self.side * self.side);
        let mut state = 1_u64;
        let mut words: Vec<u64> = Vec::with_capacity(self.count);
        while words.len() < self.count {
            state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            let word = (z ^ (z >> 31)) & mask;
            if self.is_patterned(word) && self.is_far(word, &words) {
                words.push(word);
            }
        }
        words
    }

    fn is_patterned(&self, word: u64) -> bool {
        let at = |row: usize, column: usize| is_black(word, self.side, row, column);
        let mut changes = 0;
        for row in 0..self.side {
            for column in 0..self.side {
                changes += u32::from(column + 1 < self.side && at(row, column) != at(row, column + 1));
                changes += u32::from(row + 1 < self.side && at(row, column) != at(row + 1, column));
            }
        }
        self.black.contains(&word.count_ones()) && changes >= self.least_changes
    }

    fn is_far(&self, word: u64, words: &[u64]) -> bool {
        let turns = turns(word, self.side);
        let from = |other: u64| turns.iter().all(|t| (t ^ other).count_ones() >= self.distance);
        let from_itself = turns[1..].iter().all(|t| (t ^ word).count_ones() >= self.distance);
        from_itself && words.iter().all(|w| from(*w))
    }
}

/// Whether a cell of a word is black.
#[must_use]
pub fn is_black(word: u64, side: usize, row: usize, column: usize) -> bool {
    (word >> (row * side + column)) & 1 == 1
}

/// A word turned clockwise by a quarter.
#[must_use]
pub fn turned(word: u64, side: usize) -> u64 {
    let mut out = 0;
    for row in 0..side {
        for column in 0..side {
            // what stands at (row, column) afterwards stood at (side - 1 - column, row)
            out |= u64::from(is_black(word, side, side - 1 - column, row)) << (row * side + column);
        }
    }
    out
}

/// A word turned clockwise by no, one, two and three quarters.
#[must_use]
pub fn turns(word: u64, side: usize) -> [u64; 4] {
    let mut out = [word; 4];
    for i in 1..4 {
        out[i] = turned(out[i - 1], side);
    }
    out
}

/// Digest of a list (FNV-1a), by which a test holds it.
#[cfg(test)]
pub(crate) fn digest(words: &[u64]) -> String {
    let bytes = words.iter().flat_map(|w| w.to_le_bytes());
    let hash =
        bytes.fold(0xcbf2_9ce4_8422_2325_u64, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3));
    format!("{hash:016x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_is_a_quarter_clockwise() {
        for side in [4, 6] {
            let word = 0b1_u64 | 0b10 << side; // (0, 0) and (1, 1)
            let turned = turned(word, side);
            assert!(is_black(turned, side, 0, side - 1) && is_black(turned, side, 1, side - 2), "{side}");
            assert_eq!(turned.count_ones(), 2);
            assert_eq!(super::turned(turns(word, side)[3], side), word);
        }
    }
}
