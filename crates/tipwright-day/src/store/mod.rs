//! The results folder behind one door.
//!
//! Nothing else in this crate writes into it. Every file is written whole, reaches the disk, and is booked with a digest of what
//! it holds. A finished part (a lens, the scene, a take, its film) is kept in `kept/` with a digest of everything it rests on, this
//! build of the program among it, and with the digests of its files: a later run takes it over only if all of that is so still, so a file
//! that was deleted, emptied or edited is made again. At the end `manifest.json` says what belongs to the folder, and what the
//! program once wrote and no longer belongs is removed. One run at a time: [`Store::open`] takes a lock.

mod lock;
mod place;

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use tipwright::files::{PART, is_left_behind, make_folder, put_in_place, write_whole};

pub use place::{Fixed, Place};

/// Identity of this build: a digest of the program's own sources and of the versions it is built from.
pub const BUILD: &str = env!("TIPWRIGHT_BUILD");

/// Why the results folder cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Another run is at work.
    #[error("another run ({holder}) is at work on these results; wait until it is done, or choose another folder with -o: {}", path.display())]
    Busy {
        /// Who holds it, as it says.
        holder: String,
        /// Results folder.
        path: PathBuf,
    },
    /// The folder is somebody else's.
    #[error("holds {what}, which is not of a results folder; choose a folder of its own with -o: {}", path.display())]
    Foreign {
        /// What lies there.
        what: String,
        /// Folder.
        path: PathBuf,
    },
    /// A file or folder cannot be written.
    #[error("cannot be written ({source}); free space or choose another folder with -o: {}", path.display())]
    Write {
        /// What the system said.
        source: std::io::Error,
        /// File.
        path: PathBuf,
    },
    /// A path that could lead out of the folder.
    #[error("`{place}` is no place in a results folder")]
    Place {
        /// As asked for.
        place: String,
    },
    /// A part could not be put into words.
    #[error("cannot be kept ({reason}); this is a fault of the program, please report it: {place}")]
    Unkeepable {
        /// What the writer said.
        reason: String,
        /// Where.
        place: Place,
    },
    /// What was kept is not there or damaged.
    #[error("{reason}; run `tipwright day SESSION -o` on it: {}", path.display())]
    NotKept {
        /// What is wrong.
        reason: String,
        /// File.
        path: PathBuf,
    },
}

/// Files with digests of what they hold.
pub type Files = BTreeMap<Place, String>;

/// A finished part of an earlier run.
#[derive(Debug)]
pub struct Kept<T> {
    /// Its files.
    pub files: Files,
    /// Digest of the words it was shown with.
    pub shown: String,
    /// The part.
    pub value: T,
}

/// What stands before a kept part.
#[derive(Serialize, Deserialize)]
struct Head {
    inputs: String,
    shown: String,
    files: Files,
}

#[derive(Serialize, Deserialize)]
struct Manifest {
    schema: u32,
    tipwright_version: String,
    build: String,
    files: Files,
}

/// A results folder that this process alone writes.
#[derive(Debug)]
pub struct Store {
    root: PathBuf,
    /// Files of the last finished run.
    before: Files,
    /// Files of this run.
    now: Mutex<Files>,
    _lock: File,
}

impl Store {
    /// Opens a results folder, makes it when it is missing, and removes what killed runs left half-written.
    ///
    /// # Errors
    /// It cannot be written, another run is at work on it, or it is somebody else's.
    pub fn open(root: &Path) -> Result<Self, StoreError> {
        refuse_foreign(root)?;
        fs::create_dir_all(root).map_err(|source| StoreError::Write { source, path: root.to_path_buf() })?;
        let lock = lock::take(root)?;
        sweep(root, false);
        let before = fs::read(Place::fixed(Fixed::Manifest).below(root))
            .ok()
            .and_then(|bytes| serde_json::from_slice::<Manifest>(&bytes).ok())
            .map(|m| m.files)
            .unwrap_or_default();
        Ok(Self { root: root.to_path_buf(), before, now: Mutex::default(), _lock: lock })
    }

