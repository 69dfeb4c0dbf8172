//! Digests of what a part rests on.

use std::collections::BTreeMap;
use std::path::Path;

use rayon::prelude::*;

use crate::session::Clips;
use crate::session::Session;

/// Digest of a file's content as hexadecimal; of a folder: of its files' names and contents. A file that cannot be
/// read has the digest of that fact, so that its arrival is a change.
pub(super) fn file_digest(path: &Path) -> String {
    let mut hasher = blake3::Hasher::new();
    if path.is_dir() {
        let mut files: Vec<_> = std::fs::read_dir(path)
            .map(|d| d.filter_map(Result::ok).map(|e| e.path()).collect())
            .unwrap_or_default();
        files.sort();
        for file in files.iter().filter(|f| f.is_file()) {
            hasher.update(file.file_name().map(|n| n.as_encoded_bytes()).unwrap_or_default());
            hasher.update(file_digest(file).as_bytes());
        }
    } else if std::fs::File::open(path).and_then(|f| hasher.update_reader(f).map(|_| ())).is_err() {
        hasher.update(b"unreadable");
    }
    hasher.finalize().to_hex()[..32].to_string()
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

/// One digest over named parts.
pub(super) fn joint_digest<'a>(parts: impl IntoIterator<Item = (&'a str, String)>) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(env!("CARGO_PKG_VERSION").as_bytes());
    for (name, value) in parts {
        hasher.update(name.as_bytes());
        hasher.update(&[0]);
        hasher.update(value.as_bytes());
        hasher.update(&[0]);
    }
    hasher.finalize().to_hex()[..32].to_string()
}
