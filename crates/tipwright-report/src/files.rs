//! Files of a report before they are written: who makes them says what is in them, who owns the folder writes them.

use std::path::Path;

use tipwright::files::write_whole;

use super::ReportError;

/// A file with its place below the folder it belongs into.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileMade {
    /// Place below the folder, parted by `/`.
    pub place: String,
    /// What it holds.
    pub bytes: Vec<u8>,
}

impl FileMade {
    /// A file.
    #[must_use]
    pub fn new(place: impl Into<String>, bytes: impl Into<Vec<u8>>) -> Self {
        Self { place: place.into(), bytes: bytes.into() }
    }

    /// A file from what a table writer gave.
    pub(crate) fn of<E: std::fmt::Display>(
        place: impl Into<String>,
        made: Result<Vec<u8>, E>,
    ) -> Result<Self, ReportError> {
        let place = place.into();
        match made {
            Ok(bytes) => Ok(Self { place, bytes }),
            Err(e) => Err(ReportError::Table { reason: e.to_string(), path: place.into() }),
        }
    }
}

/// Writes `bytes` to `path`, whole or not at all.
///
/// # Errors
/// The folder cannot be made or the file cannot be written.
pub fn write_atomic(path: &Path, bytes: &[u8]) -> Result<(), ReportError> {
    write_whole(path, bytes).map_err(|source| ReportError::Write { source, path: path.to_path_buf() })
}

/// Writes files into a folder that nobody keeps book of.
///
/// # Errors
/// A file cannot be written.
pub fn write_all(files: &[FileMade], folder: &Path) -> Result<(), ReportError> {
    files.iter().try_for_each(|file| write_atomic(&folder.join(&file.place), &file.bytes))
}
