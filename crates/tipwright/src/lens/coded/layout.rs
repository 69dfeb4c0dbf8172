//! How the codes of a board are laid out: they stand in its white squares and are counted row by row from the top left. From codes that
//! touch at a corner follow the number of squares of a row and whether the first one is white.

/// Squares of a row that are tried.
const SQUARES: std::ops::RangeInclusive<u32> = 4..=41;
/// Fewest pairs of neighbours, over all pictures, that say how many squares a row has.
const FEWEST_PAIRS: usize = 12;
/// Share of the pairs that must be as the layout says: the others are misread.
const LEAST_SHARE: f64 = 0.85;

/// A board's rows of squares.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Layout {
    /// Squares of a row.
    pub squares: u32,
    /// The top left square is white and carries the first code.
    pub first_white: bool,
}

impl Layout {
    /// Column and row of the square of a code.
    pub fn place(&self, id: u32) -> [u32; 2] {
        let white_in = |row: u32| {
            if row.is_multiple_of(2) == self.first_white {
                self.squares.div_ceil(2)
            } else {
                self.squares / 2
            }
        };
        let of_two = white_in(0) + white_in(1);
        let (mut row, mut left) = (2 * (id / of_two), id % of_two);
        if left >= white_in(0) {
            left -= white_in(0);
            row += 1;
        }
        let starts_white = row.is_multiple_of(2) == self.first_white;
        [2 * left + u32::from(!starts_white), row]
    }

    /// Whether neighbours lie in it as they were seen.
    pub fn explains(&self, ([a, b], step): &([u32; 2], [i32; 2])) -> bool {
        let (p, q) = (self.place(*a), self.place(*b));
        [0, 1].iter().all(|&i| q[i] as i32 - p[i] as i32 == step[i])
    }
}

/// The layout that explains the steps between neighbours; `None` when too few are seen or no one layout does.
pub(crate) fn layout(steps: &[([u32; 2], [i32; 2])]) -> Option<Layout> {
    if steps.len() < FEWEST_PAIRS {
        return None;
    }
    let explained = |layout: &Layout| steps.iter().filter(|step| layout.explains(step)).count();
    let mut all: Vec<(usize, Layout)> = SQUARES
        .flat_map(|squares| [false, true].map(|first_white| Layout { squares, first_white }))
        .map(|layout| (explained(&layout), layout))
        .collect();
    all.sort_by_key(|(n, layout)| (std::cmp::Reverse(*n), layout.squares, layout.first_white));
    let best = all[0];
    // rows of so many squares moved by one are the same where the rims are not seen
    let is_sure = all[1..].iter().all(|other| other.0 < best.0 || other.1.squares == best.1.squares);
    (best.0 as f64 >= LEAST_SHARE * steps.len() as f64 && is_sure).then_some(best.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Steps between all neighbours of a board, of which only some codes are seen.
    fn steps(layout: &Layout, rows: u32, seen: impl Fn([u32; 2]) -> bool) -> Vec<([u32; 2], [i32; 2])> {
        let places: Vec<(u32, [u32; 2])> =
            (0..250).map(|id| (id, layout.place(id))).filter(|(_, p)| p[1] < rows && seen(*p)).collect();
        let mut out = Vec::new();
        for (a, p) in &places {
            for (b, q) in &places {
                let step = [q[0] as i32 - p[0] as i32, q[1] as i32 - p[1] as i32];
                if step[0].abs() == 1 && step[1].abs() == 1 {
                    out.push(([*a, *b], step));
                }
            }
        }
        out
    }

    #[test]
    fn codes_stand_in_white_squares_row_by_row() {
        let places = |layout: Layout| (0..8).map(|id| layout.place(id)).collect::<Vec<_>>();
        let five = Layout { squares: 5, first_white: false };
        assert_eq!(places(five), [[1, 0], [3, 0], [0, 1], [2, 1], [4, 1], [1, 2], [3, 2], [0, 3]]);
        let four = Layout { squares: 4, first_white: true };
        assert_eq!(places(four), [[0, 0], [2, 0], [1, 1], [3, 1], [0, 2], [2, 2], [1, 3], [3, 3]]);
    }

    #[test]
    fn a_board_says_its_columns_also_when_half_of_it_is_seen() {
        for squares in 5..=14 {
            for first_white in [false, true] {
                let board = Layout { squares, first_white };
                assert_eq!(layout(&steps(&board, 7, |_| true)), Some(board));
                let half = layout(&steps(&board, 7, |p| p[0] >= squares / 2));
                assert_eq!(half.map(|l| l.squares), Some(squares), "{board:?}");
                let mut some = steps(&board, 7, |_| true);
                let n = some.len();
                some[n / 3].0 = [7, 200];
                assert_eq!(layout(&some), Some(board));
            }
        }
        assert_eq!(layout(&[]), None);
        // neighbours that no board has
        let wild: Vec<_> = (0..40).map(|i| ([i, (7 * i * i) % 97], [1, 1])).collect();
        assert_eq!(layout(&wild), None);
    }
}
