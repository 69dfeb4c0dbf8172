//! Whole files or none: every write goes to a file beside its target, reaches the disk, and is then renamed onto it, so that
//! neither a kill nor a power cut leaves half a file behind. The one place where the project writes files that must be whole.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Ends the name of a file that is being written.
pub const PART: &str = ".part";

/// Writes `bytes` to `path`, making its folder when it is missing. Readers see the old file or the new one.
///
/// # Errors
/// The folder cannot be made or the file cannot be written; the old file is as it was.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    make_folder(path)?;
    let beside = beside(path);
    let written = File::create(&beside).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_all()
    });
    moved_or_removed(&beside, path, written)
}

/// Name to write to before [`put_in_place`]: hidden, in the same folder, one per process, with the ending of the file itself
/// where a writer asks for one.
#[must_use]
pub fn beside(path: &Path) -> PathBuf {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    path.with_file_name(format!(".{name}.{}{PART}", std::process::id()))
}

/// Brings a file that somebody else wrote to `beside` onto the disk and to its place.
///
/// # Errors
/// It is not there or cannot be moved; the old file is as it was.
pub fn put_in_place(beside: &Path, path: &Path) -> io::Result<()> {
    let synced = File::open(beside).and_then(|file| file.sync_all());
    moved_or_removed(beside, path, synced)
}

/// Makes the folder that `path` lies in.
///
/// # Errors
/// As the system says.
pub fn make_folder(path: &Path) -> io::Result<()> {
    path.parent().map_or(Ok(()), fs::create_dir_all)
}

/// Length and time of writing of a file: what is the same of a file that was not written since.
///
/// # Errors
/// As the system says.
pub fn length_and_time(path: &Path) -> io::Result<(u64, SystemTime)> {
    let meta = fs::metadata(path)?;
    Ok((meta.len(), meta.modified()?))
}

/// A name written by [`write_whole`] that a killed process left.
#[must_use]
pub fn is_left_behind(name: &str) -> bool {
    name.starts_with('.') && name.ends_with(PART)
}

fn moved_or_removed(beside: &Path, path: &Path, written: io::Result<()>) -> io::Result<()> {
    let moved = written.and_then(|()| fs::rename(beside, path));
    if moved.is_err() {
        // The half-written file is worth nothing; that it cannot be removed either changes nothing.
        let _ = fs::remove_file(beside);
        return moved;
    }
    // The name itself reaches the disk with its folder. Systems that cannot open a folder keep names by themselves.
    match path.parent().map(|p| if p.as_os_str().is_empty() { Path::new(".") } else { p }) {
        Some(folder) if cfg!(unix) => File::open(folder)?.sync_all(),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_write_replaces_the_file_and_leaves_nothing_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("deep/er/table.csv");
        write_whole(&path, b"old").unwrap();
        write_whole(&path, b"new").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"new");
        assert_eq!(fs::read_dir(path.parent().unwrap()).unwrap().count(), 1);
    }

    #[test]
    fn a_write_that_fails_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("taken");
        fs::create_dir(&path).unwrap();
        fs::write(path.join("inside"), b"x").unwrap();
        assert!(write_whole(&path, b"new").is_err());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn what_a_killed_writer_leaves_is_known_by_its_name() {
        let name = beside(Path::new("a/b/path.csv")).file_name().unwrap().to_string_lossy().into_owned();
        assert!(is_left_behind(&name), "{name}");
        assert!(!is_left_behind("path.csv") && !is_left_behind("notes.part"));
    }
}
