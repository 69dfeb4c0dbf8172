//! From heaps of clips to session.toml: what each clip is, which go together, when, and whose they are as far as that can be told.
//!
//! Only what session.toml does not name yet is looked at. Nothing but session.toml is written, whole or not at all; no copy of the
//! earlier file is kept, for every line a person wrote is in the new one (`document`).

mod alone;
mod along;
mod cards;
mod changes;
mod document;
mod found;
mod kind;
mod pair;
mod parts;
mod place;
mod set_ups;
mod shown;
mod takes;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::Serialize;

use crate::session::{Finding, LookConfig, Phase, Session, SessionCamera, WHOLE, listen, parse_unfinished};
use document::{Document, DocumentError};
use found::Clip;
pub use kind::Kind;
use pair::{Filmed, Paired};
use tipwright::model::footage::{Footage, FootageError};
use tipwright::scene::sound::{OnsetsEar, SoundConfig};

/// A folder with clips of a camera.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heap {
    /// Camera's name.
    pub camera: String,
    /// Folder.
    pub folder: PathBuf,
}

/// How much is looked at: less than `check` does, of more clips. Six places of five pictures: a toss of three seconds is caught in
/// flight at three, and free fall is told from a stroke over four steps.
#[must_use]
pub fn look_config() -> LookConfig {
    LookConfig { places: 6, pictures: 5, ..LookConfig::default() }
}

/// Why nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum GatherError {
    /// session.toml cannot be read.
    #[error("cannot be read ({reason}); give the folder in which the day's session.toml lies, `tipwright new` writes one: {}", path.display())]
    NoSession {
        /// What the system said.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// It has problems that are not about clips.
    #[error("the session cannot be used:\n{list}\nmend it, then gather again: {}", path.display())]
    Unusable {
        /// One problem a line.
        list: String,
        /// File.
        path: PathBuf,
    },
    /// A heap of no camera.
    #[error("there is no camera `{camera}`; the cameras are: {known}: {}", path.display())]
    NoCamera {
        /// As given.
        camera: String,
        /// Names.
        known: String,
        /// File.
        path: PathBuf,
    },
    /// A folder cannot be read.
    #[error("cannot be read ({reason}); copy each phone's clips into a folder of its camera's name, or name it with --from: {}", path.display())]
    Folder {
        /// What the system said.
        reason: String,
        /// Folder.
        path: PathBuf,
    },
    /// No folder has a clip.
    #[error("there is no clip to gather: {list}; copy each phone's clips ({}) into its camera's folder, or name the folder they lie in, as --from west=DIR: {}", found::ENDINGS.join(", "), path.display())]
    NoClips {
        /// What each folder holds.
        list: String,
        /// Session's folder.
        path: PathBuf,
    },
    /// One folder would give two cameras the same clips.
    #[error("the clips in it would be those of camera {first} and of camera {second}; give each camera a folder of its own: {}", path.display())]
    Shared {
        /// Name.
        first: String,
        /// Name.
        second: String,
        /// Folder.
        path: PathBuf,
    },
    /// It cannot be edited.
    #[error("cannot be written into: {reason}: {}", path.display())]
    Document {
        /// Why.
        reason: DocumentError,
        /// File.
        path: PathBuf,
    },
    /// It cannot be written.
    #[error("cannot be written ({reason}): {}", path.display())]
    Write {
        /// What the system said.
        reason: std::io::Error,
        /// File.
        path: PathBuf,
    },
}

/// A take that was written.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GatheredTake {
    /// Name.
    pub name: String,
    /// Caster.
    pub caster: String,
    /// The caster is a guess by the order of casters.csv.
    pub caster_is_guess: bool,
    /// Phase, by the card that was held up.
    pub phase: Option<String>,
    /// Set-up by name, where it is not the only one.
    pub set_up: Option<String>,
    /// Clip of each camera.
    pub clips: BTreeMap<String, String>,
    /// Where it begins in long clips, on the first camera's clock.
    pub from_s: Option<f64>,
    /// Where it ends.
    pub to_s: Option<f64>,
    /// `sound` or `time`; `alone` where one phone filmed it.
    pub paired_by: &'static str,
    /// Why a person should look.
    pub doubt: Option<String>,
}

