//! The clips of a session, each opened and its first picture decoded.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::{CameraName, Session, Take};
use tipwright::model::footage::{ClipInfo, Footage, FootageError};

/// Share of a clip's pictures from which it is whole: phones leave the last one or two unfinished (common practice).
pub(crate) const WHOLE: f64 = 0.98;

/// Clips of the session with their cameras.
fn all_clips<'a>(
    session: &'a Session,
    more: &'a [Take],
) -> impl Iterator<Item = (&'a CameraName, &'a PathBuf)> {
    let scenes = session.set_ups().into_iter().flat_map(|s| s.scene.groups()).map(|(_, clips)| clips);
    scenes.chain(session.take.iter().chain(more).map(|t| &t.clips)).flatten()
}

/// A clip that could be opened.
pub(super) struct Look {
    /// What it says of itself; lengths are those of what is there.
    pub info: ClipInfo,
    /// Share of its pictures that the file holds, where it was cut short.
    pub cut_to: Option<f64>,
}

pub(super) type Looks = BTreeMap<PathBuf, Result<Look, String>>;

pub(super) fn look_at_all(
    session: &Session,
    more: &[Take],
    footage: &dyn Footage,
    progress: &(dyn Fn(&Path) + Sync),
) -> Looks {
    let wanted: BTreeMap<PathBuf, Option<f64>> =
        all_clips(session, more).map(|(camera, clip)| (clip.clone(), session.capture_fps(camera))).collect();
    wanted
        .into_par_iter()
        .map(|(clip, capture_fps)| {
            progress(&clip);
            let path = session.resolve(&clip);
            let look = first_picture(&path, capture_fps, footage).map(|mut info| {
                let cut_to = footage.held_share(&path).filter(|share| *share < WHOLE);
                if let Some(share) = cut_to {
                    info.duration_s = info.duration_s.map(|s| s * share);
                    info.frames_claimed = info.frames_claimed.map(|n| (n as f64 * share) as u64);
                }
                Look { info, cut_to }
            });
            (clip, look.map_err(|e| e.to_string()))
        })
        .collect()
}

/// Opens a clip and decodes its first picture.
pub(super) fn first_picture(
    path: &Path,
    capture_fps: Option<f64>,
    footage: &dyn Footage,
) -> Result<ClipInfo, FootageError> {
    let mut source = footage.open_clip(path, capture_fps)?;
    let info = source.info().clone();
    match source.next_frame()? {
        Some(_) => Ok(info),
        None => Err(FootageError::NoPicture { reason: "no frame".into(), path: path.to_path_buf() }),
    }
}
