//! The luma summed over 2 x 2, on which curves are searched.

use crate::model::footage::{Plane, PlaneData};

/// Sums of 2 x 2 luma samples, four times the level.
#[derive(Debug, Default)]
pub(super) struct Sums {
    pub width: usize,
    pub height: usize,
    pub data: Vec<i16>,
}

impl Sums {
    /// Takes in the luma of a frame.
    #[inline(always)]
    pub fn take(&mut self, luma: &Plane<'_>) {
        let (width, height) = (luma.width / 2, luma.height / 2);
        if (self.width, self.height) != (width, height) {
            *self = Self { width, height, data: vec![0; width * height] };
        }
        for (y, out) in self.data.chunks_exact_mut(width).enumerate() {
            let start = 2 * y * luma.stride;
            let rows = [start..start + 2 * width, start + luma.stride..start + luma.stride + 2 * width];
            match luma.data {
                PlaneData::Bits8(data) => {
                    let [a, b] = rows.map(|r| &data[r]);
                    for ((o, a), b) in out.iter_mut().zip(a.chunks_exact(2)).zip(b.chunks_exact(2)) {
                        *o = i16::from(a[0]) + i16::from(a[1]) + i16::from(b[0]) + i16::from(b[1]);
                    }
                }
                PlaneData::Bits10(data) => {
                    let [a, b] = rows.map(|r| &data[r]);
                    for ((o, a), b) in out.iter_mut().zip(a.chunks_exact(2)).zip(b.chunks_exact(2)) {
                        *o = ((a[0] + a[1] + b[0] + b[1]) >> 2) as i16;
                    }
                }
            }
        }
    }
}
