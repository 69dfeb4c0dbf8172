//! Where a file of the results folder lies. Every path of the store is made here, from checked names, so that none leads out of
//! the folder.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::StoreError;
use crate::session::names::{CameraName, SetUpName, TakeName};

/// Folders that belong to the store alone.
pub(super) const ROOMS: [&str; 4] = ["lens", "takes", "report", "kept"];
/// What the program writes into them: a file of another kind is somebody else's and stays.
const KINDS: [&str; 11] =
    ["csv", "parquet", "json", "toml", "svg", "html", "pdf", "mp4", "jpg", "pgm", "kept"];

/// A place below the results folder, parted by `/`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct Place(String);

impl Place {
    /// A place from its text.
    ///
    /// # Errors
    /// It could lead out of the folder, or a part of it is no file name everywhere.
    pub fn new(text: impl Into<String>) -> Result<Self, StoreError> {
        let text = text.into();
        if text.split('/').all(is_plain) { Ok(Self(text)) } else { Err(StoreError::Place { place: text }) }
    }

    /// A file of a take.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn in_take(take: &TakeName, file: &str) -> Result<Self, StoreError> {
        Self::new(format!("takes/{take}/{file}"))
    }

    /// A camera's lens file.
    #[must_use]
    pub fn lens(camera: &CameraName) -> Self {
        Self(format!("lens/{camera}.toml"))
    }

    /// The picture of where a camera's board was seen.
    #[must_use]
    pub fn lens_coverage(camera: &CameraName) -> Self {
        Self(format!("lens/{camera}.coverage.svg"))
    }

    /// What a camera shows of the set-up when nothing moves. Here and below: of the first set-up, or of one of the others by name.
    #[must_use]
    pub fn still(set_up: Option<&SetUpName>, camera: &CameraName) -> Self {
        // a name may hold what parts it from the camera's; a file name that begins otherwise is never mistaken
        match set_up {
            None => Self(format!("kept/still_{camera}.pgm")),
            Some(name) => Self(format!("kept/still-of_{name}_{camera}.pgm")),
        }
    }

    /// Poses and clocks.
    #[must_use]
    pub fn scene(set_up: Option<&SetUpName>) -> Self {
        Self(set_up.map_or_else(|| "scene.toml".into(), |name| format!("scene_{name}.toml")))
    }

    /// What is kept of the scene.
    #[must_use]
    pub fn kept_scene(set_up: Option<&SetUpName>) -> Self {
        Self(set_up.map_or_else(|| "kept/scene.kept".into(), |name| format!("kept/scene_{name}.kept")))
    }

    /// What is kept of a camera's lens.
    #[must_use]
    pub fn kept_lens(camera: &CameraName) -> Self {
        Self(format!("kept/lens_{camera}.kept"))
    }

    /// What is kept of a take.
    #[must_use]
    pub fn kept_take(take: &TakeName) -> Self {
        Self(format!("kept/take_{take}.kept"))
    }

    /// That one camera alone shows a take.
    #[must_use]
    pub fn kept_alone(take: &TakeName) -> Self {
        Self(format!("kept/alone_{take}.kept"))
    }

    /// What is kept of a take's film.
    #[must_use]
    pub fn kept_film(take: &TakeName) -> Self {
        Self(format!("kept/film_{take}.kept"))
    }

    /// A file with a name of its own.
    #[must_use]
    pub fn fixed(which: Fixed) -> Self {
        Self(
            match which {
                Fixed::Run => "run.json",
                Fixed::Manifest => "manifest.json",
                Fixed::KeptSession => "kept/session.kept",
            }
            .to_owned(),
        )
    }

    /// The text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Below a results folder.
    #[must_use]
    pub fn below(&self, root: &Path) -> PathBuf {
        root.join(&self.0)
    }

    /// It lies in one of the store's own folders and is of a kind that the program writes there.
    #[must_use]
    pub(super) fn is_in_room(&self) -> bool {
        let mut parts = self.0.split('/');
        let is_room = parts.next().is_some_and(|p| ROOMS.contains(&p));
        is_room && self.0.rsplit_once('.').is_some_and(|(_, kind)| KINDS.contains(&kind))
    }
}

/// Files there is one of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fixed {
    /// How the run went.
    Run,
    /// What belongs to the folder.
    Manifest,
    /// What `compare` reads.
    KeptSession,
}

impl From<Place> for String {
    fn from(place: Place) -> Self {
        place.0
    }
}

impl TryFrom<String> for Place {
    type Error = StoreError;
    fn try_from(text: String) -> Result<Self, StoreError> {
        Self::new(text)
    }
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(&self.0)
    }
}

/// One part of a path that is a plain name: not hidden, not `..`, nothing that a system reads otherwise.
fn is_plain(part: &str) -> bool {
    part.chars().next().is_some_and(char::is_alphanumeric)
        && part.chars().all(|c| c.is_alphanumeric() || matches!(c, ' ' | '.' | '_' | '-'))
        && part.len() <= 255
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_place_leads_out_of_the_folder() {
        for bad in [
            "",
            ".",
            "..",
            "../x",
            "/etc/x",
            "a/../b",
            "a//b",
            "a/",
            "takes/../../x/path.csv",
            "a\\b",
            "C:x",
            "a/.b",
        ] {
            assert!(Place::new(bad).is_err(), "{bad:?}");
        }
        let take = TakeName::new("03-before").unwrap();
        assert!(Place::in_take(&take, "../../x").is_err());
        assert_eq!(
            Place::in_take(&take, "plots/stroke-01.svg").unwrap().as_str(),
            "takes/03-before/plots/stroke-01.svg"
        );
    }

    #[test]
    fn only_kinds_that_the_program_writes_are_its_own() {
        for (text, own) in [
            ("takes/a/path.csv", true),
            ("takes/a/notes.txt", false),
            ("report/film/01-a-stroke-01-east.mp4", true),
            ("comparison/strokes.parquet", false),
            ("strokes.csv", false),
        ] {
            assert_eq!(Place::new(text).unwrap().is_in_room(), own, "{text}");
        }
    }
}
