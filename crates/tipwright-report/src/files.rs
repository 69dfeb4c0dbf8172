//! Whole files or none: every write goes to a file beside its target and is then renamed onto it, so that an
//! interrupted day never leaves half a table behind.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use super::ReportError;

/// Writes `bytes` to `path`, making the folder when it is missing. Readers see the old file or the new one.
///
/// # Errors
/// The folder cannot be made or the file cannot be written.
pub fn write_atomic(path: &Path, bytes: &[u8]) -> Result<(), ReportError> {
    let failed = |source: std::io::Error| ReportError::Write { source, path: path.to_path_buf() };
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder).map_err(failed)?;
    }
    let beside = beside(path);
    let written = fs::File::create(&beside).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_data()
    });
    if let Err(source) = written.and_then(|()| fs::rename(&beside, path)) {
        // The half-written file is worth nothing; that it cannot be removed either changes nothing.
        let _ = fs::remove_file(&beside);
        return Err(failed(source));
    }
    Ok(())
}

/// Name of the file written before the rename: hidden, in the same folder, one per process.
fn beside(path: &Path) -> PathBuf {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    path.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_write_replaces_the_file_and_leaves_nothing_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("deep/er/table.csv");
        write_atomic(&path, b"old").unwrap();
        write_atomic(&path, b"new").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"new");
        assert_eq!(fs::read_dir(path.parent().unwrap()).unwrap().count(), 1);
    }

    #[test]
    fn a_write_that_fails_names_the_file_and_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("taken");
        fs::create_dir(&path).unwrap();
        fs::write(path.join("inside"), b"x").unwrap();
        let error = write_atomic(&path, b"new").unwrap_err().to_string();
        assert!(error.contains("taken"), "{error}");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
