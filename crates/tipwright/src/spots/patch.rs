//! A square cut out of a plane for close work, as floats in steps of eight bits.

use crate::model::footage::{Plane, PlaneData};

use super::grid::Map;

/// A square of samples; places outside the picture repeat its border.
#[derive(Debug, Clone)]
pub(super) struct Patch {
    pub side: usize,
    /// Column and row of the plane that the first sample stands for.
    pub left: i32,
    pub top: i32,
    pub data: Vec<f32>,
    /// Rows and columns that lie inside the picture.
    pub inside_x: [usize; 2],
    pub inside_y: [usize; 2],
}

impl Patch {
    pub fn new(side: usize) -> Self {
        Self { side, left: 0, top: 0, data: vec![0.0; side * side], inside_x: [0, side], inside_y: [0, side] }
    }

    fn frame(&mut self, centre: [usize; 2], width: usize, height: usize) {
        let half = (self.side / 2) as i32;
        self.left = centre[0] as i32 - half;
        self.top = centre[1] as i32 - half;
        let span = |start: i32, size: usize| {
            let first = (-start).clamp(0, self.side as i32) as usize;
            let last = (size as i32 - start).clamp(first as i32, self.side as i32) as usize;
            [first, last]
        };
        self.inside_x = span(self.left, width);
        self.inside_y = span(self.top, height);
    }

    fn fill_from(&mut self, height: usize, mut copy: impl FnMut(usize, usize, &mut [f32])) {
        let [x0, x1] = self.inside_x;
        for y in 0..self.side {
            let row = (self.top + y as i32).clamp(0, height as i32 - 1) as usize;
            let line = &mut self.data[y * self.side..(y + 1) * self.side];
            if x0 >= x1 {
                line.fill(0.0);
                continue;
            }
            copy(row, (self.left + x0 as i32) as usize, &mut line[x0..x1]);
            let (first, last) = (line[x0], line[x1 - 1]);
            line[..x0].fill(first);
            line[x1..].fill(last);
        }
    }

    /// Cuts the square around a sample out of a plane.
    pub fn cut_plane(&mut self, plane: &Plane<'_>, centre: [usize; 2]) {
        self.frame(centre, plane.width, plane.height);
        match plane.data {
            PlaneData::Bits8(data) => self.fill_from(plane.height, |row, left, out| {
                let line = &data[row * plane.stride + left..][..out.len()];
                out.iter_mut().zip(line).for_each(|(o, v)| *o = f32::from(*v));
            }),
            PlaneData::Bits10(data) => self.fill_from(plane.height, |row, left, out| {
                let line = &data[row * plane.stride + left..][..out.len()];
                out.iter_mut().zip(line).for_each(|(o, v)| *o = 0.25 * f32::from(*v));
            }),
        }
    }

    /// Cuts chroma along a direction out of the two chroma maps.
    pub fn cut_chroma(&mut self, cb: &Map, cr: &Map, along: [f32; 2], centre: [usize; 2]) {
        self.frame(centre, cb.width, cb.height);
        self.fill_from(cb.height, |row, left, out| {
            let (u, v) = (&cb.row(row)[left..][..out.len()], &cr.row(row)[left..][..out.len()]);
            for ((o, u), v) in out.iter_mut().zip(u).zip(v) {
                *o = along[0] * (f32::from(*u) - 128.0) + along[1] * (f32::from(*v) - 128.0);
            }
        });
    }
}
