//! Where a marker may be: places brighter (or more of the hue) than their surroundings.
//!
//! The response at a place is its value less the second largest of four: the brighter ends of the four lines through
//! it (across, down and the diagonals) at the distance of a ring just outside a marker. A blob is brighter than both ends
//! of all four; a streak is allowed to run along one of them; an edge or a bright area gives nothing. The same is done on
//! what became brighter since the frame before, which leaves out everything that stands still.

use super::grid::{Map, halve_row_8};
use crate::math::{wide, wide_loops};

/// A place to look at, in half-size pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Peak {
    pub x: usize,
    pub y: usize,
    pub response: u8,
    /// Of the ring it was found with.
    pub radius: usize,
}

/// Rows and columns of the blocks of which only the best place is taken.
const BLOCK_ROWS: usize = 8;
const BLOCK_COLUMNS: usize = 16;

/// Columns that are passed over together where nothing reaches the threshold.
const CHUNK: usize = 128;

/// Working memory of the search.
#[derive(Debug, Default)]
pub(super) struct Search {
    coarse: Map,
    rise: Map,
    /// Responses of the rows of a block, and their largest per column.
    band: Map,
    column_max: Vec<u8>,
    /// Best of every block that reaches the threshold.
    blocks: Vec<Peak>,
}

wide_loops! {
    Halve = halve, (&Map, &mut Map) => ();
    Rise = rise, (&Map, &Map, &mut Map) => ();
    BestOfBlocks = Search::best_of_blocks, (&mut Search, &Map, usize, u8) => ();
}

impl Search {
    /// Places on a map, best first, at most `limit`, at least `threshold`.
    pub fn still(&mut self, map: &Map, radius: usize, threshold: u8, limit: usize, out: &mut Vec<Peak>) {
        wide(BestOfBlocks, (self, map, radius, threshold));
        self.pick(limit, out);
    }

    /// The same for what is too large for the usual ring, at half the map's size: a ring within a ball sees nothing.
    pub fn large(&mut self, map: &Map, radius: usize, threshold: u8, limit: usize, out: &mut Vec<Peak>) {
        let mut coarse = std::mem::take(&mut self.coarse);
        coarse.resize(map.width / 2, map.height / 2);
        wide(Halve, (map, &mut coarse));
        let start = out.len();
        self.still(&coarse, radius.div_ceil(2), threshold, limit, out);
        for peak in &mut out[start..] {
            (peak.x, peak.y, peak.radius) = (2 * peak.x, 2 * peak.y, radius);
        }
        self.coarse = coarse;
    }

    /// Places that became brighter since `before`.
    pub fn moving(
        &mut self,
        map: &Map,
        before: &Map,
        radius: usize,
        threshold: u8,
        limit: usize,
        out: &mut Vec<Peak>,
    ) {
        let mut rise = std::mem::take(&mut self.rise);
        rise.resize(map.width, map.height);
        wide(Rise, (map, before, &mut rise));
        self.still(&rise, radius, threshold, limit, out);
        self.rise = rise;
    }

    /// The best response of every block that reaches the threshold. The rows of a block at a time, so that responses never leave the
    /// processor.
    #[inline(always)]
    fn best_of_blocks((search, map, radius, threshold): (&mut Self, &Map, usize, u8)) {
        search.blocks.clear();
        if map.width <= 2 * radius || map.height <= 2 * radius {
            return;
        }
        search.band.resize(map.width, BLOCK_ROWS);
        search.column_max.resize(map.width, 0);
        for top in (0..map.height).step_by(BLOCK_ROWS) {
            let rows = top.max(radius)..(top + BLOCK_ROWS).min(map.height - radius);
            if rows.is_empty() {
                continue;
            }
            search.column_max.fill(0);
            let mut reached = false;
            for y in rows.clone() {
                let out = search.band.row_mut(y - top);
                if ring_of_row(map, y, radius, threshold, out) {
                    take_larger(search.band.row(y - top), &mut search.column_max);
                    reached = true;
                }
            }
            if !reached {
                continue;
            }
            for (column, chunk) in search.column_max.chunks(BLOCK_COLUMNS).enumerate() {
                let response = max_of(chunk);
                if response < threshold {
                    continue;
                }
                let left = column * BLOCK_COLUMNS;
                let place = rows.clone().find_map(|y| {
                    let row = &search.band.row(y - top)[left..left + chunk.len()];
                    row.iter().position(|v| *v == response).map(|x| (left + x, y))
                });
                if let Some((x, y)) = place {
                    search.blocks.push(Peak { x, y, response, radius });
                }
            }
        }
    }

