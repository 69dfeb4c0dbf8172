//! Where the open data are.

use std::path::{Path, PathBuf};

/// Open data that is not part of the repository; `None` (said loudly) when it is absent.
pub fn open_data(part: &str) -> Option<PathBuf> {
    let root = std::env::var_os("TIPWRIGHT_OPEN_DATA").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/open-data"),
        PathBuf::from,
    );
    let path = root.join(part);
    if path.exists() {
        return Some(path);
    }
    eprintln!("SKIPPED: no open data at {} (set TIPWRIGHT_OPEN_DATA)", path.display());
    None
}
