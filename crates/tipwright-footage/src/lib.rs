//! The wall to FFmpeg and OpenCV: frames, sound, stills, board corners and encoding. No other crate names either.
//!
//! [`Reader`] implements `Footage`. Frames come as FFmpeg decoded them: planes by reference, no
//! conversion of colour or depth, the file's own time stamps, the stored orientation with the rotation tag beside it.
//! Memory is flat: the frame at hand and the one before.
//!
//! This is the only crate that may use `unsafe`: each use stands next to the FFmpeg rule it relies on.

#![allow(unsafe_code)]

pub mod board;
mod decode;
pub mod encode;
pub mod film;
mod landmarks;
pub mod memory;
mod probe;
mod shapes;
mod sound;
mod stills;

use std::path::Path;
use std::sync::Once;

use tipwright::model::footage::{ClipInfo, Disc, Footage, FootageError, FrameSource, SoundPiece, Window};
use tipwright::model::{Landmark, RawPixel, Still};

/// Reads clips, sound and stills through FFmpeg, and board corners through OpenCV.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reader {
    /// Decoder threads per clip; 0 lets FFmpeg choose. Default 1: clips are worked on side by side, which keeps all
    /// cores busy without the frames that threads inside one decoder hold back.
    pub decode_threads: usize,
}

impl Default for Reader {
    fn default() -> Self {
        Self { decode_threads: 1 }
    }
}

impl Reader {
    /// A reader with so many decoder threads per clip (0: FFmpeg's choice).
    #[must_use]
    pub fn with_threads(decode_threads: usize) -> Self {
        Self { decode_threads }
    }
}

impl Footage for Reader {
    fn open_clip(
        &self,
        path: &Path,
        capture_fps: Option<f64>,
    ) -> Result<Box<dyn FrameSource + Send>, FootageError> {
        Ok(Box::new(decode::Clip::open(path, capture_fps, self.decode_threads)?))
    }

    fn probe(&self, path: &Path) -> Result<ClipInfo, FootageError> {
        probe::clip_info(path)
    }

    fn held_share(&self, path: &Path) -> Option<f64> {
        probe::held_share(path)
    }

    fn hear(&self, path: &Path, to: &mut dyn FnMut(SoundPiece<'_>)) -> Result<(), FootageError> {
        sound::hear(path, to)
    }

    fn still_luma(&self, path: &Path) -> Result<(Vec<u8>, [u32; 2]), FootageError> {
        stills::read_luma(path)
    }

    fn board_corners(
        &self,
        luma: &[u8],
        size_px: [u32; 2],
        columns: u32,
        rows: u32,
    ) -> Option<Vec<RawPixel>> {
        board::board_corners(luma, size_px, columns, rows)
    }

    fn board_count(&self, luma: &[u8], size_px: [u32; 2]) -> Option<[u32; 2]> {
        board::board_count(luma, size_px)
    }

    fn dark_squares(&self, luma: &[u8], size_px: [u32; 2], within: Window) -> Vec<[RawPixel; 4]> {
        shapes::dark_squares(luma, size_px, within)
    }

    fn dark_discs(&self, luma: &[u8], size_px: [u32; 2]) -> Vec<Disc> {
        shapes::dark_discs(luma, size_px)
    }

    fn refined_corners(
        &self,
        luma: &[u8],
        size_px: [u32; 2],
        near: &[RawPixel],
        half_px: f64,
    ) -> Vec<RawPixel> {
        board::refined_corners(luma, size_px, near, half_px)
    }

    fn landmarks(&self, before: &Still, now: &Still) -> Vec<Landmark> {
        landmarks::landmarks(before, now)
    }
}

/// FFmpeg writes to stderr on its own; every error it has to tell is told by this crate instead.
pub(crate) fn silence() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let _ = ffmpeg_the_third::init();
        ffmpeg_the_third::log::set_level(ffmpeg_the_third::log::Level::Quiet);
    });
}