    fn pick(&mut self, limit: usize, out: &mut Vec<Peak>) {
        // Best first; equal responses in picture order, so that the outcome never depends on the sort.
        let block = |p: &Peak| (p.y / BLOCK_ROWS, p.x / BLOCK_COLUMNS);
        let order = |a: &Peak, b: &Peak| b.response.cmp(&a.response).then(block(a).cmp(&block(b)));
        if self.blocks.len() > limit {
            self.blocks.select_nth_unstable_by(limit, order);
            self.blocks.truncate(limit);
        }
        self.blocks.sort_unstable_by(order);
        let start = out.len();
        for best in &self.blocks {
            let within = best.radius.min(4);
            let near = |p: &Peak| p.x.abs_diff(best.x) < within && p.y.abs_diff(best.y) < within;
            if !out[start..].iter().any(near) {
                out.push(*best);
            }
        }
    }
}

/// A map at half its size.
#[inline(always)]
fn halve((map, out): (&Map, &mut Map)) {
    for y in 0..out.height {
        halve_row_8(map.row(2 * y), map.row(2 * y + 1), out.row_mut(y));
    }
}

/// What became brighter.
#[inline(always)]
fn rise((map, before, out): (&Map, &Map, &mut Map)) {
    for ((o, a), b) in out.data.iter_mut().zip(&map.data).zip(&before.data) {
        *o = a.saturating_sub(*b);
    }
}

/// The larger of two, place by place.
#[inline(always)]
fn take_larger(row: &[u8], largest: &mut [u8]) {
    for (m, v) in largest.iter_mut().zip(row) {
        *m = (*m).max(*v);
    }
}

#[inline(always)]
fn max_of(row: &[u8]) -> u8 {
    row.iter().fold(0u8, |m, v| m.max(*v))
}

/// Responses of a row; what cannot reach the threshold is left at zero, and whether anything can is told.
#[inline(always)]
fn ring_of_row(map: &Map, y: usize, radius: usize, threshold: u8, out: &mut [u8]) -> bool {
    if max_of(map.row(y)) < threshold {
        out.fill(0);
        return false;
    }
    let (r, d) = (radius, ((radius as f32) * 0.72).round() as usize);
    let n = map.width - 2 * r;
    out[..r].fill(0);
    out[r + n..].fill(0);
    let mut left = 0;
    while left < n {
        // The last chunk is as long as the others and overlaps the one before.
        let len = CHUNK.min(n);
        let first = left.min(n - len);
        let from = |row: usize, column: usize| &map.row(row)[first + column..][..len];
        let out = &mut out[r + first..][..len];
        left += len;
        if max_of(from(y, r)) < threshold {
            out.fill(0);
            continue;
        }
        let centre = from(y, r);
        let straight = [from(y, 0), from(y, 2 * r), from(y - r, r), from(y + r, r)];
        let slanted = [from(y - d, r - d), from(y + d, r + d), from(y - d, r + d), from(y + d, r - d)];
        // a length that the compiler knows
        if len == CHUNK {
            ring_row(centre, straight, slanted, &mut out[..CHUNK]);
        } else {
            ring_row(centre, straight, slanted, out);
        }
    }
    true
}

