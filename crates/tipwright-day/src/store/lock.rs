//! One run at a time on a results folder. The lock is the system's own on an open file: it ends with the process that holds it,
//! however that ends, so the file left behind blocks nobody.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Write};
use std::path::Path;

use super::StoreError;

/// Name of the lock file.
pub(super) const NAME: &str = ".lock";

/// Takes the lock of a folder.
///
/// # Errors
/// Another process holds it, or the file cannot be made.
pub(super) fn take(root: &Path) -> Result<File, StoreError> {
    let path = root.join(NAME);
    let failed = |source: std::io::Error| StoreError::Write { source, path: path.clone() };
    let mut file =
        OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(failed)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut holder = String::new();
            // Only for the words; the lock itself needs nothing from the file.
            let _ = file.read_to_string(&mut holder);
            return Err(StoreError::Busy { holder: holder.trim().to_owned(), path: root.to_path_buf() });
        }
        // Some network folders know no locks: better measured without than not at all.
        Err(TryLockError::Error(e)) if e.kind() == std::io::ErrorKind::Unsupported => {}
        Err(TryLockError::Error(e)) => return Err(failed(e)),
    }
    file.set_len(0).and_then(|()| writeln!(file, "process {}", std::process::id())).map_err(failed)?;
    Ok(file)
}
