//! Stage `report`: what a person and a script read. Tables (CSV, Parquet, JSON), a page of plots per stroke, and
//! pages in HTML for the day, every caster and every handout that open from disk without a network.
//!
//! In: [`TakeResults`] and [`SessionResults`]. Out: the files of the results folder. Nothing is computed here that
//! belongs to a stroke's figures; drawings take the figures as they are and only find the places to mark.
//! Who owns a folder writes them into it ([`files`]). Every text that somebody else wrote comes in through [`text`].

pub mod compare;
pub mod dictionary;
pub mod files;
pub mod film;
pub mod lens_page;
pub mod page;
pub mod plan_page;
pub mod plot;
pub mod print;
pub mod stats;
pub mod tables;
pub mod text;
pub mod units;

pub use compare::{CompareBy, CompareChoice, compare};

use std::path::PathBuf;

use files::FileMade;
use plot::frame::DrawnUnits;
use plot::geometry::Geometry;
use plot::rods::rod_poses;
use tables::evidence;
use tables::facts::Facts;
use tables::spots::SpotRow;
use tables::strokes::{self, StrokeRow};
use tables::{draws, samples, spots};
use tipwright::model::results::{SessionResults, TakeResults};
use tipwright::model::{PathDraws, ReportUnits};

/// Why a table or page was not written.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The file or its folder cannot be written.
    #[error("cannot be written ({source}); free space or choose another folder with -o: {}", path.display())]
    Write {
        /// What the system said.
        source: std::io::Error,
        /// File.
        path: PathBuf,
    },
    /// The table could not be put together.
    #[error("the table could not be made ({reason}); this is a fault of the program, please report it: {}", path.display())]
    Table {
        /// What the writer said.
        reason: String,
        /// File.
        path: PathBuf,
    },
}

/// How reports are made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReportConfig {
    /// Units of the paper plots, and those a page shows first.
    pub units: ReportUnits,
    /// Length of the rod, to draw how it stood. Default 2.743 m, a 9 ft rod, the commonest for a 5-weight line
    /// (common practice).
    pub rod_length_m: f64,
    /// Equal steps of time at which the rod is drawn in a stroke. Default 9: enough to see it load and straighten,
    /// few enough to follow one by one.
    pub rods_drawn: usize,
}

impl Default for ReportConfig {
    fn default() -> Self {
        Self { units: ReportUnits::M, rod_length_m: 2.743, rods_drawn: 9 }
    }
}

impl ReportConfig {
    /// As a session wants it.
    #[must_use]
    pub fn of_session(session: &SessionResults) -> Self {
        Self { units: session.report_units, rod_length_m: session.rod_length_m, ..Self::default() }
    }

    /// The rod's length and how often it is drawn.
    fn rods(&self) -> (f64, usize) {
        (self.rod_length_m, self.rods_drawn)
    }

    fn paper_units(&self) -> DrawnUnits {
        match self.units {
            ReportUnits::M => DrawnUnits::Metric,
            ReportUnits::Ft => DrawnUnits::Both,
        }
    }
}

/// A take's own files, to lie in `takes/<take>`: `strokes.json`, `path.parquet`, `rod.csv` and `rod.parquet` where butt
/// markers were worn, `loop.parquet` where the line was measured, and the drawings `plots/*.svg`.
///
/// # Errors
/// A table cannot be made.
pub fn take_files(take: &TakeResults, config: &ReportConfig) -> Result<Vec<FileMade>, ReportError> {
    let rows = strokes::rows(take);
    let facts = Facts::of([take]);
    let mut files = vec![
        FileMade::of("strokes.json", strokes::json(&rows))?,
        FileMade::of("path.parquet", samples::path().parquet(&samples::path_rows(&[take]), &facts))?,
    ];
    if !take.rod.is_empty() {
        files.push(FileMade::of("rod.csv", samples::rod_csv().csv(&take.rod))?);
        files.push(FileMade::of("rod.parquet", samples::rod().parquet(&samples::rod_rows(take), &facts))?);
    }
    if !take.loops.is_empty() {
        files
            .push(FileMade::of("loop.parquet", samples::loops().parquet(&samples::loop_rows(take), &facts))?);
    }
    for stroke in &take.strokes {
        let geometry = Geometry::of(stroke);
        let rods = rod_poses(&geometry, config.rods());
        let heading = format!("Stroke {}, {}", stroke.stroke, tables::direction_word(stroke.direction));
        let phase = take.phase.as_ref().map(|p| format!(", {p}")).unwrap_or_default();
        let below = format!("{}, take {}, {}{phase}", take.session, take.take, take.alias);
        let sheet = plot::sheet::stroke_sheet(&geometry, &rods, &heading, &below, config.paper_units());
        files.push(FileMade::new(format!("plots/{}", plot_name(stroke.stroke)), sheet));
        if let Some(line) = take.loops.iter().find(|l| l.stroke == stroke.stroke) {
            let sheet = plot::loops::sheet(stroke, line, config.paper_units());
            files.push(FileMade::new(format!("plots/{}", loop_plot_name(stroke.stroke)), sheet));
        }
    }
    Ok(files)
}

