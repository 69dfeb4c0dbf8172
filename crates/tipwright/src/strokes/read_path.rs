//! path.csv in and out: `t_s,x_m,y_m,z_m,vx_m_s,vy_m_s,vz_m_s,sx_m,sy_m,sz_m,views`.
//!
//! Columns are known by name, in any order; others are left alone. Velocities, standard deviations and views may be
//! missing (all three of a kind together): velocities then come from a smoothing spline through the positions,
//! standard deviations from the scatter of the positions. Times must increase; a step longer than 1.5 usual steps
//! is a gap and nothing is drawn through it.

use std::path::{Path, PathBuf};

use nalgebra::{Point3, Vector3};

use crate::files::write_whole;
use crate::math::median;
use crate::model::results::PathPoint;
use crate::model::{MarkerPath, PathSample, Severity, Warning};

use super::spline;

/// The header of path.csv.
pub const HEADER: &str = "t_s,x_m,y_m,z_m,vx_m_s,vy_m_s,vz_m_s,sx_m,sy_m,sz_m,views";

/// Taken for a path that brings velocities but no standard deviations, metres: the small end of what phones at
/// 8 m reach on a fast tip (5 to 15 mm, derived from published accuracies of wand-calibrated action cameras).
pub const ASSUMED_SD_M: f64 = 0.005;

/// A path read, with what had to be assumed.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadPath {
    /// The path; no draws.
    pub path: MarkerPath,
    /// What was missing and what was taken instead.
    pub warnings: Vec<Warning>,
}

/// Why a path file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum PathFileError {
    /// Not there, not readable, not UTF-8, or not writable.
    #[error("cannot be read or written ({reason}); give the path of a path.csv: {}", path.display())]
    File {
        /// What the system said.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// No header or a header without a needed column.
    #[error(
        "line 1: the header has no column {column}; a path file starts with {HEADER} (from vx_m_s on optional): {}",
        path.display()
    )]
    Header {
        /// First missing column.
        column: &'static str,
        /// File.
        path: PathBuf,
    },
    /// A column that only comes with others.
    #[error("line 1: column {column} is missing although its companions are there; give all three or none: {}", path.display())]
    HalfGroup {
        /// Missing column.
        column: &'static str,
        /// File.
        path: PathBuf,
    },
    /// Something in a row.
    #[error("line {line}: {reason}: {}", path.display())]
    Row {
        /// Line of the file, the header is line 1.
        line: u64,
        /// What is wrong and what to do.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// Rows too far apart for a cast, or times that are not seconds.
    #[error("the rows are {step_s} s apart, and a stroke takes less than a second; is t_s in seconds? {}", path.display())]
    NotSeconds {
        /// Median step of t_s.
        step_s: f64,
        /// File.
        path: PathBuf,
    },
    /// Fewer rows than a path needs.
    #[error("the file has {rows} rows and a path needs at least 8; track a longer part of the clip: {}", path.display())]
    TooFewRows {
        /// Rows read.
        rows: usize,
        /// File.
        path: PathBuf,
    },
}

/// Longest step of time between rows: a stroke of the short end (0.3 s) has one row then. Milliseconds taken for seconds lie far
/// beyond.
const LONGEST_STEP_S: f64 = 0.3;

const POSITION: [&str; 4] = ["t_s", "x_m", "y_m", "z_m"];
const VELOCITY: [&str; 3] = ["vx_m_s", "vy_m_s", "vz_m_s"];
const SD: [&str; 3] = ["sx_m", "sy_m", "sz_m"];

/// Reads a path file.
///
/// # Errors
/// With the line: a header without a needed column, a row that is short, not a number, not finite, or not later
/// than the one before.
pub fn read_path(path: &Path) -> Result<ReadPath, PathFileError> {
    let file_error = |reason: String| PathFileError::File { reason, path: path.into() };
    let bytes = std::fs::read(path).map_err(|e| file_error(e.to_string()))?;
    let text = String::from_utf8(bytes).map_err(|_| file_error("it is not UTF-8 text".into()))?;
    let text = text.trim_start_matches('\u{feff}');
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .flexible(true)
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let header = reader.headers().map_err(|e| file_error(e.to_string()))?.clone();
    let column = |name: &str| header.iter().position(|h| h == name);
    let group = |names: &[&'static str; 3]| -> Result<Option<[usize; 3]>, PathFileError> {
        let found = names.map(column);
        match found {
            [Some(a), Some(b), Some(c)] => Ok(Some([a, b, c])),
            [None, None, None] => Ok(None),
            _ => {
                let missing = names.iter().zip(found).find(|(_, f)| f.is_none());
                let column = missing.map_or(names[0], |m| m.0);
                Err(PathFileError::HalfGroup { column, path: path.into() })
            }
        }
    };
    let mut place = [0; 4];
    for (p, name) in place.iter_mut().zip(POSITION) {
        *p = column(name).ok_or(PathFileError::Header { column: name, path: path.into() })?;
    }
    let (velocity, sd, views) = (group(&VELOCITY)?, group(&SD)?, column("views"));
    let mut samples: Vec<PathSample> = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|e| file_error(e.to_string()))?;
        let line = record.position().map_or(0, csv::Position::line);
        let row = |reason: String| PathFileError::Row { line, reason, path: path.into() };
        let number = |idx: usize| -> Result<f64, PathFileError> {
            let name = &header[idx];
            let field =
                record.get(idx).ok_or_else(|| row(format!("{name} is missing; the row is too short")))?;
            let x: f64 = field
                .parse()
                .map_err(|_| row(format!("{name} is \"{field}\", not a number; leave the row out")))?;
            if x.is_finite() {
                Ok(x)
            } else {
                Err(row(format!("{name} is {x}; leave the row out, a gap is no harm")))
            }
        };
        let three = |at: [usize; 3]| -> Result<Vector3<f64>, PathFileError> {
            Ok(Vector3::new(number(at[0])?, number(at[1])?, number(at[2])?))
        };
        let t_s = number(place[0])?;
        if let Some(last) = samples.last().filter(|l| t_s <= l.t_s) {
            return Err(row(format!(
                "t_s is {t_s}, not later than {} before it; sort the rows by time",
                last.t_s
            )));
        }
        let position_sd_m = sd.map_or(Ok(Vector3::zeros()), three)?;
        if position_sd_m.iter().any(|s| *s < 0.0) {
            return Err(row("a standard deviation is negative".into()));
        }
        samples.push(PathSample {
            t_s,
            position_in_world: Point3::from(three([place[1], place[2], place[3]])?),
            velocity_in_world_m_s: velocity.map_or(Ok(Vector3::zeros()), three)?,
            position_sd_m,
            views: match views {
                Some(idx) => number(idx)?.clamp(0.0, 255.0) as u8,
                None => 2,
            },
        });
    }
    if samples.len() < 8 {
        return Err(PathFileError::TooFewRows { rows: samples.len(), path: path.into() });
    }
    let step_s = median(samples.windows(2).map(|w| w[1].t_s - w[0].t_s)).unwrap_or(f64::NAN);
    if !(step_s <= LONGEST_STEP_S) {
        return Err(PathFileError::NotSeconds { step_s, path: path.into() });
    }
    let mut out = MarkerPath { samples, ..MarkerPath::default() };
    let warnings = complete(&mut out, velocity.is_some(), sd.is_some(), path);
    Ok(ReadPath { path: out, warnings })
}

