//! Clips that are one file twice.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::{CameraName, Session};
use tipwright::model::footage::ClipInfo;

/// Pairs of clips with the same bytes.
pub(super) fn of<'c>(
    session: &Session,
    infos: &[(&CameraName, &'c PathBuf, &ClipInfo)],
) -> Vec<(&'c PathBuf, &'c PathBuf)> {
    let mut by_size: BTreeMap<u64, Vec<&PathBuf>> = BTreeMap::new();
    for (_, clip, _) in infos {
        if let Ok(meta) = std::fs::metadata(session.resolve(clip)) {
            by_size.entry(meta.len()).or_default().push(clip);
        }
    }
    let digest = |clip: &Path| crate::store::file_digest(&session.resolve(clip)).ok();
    let mut out = Vec::new();
    for clips in by_size.into_values().filter(|clips| clips.len() > 1) {
        let mut seen: BTreeMap<String, &PathBuf> = BTreeMap::new();
        for clip in clips {
            if let Some(other) = digest(clip).and_then(|d| seen.insert(d, clip)) {
                out.push((other, clip));
            }
        }
    }
    out
}
