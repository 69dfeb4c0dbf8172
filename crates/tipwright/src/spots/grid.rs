//! The picture at half size, where the search runs: luma averaged over 2 x 2, and one map per coloured marker that is
//! large where the picture has the marker's hue. Chroma of 4:2:0 footage has this size already.
//!
//! All maps are rows of bytes, worked on by loops the compiler turns into vector instructions.

use crate::model::footage::{Plane, PlaneData, Planes};

use super::colour::Hue;
use crate::math::{wide, wide_loops};

/// A byte picture.
#[derive(Debug, Clone, Default)]
pub(super) struct Map {
    pub width: usize,
    pub height: usize,
    pub data: Vec<u8>,
}

impl Map {
    pub fn resize(&mut self, width: usize, height: usize) {
        if (self.width, self.height) != (width, height) {
            *self = Self { width, height, data: vec![0; width * height] };
        }
    }

    #[inline(always)]
    pub fn row(&self, y: usize) -> &[u8] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    #[inline(always)]
    pub fn row_mut(&mut self, y: usize) -> &mut [u8] {
        &mut self.data[y * self.width..(y + 1) * self.width]
    }
}

/// Half-size maps of the frame at hand and the one before.
#[derive(Debug, Default)]
pub(super) struct Grid {
    pub luma: Map,
    pub luma_before: Map,
    pub cb: Map,
    pub cr: Map,
    /// One per look; empty for white.
    pub hue: Vec<Map>,
    pub hue_before: Vec<Map>,
    pub frames: u64,
}

wide_loops! {
    Advance = Grid::advance_here, (&mut Grid, &Planes<'_>, &[Option<Hue>]) => ();
}

impl Grid {
    pub fn new(looks: usize) -> Self {
        Self { hue: vec![Map::default(); looks], hue_before: vec![Map::default(); looks], ..Self::default() }
    }

    /// Takes in the next frame. `hues` has one entry per look, `None` for white.
    pub fn advance(&mut self, planes: &Planes<'_>, hues: &[Option<Hue>]) {
        wide(Advance, (self, planes, hues));
    }

    #[inline(always)]
    fn advance_here((grid, planes, hues): (&mut Self, &Planes<'_>, &[Option<Hue>])) {
        let (width, height) = (planes.luma.width / 2, planes.luma.height / 2);
        std::mem::swap(&mut grid.luma, &mut grid.luma_before);
        std::mem::swap(&mut grid.hue, &mut grid.hue_before);
        grid.luma.resize(width, height);
        for y in 0..height {
            halve_row(&planes.luma, [1, 1], y, grid.luma.row_mut(y));
        }
        if let (Some(cb), Some(cr)) = (&planes.cb, &planes.cr) {
            grid.cb.resize(width, height);
            grid.cr.resize(width, height);
            for (_, map) in hues.iter().zip(&mut grid.hue).filter(|(hue, _)| hue.is_some()) {
                map.resize(width, height);
            }
            // A row through all maps at a time: it is still near the processor.
            for y in 0..height {
                halve_row(cb, planes.chroma_step, y, grid.cb.row_mut(y));
                halve_row(cr, planes.chroma_step, y, grid.cr.row_mut(y));
                for (hue, map) in hues.iter().zip(&mut grid.hue) {
                    let Some(hue) = hue else { continue };
                    hue_row(grid.cb.row(y), grid.cr.row(y), *hue, map.row_mut(y));
                }
            }
        }
        if grid.frames == 0 {
            grid.luma_before.clone_from(&grid.luma);
            grid.hue_before.clone_from(&grid.hue);
        }
        grid.frames += 1;
    }

    pub fn has_chroma(&self) -> bool {
        !self.cb.data.is_empty()
    }
}

/// A row of a plane brought to the half-size grid. `step` is how many luma samples a sample of the plane stands for.
#[inline(always)]
fn halve_row(plane: &Plane<'_>, step: [usize; 2], y: usize, row_out: &mut [u8]) {
    let rows = if step[1] == 1 { [2 * y, 2 * y + 1] } else { [y.min(plane.height - 1); 2] };
    let start = |row: usize| row * plane.stride;
    match plane.data {
        PlaneData::Bits8(data) => {
            let [a, b] = rows.map(|r| &data[start(r)..start(r) + plane.width]);
            if step == [2, 2] {
                row_out.copy_from_slice(&a[..row_out.len()]);
            } else if step[0] == 1 {
                halve_row_8(a, b, row_out);
            } else {
                for ((o, a), b) in row_out.iter_mut().zip(a).zip(b) {
                    *o = ((u16::from(*a) + u16::from(*b) + 1) >> 1) as u8;
                }
            }
        }
        PlaneData::Bits10(data) => {
            let [a, b] = rows.map(|r| &data[start(r)..start(r) + plane.width]);
            if step[0] == 1 {
                for ((o, a), b) in row_out.iter_mut().zip(a.chunks_exact(2)).zip(b.chunks_exact(2)) {
                    *o = ((a[0] + a[1] + b[0] + b[1] + 8) >> 4).min(255) as u8;
                }
            } else {
                for ((o, a), b) in row_out.iter_mut().zip(a).zip(b) {
                    *o = ((*a + *b + 4) >> 3).min(255) as u8;
                }
            }
        }
    }
}

#[inline(always)]
pub(super) fn halve_row_8(a: &[u8], b: &[u8], out: &mut [u8]) {
    // Fixed lengths let the compiler keep sixteen sums in registers.
    let mut blocks = out.chunks_exact_mut(16);
    let (mut a_blocks, mut b_blocks) = (a.chunks_exact(32), b.chunks_exact(32));
    for ((o, a), b) in blocks.by_ref().zip(a_blocks.by_ref()).zip(b_blocks.by_ref()) {
        let mut sums = [0u16; 16];
        for k in 0..16 {
            let (a, b) =
                (u16::from_le_bytes([a[2 * k], a[2 * k + 1]]), u16::from_le_bytes([b[2 * k], b[2 * k + 1]]));
            sums[k] = ((a & 255) + (a >> 8) + (b & 255) + (b >> 8) + 2) >> 2;
        }
        for k in 0..16 {
            o[k] = sums[k] as u8;
        }
    }
    let done = out.len() / 16 * 16;
    let rest = out[done..].iter_mut().zip(a[2 * done..].chunks_exact(2)).zip(b[2 * done..].chunks_exact(2));
    for ((o, a), b) in rest {
        *o = ((u16::from(a[0]) + u16::from(a[1]) + u16::from(b[0]) + u16::from(b[1]) + 2) >> 2) as u8;
    }
}

/// Twice the chroma along the hue less five fourths of twice the chroma across it: positive within 39 degrees of the hue.
#[inline(always)]
fn hue_row(cb: &[u8], cr: &[u8], hue: Hue, out: &mut [u8]) {
    let (ku, kv) = (hue.along_64[0], hue.along_64[1]);
    for ((o, cb), cr) in out.iter_mut().zip(cb).zip(cr) {
        let (u, v) = (i16::from(*cb) - 128, i16::from(*cr) - 128);
        let along = (ku * u + kv * v) >> 6;
        let across = ((ku * v - kv * u) >> 6).abs();
        *o = (along - across - (across >> 2)).clamp(0, 255) as u8;
    }
}
