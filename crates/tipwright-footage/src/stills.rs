//! Still pictures as upright luma.

use std::path::Path;

use opencv::core::{Mat, MatTraitConst, MatTraitConstManual, Vector};
use opencv::imgcodecs;
use tipwright::model::footage::FootageError;

use crate::probe::{look_at_file, unreadable};

/// A still as grey samples, width and height; a camera's orientation tag is applied.
pub(crate) fn read_luma(path: &Path) -> Result<(Vec<u8>, [u32; 2]), FootageError> {
    look_at_file(path)?;
    let bytes = std::fs::read(path).map_err(|e| unreadable(path, e.to_string()))?;
    let failed = |e: opencv::Error| unreadable(path, e.message);
    // IMREAD_GRAYSCALE applies the orientation tag unless told otherwise.
    let grey = imgcodecs::imdecode(&Vector::<u8>::from_slice(&bytes), imgcodecs::IMREAD_GRAYSCALE);
    let picture: Mat = match grey {
        Ok(mat) if !mat.empty() => mat,
        Ok(_) => return Err(unreadable(path, "it is no picture this program knows")),
        Err(e) => return Err(failed(e)),
    };
    let (Ok(width), Ok(height)) = (u32::try_from(picture.cols()), u32::try_from(picture.rows())) else {
        return Err(unreadable(path, "its picture has no size"));
    };
    let samples = if picture.is_continuous() {
        picture.data_bytes().map_err(failed)?.to_vec()
    } else {
        let copy = picture.try_clone().map_err(failed)?;
        copy.data_bytes().map_err(failed)?.to_vec()
    };
    Ok((samples, [width, height]))
}
