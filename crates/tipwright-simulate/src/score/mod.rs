//! Errors of results against a truth folder.
//!
//! Both folders have the layout of a results folder. The world frame of a scene is arbitrary but for +Z, so results are
//! laid onto the truth by a turn about the vertical and a shift before positions are compared; the scale is left as it
//! is and reported. Times are compared as they are: both count from the first camera's clock.

mod align;
mod figures;
mod page;
mod read;
mod takes;
mod text;

use std::path::{Path, PathBuf};

use serde::Serialize;

pub use align::WorldFit;
pub use figures::{FigurePoint, FigureScore};
pub use takes::{CameraScore, ClockScore, TakeScore};

/// Why nothing can be scored.
#[derive(Debug, thiserror::Error)]
pub enum ScoreError {
    /// A folder or file that must be there is not.
    #[error("{what} is missing; name the folder that holds takes/<take>/strokes.json: {}", path.display())]
    Missing {
        /// What.
        what: &'static str,
        /// Where it should be.
        path: PathBuf,
    },
    /// A file cannot be understood.
    #[error("cannot be read ({reason}); write it again with the same version of the program: {}", path.display())]
    Malformed {
        /// What the reader said.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// Results and truth of different sessions.
    #[error("the results are of `{results}`, the truth is of `{truth}`; give the truth of the same day: {}", path.display())]
    OtherDay {
        /// Session of the results.
        results: String,
        /// Session of the truth.
        truth: String,
        /// Truth folder.
        path: PathBuf,
    },
    /// Truth and results have no take in common.
    #[error("no take of the truth is among the results; are both of the same day? {}", path.display())]
    NothingInCommon {
        /// Results.
        path: PathBuf,
    },
}

/// Settings of [`score`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScoreConfig {
    /// Strokes are the same when their peak phases lie within this. 0.3 s: shorter than a stroke and its pause.
    pub match_within_s: f64,
    /// A stated interval is value +- this many standard deviations. 1.96: 95 % of a normal error.
    pub interval_sds: f64,
    /// Instants common to both paths needed to lay worlds onto each other by paths instead of camera centres. 100.
    pub least_common: usize,
}

impl Default for ScoreConfig {
    fn default() -> Self {
        Self { match_within_s: 0.3, interval_sds: 1.959_964, least_common: 100 }
    }
}

/// Strokes counted over all takes of the truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct StrokeCounts {
    /// In the truth.
    pub there: usize,
    /// Of those, found.
    pub found: usize,
    /// Of those, not found.
    pub missed: usize,
    /// In the results and not in the truth.
    pub invented: usize,
    /// Found with the other direction.
    pub direction_wrong: usize,
}

/// Everything that was compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScoreReport {
    /// Version of this layout.
    pub schema: u32,
    /// How the results' world lies in the truth's.
    pub world: WorldFit,
    /// Set-up.
    pub cameras: Vec<CameraScore>,
    /// Takes.
    pub takes: Vec<TakeScore>,
    /// Strokes.
    pub strokes: StrokeCounts,
    /// Root mean square distance of the tip path over all takes, millimetres.
    pub path_rmse_mm: Option<f64>,
    /// One entry per figure that has a truth.
    pub figures: Vec<FigureScore>,
    /// Share of all truths inside their stated intervals, all figures together.
    pub inside_share: Option<f64>,
    /// What could not be compared, and why.
    pub notes: Vec<String>,
}

/// Compares a results folder with a truth folder.
///
/// # Errors
/// A folder has no takes, a file cannot be read, or the two have no take in common.
pub fn score(results_dir: &Path, truth_dir: &Path) -> Result<ScoreReport, ScoreError> {
    score_with(results_dir, truth_dir, &ScoreConfig::default())
}

/// The same with other settings.
///
/// # Errors
/// As [`score`].
pub fn score_with(
    results_dir: &Path,
    truth_dir: &Path,
    config: &ScoreConfig,
) -> Result<ScoreReport, ScoreError> {
    let mut notes = Vec::new();
    let truth = read::Folder::read(truth_dir, "the truth's folder takes/")?;
    let results = read::Folder::read(results_dir, "the results' folder takes/")?;
    if let (Some(of_results), Some(of_truth)) = (&results.session, &truth.session)
        && !of_results.is_same(of_truth)
    {
        return Err(ScoreError::OtherDay {
            results: of_results.to_string(),
            truth: of_truth.to_string(),
            path: truth_dir.to_path_buf(),
        });
    }
    if !truth.takes.keys().any(|name| results.takes.contains_key(name)) {
        return Err(ScoreError::NothingInCommon { path: results_dir.to_path_buf() });
    }
    let world = align::fit(&results, &truth, config, &mut notes);
    let cameras = takes::cameras(&results, &truth, &world, config, &mut notes);
    let mut scored = Vec::new();
    let mut points = figures::Collected::default();
    let mut strokes = StrokeCounts::default();
    let (mut square_sum, mut count) = (0.0, 0usize);
    for (name, true_take) in &truth.takes {
        let Some(take) = results.takes.get(name) else {
            notes.push(format!("take {name} is not among the results"));
            strokes.there += true_take.strokes.len();
            strokes.missed += true_take.strokes.len();
            scored.push(TakeScore::absent(name, true_take));
            continue;
        };
        let pairs = figures::pair(take, true_take, config);
        points.add(name, take, true_take, &pairs, config);
        let one = takes::take(name, take, true_take, &pairs, &world, config);
        strokes.there += true_take.strokes.len();
        strokes.found += pairs.len();
        strokes.missed += one.missed.len();
        strokes.invented += one.invented.len();
        strokes.direction_wrong += one.direction_wrong.len();
        if let Some(rmse) = one.path_rmse_mm {
            square_sum += rmse * rmse * one.path_points as f64;
            count += one.path_points;
        }
        scored.push(one);
    }
    for name in results.takes.keys().filter(|name| !truth.takes.contains_key(*name)) {
        notes.push(format!("take {name} has no truth"));
    }
    let figures = points.scores();
    let intervals: usize = figures.iter().map(|f| f.with_interval).sum();
    let inside: usize = figures.iter().map(|f| f.inside).sum();
    Ok(ScoreReport {
        schema: 1,
        world,
        cameras,
        takes: scored,
        strokes,
        path_rmse_mm: (count > 0).then(|| (square_sum / count as f64).sqrt()),
        figures,
        inside_share: (intervals > 0).then(|| inside as f64 / intervals as f64),
        notes,
    })
}

impl ScoreReport {
    /// The table for people.
    #[must_use]
    pub fn to_text(&self) -> String {
        text::table(self)
    }

    /// The same as JSON.
    ///
    /// # Errors
    /// Only what the JSON writer says.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string_pretty(self)
    }

    /// A page with plots that needs nothing beside it.
    #[must_use]
    pub fn to_html(&self) -> String {
        page::html(self)
    }
}

#[cfg(test)]
mod tests;
