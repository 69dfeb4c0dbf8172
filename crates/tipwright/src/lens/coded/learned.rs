//! Boards with words that nobody has told: which words there are and where each stands, from all pictures together.
//!
//! A word that was read has four turns; the least of them is taken for upright, so words of one board stand turned against each other. Two
//! that touch at a corner tell where the second stands as seen from the first, and how it is turned. The pairs seen most often join the words
//! to one board. Which of its four sides is the upper one nothing tells, and no lens depends on it: the longer side lies across, unless
//! counts were said that ask for the other.

use std::collections::{BTreeMap, BTreeSet};

use super::beside::{Beside, neighbours};
use super::read::{Code, Word};

/// A word that fewer pictures show is misread.
const FEWEST_PICTURES: usize = 2;
/// Fewest pairs of neighbours over all pictures, and the share of them that must stand as the board says: as for known words.
const FEWEST_PAIRS: usize = 12;
const LEAST_SHARE: f64 = 0.85;

type Cells = u64;

/// Where a word stands: square, and quarter turns clockwise.
type Stand = ([i32; 2], usize);

/// A step turned clockwise by so many quarters (y runs down).
fn turned([x, y]: [i32; 2], turns: usize) -> [i32; 2] {
    (0..turns % 4).fold([x, y], |[x, y], _| [-y, x])
}

/// Where the second of a pair stands when the first stands there.
fn beyond(([x, y], turns): Stand, step: [i32; 2], more: usize) -> Stand {
    let [dx, dy] = turned(step, turns);
    ([x + dx, y + dy], (turns + more) % 4)
}

/// Numbers the codes of all pictures and turns them upright; the square of each number, the first ones 0. `said`: inner corners, 0 where not
/// known. `None`, and the codes as they were, when they show no board.
pub(super) fn number(pictures: &mut [&mut Vec<Code>], said: [u32; 2]) -> Option<BTreeMap<u32, [u32; 2]>> {
    let side = commonest_side(pictures)?;
    let cells_of = |code: &Code| match code.word {
        Word::Other { side: s, cells } if s == side => Some(cells),
        _ => None,
    };
    let pairs: Vec<([Cells; 2], [i32; 2], usize)> = pictures
        .iter()
        .flat_map(|codes| {
            let told = |b: Beside| {
                let [a, c] = b.pair.map(|i| cells_of(&codes[i]));
                Some(([a?, c?], b.step, b.turns))
            };
            neighbours(codes).into_iter().filter_map(told).collect::<Vec<_>>()
        })
        .collect();
    let mut seen_in: BTreeMap<Cells, usize> = BTreeMap::new();
    for codes in pictures.iter() {
        let words: BTreeSet<Cells> = codes.iter().filter_map(cells_of).collect();
        words.into_iter().for_each(|w| *seen_in.entry(w).or_default() += 1);
    }
    let is_often = |w: &Cells| seen_in.get(w).is_some_and(|n| *n >= FEWEST_PICTURES);
    let pairs: Vec<_> = pairs.into_iter().filter(|(words, ..)| words.iter().all(is_often)).collect();
    let stands = joined(&pairs)?;
    let stands = laid_across(stands, said);
    let numbers: BTreeMap<Cells, u32> = (0..).zip(stands.keys()).map(|(n, w)| (*w, n)).collect();
    for codes in pictures.iter_mut() {
        codes.retain_mut(|code| {
            let Some(word) = cells_of(code).filter(|w| stands.contains_key(w)) else { return false };
            let turns = stands[&word].1;
            code.word = Word::Numbered(numbers[&word]);
            // turned clockwise once, a word's top left is the board's top right
            code.corners.rotate_right(turns);
            code.around.rotate_right(turns);
            true
        });
    }
    Some(stands.iter().map(|(w, ([x, y], _))| (numbers[w], [*x as u32, *y as u32])).collect())
}

fn commonest_side(pictures: &[&mut Vec<Code>]) -> Option<usize> {
    let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
    for code in pictures.iter().flat_map(|codes| codes.iter()) {
        if let Word::Other { side, .. } = code.word {
            *counts.entry(side).or_default() += 1;
        }
    }
    counts.into_iter().max_by_key(|(_, n)| *n).map(|(side, _)| side)
}

