//! Discs joined to a lattice of neighbours, and its rows and columns.
//!
//! Discs of shifted rows lie on a square lattice that stands on its corner: each has four nearest neighbours, across one and down one. From
//! three neighbours the lattice grows, each next disc near where the last two say.

use std::collections::{BTreeMap, VecDeque};

use nalgebra::Vector2;

use super::Blob;

/// Farthest that a disc lies from where its neighbours say, as a share of the step: lens and perspective over one step.
const OFF_SHARE: f64 = 0.3;
/// Areas of neighbours differ by no more than this factor.
const SIZES: f64 = 1.8;
/// Largest cosine between a disc's two steps: on a board held square the diagonal of two steps, no step itself, has 0.71.
const MOST_SLANT: f64 = 0.6;
/// Seeds that are tried: most discs of a board are as good as another.
const SEEDS: usize = 24;

/// Discs by their place in the lattice; steps lead right and down, and right and up, on the board.
#[derive(Debug, Clone, Default)]
pub(super) struct Lattice {
    at: BTreeMap<[i32; 2], usize>,
}

/// The largest lattice among discs.
pub(super) fn grow(blobs: &[Blob]) -> Option<Lattice> {
    let mut best = Lattice::default();
    // from the middle: a disc at the board's corner has no second neighbour
    let middle = blobs.iter().map(|b| b.centre).sum::<Vector2<f64>>() / blobs.len().max(1) as f64;
    let mut seeds: Vec<usize> = (0..blobs.len()).collect();
    seeds.sort_by(|a, b| {
        let off = |i: &usize| (blobs[*i].centre - middle).norm();
        off(a).total_cmp(&off(b))
    });
    for seed in seeds.into_iter().take(SEEDS) {
        // a disc that already stands in a lattice would grow the same one
        if best.at.values().any(|i| *i == seed) {
            continue;
        }
        if let Some(lattice) = from_seed(blobs, seed)
            && lattice.len() > best.len()
        {
            best = lattice;
        }
    }
    (best.len() >= 6).then_some(best)
}

fn alike(a: &Blob, b: &Blob) -> bool {
    a.area_px2 < SIZES * b.area_px2 && b.area_px2 < SIZES * a.area_px2
}

fn from_seed(blobs: &[Blob], seed: usize) -> Option<Lattice> {
    let from = &blobs[seed];
    let mut near: Vec<(f64, usize)> = (0..blobs.len())
        .filter(|i| *i != seed && alike(from, &blobs[*i]))
        .map(|i| ((blobs[i].centre - from.centre).norm(), i))
        .collect();
    near.sort_by(|p, q| p.0.total_cmp(&q.0));
    let u = blobs[near.first()?.1].centre - from.centre;
    // the other neighbour: about as near, and most nearly square to the first
    let slant = |i: usize| {
        let v = blobs[i].centre - from.centre;
        (u.dot(&v) / (u.norm() * v.norm())).abs()
    };
    let second = near
        .iter()
        .skip(1)
        .take(7)
        .filter(|(distance, i)| *distance < 1.8 * u.norm() && slant(*i) < MOST_SLANT)
        .min_by(|p, q| slant(p.1).total_cmp(&slant(q.1)))?;
    let v = blobs[second.1].centre - from.centre;
    // turned so that the second step lies anticlockwise of the first on the screen: right and down, then right and up
    let (u, v) = if u.x * v.y - u.y * v.x < 0.0 { (u, v) } else { (v, u) };
    let mut lattice = Lattice::default();
    lattice.at.insert([0, 0], seed);
    let mut queue = VecDeque::from([[0, 0]]);
    while let Some(place) = queue.pop_front() {
        let here = blobs[lattice.at[&place]];
        for (along, first) in [([1, 0], u), ([0, 1], v)] {
            // perspective makes steps longer and shorter over a board: the one seen nearest by counts
            let step = lattice.step_near(blobs, place, along).unwrap_or(first);
            for (sign, way) in [(1, step), (-1, -step)] {
                let next = [place[0] + sign * along[0], place[1] + sign * along[1]];
                if lattice.at.contains_key(&next) {
                    continue;
                }
                let found = nearest(blobs, here.centre + way, OFF_SHARE * way.norm());
                let Some(found) = found.filter(|i| alike(&here, &blobs[*i])) else { continue };
                if !lattice.at.values().any(|i| *i == found) {
                    lattice.at.insert(next, found);
                    queue.push_back(next);
                }
            }
        }
    }
    Some(lattice)
}

fn nearest(blobs: &[Blob], at: Vector2<f64>, within: f64) -> Option<usize> {
    let distance = |i: &usize| (blobs[*i].centre - at).norm();
    (0..blobs.len()).filter(|i| distance(i) <= within).min_by(|a, b| distance(a).total_cmp(&distance(b)))
}

/// Sides of the rectangle that places from (0, 0) on lie in.
fn sides(squared: &BTreeMap<[i32; 2], usize>) -> [i32; 2] {
    [0, 1].map(|i| squared.keys().map(|p| p[i] + 1).max().unwrap_or(0))
}

/// Every second place of their rectangle is taken.
fn fills_rectangle(squared: &BTreeMap<[i32; 2], usize>) -> bool {
    let [across, down] = sides(squared);
    2 * squared.len() as i32 == across * down
}

impl Lattice {
    /// Discs in it.
    pub fn len(&self) -> usize {
        self.at.len()
    }

