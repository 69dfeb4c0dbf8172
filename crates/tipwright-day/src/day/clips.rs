//! From a clip's file to its candidates and its rough place in time.

use std::path::Path;
use std::time::{Duration, Instant};

use super::run_json::Watch;
use super::{DayConfig, Event, Progress};
use crate::session::Session;
use crate::session::{Clips, SessionCamera};
use tipwright::line::{GatherConfig, Tee};
use tipwright::model::footage::{Footage, FrameSource};
use tipwright::model::line::ClipRidges;
use tipwright::model::{ClipSpots, CoarseOffset, Colour, Measured, Still, Warning};
use tipwright::scene::sound::{SoundConfig, offset_from_recording, offset_from_sound};
use tipwright::spots::{MarkerLook, SpotsConfig, find_clip};

/// Frames between two words about progress: often enough to look alive, seldom enough to cost nothing.
const FRAMES_PER_WORD: u64 = 16;
/// A readout written in session.toml is taken to be right to this much.
const READOUT_GIVEN_SD_S: f64 = 2e-4;

/// What a marker looks like.
pub(super) fn look(colour: Colour, diameter_m: f64) -> MarkerLook {
    MarkerLook { colour, diameter_m }
}

/// The readout as session.toml gives it.
pub(super) fn readout_prior(camera: &SessionCamera) -> Option<Measured> {
    camera.readout_ms.map(|ms| Measured::new(ms.get() / 1000.0, READOUT_GIVEN_SD_S))
}

/// What one clip yields in its one pass.
pub(super) struct Looked {
    pub spots: ClipSpots,
    /// Points on thin curves, when asked for.
    pub ridges: Option<ClipRidges>,
    /// What stood still at its beginning and its end.
    pub stills: Option<[Still; 2]>,
    pub warnings: Vec<Warning>,
}

/// Candidates of one clip, and with `gather` its thin curves, or the reason why there are none.
#[allow(clippy::too_many_arguments, reason = "the joint of three stages; each argument is one of its inputs")]
pub(super) fn look_through(
    session: &Session,
    camera: &str,
    clip: &Path,
    looks: &[MarkerLook],
    focal_px: Option<f64>,
    gather: Option<&GatherConfig>,
    footage: &dyn Footage,
    config: &DayConfig,
    watch: &Watch,
    progress: Progress<'_>,
) -> Result<Looked, String> {
    let began = Instant::now();
    let capture_fps = session.camera_named(camera).and_then(SessionCamera::capture_fps);
    let mut source = footage.open_clip(&session.resolve(clip), capture_fps).map_err(|e| e.to_string())?;
    let mut said = 0;
    let settings = SpotsConfig { focal_px, ..config.spots };
    let mut find = |source: &mut dyn FrameSource| {
        find_clip(camera, source, looks, &settings, &mut |done| {
            if done >= said + FRAMES_PER_WORD {
                progress(Event::Looked(done - said));
                said = done;
            }
        })
        .map_err(|e| e.to_string())
    };
    let (found, ridges, gathering) = match gather {
        Some(config) => {
            let mut tee = Tee::new(source.as_mut(), config);
            let found = find(&mut tee)?;
            let spent = tee.gatherer.spent();
            (found, Some(tee.gatherer.finish(camera)), spent)
        }
        None => (find(source.as_mut())?, None, Duration::ZERO),
    };
    watch.add("spots", began.elapsed().saturating_sub(gathering));
    watch.add("line_points", gathering);
    Ok(Looked { spots: found.spots, ridges, stills: found.stills, warnings: found.warnings })
}

/// Rough offset of a camera's clip to the first camera's: from sound, else from recording times, else nothing.
pub(super) fn coarse_offset(
    session: &Session,
    clips: &Clips,
    first: &str,
    camera: &str,
    footage: &dyn Footage,
) -> Option<CoarseOffset> {
    if camera == first {
        return None;
    }
    let path = |name: &str| clips.get(name).map(|clip| session.resolve(clip));
    let (first_path, path) = (path(first)?, path(camera)?);
    let sound = |p: &Path| footage.sound(p).ok().flatten();
    if let (Some(a), Some(b)) = (sound(&first_path), sound(&path)) {
        if let Ok(offset) = offset_from_sound(&a, &b, &SoundConfig::default()) {
            return Some(offset);
        }
    }
    let (a, b) = (footage.probe(&first_path).ok()?, footage.probe(&path).ok()?);
    offset_from_recording(&a, &b)
}