/// All words in one plane, from the pairs seen most often on; a place once taken is kept.
fn joined(pairs: &[([Cells; 2], [i32; 2], usize)]) -> Option<BTreeMap<Cells, Stand>> {
    let mut votes: BTreeMap<([Cells; 2], [i32; 2], usize), usize> = BTreeMap::new();
    let mut of_word: BTreeMap<Cells, usize> = BTreeMap::new();
    for pair in pairs {
        *votes.entry(*pair).or_default() += 1;
        *of_word.entry(pair.0[0]).or_default() += 1;
    }
    let first = of_word.into_iter().max_by_key(|(_, n)| *n)?.0;
    let mut stands: BTreeMap<Cells, Stand> = BTreeMap::from([(first, ([0, 0], 0))]);
    let mut taken = BTreeSet::from([[0, 0]]);
    loop {
        let next = votes
            .iter()
            .filter(|(([a, b], ..), _)| stands.contains_key(a) && !stands.contains_key(b))
            .map(|(([a, b], step, turns), n)| (*n, *b, beyond(stands[a], *step, *turns)))
            .filter(|(_, _, (place, _))| !taken.contains(place))
            .max_by_key(|(n, b, _)| (*n, *b));
        let Some((_, word, stand)) = next else { break };
        taken.insert(stand.0);
        stands.insert(word, stand);
    }
    let judged = pairs.iter().filter(|(words, ..)| words.iter().all(|w| stands.contains_key(w)));
    let right = judged.clone().filter(|([a, b], step, turns)| beyond(stands[a], *step, *turns) == stands[b]);
    let (n, right) = (judged.count(), right.count());
    (n >= FEWEST_PAIRS && right as f64 >= LEAST_SHARE * n as f64).then_some(stands)
}

/// The board turned so that its counts are those that were said, or the longer side lies across; its first squares are 0.
fn laid_across(mut stands: BTreeMap<Cells, Stand>, [columns, rows]: [u32; 2]) -> BTreeMap<Cells, Stand> {
    let range = |stands: &BTreeMap<Cells, Stand>, i: usize| {
        let all = stands.values().map(|(place, _)| place[i]);
        (all.clone().min().unwrap_or(0), all.max().unwrap_or(0))
    };
    let size = |stands: &BTreeMap<Cells, Stand>| {
        [0, 1].map(|i| {
            let (low, high) = range(stands, i);
            (high - low) as u32
        })
    };
    let [across, down] = size(&stands);
    let is_said = [across, down] == [columns, rows];
    if !is_said && ([down, across] == [columns, rows] || across < down) {
        stands
            .values_mut()
            .for_each(|(place, turns)| (*place, *turns) = (turned(*place, 1), (*turns + 1) % 4));
    }
    let low = [0, 1].map(|i| range(&stands, i).0);
    for (place, _) in stands.values_mut() {
        *place = [place[0] - low[0], place[1] - low[1]];
    }
    stands
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Words of a board, each turned some way, in its white squares: what neighbours tell of them.
    fn pairs(columns: i32, rows: i32, turns: impl Fn(u64) -> usize) -> Vec<([Cells; 2], [i32; 2], usize)> {
        let squares: Vec<[i32; 2]> = (0..rows)
            .flat_map(|y| (0..columns).map(move |x| [x, y]))
            .filter(|[x, y]| (x + y) % 2 == 1)
            .collect();
        let mut out = Vec::new();
        for (a, p) in (10..).zip(&squares) {
            for (b, q) in (10..).zip(&squares) {
                let step = [q[0] - p[0], q[1] - p[1]];
                if step.iter().all(|s| s.abs() == 1) {
                    let back = (4 - turns(a)) % 4;
                    out.push(([a, b], turned(step, back), (turns(b) + back) % 4));
                }
            }
        }
        out
    }

    #[test]
    fn words_find_their_places_however_each_is_turned() {
        for (columns, rows) in [(10, 7), (8, 6), (5, 9)] {
            let mut seen = pairs(columns, rows, |w| (w * w % 7) as usize % 4);
            // two pictures, in one of which a misread word stands where another does
            seen.extend(seen.clone());
            let ([beside, _], step, _) = seen[0];
            seen.push(([beside, 99], step, 0));
            let stands = joined(&seen).unwrap();
            assert_eq!(stands.len(), (columns * rows / 2) as usize);
            let laid = laid_across(stands.clone(), [0, 0]);
            let last = |i: usize| laid.values().map(|(p, _)| p[i]).max().unwrap();
            assert_eq!([last(0), last(1)], [columns.max(rows) - 1, columns.min(rows) - 1]);
            assert!(laid.values().all(|(p, _)| p[0] >= 0 && p[1] >= 0));
            let upright = laid_across(stands, [rows as u32 - 1, columns as u32 - 1]);
            let last = |i: usize| upright.values().map(|(p, _)| p[i]).max().unwrap();
            assert_eq!([last(0), last(1)], [rows - 1, columns - 1]);
            // all words are turned by the same against what they were printed with
            let kept: BTreeSet<usize> =
                laid.iter().map(|(w, (_, t))| (t + 4 - (w * w % 7) as usize % 4) % 4).collect();
            assert_eq!(kept.len(), 1);
        }
    }

    #[test]
    fn what_is_no_board_has_no_places() {
        let wild: Vec<_> = (0..60_u64)
            .map(|i| ([i % 9, (7 * i * i + 1) % 9], [1, if i % 2 == 0 { 1 } else { -1 }], (i % 3) as usize))
            .collect();
        assert!(joined(&wild).is_none());
        assert!(joined(&pairs(3, 2, |_| 0)).is_none(), "too few pairs");
    }
}
