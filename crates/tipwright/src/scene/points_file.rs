//! Reads POINTS.toml: lenses and tracks of one moving point.
//!
//! ```toml
//! length_m = 12.5                   # optional: distance between the first two cameras; absent, it is the unit
//! [[camera]]
//! name = "cam0"
//! points = "cam0.txt"               # rows: frame x y, white space or comma, pixels of the distorted picture
//! fps = 29.97
//! lens = "cam0.toml"
//! # readout_ms = 20.0               # optional: estimated when absent
//! ```
//! Relative paths are relative to the file. Empty rows, rows that begin with `#` and one heading are skipped. A row
//! at exactly `0 0` is counted as "not labelled", as label files write it (common practice).

use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::SceneError;
use super::points::{PointRow, PointsCamera, PointsInput};
use crate::model::{Lens, RawPixel};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileToml {
    length_m: Option<f64>,
    #[serde(default, rename = "camera")]
    cameras: Vec<CameraToml>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct CameraToml {
    name: String,
    points: PathBuf,
    fps: f64,
    lens: PathBuf,
    readout_ms: Option<f64>,
}

/// Reads POINTS.toml and everything it names.
///
/// # Errors
/// A missing file, an unknown key, a bad row: [`SceneError`] names the file, the reason and the remedy.
pub fn read_points(path: &Path) -> Result<PointsInput, SceneError> {
    let file: FileToml = toml_file(path)?;
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    if file.cameras.len() < 2 {
        return Err(SceneError::TooFewCameras { got: file.cameras.len() });
    }
    let bad = |camera: &str, key, got, wanted| SceneError::BadValue {
        camera: camera.to_owned(),
        key,
        got,
        wanted,
        path: path.to_owned(),
    };
    if let Some(length_m) = file.length_m
        && !(length_m > 0.0 && length_m.is_finite())
    {
        return Err(bad(&file.cameras[0].name, "length_m", length_m, "a length above 0 is needed"));
    }
    let mut cameras: Vec<PointsCamera> = Vec::new();
    for c in file.cameras {
        if cameras.iter().any(|other| other.name == c.name) {
            return Err(SceneError::SameName { name: c.name });
        }
        if !(c.fps > 0.0 && c.fps.is_finite()) {
            return Err(bad(&c.name, "fps", c.fps, "frames per second above 0 are needed"));
        }
        if let Some(readout_ms) = c.readout_ms
            && !(readout_ms.abs() <= 1e3 / c.fps)
        {
            return Err(bad(
                &c.name,
                "readout_ms",
                readout_ms,
                "at most one frame is possible (below 0 when the last row is read first)",
            ));
        }
        let lens_path = folder.join(&c.lens);
        let lens: Lens = toml_file(&lens_path)?;
        if !(lens.fx_px > 0.0 && lens.fy_px > 0.0) {
            return Err(SceneError::BadValue {
                camera: c.name,
                key: "fx_px, fy_px",
                got: lens.fx_px.min(lens.fy_px),
                wanted: "focal lengths above 0 are needed",
                path: lens_path,
            });
        }
        let (rows, unlabelled) = read_rows(&folder.join(&c.points))?;
        cameras.push(PointsCamera {
            name: c.name,
            lens,
            fps_hz: c.fps,
            readout_s: c.readout_ms.map(|ms| ms * 1e-3),
            rows,
            unlabelled,
        });
    }
    Ok(PointsInput { cameras, length_m: file.length_m })
}

fn text_file(path: &Path) -> Result<String, SceneError> {
    std::fs::read_to_string(path).map_err(|source| SceneError::Unreadable { source, path: path.to_owned() })
}

fn toml_file<T: serde::de::DeserializeOwned>(path: &Path) -> Result<T, SceneError> {
    toml::from_str(&text_file(path)?).map_err(|e| SceneError::BadToml {
        reason: e.to_string().trim_end().to_owned(),
        path: path.to_owned(),
    })
}

fn read_rows(path: &Path) -> Result<(Vec<PointRow>, u64), SceneError> {
    let text = text_file(path)?;
    let mut rows: Vec<PointRow> = Vec::new();
    let mut unlabelled = 0;
    let mut heading_allowed = true;
    for (i, line) in text.lines().enumerate() {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let bad = |reason: String| SceneError::BadRow { row: i + 1, reason, path: path.to_owned() };
        let fields: Vec<&str> = line
            .split(|c: char| c == ',' || c == ';' || c.is_whitespace())
            .filter(|f| !f.is_empty())
            .collect();
        let first_is_number = fields.first().is_some_and(|f| f.parse::<f64>().is_ok());
        if heading_allowed && !first_is_number {
            heading_allowed = false;
            continue;
        }
        heading_allowed = false;
        if fields.len() != 3 {
            return Err(bad(format!("{} values, 3 needed", fields.len())));
        }
        let mut v = [0.0_f64; 3];
        for (value, field) in v.iter_mut().zip(&fields) {
            *value = field.parse().map_err(|_| bad(format!("'{field}' is no number")))?;
            if !value.is_finite() {
                return Err(bad(format!("'{field}' is not finite")));
            }
        }
        let [frame, x_px, y_px] = v;
        if x_px == 0.0 && y_px == 0.0 {
            unlabelled += 1;
        } else {
            rows.push(PointRow { frame, pixel: RawPixel::new(x_px, y_px) });
        }
    }
    Ok((rows, unlabelled))
}

#[cfg(test)]
mod tests {
    use super::*;

    const LENS: &str = "resolution_px = [1920, 1080]\nfx_px = 1500.0\nfy_px = 1500.0\ncx_px = 960.0\ncy_px = 540.0\ndistortion = [0.0, 0.0, 0.0, 0.0, 0.0]\n";
    const POINTS: &str = "[[camera]]\nname = \"mill\"\npoints = \"mill.txt\"\nfps = 30\nlens = \"lens.toml\"\n[[camera]]\nname = \"sluice\"\npoints = \"sluice.txt\"\nfps = 25\nlens = \"lens.toml\"\nreadout_ms = 12\n";

    fn folder() -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("lens.toml"), LENS).unwrap();
        std::fs::write(dir.path().join("points.toml"), POINTS).unwrap();
        std::fs::write(
            dir.path().join("mill.txt"),
            " frame no.  x  y\n1.000 10.5 20.5\n\n2, 11, 21\n3 0.0 0.0\n",
        )
        .unwrap();
        std::fs::write(dir.path().join("sluice.txt"), "7\t1\t2\n").unwrap();
        dir
    }

    #[test]
    fn rows_headings_commas_and_missing_labels_are_understood() {
        let dir = folder();
        let input = read_points(&dir.path().join("points.toml")).unwrap();
        assert_eq!(input.cameras[0].rows.len(), 2);
        assert_eq!(input.cameras[0].unlabelled, 1);
        assert_eq!(input.cameras[0].rows[1], PointRow { frame: 2.0, pixel: RawPixel::new(11.0, 21.0) });
        assert_eq!(input.cameras[1].readout_s, Some(0.012));
    }

    #[test]
    fn what_is_wrong_is_named_with_its_file() {
        let dir = folder();
        let main = dir.path().join("points.toml");
        let message = |file: &str, text: &str| {
            let path = dir.path().join(file);
            let before = std::fs::read_to_string(&path).unwrap();
            std::fs::write(&path, text).unwrap();
            let out = read_points(&main).unwrap_err().to_string();
            std::fs::write(&path, before).unwrap();
            out
        };
        let m = message("points.toml", &POINTS.replace("fps = 25", "fsp = 25"));
        assert!(m.contains("fsp") && m.ends_with("points.toml"), "{m}");
        let m = message("points.toml", &POINTS.replace("fps = 25", "fps = 0"));
        assert!(m.contains("sluice") && m.contains("fps is 0"), "{m}");
        let m = message("points.toml", &POINTS.replace("sluice.txt", "gone.txt"));
        assert!(m.ends_with("gone.txt"), "{m}");
        let m = message("points.toml", &POINTS.replace("\"sluice\"", "\"mill\""));
        assert!(m.contains("two cameras are called mill"), "{m}");
        let m = message("sluice.txt", "7 1 2\n8 1\n");
        assert!(m.contains("row 2") && m.contains("2 values") && m.ends_with("sluice.txt"), "{m}");
        let m = message("sluice.txt", "7 1 2\n8 1 x\n");
        assert!(m.contains("'x' is no number"), "{m}");
        let m = message("lens.toml", &LENS.replace("fx_px = 1500.0", "fx_px = 0"));
        assert!(m.contains("focal lengths above 0"), "{m}");
        let m = message("points.toml", "");
        assert!(m.contains("0 camera given, 2 needed"), "{m}");
    }
}