/// The files of a path measured by itself: those of a take, and `strokes.csv`.
///
/// # Errors
/// A table cannot be made.
pub fn alone_files(take: &TakeResults, config: &ReportConfig) -> Result<Vec<FileMade>, ReportError> {
    let mut files = take_files(take, config)?;
    files.push(FileMade::of("strokes.csv", strokes::table().csv(&strokes::rows(take)))?);
    Ok(files)
}

/// `spots_<camera>.csv` of a take.
///
/// # Errors
/// The table cannot be made.
pub fn spots_file(camera: &str, rows: &[SpotRow]) -> Result<FileMade, ReportError> {
    FileMade::of(format!("spots_{camera}.csv"), spots::csv().csv(rows))
}

/// Tables of a take that only its clips tell: `spots.parquet` and `draws.parquet`, the latter where there are draws.
///
/// # Errors
/// A table cannot be made.
pub fn clip_files(
    take: &TakeResults,
    seen: &[(String, Vec<SpotRow>)],
    drawn: &PathDraws,
) -> Result<Vec<FileMade>, ReportError> {
    let facts = Facts::of([take]);
    let mut files =
        vec![FileMade::of("spots.parquet", spots::table().parquet(&spots::rows(take, seen), &facts))?];
    if !drawn.is_empty() {
        files.push(FileMade::of(
            "draws.parquet",
            draws::table().parquet_of(draws::rows(take, drawn), &facts),
        )?);
    }
    Ok(files)
}

/// The session's files: `strokes.csv`, `evidence.csv`, both as Parquet too, and the pages below `report/`, each given to `put` as soon
/// as it is made; `anonymous`: they name nobody and show no picture.
///
/// # Errors
/// A table cannot be made, or what `put` says.
pub fn write_session<E: From<ReportError>>(
    session: &SessionResults,
    anonymous: bool,
    put: &mut dyn FnMut(FileMade) -> Result<(), E>,
) -> Result<(), E> {
    let nameless;
    let session = if anonymous {
        nameless = compare::cells::without_names(session);
        &nameless
    } else {
        session
    };
    let facts = Facts::of(&session.takes);
    let rows: Vec<StrokeRow<'_>> = session.takes.iter().flat_map(strokes::rows).collect();
    let asked = evidence::rows(&session.takes);
    put(FileMade::of("strokes.csv", strokes::table().csv(&rows))?)?;
    put(FileMade::of("strokes.parquet", strokes::table().parquet(&rows, &facts))?)?;
    put(FileMade::of("evidence.csv", evidence::table().csv(&asked))?)?;
    put(FileMade::of("evidence.parquet", evidence::table().parquet(&asked, &facts))?)?;
    page::write_pages(session, put)
}

/// The files of [`write_session`], all held at once.
///
/// # Errors
/// A table cannot be made.
pub fn session_files(session: &SessionResults, anonymous: bool) -> Result<Vec<FileMade>, ReportError> {
    let mut files = Vec::new();
    write_session(session, anonymous, &mut |file| {
        files.push(file);
        Ok::<(), ReportError>(())
    })?;
    Ok(files)
}

/// Name of a stroke's page of plots.
#[must_use]
pub fn plot_name(stroke: u32) -> String {
    format!("stroke-{stroke:02}.svg")
}

/// Name of the drawing of a stroke's loop.
#[must_use]
pub fn loop_plot_name(stroke: u32) -> String {
    format!("loop-{stroke:02}.svg")
}
