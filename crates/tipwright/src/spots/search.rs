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

/// Working memory of the search.
#[derive(Debug, Default)]
pub(super) struct Search {
    response: Map,
    coarse: Map,
    rise: Map,
    column_max: Vec<u8>,
    blocks: Vec<(u8, u32)>,
}

wide_loops! {
    Halve = halve, (&Map, &mut Map) => ();
    Rise = rise, (&Map, &Map, &mut Map) => ();
    RingResponse = ring_response_here, (&Map, usize, u8, &mut Map) => ();
    BestOfBlocks = Search::best_of_blocks, (&mut Search, u8) => ();
}

impl Search {
    /// Places on a map, best first, at most `limit`, at least `threshold`.
    pub fn still(&mut self, map: &Map, radius: usize, threshold: u8, limit: usize, out: &mut Vec<Peak>) {
        ring_response(map, radius, threshold, &mut self.response);
        self.pick(radius, threshold, limit, out);
    }

    /// The same for what is too large for the usual ring, at half the map's size: a ring within a ball sees nothing.
    pub fn large(&mut self, map: &Map, radius: usize, threshold: u8, limit: usize, out: &mut Vec<Peak>) {
        self.coarse.resize(map.width / 2, map.height / 2);
        wide(Halve, (map, &mut self.coarse));
        let (half, start) = (radius.div_ceil(2), out.len());
        ring_response(&self.coarse, half, threshold, &mut self.response);
        self.pick(half, threshold, limit, out);
        for peak in &mut out[start..] {
            (peak.x, peak.y, peak.radius) = (2 * peak.x, 2 * peak.y, radius);
        }
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
        self.rise.resize(map.width, map.height);
        wide(Rise, (map, before, &mut self.rise));
        ring_response(&self.rise, radius, threshold, &mut self.response);
        self.pick(radius, threshold, limit, out);
    }

    /// The best response of every block that reaches the threshold.
    #[inline(always)]
    fn best_of_blocks((search, threshold): (&mut Self, u8)) {
        let map = &search.response;
        let columns = map.width.div_ceil(BLOCK_COLUMNS);
        search.column_max.resize(map.width, 0);
        search.blocks.clear();
        for top in (0..map.height).step_by(BLOCK_ROWS) {
            search.column_max.fill(0);
            for y in top..(top + BLOCK_ROWS).min(map.height) {
                for (m, v) in search.column_max.iter_mut().zip(map.row(y)) {
                    *m = (*m).max(*v);
                }
            }
            for (column, chunk) in search.column_max.chunks(BLOCK_COLUMNS).enumerate() {
                let best = chunk.iter().fold(0u8, |a, b| a.max(*b));
                if best >= threshold {
                    search.blocks.push((best, (top / BLOCK_ROWS * columns + column) as u32));
                }
            }
        }
    }

    fn pick(&mut self, radius: usize, threshold: u8, limit: usize, out: &mut Vec<Peak>) {
        wide(BestOfBlocks, (self, threshold));
        let map = &self.response;
        let columns = map.width.div_ceil(BLOCK_COLUMNS);
        // Best first; equal responses in picture order, so that the outcome never depends on the sort.
        let order = |a: &(u8, u32), b: &(u8, u32)| b.0.cmp(&a.0).then(a.1.cmp(&b.1));
        if self.blocks.len() > limit {
            self.blocks.select_nth_unstable_by(limit, order);
            self.blocks.truncate(limit);
        }
        self.blocks.sort_unstable_by(order);
        let start = out.len();
        for (response, block) in &self.blocks {
            let (left, top) =
                ((*block as usize % columns) * BLOCK_COLUMNS, (*block as usize / columns) * BLOCK_ROWS);
            let place = (top..(top + BLOCK_ROWS).min(map.height)).find_map(|y| {
                let row = &map.row(y)[left..(left + BLOCK_COLUMNS).min(map.width)];
                row.iter().position(|v| v == response).map(|x| (left + x, y))
            });
            let Some((x, y)) = place else { continue };
            let near = |p: &Peak| p.x.abs_diff(x) < radius.min(4) && p.y.abs_diff(y) < radius.min(4);
            if !out[start..].iter().any(near) {
                out.push(Peak { x, y, response: *response, radius });
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

/// Response of the whole map; rows that cannot reach the threshold are left at zero.
fn ring_response(map: &Map, radius: usize, threshold: u8, out: &mut Map) {
    wide(RingResponse, (map, radius, threshold, out));
}

#[inline(always)]
fn ring_response_here((map, radius, threshold, out): (&Map, usize, u8, &mut Map)) {
    out.resize(map.width, map.height);
    let diagonal = ((radius as f32) * 0.72).round() as usize;
    if map.width <= 2 * radius || map.height <= 2 * radius {
        out.data.fill(0);
        return;
    }
    let n = map.width - 2 * radius;
    for y in radius..map.height - radius {
        if map.row(y).iter().fold(0u8, |m, v| m.max(*v)) < threshold {
            out.row_mut(y).fill(0);
            continue;
        }
        let from = |row: usize, left: usize| &map.row(row)[left..left + n];
        let (r, d) = (radius, diagonal);
        ring_row(
            from(y, r),
            [from(y, 0), from(y, 2 * r), from(y - r, r), from(y + r, r)],
            [from(y - d, r - d), from(y + d, r + d), from(y - d, r + d), from(y + d, r - d)],
            &mut out.row_mut(y)[r..r + n],
        );
    }
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
}