    /// The folder.
    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }

    fn book(&self, place: &Place, digest: &str) {
        self.now.lock().unwrap_or_else(PoisonError::into_inner).insert(place.clone(), digest.to_owned());
    }

    /// Writes a file, unless it holds just that already.
    ///
    /// # Errors
    /// It cannot be written; the old file is as it was.
    pub fn put(&self, place: &Place, bytes: &[u8], files: &mut Files) -> Result<(), StoreError> {
        let path = place.below(&self.root);
        if !fs::read(&path).is_ok_and(|old| old == bytes) {
            write_whole(&path, bytes).map_err(|source| StoreError::Write { source, path })?;
        }
        let digest = digest(bytes);
        self.book(place, &digest);
        files.insert(place.clone(), digest);
        Ok(())
    }

    /// Leaves a file of an earlier run where it is, whatever it holds: what was kept of a take that cannot be measured now (its clips
    /// are on a disk that is not there) is good again when they come back.
    pub fn leave(&self, place: &Place) {
        if let Ok(digest) = file_digest(&place.below(&self.root)) {
            self.book(place, &digest);
        }
    }

    /// A folder to make large files in before [`Self::take_in`].
    #[must_use]
    pub fn workshop(&self) -> PathBuf {
        self.root.join("report").join(format!(".film.{}{PART}", std::process::id()))
    }

    /// Takes a finished file in from the workshop.
    ///
    /// # Errors
    /// It is not there or cannot be moved.
    pub fn take_in(&self, made: &Path, place: &Place, files: &mut Files) -> Result<(), StoreError> {
        let path = place.below(&self.root);
        let failed = |source| StoreError::Write { source, path: path.clone() };
        let digest = file_digest(made).map_err(failed)?;
        make_folder(&path).and_then(|()| put_in_place(made, &path)).map_err(failed)?;
        self.book(place, &digest);
        files.insert(place.clone(), digest);
        Ok(())
    }

    /// Whether these files hold what they held; those that do belong to this run too.
    #[must_use]
    pub fn is_whole(&self, files: &Files) -> bool {
        let whole = |(place, booked): (&Place, &String)| {
            file_digest(&place.below(&self.root)).is_ok_and(|now| now == *booked)
        };
        let is_whole = files.iter().all(whole);
        if is_whole {
            files.iter().for_each(|(place, booked)| self.book(place, booked));
        }
        is_whole
    }

    /// Keeps a finished part: what it rests on, the words it is shown with, its files.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn keep<T: Serialize>(
        &self,
        place: &Place,
        inputs: &str,
        shown: &str,
        files: &Files,
        value: &T,
    ) -> Result<(), StoreError> {
        let unkeepable =
            |e: serde_json::Error| StoreError::Unkeepable { reason: e.to_string(), place: place.clone() };
        let head = Head { inputs: inputs.to_owned(), shown: shown.to_owned(), files: files.clone() };
        let mut rest = serde_json::to_vec(&head).map_err(unkeepable)?;
        rest.push(b'\n');
        serde_json::to_writer(&mut rest, value).map_err(unkeepable)?;
        rest.push(b'\n');
        let mut bytes = digest(&rest).into_bytes();
        bytes.push(b'\n');
        bytes.append(&mut rest);
        self.put(place, &bytes, &mut Files::new())
    }

    /// A part that was finished from the same inputs by this build, with its file of the same content as when it was kept.
    #[must_use]
    pub fn kept<T: DeserializeOwned>(&self, place: &Place, inputs: &str) -> Option<Kept<T>> {
        let path = place.below(&self.root);
        let bytes = fs::read(&path).ok()?;
        let (head, body) = read_kept(&bytes)?;
        if head.inputs != inputs {
            return None;
        }
        let value = serde_json::from_slice(body).ok()?;
        self.book(place, &digest(&bytes));
        Some(Kept { files: head.files, shown: head.shown, value })
    }

    /// Writes the manifest. After a whole day (`prune`) what the program once wrote and no longer belongs is removed.
    ///
    /// # Errors
    /// The manifest cannot be written.
    pub fn finish(self, prune: bool) -> Result<(), StoreError> {
        let mut files = self.now.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if !prune {
            for (place, booked) in &self.before {
                files.entry(place.clone()).or_insert_with(|| booked.clone());
            }
        }
        let manifest = Manifest {
            schema: 1,
            tipwright_version: env!("CARGO_PKG_VERSION").to_owned(),
            build: BUILD.to_owned(),
            files,
        };
        let place = Place::fixed(Fixed::Manifest);
        let bytes = serde_json::to_vec_pretty(&manifest)
            .map_err(|e| StoreError::Unkeepable { reason: e.to_string(), place: place.clone() })?;
        let path = place.below(&self.root);
        write_whole(&path, &bytes).map_err(|source| StoreError::Write { source, path })?;
        if prune {
            let gone = |place: &&Place| !manifest.files.contains_key(*place);
            for place in self.before.keys().filter(gone) {
                // Gone already is as good.
                let _ = fs::remove_file(place.below(&self.root));
            }
            for place in in_rooms(&self.root).iter().filter(gone) {
                let _ = fs::remove_file(place.below(&self.root));
            }
        }
        sweep(&self.root, true);
        Ok(())
    }
}

