//! What a finished part leaves on disk so that it need not be done again: `kept/<part>.json` with its digest.

use std::path::{Path, PathBuf};

use serde::Serialize;
use serde::de::DeserializeOwned;

use tipwright::model::SessionResults;
use tipwright_report::ReportError;
use tipwright_report::files::write_atomic;

#[derive(serde::Serialize, serde::Deserialize)]
struct Kept<T> {
    digest: String,
    part: T,
}

fn path_of(out: &Path, name: &str) -> PathBuf {
    out.join("kept").join(format!("{name}.json"))
}

/// The part if it was finished from the same inputs.
pub(super) fn read<T: DeserializeOwned>(out: &Path, name: &str, digest: &str) -> Option<T> {
    let bytes = std::fs::read(path_of(out, name)).ok()?;
    let kept: Kept<T> = serde_json::from_slice(&bytes).ok()?;
    (kept.digest == digest).then_some(kept.part)
}

/// Keeps a finished part.
pub(super) fn write<T: Serialize>(out: &Path, name: &str, digest: &str, part: T) -> Result<(), ReportError> {
    let path = path_of(out, name);
    let bytes = serde_json::to_vec(&Kept { digest: digest.to_string(), part })
        .map_err(|e| ReportError::Table { reason: e.to_string(), path: path.clone() })?;
    write_atomic(&path, &bytes)
}

/// The whole session of an earlier run.
pub(super) fn read_session(out: &Path) -> Result<SessionResults, String> {
    let path = path_of(out, "session");
    let bytes = std::fs::read(&path).map_err(|e| {
        format!(
            "holds no finished results ({e}); run `tipwright day SESSION -o` on it first: {}",
            path.display()
        )
    })?;
    let kept: Kept<SessionResults> = serde_json::from_slice(&bytes).map_err(|e| {
        format!("cannot be read ({e}); run `tipwright day` again with this version: {}", path.display())
    })?;
    Ok(kept.part)
}
