//! Reading and writing lens files.

use std::path::Path;

use super::views::LensError;
use crate::files::write_whole;
use crate::model::Lens;

/// Reads a lens file and checks that it can be one.
///
/// # Errors
/// Missing, not TOML, wrong keys, or values no lens has.
pub fn read_lens(path: &Path) -> Result<Lens, LensError> {
    let error = |reason: String| LensError::LensFile { reason, path: path.to_path_buf() };
    let text = std::fs::read_to_string(path).map_err(|e| error(e.to_string()))?;
    let lens: Lens = toml::from_str(&text).map_err(|e| error(e.to_string()))?;
    let [w, h] = lens.resolution_px;
    if w == 0 || h == 0 {
        return Err(error("resolution_px must be the width and height of the picture".into()));
    }
    if !(lens.fx_px > 0.0 && lens.fy_px > 0.0 && lens.fx_px.is_finite() && lens.fy_px.is_finite()) {
        return Err(error("fx_px and fy_px must be positive".into()));
    }
    let rest = [lens.cx_px, lens.cy_px].into_iter().chain(lens.distortion);
    if rest.into_iter().any(|v| !v.is_finite()) {
        return Err(error("cx_px, cy_px and distortion must be numbers".into()));
    }
    Ok(lens)
}

/// Writes a lens file, whole or not at all.
///
/// # Errors
/// The folder cannot be written.
pub fn write_lens(path: &Path, lens: &Lens) -> Result<(), LensError> {
    let error = |reason: String| LensError::LensFile { reason, path: path.to_path_buf() };
    let text = toml::to_string(lens).map_err(|e| error(e.to_string()))?;
    write_whole(path, text.as_bytes()).map_err(|e| error(e.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_written_lens_reads_back_and_a_wrong_one_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lens.toml");
        let mut lens =
            Lens::new([1920, 1080], 1569.2, 1572.0, 956.6, 533.1, [0.189, -0.627, -0.0014, 0.0004, 0.606]);
        lens.rms_px = Some(0.2);
        lens.views_used = Some(12);
        write_lens(&path, &lens).unwrap();
        assert_eq!(read_lens(&path).unwrap(), lens);
        std::fs::write(&path, "resolution_px = [1920, 1080]\nfx_px = 0.0\nfy_px = 1.0\ncx_px = 1.0\ncy_px = 1.0\ndistortion = [0.0, 0.0, 0.0, 0.0, 0.0]\n").unwrap();
        let message = read_lens(&path).unwrap_err().to_string();
        assert!(
            message.contains("fx_px and fy_px must be positive") && message.ends_with("lens.toml"),
            "{message}"
        );
        let message = read_lens(&folder.path().join("absent.toml")).unwrap_err().to_string();
        assert!(message.contains("No such file"), "{message}");
    }
}
