//! What lies in the cameras' folders, and what session.toml already knows of the day.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::document::Named;
use super::{Empty, GatherError, Heap, Kind};
use crate::session::{Clips, Session};
use tipwright::model::footage::Footage;

/// Stamps before 2000 are of a clock that was never set.
pub(super) const EARLIEST_UNIX_S: f64 = 946_684_800.0;
/// Endings of clips.
pub(super) const ENDINGS: [&str; 7] = ["mp4", "mov", "m4v", "3gp", "3g2", "mkv", "webm"];
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

/// What lies there.
#[derive(Debug, Default)]
pub(super) struct Found {
    pub clips: Vec<Clip>,
    /// Folders of cameras without any clip.
    pub empty: Vec<Empty>,
}

/// All clips of the cameras' folders, or of the heaps where a camera has some.
pub(super) fn clips_of(session: &Session, heaps: &[Heap]) -> Result<Found, GatherError> {
    let mut out = Found::default();
    let folders = folders(session, heaps)?;
    for (camera_idx, folder) in folders {
        let (mut files, mut others) = (Vec::new(), 0);
        walk(&folder, 0, &mut files, &mut others)
            .map_err(|e| GatherError::Folder { reason: e.to_string(), path: folder.clone() })?;
        files.sort();
        if files.is_empty() {
            let camera = session.camera[camera_idx].name.to_string();
            out.empty.push(Empty { camera, folder, other_files: others });
        }
        for path in files {
            let named = named(&session.folder, &path);
            if !out.clips.iter().any(|c| c.named == named) {
                out.clips.push(Clip { camera_idx, path, named });
            }
        }
    }
    if out.clips.is_empty() {
        let list: Vec<String> = out.empty.iter().map(ToString::to_string).collect();
        return Err(GatherError::NoClips { list: list.join("; "), path: session.folder.clone() });
    }
    Ok(out)
}

/// Where each camera's clips lie; no folder of one holds another's.
fn folders(session: &Session, heaps: &[Heap]) -> Result<Vec<(usize, PathBuf)>, GatherError> {
    let mut out: Vec<(usize, PathBuf)> = Vec::new();
    for (camera_idx, camera) in session.camera.iter().enumerate() {
        let given: Vec<&Heap> = heaps.iter().filter(|h| camera.name == *h.camera.as_str()).collect();
        match given.is_empty() {
            true => out.push((camera_idx, session.folder.join(camera.name.as_str()))),
            false => out.extend(given.iter().map(|h| (camera_idx, h.folder.clone()))),
        }
    }
    for (i, (k, folder)) in out.iter().enumerate() {
        for (other, inner) in out.iter().take(i).filter(|(other, _)| other != k) {
            if whole(folder).starts_with(whole(inner)) || whole(inner).starts_with(whole(folder)) {
                let [first, second] = [*other, *k].map(|k| session.camera[k].name.to_string());
                return Err(GatherError::Shared { first, second, path: folder.clone() });
            }
        }
    }
    Ok(out)
}

fn walk(folder: &Path, depth: usize, out: &mut Vec<PathBuf>, others: &mut usize) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let hidden = path.file_name().is_none_or(|n| n.to_string_lossy().starts_with('.'));
        if hidden {
            continue;
        }
        if path.is_dir() {
            if depth < DEEPEST {
                walk(&path, depth + 1, out, others)?;
            }
        } else {
            let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
            match ENDINGS.contains(&ending.as_str()) {
                true => out.push(path),
                false => *others += 1,
            }
        }
    }
    Ok(())
}

/// Takes out clips that are one file with another under another name, and says which. The one stays that session.toml names, else the one
/// with the shortest name: copies are called `copy of` it, or it with a number.
pub(super) fn without_copies(clips: &mut Vec<Clip>, is_named: impl Fn(&Clip) -> bool) -> Vec<(Clip, String)> {
    let mut by_size: BTreeMap<u64, Vec<usize>> = BTreeMap::new();
    for (i, clip) in clips.iter().enumerate() {
        if let Ok(meta) = std::fs::metadata(&clip.path)
            && meta.len() > 0
        {
            by_size.entry(meta.len()).or_default().push(i);
        }
    }
    let mut copies: BTreeMap<usize, String> = BTreeMap::new();
    for mut lot in by_size.into_values().filter(|lot| lot.len() > 1) {
        lot.sort_by_key(|i| (!is_named(&clips[*i]), clips[*i].named.len(), *i));
        let mut seen: BTreeMap<String, usize> = BTreeMap::new();
        for i in lot {
            let Ok(digest) = crate::store::file_digest(&clips[i].path) else { continue };
            let first = *seen.entry(digest).or_insert(i);
            if first != i && !is_named(&clips[i]) {
                let reason =
                    format!("it is the same file as {}: one of the two is enough", clips[first].named);
                copies.insert(i, reason);
            }
        }
    }
    let (left, out): (Vec<_>, Vec<_>) =
        std::mem::take(clips).into_iter().enumerate().partition(|(i, _)| !copies.contains_key(i));
    *clips = left.into_iter().map(|(_, clip)| clip).collect();
    out.into_iter().filter_map(|(i, clip)| Some((clip, copies.remove(&i)?))).collect()
}

/// A path without links and dots, where that can be told.
fn whole(path: &Path) -> PathBuf {
    let path = if path.as_os_str().is_empty() { Path::new(".") } else { path };
    path.canonicalize().unwrap_or_else(|_| path.to_path_buf())
}

/// A path as session.toml writes it: below its folder from there, elsewhere whole.
fn named(folder: &Path, path: &Path) -> String {
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
    // when the cameras that have a clip of it began, by their own calendars
    let began = |clips: &Clips, ahead: &mut Vec<(usize, f64)>| -> Vec<(usize, Option<f64>)> {
        let has = |k: &usize| clips.contains_key(&session.camera[*k].name);
        let began: Vec<_> = (0..session.camera.len()).filter(has).map(|k| (k, recorded(clips, k))).collect();
        let first = began.first().filter(|(k, _)| *k == 0).and_then(|(_, s)| *s);
        ahead.extend(began.iter().skip(1).filter_map(|(k, s)| Some((*k, (*s)? - first?))));
        began
    };
    let opening = Kind::opening(session).group();
    let set_ups = session.set_ups();
    for set_up in &set_ups {
        for (group, clips) in set_up.scene.groups() {
            let began = began(clips, &mut out.ahead);
            if group == opening && !clips.is_empty() {
                let named =
                    clips.iter().map(|(camera, clip)| (camera.to_string(), clip.display().to_string()));
                out.openings.push(Opening {
                    name: set_up.name.map(ToString::to_string),
                    began_s: began.first().filter(|(k, _)| *k == 0).and_then(|(_, s)| *s),
                    clips: named.collect(),
                });
            }
        }
    }
    for take in &session.take {
        let began_s = began(&take.clips, &mut out.ahead);
        out.takes.push(EarlierTake { name: take.name.to_string(), began_s });
    }
    out.names = session.take.iter().map(|t| t.name.key()).collect();
    out.names.extend(set_ups.iter().filter_map(|s| s.name).map(|n| n.key()));
    out
}
