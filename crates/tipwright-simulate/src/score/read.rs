//! Reading what is compared: strokes.json, path.csv, scene.toml, and the clocks of takes.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use nalgebra::{Point3, Vector3};
use serde_json::Value;
use tipwright::model::{FigureId, Measured, Scene};

use super::ScoreError;

/// Which session it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Which {
    /// Where the folder says it.
    pub id: Option<String>,
    /// Title.
    pub title: String,
}

impl Which {
    /// By id where both have one, else by title.
    pub fn is_same(&self, other: &Self) -> bool {
        match (&self.id, &other.id) {
            (Some(a), Some(b)) => a == b,
            _ => self.title == other.title,
        }
    }

    /// From the object that a session is described by.
    fn of(id: &Value, title: &Value) -> Option<Self> {
        Some(Self { id: id.as_str().map(str::to_owned), title: title.as_str()?.to_owned() })
    }
}

impl std::fmt::Display for Which {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} ({})", self.title, self.id.as_deref().unwrap_or("without id"))
    }
}

/// A results or truth folder.
pub struct Folder {
    /// The session, where the folder says it: run.json of results, session.json of a truth, else the first stroke.
    pub session: Option<Which>,
    /// scene.toml, when there is one.
    pub scene: Option<Scene>,
    /// By name.
    pub takes: BTreeMap<String, Take>,
}

/// One take.
#[derive(Default)]
pub struct Take {
    /// Tip path in order of time.
    pub path: Vec<PathRow>,
    /// Strokes in order.
    pub strokes: Vec<StrokeRow>,
    /// In a truth folder: the same strokes with their figures by the tip alone.
    pub strokes_by_tip: Vec<StrokeRow>,
    /// Clocks by camera.
    pub clocks: BTreeMap<String, ClockRow>,
}

/// A row of path.csv.
pub struct PathRow {
    pub t_s: f64,
    pub position_m: Point3<f64>,
    pub velocity_m_s: Vector3<f64>,
    pub sd_m: Vector3<f64>,
}

/// An entry of strokes.json.
pub struct StrokeRow {
    pub stroke: u64,
    pub direction: String,
    /// Rod straight position was taken from the tip's speed, not from the bend.
    pub is_by_tip: bool,
    pub figures: BTreeMap<FigureId, Measured>,
}

/// A camera's clock in a take; sds 0 where not stated.
#[derive(Clone, Copy, Default)]
pub struct ClockRow {
    pub offset: [f64; 2],
    pub drift: [f64; 2],
    pub readout: [f64; 2],
}

fn text(path: &Path) -> Result<Option<String>, ScoreError> {
    if !path.is_file() {
        return Ok(None);
    }
    std::fs::read_to_string(path)
        .map(Some)
        .map_err(|e| ScoreError::Malformed { reason: e.to_string(), path: path.to_path_buf() })
}

fn json(path: &Path) -> Result<Option<Value>, ScoreError> {
    let Some(text) = text(path)? else { return Ok(None) };
    serde_json::from_str(&text)
        .map(Some)
        .map_err(|e| ScoreError::Malformed { reason: e.to_string(), path: path.to_path_buf() })
}

impl Folder {
    /// Reads every take; `what` names the folder of takes when it is missing.
    pub fn read(dir: &Path, what: &'static str) -> Result<Self, ScoreError> {
        let takes_dir = dir.join("takes");
        if !takes_dir.is_dir() {
            return Err(ScoreError::Missing { what, path: takes_dir });
        }
        let malformed =
            |reason: String, path: &Path| ScoreError::Malformed { reason, path: path.to_path_buf() };
        let scene_path = dir.join("scene.toml");
        let scene = match text(&scene_path)? {
            Some(text) => Some(toml::from_str(&text).map_err(|e| malformed(e.to_string(), &scene_path))?),
            None => None,
        };
        let run = json(&dir.join("run.json"))?.unwrap_or(Value::Null);
        let own = json(&dir.join("session.json"))?.unwrap_or(Value::Null);
        let mut session =
            Which::of(&run["session_id"], &run["session"]).or(Which::of(&own["id"], &own["title"]));
        let mut takes = BTreeMap::new();
        let entries = std::fs::read_dir(&takes_dir).map_err(|e| malformed(e.to_string(), &takes_dir))?;
        let mut folders: Vec<PathBuf> = entries.filter_map(|e| e.ok().map(|e| e.path())).collect();
        folders.sort();
        for folder in folders.iter().filter(|f| f.is_dir()) {
            if session.is_none() {
                let rows = json(&folder.join("strokes.json"))?.unwrap_or(Value::Null);
                session = Which::of(&Value::Null, &rows["strokes"][0]["session"]);
            }
            let name = folder.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
            let take = Take {
                path: read_path(&folder.join("path.csv"))?,
                strokes: read_strokes(&folder.join("strokes.json"))?,
                strokes_by_tip: read_strokes(&folder.join("strokes_by_tip.json"))?,
                clocks: read_clocks(&folder.join("clocks.toml"), &run["takes"][&name]["clocks"])?,
            };
            takes.insert(name, take);
        }
        Ok(Self { session, scene, takes })
    }
}