#[inline(always)]
fn ring_row(centre: &[u8], straight: [&[u8]; 4], slanted: [&[u8]; 4], out: &mut [u8]) {
    let n = out.len();
    let centre = &centre[..n];
    let [l, r, u, d] = straight.map(|s| &s[..n]);
    let [a, b, e, f] = slanted.map(|s| &s[..n]);
    for i in 0..n {
        let (p, q) = (l[i].max(r[i]), u[i].max(d[i]));
        let (s, t) = (a[i].max(b[i]), e[i].max(f[i]));
        let second = (p.max(q).min(s.max(t))).max(p.min(q).max(s.min(t)));
        out[i] = centre[i].saturating_sub(second);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn map_with(paint: impl Fn(f32, f32) -> f32) -> Map {
        let mut map = Map::default();
        map.resize(200, 120);
        for y in 0..120 {
            for x in 0..200 {
                map.row_mut(y)[x] = paint(x as f32, y as f32) as u8;
            }
        }
        map
    }

    #[test]
    fn a_blob_and_a_streak_answer_and_an_edge_does_not() {
        let blob = |x: f32, y: f32| if (x - 60.0).hypot(y - 40.0) < 2.5 { 60.0 } else { 0.0 };
        let streak =
            |x: f32, y: f32| if (y - 90.0).abs() < 2.0 && (x - 120.0).abs() < 9.0 { 50.0 } else { 0.0 };
        let edge = |x: f32, _: f32| if x > 170.0 { 100.0 } else { 0.0 };
        let map = map_with(|x, y| 40.0 + blob(x, y) + streak(x, y) + edge(x, y));
        let mut peaks = Vec::new();
        Search::default().still(&map, 5, 20, 40, &mut peaks);
        assert!(peaks[0].x.abs_diff(60) <= 2 && peaks[0].y.abs_diff(40) <= 2, "{peaks:?}");
        assert!(peaks[1..].iter().all(|p| p.y.abs_diff(90) <= 2 && p.x.abs_diff(120) <= 12), "{peaks:?}");
        assert!(peaks.len() >= 2);
    }

    #[test]
    fn what_stands_still_is_left_out_of_the_moving_search() {
        let at = |cx: f32| move |x: f32, y: f32| if (x - cx).hypot(y - 40.0) < 2.5 { 60.0 } else { 0.0 };
        let rest = at(30.0);
        let (now, before) = (
            map_with(|x, y| 40.0 + rest(x, y) + at(60.0)(x, y)),
            map_with(|x, y| 40.0 + rest(x, y) + at(90.0)(x, y)),
        );
        let mut peaks = Vec::new();
        Search::default().moving(&now, &before, 5, 10, 40, &mut peaks);
        assert_eq!(peaks.len(), 1, "{peaks:?}");
        assert!(peaks[0].x.abs_diff(60) <= 2);
    }

    /// The answer of every place by itself, and the best of every block, as the header says.
    fn plainly(map: &Map, radius: usize, threshold: u8) -> Vec<Peak> {
        let d = (radius as f32 * 0.72).round() as usize;
        let answer = |x: usize, y: usize| {
            let at = |x: usize, y: usize| map.row(y)[x];
            let mut ends = [
                at(x - radius, y).max(at(x + radius, y)),
                at(x, y - radius).max(at(x, y + radius)),
                at(x - d, y - d).max(at(x + d, y + d)),
                at(x + d, y - d).max(at(x - d, y + d)),
            ];
            ends.sort_unstable();
            at(x, y).saturating_sub(ends[2])
        };
        let mut blocks: std::collections::BTreeMap<(usize, usize), Peak> = Default::default();
        for y in radius..map.height - radius {
            for x in radius..map.width - radius {
                let response = answer(x, y);
                let best = blocks.get(&(y / BLOCK_ROWS, x / BLOCK_COLUMNS));
                if response >= threshold && best.is_none_or(|b| response > b.response) {
                    let peak = Peak { x, y, response, radius };
                    blocks.insert((y / BLOCK_ROWS, x / BLOCK_COLUMNS), peak);
                }
            }
        }
        let mut out: Vec<Peak> = blocks.into_values().collect();
        out.sort_by_key(|p| std::cmp::Reverse(p.response));
        out
    }

    #[test]
    fn what_is_passed_over_could_not_have_answered() {
        let mut search = Search::default();
        for (width, height, radius) in [(200, 120, 5), (417, 75, 3), (96, 64, 12), (300, 81, 20)] {
            let mut map = Map::default();
            map.resize(width, height);
            // grain of 0 to 15 with places that stand out of it, most rows without one
            let mut state = 12_345u32;
            for v in &mut map.data {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let far = state >> 8 & 127;
                *v = (state >> 28) as u8 + if far == 0 { 60 + (state >> 20 & 63) as u8 } else { 0 };
            }
            let mut got = Vec::new();
            search.still(&map, radius, 20, usize::MAX, &mut got);
            // Of places beside each other in two blocks the better one stands.
            let mut want: Vec<Peak> = Vec::new();
            for p in plainly(&map, radius, 20) {
                let near = |o: &Peak| o.x.abs_diff(p.x) < radius.min(4) && o.y.abs_diff(p.y) < radius.min(4);
                if !want.iter().any(near) {
                    want.push(p);
                }
            }
            assert!(want.len() > 3);
            assert_eq!(got, want, "{width} x {height}, {radius}");
        }
    }
}
