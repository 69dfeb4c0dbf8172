//! `compare`: casters, before and after, or sessions side by side: paths over each other, means and differences with
//! 95 % intervals, and a ranking by whatever the reader picks. No p-values and no marks: an effect, its interval, and
//! a demand for enough strokes before anything is called a difference.

pub mod cells;
pub mod contrast;
pub mod forest;
mod listed;
pub mod page;
pub mod pair;
mod progress;
pub mod season;
mod season_page;
mod strips;
pub mod tables;
mod verdict;

use std::path::Path;

use super::ReportError;
use super::files::{FileMade, write_all};
use tipwright::model::results::SessionResults;
use tipwright::model::{Direction, FigureId};

/// What is put side by side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum CompareBy {
    /// Casters with each other.
    Caster,
    /// Two phases of the same casters, paired.
    #[default]
    Phase,
    /// Sessions, the same casters paired.
    Session,
}

/// What to compare and how.
#[derive(Debug, Clone, PartialEq)]
pub struct CompareChoice {
    /// What is put side by side.
    pub by: CompareBy,
    /// The two phases; default: the first two in the order of the session.
    pub phases: Option<(String, String)>,
    /// Only strokes of this direction; default: both, each by itself, for a back stroke is not a forward stroke.
    pub direction: Option<Direction>,
    /// Figure the page ranks by at first; default: none, casters stand in order of their ids.
    pub rank: Option<FigureId>,
    /// Figures compared; default: those that say how the tip went and how it was driven.
    pub figures: Vec<FigureId>,
    /// No aliases, take names, clip names or session titles: casters become letters.
    pub anonymous: bool,
    /// Fewest strokes on each side before a difference is spoken of. Default 4: with fewer, Student's factor passes 3
    /// standard errors and one odd stroke decides (own choice).
    pub min_strokes: usize,
    /// Fewest casters with both sides before the paired mean is spoken of. Default 3, for the same reason.
    pub min_pairs: usize,
}

impl Default for CompareChoice {
    fn default() -> Self {
        Self {
            by: CompareBy::default(),
            phases: None,
            direction: None,
            rank: None,
            figures: vec![
                FigureId::DipDepth,
                FigureId::DomeHeight,
                FigureId::SlpRms,
                FigureId::OffPlaneMax,
                FigureId::Opposite,
                FigureId::Chord,
                FigureId::PeakSpeed,
                FigureId::LatePower,
                FigureId::Smoothness,
                FigureId::Stop,
                FigureId::Pause,
                FigureId::Creep,
                FigureId::Arc,
                FigureId::MaxBend,
                FigureId::BendLead,
                FigureId::Counterflex,
                FigureId::LoopWidth,
            ],
            anonymous: false,
            min_strokes: 4,
            min_pairs: 3,
        }
    }
}

impl CompareChoice {
    /// The directions compared, each by itself.
    #[must_use]
    pub fn directions(&self) -> Vec<Direction> {
        self.direction.map_or_else(|| vec![Direction::Forward, Direction::Back], |d| vec![d])
    }
}

/// Compares sessions and writes `index.html`, `comparison_means`, `comparison_differences`, and, for queries over all of them,
/// all strokes as `comparison_rows.parquet` and all paths as `comparison_points.parquet` into `folder`.
///
/// # Errors
/// A file cannot be written.
pub fn compare(
    sessions: &[SessionResults],
    choice: &CompareChoice,
    folder: &Path,
) -> Result<(), ReportError> {
    let parts: Vec<contrast::Part<'_>> =
        choice.directions().into_iter().map(|d| contrast::part(sessions, choice, d)).collect();
    let mut files = tables::files(sessions, &parts, choice.anonymous)?;
    files.push(FileMade::new("index.html", page::page(sessions, choice, &parts)));
    write_all(&files, folder)
}