fn read_path(path: &Path) -> Result<Vec<PathRow>, ScoreError> {
    let Some(text) = text(path)? else { return Ok(Vec::new()) };
    let malformed = |reason: String| ScoreError::Malformed { reason, path: path.to_path_buf() };
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap_or_default().split(',').map(str::trim).collect();
    let names = ["t_s", "x_m", "y_m", "z_m", "vx_m_s", "vy_m_s", "vz_m_s", "sx_m", "sy_m", "sz_m"];
    let mut columns = [0usize; 10];
    for (column, name) in columns.iter_mut().zip(names) {
        *column = header
            .iter()
            .position(|h| *h == name)
            .ok_or_else(|| malformed(format!("there is no column {name}")))?;
    }
    lines
        .enumerate()
        .filter(|(_, line)| !line.trim().is_empty())
        .map(|(i, line)| {
            let fields: Vec<&str> = line.split(',').collect();
            let mut v = [0.0; 10];
            for (value, column) in v.iter_mut().zip(columns) {
                *value = fields
                    .get(column)
                    .and_then(|f| f.trim().parse().ok())
                    .ok_or_else(|| malformed(format!("line {}: not a number", i + 2)))?;
            }
            Ok(PathRow {
                t_s: v[0],
                position_m: Point3::new(v[1], v[2], v[3]),
                velocity_m_s: Vector3::new(v[4], v[5], v[6]),
                sd_m: Vector3::new(v[7], v[8], v[9]),
            })
        })
        .collect()
}

fn read_strokes(path: &Path) -> Result<Vec<StrokeRow>, ScoreError> {
    let Some(value) = json(path)? else { return Ok(Vec::new()) };
    let rows = value["strokes"].as_array().ok_or_else(|| ScoreError::Malformed {
        reason: "there is no list `strokes`".into(),
        path: path.to_path_buf(),
    })?;
    Ok(rows
        .iter()
        .map(|row| StrokeRow {
            stroke: row["stroke"].as_u64().unwrap_or(0),
            direction: row["direction"].as_str().unwrap_or_default().to_owned(),
            is_by_tip: row["rsp_source"] == "speed",
            figures: FigureId::ALL
                .iter()
                .filter_map(|id| {
                    let key = id.info().key;
                    let value = row[key].as_f64()?;
                    // a figure without its sd states no interval: NaN is outside of every comparison
                    let sd = row[format!("{key}_sd")].as_f64().unwrap_or(f64::NAN);
                    Some((*id, Measured::new(value, sd)))
                })
                .collect(),
        })
        .collect())
}

fn read_clocks(path: &Path, run: &Value) -> Result<BTreeMap<String, ClockRow>, ScoreError> {
    let from_toml: Value = match text(path)? {
        Some(text) => toml::from_str(&text)
            .map_err(|e| ScoreError::Malformed { reason: e.to_string(), path: path.to_path_buf() })?,
        None => Value::Null,
    };
    let rows = from_toml["camera"].as_array().or(run.as_array()).cloned().unwrap_or_default();
    let pair = |row: &Value, key: &str, sd: &str| Some([row[key].as_f64()?, row[sd].as_f64().unwrap_or(0.0)]);
    Ok(rows
        .iter()
        .filter_map(|row| {
            let name = row["name"].as_str().or(row["camera"].as_str())?;
            let clock = ClockRow {
                offset: pair(row, "offset_s", "offset_sd_s")?,
                drift: pair(row, "drift", "drift_sd")?,
                readout: pair(row, "readout_s", "readout_sd_s")?,
            };
            Some((name.to_owned(), clock))
        })
        .collect())
}

/// Position of a path between its rows: cubic Hermite. `None` outside, and in steps longer than `longest_s`.
pub fn at(path: &[PathRow], t_s: f64, longest_s: f64) -> Option<Point3<f64>> {
    let i = path.partition_point(|r| r.t_s <= t_s);
    if i == 0 || i == path.len() {
        return None;
    }
    let (a, b) = (&path[i - 1], &path[i]);
    let h = b.t_s - a.t_s;
    if h > longest_s {
        return None;
    }
    let u = (t_s - a.t_s) / h;
    let (u2, u3) = (u * u, u * u * u);
    Some(Point3::from(
        (2.0 * u3 - 3.0 * u2 + 1.0) * a.position_m.coords
            + (u3 - 2.0 * u2 + u) * h * a.velocity_m_s
            + (3.0 * u2 - 2.0 * u3) * b.position_m.coords
            + (u3 - u2) * h * b.velocity_m_s,
    ))
}