/// Reads a kept part of a folder that is not written: for comparisons.
///
/// # Errors
/// Not there, damaged, or of another version of the program.
pub fn read<T: DeserializeOwned>(root: &Path, place: &Place) -> Result<T, StoreError> {
    let path = place.below(root);
    let fail = |reason: String| StoreError::NotKept { reason, path: path.clone() };
    let bytes = fs::read(&path).map_err(|e| fail(format!("holds no finished results ({e})")))?;
    let (_, body) = read_kept(&bytes).ok_or_else(|| fail("what was kept here is damaged".into()))?;
    serde_json::from_slice(body)
        .map_err(|e| fail(format!("was written by another version of the program ({e})")))
}

fn read_kept(bytes: &[u8]) -> Option<(Head, &[u8])> {
    let line = |bytes: &[u8]| bytes.iter().position(|b| *b == b'\n');
    let (booked, rest) = bytes.split_at(line(bytes)?);
    let rest = &rest[1..];
    if digest(rest).as_bytes() != booked {
        return None;
    }
    let (head, body) = rest.split_at(line(rest)?);
    Some((serde_json::from_slice(head).ok()?, &body[1..]))
}

/// Digest of bytes as hexadecimal.
#[must_use]
pub fn digest(bytes: &[u8]) -> String {
    short(&blake3::hash(bytes))
}

/// Digest of a file's content.
///
/// # Errors
/// It cannot be read.
pub fn file_digest(path: &Path) -> std::io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(File::open(path)?)?;
    Ok(short(&hasher.finalize()))
}

/// 128 bits: two files of one digest will not be met by chance.
fn short(hash: &blake3::Hash) -> String {
    hash.to_hex()[..32].to_string()
}

/// A folder that is a session's, or has rooms of the store's names that the store did not make, is left alone.
fn refuse_foreign(root: &Path) -> Result<(), StoreError> {
    let foreign = |what: &str| Err(StoreError::Foreign { what: what.to_owned(), path: root.to_path_buf() });
    if root.join("session.toml").exists() {
        return foreign("session.toml");
    }
    let is_own =
        [lock::NAME, "manifest.json", "run.json", "kept"].iter().any(|name| root.join(name).exists());
    match place::ROOMS.iter().find(|room| root.join(room).exists()) {
        Some(room) if !is_own => foreign(&format!("a folder `{room}`")),
        _ => Ok(()),
    }
}

/// Files of the store's own rooms and kinds.
fn in_rooms(root: &Path) -> Vec<Place> {
    let mut found = Vec::new();
    walk(root, &mut |path| {
        let text = path.strip_prefix(root).ok().and_then(Path::to_str).map(|t| t.replace('\\', "/"));
        found.extend(text.and_then(|t| Place::new(t).ok()).filter(Place::is_in_room));
    });
    found
}

/// Removes what killed writers left, and with `empty_folders` the folders that nothing is left in.
fn sweep(root: &Path, empty_folders: bool) {
    let left = |path: &Path| path.file_name().is_some_and(|n| is_left_behind(&n.to_string_lossy()));
    let entries = fs::read_dir(root).into_iter().flatten().flatten().map(|e| e.path());
    for path in entries.filter(|p| p.is_file() && left(p)) {
        let _ = fs::remove_file(path);
    }
    walk(root, &mut |path| {
        if left(path) {
            let _ = if path.is_dir() { fs::remove_dir_all(path) } else { fs::remove_file(path) };
        }
    });
    if empty_folders {
        let mut folders = Vec::new();
        walk(root, &mut |path| folders.extend(path.is_dir().then(|| path.to_path_buf())));
        // Deepest first; a folder with something in it is not removed.
        let rooms = place::ROOMS.iter().map(|room| root.join(room));
        folders.into_iter().rev().chain(rooms).for_each(|folder| drop(fs::remove_dir(folder)));
    }
}

/// Everything in the store's rooms, a folder before what lies in it. Links are not followed.
fn walk(root: &Path, visit: &mut dyn FnMut(&Path)) {
    fn inside(folder: &Path, visit: &mut dyn FnMut(&Path)) {
        for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
            let path = entry.path();
            visit(&path);
            if entry.file_type().is_ok_and(|t| t.is_dir()) && path.exists() {
                inside(&path, visit);
            }
        }
    }
    for room in place::ROOMS {
        let folder = root.join(room);
        if folder.symlink_metadata().is_ok_and(|m| m.is_dir()) {
            inside(&folder, visit);
        }
    }
}

#[cfg(test)]
mod tests;
