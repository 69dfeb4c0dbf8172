//! What the lens checks share.

use std::path::Path;

mod open_data;

pub use open_data::open_data;
use tipwright::model::RawPixel;
use tipwright::model::footage::{ClipInfo, Footage, FootageError, FrameSource, SoundPiece};
use tipwright_footage::board;

/// Stills only.
pub struct Stills;

impl Footage for Stills {
    fn open_clip(&self, path: &Path, _: Option<f64>) -> Result<Box<dyn FrameSource + Send>, FootageError> {
        Err(FootageError::Missing { path: path.to_path_buf() })
    }
    fn probe(&self, path: &Path) -> Result<ClipInfo, FootageError> {
        Err(FootageError::Missing { path: path.to_path_buf() })
    }
    fn hear(&self, _: &Path, _: &mut dyn FnMut(SoundPiece<'_>)) -> Result<(), FootageError> {
        Ok(())
    }
    fn still_luma(&self, path: &Path) -> Result<(Vec<u8>, [u32; 2]), FootageError> {
        use opencv::prelude::*;
        if std::fs::metadata(path).map(|m| m.len()).unwrap_or(0) == 0 {
            return Err(FootageError::Empty { path: path.to_path_buf() });
        }
        let picture = opencv::imgcodecs::imread(path, opencv::imgcodecs::IMREAD_GRAYSCALE).unwrap();
        if picture.empty() {
            return Err(FootageError::Unreadable {
                reason: "not a picture".into(),
                path: path.to_path_buf(),
            });
        }
        Ok((picture.data_bytes().unwrap().to_vec(), [picture.cols() as u32, picture.rows() as u32]))
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
}
