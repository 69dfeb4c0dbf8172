//! Stage `report`: what a person and a script read. Tables (CSV, Parquet, JSON), a page of plots per stroke, and
//! one page in HTML for the whole session that opens from disk without a network.
//!
//! In: [`TakeResults`] and [`SessionResults`]. Out: the files of the results folder, made but not written. Nothing is computed here that
//! belongs to a stroke's figures; drawings take the figures as they are and only find the places to mark.
//! Who owns a folder writes them into it ([`files`]).

pub mod board_sheet;
pub mod compare;
pub mod files;
pub mod film;
pub mod lens_page;
pub mod page;
pub mod plan_page;
pub mod plot;
pub mod tables;
pub mod units;

pub use compare::{CompareBy, CompareChoice, compare};

use std::path::PathBuf;

use files::FileMade;
use plot::frame::DrawnUnits;
use plot::geometry::Geometry;
use plot::side::RodPose;
use tables::StrokeRow;
use tables::small_csv::SpotRow;
use tipwright::model::ReportUnits;
use tipwright::model::results::{SessionResults, TakeResults};

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

    fn paper_units(&self) -> DrawnUnits {
        match self.units {
            ReportUnits::M => DrawnUnits::Metric,
            ReportUnits::Ft => DrawnUnits::Both,
        }
    }
}

/// A take's own files, to lie in `takes/<take>`: `strokes.json`, `path.parquet`, `rod.csv` where butt markers were
/// worn, `plots/stroke-NN.svg`, and `plots/loop-NN.svg` where the line was measured. (`path.csv` belongs to the stage that reads it back.)
///
/// # Errors
/// A table cannot be made.
pub fn take_files(take: &TakeResults, config: &ReportConfig) -> Result<Vec<FileMade>, ReportError> {
    let rows = rows_of(take);
    let mut files = vec![
        FileMade::of("strokes.json", tables::strokes_json::to_bytes(&rows))?,
        FileMade::of("path.parquet", tables::paths::to_bytes(take))?,
    ];
    if !take.rod.is_empty() {
        files.push(FileMade::of("rod.csv", tables::small_csv::rod(&take.rod))?);
    }
    for row in &rows {
        let geometry = Geometry::of(row.stroke);
        let rods = rod_poses(&geometry, config);
        let heading =
            format!("Stroke {}, {}", row.stroke.stroke, tables::direction_word(row.stroke.direction));
        let phase = row.phase.map(|p| format!(", {p}")).unwrap_or_default();
        let below = format!("{}, take {}, {}{phase}", row.session, row.take, take.alias);
        let sheet = plot::sheet::stroke_sheet(&geometry, &rods, &heading, &below, config.paper_units());
        files.push(FileMade::new(format!("plots/{}", plot_name(row.stroke.stroke)), sheet));
        if let Some(line) = take.loops.iter().find(|l| l.stroke == row.stroke.stroke) {
            let sheet = plot::loops::sheet(row.stroke, line, config.paper_units());
            files.push(FileMade::new(format!("plots/{}", loop_plot_name(row.stroke.stroke)), sheet));
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
    files.push(FileMade::of("strokes.csv", tables::strokes_csv::to_bytes(&rows_of(take)))?);
    Ok(files)
}

/// `spots_<camera>.csv` of a take.
///
/// # Errors
/// The table cannot be made.
pub fn spots_file(camera: &str, spots: &[SpotRow]) -> Result<FileMade, ReportError> {
    FileMade::of(format!("spots_{camera}.csv"), tables::small_csv::spots(spots))
}

/// The session's files: `strokes.csv`, `evidence.csv`, both as Parquet too, and `report/index.html`; `anonymous`: they name
/// nobody and show no picture.
///
/// # Errors
/// A table cannot be made.
pub fn session_files(session: &SessionResults, anonymous: bool) -> Result<Vec<FileMade>, ReportError> {
    let nameless;
    let session = if anonymous {
        nameless = compare::cells::without_names(session);
        &nameless
    } else {
        session
    };
    let rows: Vec<StrokeRow<'_>> = session.takes.iter().flat_map(rows_of).collect();
    Ok(vec![
        FileMade::of("strokes.csv", tables::strokes_csv::to_bytes(&rows))?,
        FileMade::of("strokes.parquet", tables::strokes_parquet::to_bytes(&rows))?,
        FileMade::of("evidence.csv", tables::evidence::to_csv(&session.takes))?,
        FileMade::of("evidence.parquet", tables::evidence::to_parquet(&session.takes))?,
        FileMade::new("report/index.html", page::session_page(session)),
    ])
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

/// The rows of a take.
#[must_use]
pub fn rows_of(take: &TakeResults) -> Vec<StrokeRow<'_>> {
    take.strokes
        .iter()
        .map(|stroke| StrokeRow {
            session: &take.session,
            take: &take.take,
            caster: &take.caster,
            phase: take.phase.as_deref(),
            stroke,
        })
        .collect()
}

/// The rod at equal steps of time over the stroke, rod straight position among them, from the butt angle and bend
/// of its samples; empty without butt markers. The hand's end follows from the rod's length, whose shortening by
/// the bend is taken from the circle through bend and length.
#[must_use]
pub fn rod_poses(geometry: &Geometry<'_>, config: &ReportConfig) -> Vec<RodPose> {
    let samples = &geometry.stroke.samples;
    let (Some(first), Some(last)) = (samples.get(geometry.window.start), samples.last()) else {
        return Vec::new();
    };
    let anchor_s = geometry.t_rsp_s.unwrap_or(last.t_s);
    // From the start of W to as long after rod straight as W's last third, stepping so that it is hit.
    let end_s = (anchor_s + (anchor_s - first.t_s) / 3.0).min(last.t_s);
    let steps = config.rods_drawn.saturating_sub(3).max(1) as f64;
    let step_s = (anchor_s - first.t_s) / steps;
    if !(step_s > 0.0) {
        return Vec::new();
    }
    let mut out = Vec::new();
    let mut t_s = first.t_s;
    while t_s <= end_s + 1e-9 {
        let snapped = if (t_s - anchor_s).abs() < 1e-6 { anchor_s } else { t_s };
        out.extend(geometry.at(snapped).and_then(|sample| rod_pose(geometry, &sample, config.rod_length_m)));
        t_s += step_s;
    }
    out
}

fn rod_pose(
    geometry: &Geometry<'_>,
    sample: &tipwright::model::stroke::CastSample,
    length_m: f64,
) -> Option<RodPose> {
    let (bend_m, angle) = (sample.bend_m?, sample.butt_angle_deg?.to_radians());
    let axis = [angle.cos(), angle.sin()];
    // The side the tip lags to: behind the stroke.
    let behind = match geometry.stroke.direction {
        tipwright::model::Direction::Forward => [-axis[1], axis[0]],
        tipwright::model::Direction::Back => [axis[1], -axis[0]],
    };
    let tip = geometry.side(sample);
    // Offset b of a circular arc of length L turns by about 2 b / L; its reach along the axis is L sin(t) / t.
    let turn = (2.0 * bend_m.abs() / length_m).min(2.0);
    let reach = if turn > 1e-6 { length_m * turn.sin() / turn } else { length_m };
    let butt = [0, 1].map(|k| tip[k] - reach * axis[k] - bend_m * behind[k]);
    Some(RodPose { t_s: sample.t_s, butt, axis, tip })
}
