//! Digests of what a part rests on.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, SystemTime};

use rayon::prelude::*;

use crate::session::{Clips, Session};
use crate::store::{self, BUILD};
use tipwright::files::length_and_time;

/// Digest of a file's content; of a folder: of its files' names and contents. A file that cannot be read has the digest of that
/// fact, so that its arrival is a change.
pub(super) fn file_digest(path: &Path) -> String {
    if !path.is_dir() {
        return settled_digest(path).unwrap_or_else(|_| "unreadable".into());
    }
    let mut files: Vec<_> = std::fs::read_dir(path)
        .map(|d| d.filter_map(Result::ok).map(|e| e.path()).filter(|p| p.is_file()).collect())
        .unwrap_or_default();
    files.sort();
    let parts = files.iter().map(|f| (f.file_name().unwrap_or_default().to_string_lossy(), file_digest(f)));
    digest_of_parts(parts)
}

/// Clips that several takes are in, and those of the run before where one waits for more, are read once.
static DIGESTS: Mutex<BTreeMap<(PathBuf, u64, SystemTime), String>> = Mutex::new(BTreeMap::new());
/// Files written since are read each time: what was written twice in a moment has the same time.
const SETTLED: Duration = Duration::from_secs(10);

fn settled_digest(path: &Path) -> std::io::Result<String> {
    let (length, written) = length_and_time(path)?;
    let is_settled = SystemTime::now().duration_since(written).is_ok_and(|age| age > SETTLED);
    let key = (path.to_path_buf(), length, written);
    let known = || DIGESTS.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(digest) = known().get(&key).filter(|_| is_settled) {
        return Ok(digest.clone());
    }
    let digest = store::file_digest(path)?;
    if is_settled {
        known().insert(key, digest.clone());
    }
    Ok(digest)
}

/// Digests of the clips of a group, by camera.
pub(super) fn clips_digests(session: &Session, clips: &Clips) -> BTreeMap<String, String> {
    clips
        .par_iter()
        .map(|(camera, clip)| (camera.to_string(), file_digest(&session.resolve(clip))))
        .collect::<Vec<_>>()
        .into_iter()
        .collect()
}

/// One digest over named parts and this build of the program.
pub(super) fn joint_digest<'a>(parts: impl IntoIterator<Item = (&'a str, String)>) -> String {
    digest_of_parts(std::iter::once(("build", BUILD.to_string())).chain(parts))
}

/// The same without the build.
pub(super) fn digest_of_parts(parts: impl IntoIterator<Item = (impl AsRef<str>, String)>) -> String {
    let mut all = Vec::new();
    for (name, value) in parts {
        for text in [name.as_ref(), &value] {
            all.extend_from_slice(&(text.len() as u64).to_le_bytes());
            all.extend_from_slice(text.as_bytes());
        }
    }
    store::digest(&all)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_build_takes_nothing_over() {
        let parts = || [("set-up", "a".to_string()), ("settings", "b".to_string())];
        let of = |build: &str| digest_of_parts([("build", build.to_string())].into_iter().chain(parts()));
        assert_eq!(joint_digest(parts()), of(BUILD));
        assert_ne!(joint_digest(parts()), of("another build of version 0.1.0"));
        // parts do not run into each other
        let moved = [("set-up", "ab".to_string()), ("settings", String::new())];
        assert_ne!(joint_digest(parts()), joint_digest(moved));
    }

    #[test]
    fn a_file_that_arrives_or_changes_is_another_input() {
        let folder = tempfile::tempdir().unwrap();
        let clip = folder.path().join("0003.mp4");
        let absent = file_digest(&clip);
        std::fs::write(&clip, b"a").unwrap();
        let there = file_digest(&clip);
        std::fs::write(&clip, b"b").unwrap();
        let stills = file_digest(folder.path());
        assert!(absent != there && there != file_digest(&clip));
        std::fs::rename(&clip, folder.path().join("0004.mp4")).unwrap();
        assert_ne!(stills, file_digest(folder.path()));
    }
}