    /// The step along one way of the lattice as it is seen nearest to a place.
    fn step_near(&self, blobs: &[Blob], place: [i32; 2], along: [i32; 2]) -> Option<Vector2<f64>> {
        let at = |p: [i32; 2]| self.at.get(&p).map(|i| blobs[*i].centre);
        let places = (-2..=2).flat_map(|x: i32| (-2..=2).map(move |y: i32| (x.abs() + y.abs(), x, y)));
        places
            .filter_map(|(off, x, y)| {
                let from = [place[0] + x, place[1] + y];
                Some((off, at([from[0] + along[0], from[1] + along[1]])? - at(from)?))
            })
            .min_by_key(|(off, _)| *off)
            .map(|(_, step)| step)
    }

    /// Discs by column and row, half steps apart: right, and down. Of a board held at a slant the diagonal of two steps may have been taken
    /// for one: of the ways to count steps the one whose places fill a rectangle.
    fn squared(&self) -> BTreeMap<[i32; 2], usize> {
        let ways: [fn([i32; 2]) -> [i32; 2]; 5] =
            [|p| p, |[a, b]| [a + b, b], |[a, b]| [a - b, b], |[a, b]| [a, b + a], |[a, b]| [a, b - a]];
        ways.into_iter()
            .map(|way| self.squared_by(way))
            .find(fills_rectangle)
            .unwrap_or_else(|| self.squared_by(|p| p))
    }

    fn squared_by(&self, way: fn([i32; 2]) -> [i32; 2]) -> BTreeMap<[i32; 2], usize> {
        let square = |p: [i32; 2]| {
            let [a, b] = way(p);
            [a + b, a - b]
        };
        let places = || self.at.keys().map(|k| square(*k));
        let low = [0, 1].map(|i| places().map(|p| p[i]).min().unwrap_or(0));
        self.at
            .iter()
            .map(|(k, i)| {
                let p = square(*k);
                ([p[0] - low[0], p[1] - low[1]], *i)
            })
            .collect()
    }

    /// Columns and rows when the lattice is a whole board: every second place of a rectangle.
    pub fn counts(&self) -> Option<[u32; 2]> {
        let squared = self.squared();
        if !fills_rectangle(&squared) {
            return None;
        }
        let [across, down] = sides(&squared).map(|n| n as u32);
        // rows run along a side of an even number of half steps; of two such the longer side is the rows' number
        match (across % 2, down % 2) {
            (0, 1) => Some([across / 2, down]),
            (1, 0) => Some([down / 2, across]),
            (0, 0) => Some([across.min(down) / 2, across.max(down)]),
            _ => None,
        }
    }

    /// Discs row by row of a board of so many columns and rows.
    pub fn order(&self, columns: u32, rows: u32) -> Option<Vec<usize>> {
        let squared = self.squared();
        let size = sides(&squared);
        let (across, down) = (2 * columns as i32, rows as i32);
        if squared.len() as u32 != columns * rows {
            return None;
        }
        let in_order = |quarters: usize| -> Option<Vec<usize>> {
            // where the board's place lies in the lattice when the board is turned clockwise so often
            let place = |x: i32, y: i32| match quarters {
                0 => [x, y],
                1 => [size[0] - 1 - y, x],
                2 => [size[0] - 1 - x, size[1] - 1 - y],
                _ => [y, size[1] - 1 - x],
            };
            let turned = if quarters.is_multiple_of(2) { [across, down] } else { [down, across] };
            if size != turned {
                return None;
            }
            (0..down)
                .flat_map(|r| (0..columns as i32).map(move |c| (2 * c + r % 2, r)))
                .map(|(x, y)| squared.get(&place(x, y)).copied())
                .collect()
        };
        (0..4).find_map(in_order)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{Board, Pattern};

    fn blobs(board: &Board, turn_rad: f64) -> Vec<Blob> {
        let (sin, cos) = turn_rad.sin_cos();
        board
            .points()
            .iter()
            .map(|p| {
                // with perspective
                let z = 1.0 + 0.035 * p.x - 0.02 * p.y;
                let q = Vector2::new(cos * p.x - sin * p.y, sin * p.x + cos * p.y) * (20.0 / z);
                Blob { centre: q, area_px2: 100.0 / (z * z) }
            })
            .collect()
    }

    #[test]
    fn discs_are_put_in_order_and_counted_at_every_turn() {
        for (columns, rows) in [(4, 11), (5, 9), (3, 7), (4, 10)] {
            let board = Board::new(Pattern::Circles, columns, rows, 20.0);
            for k in 0..12 {
                let mut seen = blobs(&board, 0.1 + 0.52 * f64::from(k));
                let n = seen.len();
                // the first disc comes last, and something else of the size lies about
                seen.rotate_left(1);
                seen.push(Blob { centre: Vector2::new(-700.0, 90.0), area_px2: 100.0 });
                let lattice = grow(&seen).unwrap();
                assert_eq!(lattice.counts(), Some([columns, rows]), "turn {k}");
                let order = lattice.order(columns, rows).unwrap();
                let expected: Vec<usize> = (0..n).map(|i| (i + n - 1) % n).collect();
                // an even number of rows looks the same after half a turn
                let turned: Vec<usize> = expected.iter().rev().copied().collect();
                assert!(
                    order == expected || (rows % 2 == 0 && order == turned),
                    "{columns}x{rows} turn {k}: {order:?}"
                );
                assert!(lattice.order(columns + 1, rows).is_none());
                // one disc hidden: no whole board
                seen.remove(n / 2);
                assert!(grow(&seen).is_none_or(|l| l.order(columns, rows).is_none()));
            }
        }
    }
}
