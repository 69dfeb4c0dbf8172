//! What lies in the cameras' folders, and what session.toml already knows of the day.

use std::path::{Path, PathBuf};

use super::document::Named;
use super::{GatherError, Heap, Kind};
use crate::session::{Clips, Session};
use tipwright::model::footage::Footage;

/// Stamps before 2000 are of a clock that was never set.
pub(super) const EARLIEST_UNIX_S: f64 = 946_684_800.0;
/// Endings of clips.
const ENDINGS: [&str; 7] = ["mp4", "mov", "m4v", "3gp", "3g2", "mkv", "webm"];
/// Folders below a camera's that are searched: phones make a few.
const DEEPEST: usize = 4;

/// A clip that lies there.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Clip {
    /// Session order.
    pub camera_idx: usize,
    /// File.
    pub path: PathBuf,
    /// As session.toml writes it.
    pub named: String,
}

/// All clips of the cameras' folders, or of the heaps where a camera has some.
pub(super) fn clips_of(session: &Session, heaps: &[Heap]) -> Result<Vec<Clip>, GatherError> {
    let mut out: Vec<Clip> = Vec::new();
    for (camera_idx, camera) in session.camera.iter().enumerate() {
        let given: Vec<&Heap> = heaps.iter().filter(|h| camera.name == *h.camera.as_str()).collect();
        let own = session.folder.join(camera.name.as_str());
        let folders: Vec<PathBuf> = match given.is_empty() {
            true => vec![own],
            false => given.iter().map(|h| h.folder.clone()).collect(),
        };
        for folder in folders {
            let mut files = Vec::new();
            walk(&folder, 0, &mut files)
                .map_err(|e| GatherError::Folder { reason: e.to_string(), path: folder.clone() })?;
            files.sort();
            for path in files {
                let named = named(&session.folder, &path);
                if !out.iter().any(|c| c.named == named) {
                    out.push(Clip { camera_idx, path, named });
                }
            }
        }
    }
    Ok(out)
}

fn walk(folder: &Path, depth: usize, out: &mut Vec<PathBuf>) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let hidden = path.file_name().is_none_or(|n| n.to_string_lossy().starts_with('.'));
        if hidden {
            continue;
        }
        if path.is_dir() {
            if depth < DEEPEST {
                walk(&path, depth + 1, out)?;
            }
        } else {
            let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
            if ENDINGS.contains(&ending.as_str()) {
                out.push(path);
            }
        }
    }
    Ok(())
}

/// A path as session.toml writes it: below its folder from there, elsewhere whole.
fn named(folder: &Path, path: &Path) -> String {
    let whole = |p: &Path| {
        let p = if p.as_os_str().is_empty() { Path::new(".") } else { p };
        p.canonicalize().unwrap_or_else(|_| p.to_path_buf())
    };
    let (folder, path) = (whole(folder), whole(path));
    let parts: Vec<String> = path
        .strip_prefix(&folder)
        .unwrap_or(&path)
        .components()
        .map(|c| c.as_os_str().to_string_lossy().into_owned())
        .collect();
    let joined = parts.join("/");
    if path.starts_with(&folder) { joined } else { path.to_string_lossy().into_owned() }
}

/// The wand clips that a set-up of session.toml begins with.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Opening {
    /// Of the set-up; `[scene]` has none.
    pub name: Option<String>,
    /// When they were filmed, by the first camera's calendar.
    pub began_s: Option<f64>,
    /// By camera.
    pub clips: Named,
}

/// A take of session.toml.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct EarlierTake {
    pub name: String,
    /// Of each camera that has a clip of it when that was begun, by the camera's own calendar.
    pub began_s: Vec<(usize, Option<f64>)>,
}

/// What session.toml already names.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Earlier {
    /// Camera and how far its stamp is ahead of the first camera's, of clips that are paired there.
    pub ahead: Vec<(usize, f64)>,
    /// The wand of each set-up: waved; hung, where there is one camera.
    pub openings: Vec<Opening>,
    /// Its takes.
    pub takes: Vec<EarlierTake>,
    /// Names of takes and of set-ups.
    pub names: Vec<String>,
}

/// Reads the heads of the clips that are named already.
pub(super) fn earlier(session: &Session, footage: &dyn Footage) -> Earlier {
    let recorded = |clips: &Clips, k: usize| -> Option<f64> {
        let clip = session.resolve(clips.get(&session.camera.get(k)?.name)?);
        footage.probe(&clip).ok()?.recorded_unix_s.filter(|s| *s > EARLIEST_UNIX_S)
    };
    let mut out = Earlier::default();
    let mut known = |clips: &Clips| {
        let first = recorded(clips, 0);
        for k in 1..session.camera.len() {
            out.ahead.extend(first.zip(recorded(clips, k)).map(|(a, b)| (k, b - a)));
        }
        first
    };
    let opening = Kind::opening(session).group();
    let set_ups = session.set_ups();
    for set_up in &set_ups {
        let recorded: Vec<_> =
            set_up.scene.groups().into_iter().map(|(group, clips)| (group, clips, known(clips))).collect();
        let own = recorded.iter().find(|(group, clips, _)| *group == opening && !clips.is_empty());
        let named = |clips: &Clips| -> Named {
            clips.iter().map(|(camera, clip)| (camera.to_string(), clip.display().to_string())).collect()
        };
        out.openings.extend(own.map(|(_, clips, began_s)| Opening {
            name: set_up.name.map(ToString::to_string),
            began_s: *began_s,
            clips: named(clips),
        }));
    }
    for take in &session.take {
        known(&take.clips);
    }
    for take in &session.take {
        let has = |k: &usize| take.clips.contains_key(&session.camera[*k].name);
        let began = (0..session.camera.len()).filter(has).map(|k| (k, recorded(&take.clips, k)));
        out.takes.push(EarlierTake { name: take.name.to_string(), began_s: began.collect() });
    }
    out.names = session.take.iter().map(|t| t.name.key()).collect();
    out.names.extend(set_ups.iter().filter_map(|s| s.name).map(|n| n.key()));
    out
}