/// Fills in what the file did not bring.
fn complete(path: &mut MarkerPath, has_velocity: bool, has_sd: bool, file: &Path) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let mut note = |what: String, remedy: &str| {
        warnings.push(Warning::new(Severity::Note, file.display().to_string(), what, remedy));
    };
    if !has_sd && has_velocity {
        for s in &mut path.samples {
            s.position_sd_m = Vector3::repeat(ASSUMED_SD_M);
        }
        note(
            format!("no standard deviations in the file: {:.0} mm per axis taken", ASSUMED_SD_M * 1000.0),
            "Add sx_m, sy_m, sz_m where they are known",
        );
    }
    if has_velocity {
        return warnings;
    }
    for stretch in path.stretches() {
        let samples = &mut path.samples[stretch];
        if samples.len() < 5 {
            let t: Vec<f64> = samples.iter().map(|s| s.t_s).collect();
            if let [.., _, last] = t[..] {
                let mean = (samples[samples.len() - 1].position_in_world - samples[0].position_in_world)
                    / (last - t[0]);
                samples.iter_mut().for_each(|s| s.velocity_in_world_m_s = mean);
            }
            if !has_sd {
                samples.iter_mut().for_each(|s| s.position_sd_m = Vector3::repeat(ASSUMED_SD_M));
            }
            continue;
        }
        let t: Vec<f64> = samples.iter().map(|s| s.t_s).collect();
        let values: Vec<Vector3<f64>> = samples.iter().map(|s| s.position_in_world.coords).collect();
        if !has_sd {
            let sd = spline::noise_of(&values);
            samples.iter_mut().for_each(|s| s.position_sd_m = sd);
        }
        let sd: Vec<Vector3<f64>> = samples.iter().map(|s| s.position_sd_m).collect();
        let smooth = spline::smooth(&t, &values, &sd);
        for (i, s) in samples.iter_mut().enumerate() {
            s.position_in_world = Point3::from(smooth.values[i]);
            s.velocity_in_world_m_s = smooth.velocities_s[i];
            s.position_sd_m *= smooth.noise_share;
        }
    }
    note(
        format!(
            "no velocities in the file: positions were smoothed by a spline{}",
            if has_sd { "" } else { " with the noise they themselves show" }
        ),
        "Write a path.csv with velocities where the tracker knows them",
    );
    warnings
}

/// Writes path.csv, whole or not at all.
///
/// # Errors
/// The file cannot be written.
pub fn write_path(path: &Path, marker: &MarkerPath) -> Result<(), PathFileError> {
    let points: Vec<PathPoint> = marker.samples.iter().map(PathPoint::from).collect();
    write_whole(path, path_csv(&points).as_bytes())
        .map_err(|e| PathFileError::File { reason: e.to_string(), path: path.into() })
}

/// The text of path.csv.
#[must_use]
pub fn path_csv(points: &[PathPoint]) -> String {
    use std::fmt::Write as _;
    let mut text = String::with_capacity(points.len() * 120);
    text.push_str(HEADER);
    text.push('\n');
    for s in points {
        let ([px, py, pz], [vx, vy, vz], [dx, dy, dz]) = (s.position_m, s.velocity_m_s, s.sd_m);
        // writing to a String cannot fail
        let _ = writeln!(
            text,
            "{:.7},{:.6},{:.6},{:.6},{:.5},{:.5},{:.5},{:.6},{:.6},{:.6},{}",
            s.t_s, px, py, pz, vx, vy, vz, dx, dy, dz, s.views
        );
    }
    text
}
