//! A whole day at Alder Reach: session folder, clips, and the truth beside them.

pub mod board;
pub mod casts;
mod faults;
pub mod heap;
pub mod long;
pub mod place;
pub mod plan;
pub mod planned;
pub mod scenery;
pub mod shoot;
pub mod sounds;
pub mod truth;

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use rayon::prelude::*;
pub use sounds::Sounds;
use tipwright_footage::encode::EncodeError;

pub use crate::phone::skin::Skin;

/// Which day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DayKind {
    /// Good light, three casters before and after.
    #[default]
    Clinic,
    /// Bad light, clouds, glints, people walking through, odd files.
    Hard,
    /// Small pictures; two good takes, and between them one of everything that can be wrong with files.
    Faults,
    /// One caster, one take, small pictures: for tests.
    Minimal,
    /// What phones in careless hands write: 30 and 240 frames a second, one upright, 30 degrees apart, their own exposure and sharpening, few
    /// bits, sun from the side, a yellow marker before yellow flowers.
    Careless,
    /// One phone alone: the wand hung at two places, two casters with a take each; small pictures.
    Single,
    /// Two casters before and after, all in one clip a phone, a card held up before each; small pictures.
    Long,
    /// The same of twelve takes, some without a card, in a clip of an hour; nothing happens between them for minutes.
    Hour,
    /// Two phones' folders as they are copied: 40 takes in three set-ups, half of them with a card held crooked, names and tags as phones write,
    /// clocks seven minutes apart, one phone without sound, takes missing on a phone, clips that belong to nothing.
    Heap,
}

impl DayKind {
    /// All kinds by name, as on the command line.
    pub const ALL: [(&'static str, Self); 9] = [
        ("clinic", Self::Clinic),
        ("hard", Self::Hard),
        ("faults", Self::Faults),
        ("minimal", Self::Minimal),
        ("long", Self::Long),
        ("careless", Self::Careless),
        ("single", Self::Single),
        ("hour", Self::Hour),
        ("heap", Self::Heap),
    ];

    /// From its name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().find(|(n, _)| *n == name).map(|(_, kind)| *kind)
    }
}

/// What to simulate. The same configuration gives the same bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SimulateConfig {
    /// Which day. Clinic by default: the day as it should be.
    pub kind: DayKind,
    /// Of all random numbers. 0 by default: any will do.
    pub seed: u64,
    /// Markers are matt balls under a low sun, so many degrees round from behind the first phone towards the second. None by default: evenly
    /// bright discs.
    pub side_light_deg: Option<u32>,
    /// Surface of the markers. Even paint by default.
    pub skin: Skin,
    /// What is heard beside a breeze and the take's claps. Nothing by default.
    pub sounds: Sounds,
}

/// How far it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SimulateProgress {
    /// Frames written.
    pub frames_done: u64,
    /// Frames of the whole day.
    pub frames_total: u64,
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Simulated {
    /// The session folder.
    pub session: PathBuf,
    /// The truth folder.
    pub truth: PathBuf,
    /// Clips written.
    pub clips: usize,
    /// Frames written.
    pub frames: u64,
}

/// Why a day cannot be simulated.
#[derive(Debug, thiserror::Error)]
pub enum SimulateError {
    /// A file cannot be written.
    #[error("cannot be written ({reason}); is the folder writable and the disk not full? {}", path.display())]
    Write {
        /// What the system said.
        reason: std::io::Error,
        /// File.
        path: PathBuf,
    },
    /// The folder holds something already.
    #[error("the folder is not empty; name a new one, or remove it first: {}", path.display())]
    NotEmpty {
        /// Folder.
        path: PathBuf,
    },
    /// A clip cannot be written.
    #[error(transparent)]
    Encode(#[from] EncodeError),
    /// A cast cannot be simulated.
    #[error("the cast of take {take} cannot be simulated: {reason}; another seed casts otherwise")]
    Cast {
        /// Take.
        take: String,
        /// Why.
        reason: tipwright_physics::PhysicsError,
    },
    /// A name no session can have.
    #[error(transparent)]
    Name(#[from] tipwright_day::session::NameError),
    /// A number no session can have.
    #[error(transparent)]
    Number(#[from] tipwright_day::session::OutOfRange),
    /// A table cannot be put into words.
    #[error("a TOML file cannot be made: {0}")]
    Toml(#[from] toml::ser::Error),
    /// Figures cannot be put into words.
    #[error("a JSON file cannot be made: {0}")]
    Json(#[from] serde_json::Error),
}

/// Writes a simulated day into `out_dir` (new or empty): the session there, the truth in its folder `truth`.
///
/// # Errors
/// The folder is not empty or cannot be written, FFmpeg has no encoder.
pub fn simulate(
    config: &SimulateConfig,
    out_dir: &Path,
    progress: &(dyn Fn(SimulateProgress) + Sync),
) -> Result<Simulated, SimulateError> {
    if std::fs::read_dir(out_dir).is_ok_and(|mut entries| entries.next().is_some()) {
        return Err(SimulateError::NotEmpty { path: out_dir.to_path_buf() });
    }
    let plans = match config.kind {
        DayKind::Heap => heap::plans(config),
        _ => vec![plan::Plan::new(config)],
    };
    let mut shoots: Vec<shoot::Shoot<'_>> =
        plans.iter().map(|plan| shoot::Shoot::planned(plan, out_dir)).collect::<Result<_, _>>()?;
    let frames_total = shoots.iter().map(shoot::Shoot::frames).sum();
    let done = AtomicU64::new(0);
    let tick = || {
        let frames_done = done.fetch_add(1, Ordering::Relaxed) + 1;
        progress(SimulateProgress { frames_done, frames_total });
    };
    // one after the other: the motions of a set-up take a gigabyte
    for shoot in &mut shoots {
        shoot.cast()?;
        // longest clips first, so that no core waits for the last one
        let mut order: Vec<usize> = (0..shoot.clips()).collect();
        order.sort_by_key(|i| std::cmp::Reverse(shoot.frames_of(*i)));
        order
            .into_par_iter()
            .with_max_len(1)
            .map(|i| shoot.film(i, &tick))
            .collect::<Result<Vec<()>, _>>()?;
        if config.kind == DayKind::Heap {
            shoot.forget_casts();
        } else {
            shoot.write_texts()?;
        }
    }
    if config.kind == DayKind::Heap {
        heap::write_texts(&shoots, out_dir)?;
    }
    Ok(Simulated {
        session: out_dir.to_path_buf(),
        truth: out_dir.join("truth"),
        clips: shoots.iter().map(shoot::Shoot::filmed).sum(),
        frames: frames_total,
    })
}
