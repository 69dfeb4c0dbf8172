//! The picture without what moves: means over some frames at a clip's beginning and at its end.

use crate::model::{Picture, Still};

use super::grid::Map;

/// Frames of one mean: noise and leaves in the wind fall to a third, and what walks leaves a faint smear.
const FRAMES: u32 = 8;
/// Every so many frames one is taken: eight of them span a quarter of a second at 240 a second.
const EVERY: u64 = 8;

/// Adds frames up as they pass. Memory: two sums at half size, whatever the clip's length.
#[derive(Debug, Default)]
pub(super) struct StillSums {
    sums: Vec<u16>,
    frames: u32,
    first: Option<Vec<u8>>,
    last: Vec<u8>,
    size: [usize; 2],
}

impl StillSums {
    /// Takes in the half-size luma of a frame, every eighth time.
    pub fn add(&mut self, frame: u64, luma: &Map) {
        if !frame.is_multiple_of(EVERY) {
            return;
        }
        if self.sums.len() != luma.data.len() {
            *self =
                Self { sums: vec![0; luma.data.len()], size: [luma.width, luma.height], ..Self::default() };
        }
        for (sum, v) in self.sums.iter_mut().zip(&luma.data) {
            *sum += u16::from(*v);
        }
        self.frames += 1;
        if self.frames == FRAMES {
            self.last.clear();
            self.last.extend(self.sums.iter().map(|s| ((s + FRAMES as u16 / 2) / FRAMES as u16) as u8));
            self.first.get_or_insert_with(|| self.last.clone());
            self.sums.fill(0);
            self.frames = 0;
        }
    }

    /// First and last mean; `None` of a clip shorter than one.
    pub fn finish(self, picture: Picture) -> Option<[Still; 2]> {
        let size_px = self.size.map(|n| n as u32);
        let still = |luma| Still { picture, size_px, luma };
        Some([still(self.first?), still(self.last)])
    }
}
