//! What changes in a session's folder while the clinic goes on, and what is still being copied into it.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use crate::session::parse;
use tipwright::files::length_and_time;

/// A clip that was written to within this is still being copied: a phone's cable is slower than a disk, but never still for so long.
const SETTLED: Duration = Duration::from_secs(10);
/// Folders below the session's that are watched: as deep as phones make them.
const DEEPEST: usize = 5;
/// Texts are written whole and count at once.
const TEXTS: [&str; 2] = ["toml", "csv"];

/// Files of a session at one moment.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Watched {
    /// Those that are whole, by length and when they were written.
    pub settled: BTreeMap<PathBuf, (u64, SystemTime)>,
    /// Those still being copied.
    pub growing: BTreeSet<PathBuf>,
}

/// Looks at the files in a session's folder, and at clips that it names elsewhere; not at its results, should they lie in it.
#[must_use]
pub fn watched(session: &Path, out: &Path) -> Watched {
    let folder = if session.is_file() { session.parent().unwrap_or(Path::new(".")) } else { session };
    let mut files = BTreeSet::new();
    walk(folder, &out.canonicalize().unwrap_or_else(|_| out.to_path_buf()), 0, &mut files);
    if let Some(session) = parse(session).session {
        files.extend(session.take.iter().flat_map(|t| t.clips.values()).map(|clip| session.resolve(clip)));
    }
    let now = SystemTime::now();
    let mut seen = Watched::default();
    for path in files {
        let Ok((length, written)) = length_and_time(&path) else { continue };
        let is_text = path.extension().is_some_and(|e| TEXTS.iter().any(|t| e.eq_ignore_ascii_case(t)));
        // a stamp of the future is a phone's clock
        let is_new = now.duration_since(written).is_ok_and(|age| age < SETTLED);
        if is_new && !is_text {
            seen.growing.insert(path);
        } else {
            seen.settled.insert(path, (length, written));
        }
    }
    seen
}

fn walk(folder: &Path, out: &Path, depth: usize, files: &mut BTreeSet<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        let is_hidden = entry.file_name().to_string_lossy().starts_with('.');
        if is_hidden || path.canonicalize().is_ok_and(|p| p == out) {
            continue;
        }
        if path.is_dir() {
            if depth < DEEPEST {
                walk(&path, out, depth + 1, files);
            }
        } else {
            files.insert(path);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clips_settle_texts_count_at_once_and_results_are_not_looked_at() {
        let folder = tempfile::tempdir().unwrap();
        let (west, out) = (folder.path().join("west"), folder.path().join("results"));
        std::fs::create_dir_all(&west).unwrap();
        std::fs::create_dir_all(&out).unwrap();
        for file in [
            west.join("new.mp4"),
            west.join("old.mp4"),
            folder.path().join("session.toml"),
            out.join("run.json"),
        ] {
            std::fs::write(file, "x").unwrap();
        }
        let long_ago = SystemTime::now() - Duration::from_secs(60);
        let old = std::fs::File::options().append(true).open(west.join("old.mp4")).unwrap();
        old.set_modified(long_ago).unwrap();
        let seen = watched(folder.path(), &out);
        assert_eq!(seen.growing, BTreeSet::from([west.join("new.mp4")]));
        let settled: Vec<&PathBuf> = seen.settled.keys().collect();
        assert_eq!(settled, [&folder.path().join("session.toml"), &west.join("old.mp4")]);
        // more of it came, and time went by
        std::fs::write(west.join("old.mp4"), "xx").unwrap();
        old.set_modified(long_ago).unwrap();
        assert_ne!(watched(folder.path(), &out).settled, seen.settled);
    }
}
