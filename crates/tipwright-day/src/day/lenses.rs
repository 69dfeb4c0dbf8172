//! The lens of each camera: read, kept from an earlier run, or calibrated.

use std::path::Path;
use std::time::Instant;

use super::{DayConfig, DayError, Event, Progress, inputs, kept, run_json::Watch};
use crate::session::Session;
use crate::session::SessionCamera;
use tipwright::lens;
use tipwright::model::footage::Footage;
use tipwright::model::{Lens, Warning};
use tipwright_report::files::write_atomic;
use tipwright_report::lens_page::coverage_svg;

/// Where a lens came from, for run.json.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LensSource {
    /// Camera.
    pub camera: String,
    /// The lens.
    pub lens: Lens,
    /// Digest of its source.
    pub digest: String,
    /// What was said about it.
    pub warnings: Vec<Warning>,
}

/// The lens of one camera; written to lens/<camera>.toml.
pub(super) fn get(
    session: &Session,
    camera: &SessionCamera,
    out: &Path,
    footage: &dyn Footage,
    config: &DayConfig,
    watch: &Watch,
    progress: Progress<'_>,
) -> Result<LensSource, DayError> {
    let source = session.resolve(&camera.lens);
    let fail = |reason: String| DayError::Lens { camera: camera.name.to_string(), reason };
    let digest = inputs::joint_digest([
        ("source", inputs::file_digest(&source)),
        ("board", format!("{:?}", camera.board)),
        ("config", format!("{:?}", config.lens)),
    ]);
    let name = format!("lens_{}", camera.name);
    let file = out.join("lens").join(format!("{}.toml", camera.name));
    if !config.anew {
        if let Some(found) = kept::read::<LensSource>(out, &name, &digest) {
            if !file.is_file() {
                write_atomic(&file, toml_of(&found.lens, &fail)?.as_bytes())?;
            }
            progress(Event::Kept(&name));
            return Ok(found);
        }
    }
    progress(Event::Began(&name));
    let began = Instant::now();
    let found = if source.extension().is_some_and(|e| e == "toml") {
        let lens = lens::read_lens(&source).map_err(|e| fail(e.to_string()))?;
        LensSource { camera: camera.name.to_string(), lens, digest: digest.clone(), warnings: Vec::new() }
    } else {
        let board = camera.board.ok_or_else(|| {
            fail("`board` is missing in session.toml; add its inner corners and square_mm".into())
        })?;
        let found = lens::from_source(footage, &source, &board, camera.capture_fps(), &config.lens, &|_| {})
            .map_err(|e| fail(format!("{e}: {}", source.display())))?;
        let title = format!("camera {}: where corners were seen", camera.name);
        let svg = coverage_svg(&found.coverage, &found.views, &title);
        write_atomic(&out.join("lens").join(format!("{}.coverage.svg", camera.name)), svg.as_bytes())?;
        LensSource {
            camera: camera.name.to_string(),
            lens: found.lens,
            digest: digest.clone(),
            warnings: found.warnings,
        }
    };
    watch.add("lens", began.elapsed());
    write_atomic(&file, toml_of(&found.lens, &fail)?.as_bytes())?;
    kept::write(out, &name, &digest, &found)?;
    let line = format!(
        "fx {:.1} px, rms {} px, {} views",
        found.lens.fx_px,
        found.lens.rms_px.map_or("-".into(), |r| format!("{r:.3}")),
        found.lens.views_used.map_or("-".into(), |v| v.to_string())
    );
    progress(Event::Done(&name, &line));
    Ok(found)
}

fn toml_of(lens: &Lens, fail: &dyn Fn(String) -> DayError) -> Result<String, DayError> {
    toml::to_string(lens).map_err(|e| fail(e.to_string()))
}
