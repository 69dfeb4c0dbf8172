//! The lens of each camera: read, kept from an earlier run, or calibrated.

use super::run::Run;
use super::{DayError, Event, inputs};
use crate::session::SessionCamera;
use crate::store::{Files, Place};
use tipwright::lens;
use tipwright::model::{Lens, Warning};
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
pub(super) fn get(run: &Run<'_>, camera: &SessionCamera) -> Result<LensSource, DayError> {
    let share = run.share(run.lens_work(camera));
    let source = run.session.resolve(&camera.lens);
    let fail = |reason: String| DayError::Lens { camera: camera.name.to_string(), reason };
    let digest = inputs::joint_digest([
        ("source", inputs::file_digest(&source)),
        ("board", format!("{:?} {:?}", camera.board, camera.capture_fps)),
        ("config", format!("{:?}", run.config.lens)),
    ]);
    let name = format!("lens_{}", camera.name);
    let kept_place = Place::kept_lens(&camera.name);
    if !run.config.anew
        && let Some(found) = run.store.kept::<LensSource>(&kept_place, &digest)
        && run.store.is_whole(&found.files)
    {
        run.tell(Event::Kept(&name));
        return Ok(found.value);
    }
    run.tell(Event::Began(&name));
    let mut files = Files::new();
    let found = run.watch.time("lens", || -> Result<LensSource, DayError> {
        if camera.has_lens_file() {
            let lens = lens::read_lens(&source).map_err(|e| fail(e.to_string()))?;
            return Ok(LensSource {
                camera: camera.name.to_string(),
                lens,
                digest: digest.clone(),
                warnings: Vec::new(),
            });
        }
        let board = camera.board.ok_or_else(|| {
            fail("`board` is missing in session.toml; add its inner corners and square_mm".into())
        })?;
        let fps = camera.capture_fps();
        let found = lens::from_source(run.footage, &source, &board, fps, &run.config.lens, &|_| {})
            .map_err(|e| fail(format!("{e}: {}", source.display())))?;
        let title = format!("camera {}: where corners were seen", camera.name);
        let svg = coverage_svg(&found.coverage, &found.views, &title);
        run.store.put(&Place::lens_coverage(&camera.name), svg.as_bytes(), &mut files)?;
        Ok(LensSource {
            camera: camera.name.to_string(),
            lens: found.lens,
            digest: digest.clone(),
            warnings: found.warnings,
        })
    })?;
    share.done();
    let text = toml::to_string(&found.lens).map_err(|e| fail(e.to_string()))?;
    run.store.put(&Place::lens(&camera.name), text.as_bytes(), &mut files)?;
    run.store.keep(&kept_place, &digest, "", &files, &found)?;
    let line = format!(
        "fx {:.1} px, rms {} px, {} views",
        found.lens.fx_px,
        found.lens.rms_px.map_or("-".into(), |r| format!("{r:.3}")),
        found.lens.views_used.map_or("-".into(), |v| v.to_string())
    );
    run.tell(Event::Done(&name, &line));
    Ok(found)
}