/// A clip that fits nothing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Unplaced {
    /// Camera.
    pub camera: String,
    /// Clip as session.toml would write it.
    pub clip: String,
    /// Why.
    pub reason: String,
    /// The nearest clip in time of another camera, which depends on what else was looked at and is not written into the file.
    pub nearest: Option<String>,
}

/// A folder in which clips of a camera were looked for, and none is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Empty {
    /// Camera.
    pub camera: String,
    /// Folder.
    pub folder: PathBuf,
    /// Files in it that are no clips by their endings.
    pub other_files: usize,
}

impl std::fmt::Display for Empty {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let folder = self.folder.display();
        match self.other_files {
            0 => write!(f, "{folder} is empty"),
            n => write!(f, "no clip is among the {n} files in {folder}"),
        }
    }
}

/// Difference of a camera's calendar to the first camera's.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Calendar {
    /// Camera.
    pub camera: String,
    /// Seconds that it is ahead.
    pub ahead_s: f64,
    /// Pairs of clips that say so.
    pub pairs: usize,
}

/// What was gathered.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Gathered {
    /// Clips that session.toml did not name.
    pub clips: usize,
    /// Lens clip of each camera that got one.
    pub lenses: BTreeMap<String, String>,
    /// Set-ups that were written or filled in, by name; the single scene is called `scene`.
    pub set_ups: Vec<String>,
    /// Takes.
    pub takes: Vec<GatheredTake>,
    /// Clips that fit nothing.
    pub unplaced: Vec<Unplaced>,
    /// Folders without a clip.
    pub empty: Vec<Empty>,
    /// Calendars.
    pub calendars: Vec<Calendar>,
    /// session.toml has changed.
    pub is_changed: bool,
}

/// Looks at what lies there and writes it into session.toml. `phases` are those that cards were printed with; `progress` is told each
/// clip.
///
/// # Errors
/// [`GatherError`]; session.toml is as it was.
pub fn gather(
    folder: &Path,
    heaps: &[Heap],
    phases: &[Phase],
    footage: &dyn Footage,
    progress: &(dyn Fn(&Path) + Sync),
) -> Result<Gathered, GatherError> {
    let path = if folder.is_file() { folder.to_path_buf() } else { folder.join("session.toml") };
    let no_session = |e: std::io::Error| GatherError::NoSession { reason: e.to_string(), path: path.clone() };
    let before = std::fs::read_to_string(&path).map_err(no_session)?;
    let edit = |reason: DocumentError| GatherError::Document { reason, path: path.clone() };
    let document = Document::read(&before).map_err(edit)?;
    let folder = path.parent().map(Path::to_path_buf).unwrap_or_default();
    let (session, problems) = parse_unfinished(&document.readable(&folder), &path);
    let Some(session) = session.filter(|_| problems.is_empty()) else {
        let list: Vec<String> = problems.iter().map(|f: &Finding| format!("  {f}")).collect();
        return Err(GatherError::Unusable { list: list.join("\n"), path });
    };
    if let Some(heap) = heaps.iter().find(|h| session.camera_named(&h.camera).is_none()) {
        let known: Vec<&str> = session.camera.iter().map(|c| c.name.as_str()).collect();
        return Err(GatherError::NoCamera { camera: heap.camera.clone(), known: known.join(", "), path });
    }
    let named = document.texts();
    let found::Found { clips: mut wanted, empty } = found::clips_of(&session, heaps)?;
    let copies = found::without_copies(&mut wanted, |c| named.contains(&c.named));
    wanted.retain(|c| !named.contains(&c.named));
    type Looked = Result<(Filmed, shown::Shown), String>;
    let looked: Vec<(Clip, Looked)> = wanted
        .into_par_iter()
        .map(|clip| {
            progress(&clip.path);
            let seen = look_at(&session, &clip, footage);
            (clip, seen)
        })
        .collect();
    let (mut clips, mut films, mut shown, mut unread) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for (clip, seen) in looked {
        match seen {
            Ok((film, what)) => {
                clips.push(clip);
                films.push(film);
                shown.push(what);
            }
            Err(reason) => unread.push((clip, reason)),
        }
    }
    let is_board: Vec<bool> = films.iter().map(|f| f.kind == Some(Kind::Board)).collect();
    let others: Vec<usize> = (0..films.len()).filter(|i| !is_board[*i]).collect();
    let to_pair: Vec<Filmed> = others.iter().map(|i| films[*i].clone()).collect();
    let earlier = found::earlier(&session, footage);
    let mut paired: Paired = pair::pair(&to_pair, session.camera.len(), &earlier.ahead);
    for moment in &mut paired.moments {
        moment.clips.iter_mut().for_each(|i| *i = others[*i]);
        if let Some(pair::Doubt::NextBest { clip, .. }) = &mut moment.doubt {
            *clip = others[*clip];
        }
    }
    let boards: Vec<usize> = (0..films.len()).filter(|i| is_board[*i]).collect();
    let lengths_s: Vec<f64> = films.iter().map(|f| f.length_s).collect();
    let at_hand = place::AtHand {
        session: &session,
        document: &document,
        folder: &folder,
        clips: &clips,
        lengths_s: &lengths_s,
        phases,
    };
    let (additions, mut gathered) =
        place::place(&at_hand, &films, &shown, &boards, &paired, &earlier, place::Left { unread, copies });
    gathered.empty = empty;
    gathered.clips =
        clips.len() + gathered.unplaced.iter().filter(|u| !clips.iter().any(|c| c.named == u.clip)).count();
    let after = document.with(&additions, &folder).map_err(edit)?;
    gathered.is_changed = after != before;
    if gathered.is_changed {
        tipwright::files::write_whole(&path, after.as_bytes())
            .map_err(|reason| GatherError::Write { reason, path: path.clone() })?;
    }
    Ok(gathered)
}

/// What a clip says, shows and lets hear.
fn look_at(session: &Session, clip: &Clip, footage: &dyn Footage) -> Result<(Filmed, shown::Shown), String> {
    let camera: &SessionCamera = &session.camera[clip.camera_idx];
    if footage.held_share(&clip.path).is_some_and(|share| share < WHOLE) {
        return Err("the file is cut short, or still being copied; gather again when it is whole".into());
    }
    // opened once for all that is looked at: the first pictures are decoded by that alone
    let source = footage.open_clip(&clip.path, camera.capture_fps()).map_err(in_words)?;
    let info = source.info().clone();
    let mut seen = shown::look_at(session, camera, source, footage, &look_config())?;
    let slow_down = info.slow_down(camera.capture_fps());
    let length_s = info.duration_s.unwrap_or(0.0) / slow_down;
    if length_s > along::LONG_S && seen.boards == 0 {
        seen.along = Some(along::look_along(session, camera, &clip.path, footage, &look_config())?);
    }
    let kind = kind::kind_of(&[&seen]);
    let ear = |rate_hz, start_s| OnsetsEar::new(rate_hz, start_s, &SoundConfig::default());
    let hear = || listen(footage, &clip.path, slow_down, info.duration_s, &ear);
    let onsets = if kind == Some(Kind::Board) { None } else { hear().map(OnsetsEar::onsets) };
    let film = Filmed {
        camera_idx: clip.camera_idx,
        recorded_s: info.recorded_unix_s.filter(|s| *s > found::EARLIEST_UNIX_S),
        length_s,
        onsets,
        kind,
    };
    Ok((film, seen))
}

fn in_words(error: FootageError) -> String {
    match error {
        FootageError::Empty { .. } => "the file is empty, or still being copied".into(),
        FootageError::Unreadable { reason, .. } => {
            format!("it cannot be opened ({reason}), or is still being copied")
        }
        FootageError::NoPicture { reason, .. } => format!("it holds no picture ({reason})"),
        FootageError::Unsupported { format, .. } => format!("its picture format is not read ({format})"),
        FootageError::Missing { .. } => "it is gone".into(),
    }
}
