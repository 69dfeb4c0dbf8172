//! Every setting of every stage, as one TOML file to edit: `tipwright settings` writes it, `--settings FILE` reads it.

use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::day::DayConfig;
use crate::session::{LookConfig, UsableConfig};
use tipwright::lens::LensConfig;
use tipwright::line::{GatherConfig, LoopSettings};
use tipwright::path::PathConfig;
use tipwright::scene::points::PointsConfig;
use tipwright::scene::wand::WandConfig;
use tipwright::spots::SpotsConfig;
use tipwright::strokes::StrokesConfig;

/// Settings by stage.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// What the files of a session must show.
    pub check_files: UsableConfig,
    /// How much is looked at in clips before they are measured, and what is believed.
    pub check_pictures: LookConfig,
    /// A camera's lens from pictures of the board.
    pub lens: LensConfig,
    /// Markers in the pictures.
    pub spots: SpotsConfig,
    /// Poses, scale, vertical and clocks from the wand.
    pub scene: WandConfig,
    /// Scene and path of one moving point tracked elsewhere: `scene --points`.
    pub points: PointsConfig,
    /// The path of the tip.
    pub path: PathConfig,
    /// Strokes and their figures.
    pub strokes: StrokesConfig,
    /// Points of the line, gathered while clips are searched.
    pub line_points: GatherConfig,
    /// Loops.
    pub line: LoopSettings,
}

/// Why settings cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file cannot be read.
    #[error("the settings cannot be read ({reason}); `tipwright settings` writes a file to start from: {}", path.display())]
    File {
        /// What the system said.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// Not TOML, an unknown key, a value that no setting can have.
    #[error("the settings cannot be used: {reason}; `tipwright settings` writes every key with its default")]
    Malformed {
        /// What and where.
        reason: String,
    },
}

impl Settings {
    /// Reads a file; what it does not name keeps its default.
    ///
    /// # Errors
    /// [`SettingsError`].
    pub fn read(path: &Path) -> Result<Self, SettingsError> {
        let text = std::fs::read_to_string(path)
            .map_err(|e| SettingsError::File { reason: e.to_string(), path: path.to_path_buf() })?;
        Self::from_toml(&text).map_err(|e| match e {
            SettingsError::Malformed { reason } => {
                SettingsError::Malformed { reason: format!("{reason}: {}", path.display()) }
            }
            other => other,
        })
    }

    /// From the text of such a file. Defaults differ from stage to stage for parts they share, so the text is laid over the
    /// whole of them.
    ///
    /// # Errors
    /// [`SettingsError::Malformed`].
    pub fn from_toml(text: &str) -> Result<Self, SettingsError> {
        let malformed = |reason: String| SettingsError::Malformed { reason };
        let given: toml::Table = toml::from_str(text).map_err(|e| malformed(e.to_string()))?;
        let mut all = toml::Table::try_from(Self::default()).map_err(|e| malformed(e.to_string()))?;
        lay_over(&mut all, given, "").map_err(malformed)?;
        all.try_into().map_err(|e: toml::de::Error| malformed(e.message().to_string()))
    }

    /// The file: every setting with what it means, its value as a remark.
    #[must_use]
    pub fn to_commented_toml(&self) -> String {
        let schema = schemars::schema_for!(Self).to_value();
        let values = serde_json::to_value(self).unwrap_or_default();
        let mut out = String::from(
            "# Settings of tipwright, each with its default as a remark. Take the # away from what you change, and give the file to\n\
             # `--settings`. They are recorded in run.json; changed settings measure takes anew.\n",
        );
        table(&schema, &schema, &values, "", &mut out);
        out
    }
}

impl DayConfig {
    /// With other settings of the stages.
    #[must_use]
    pub fn with_settings(self, settings: Settings) -> Self {
        let Settings {
            check_files,
            check_pictures,
            lens,
            spots,
            scene,
            points,
            path,
            strokes,
            line_points,
            line,
        } = settings;
        Self {
            check_files,
            check_pictures,
            lens,
            spots,
            wand: scene,
            points,
            path,
            strokes,
            gather: line_points,
            loops: line,
            ..self
        }
    }

    /// The settings of its stages.
    #[must_use]
    pub fn settings(&self) -> Settings {
        Settings {
            check_files: self.check_files,
            check_pictures: self.check_pictures,
            points: self.points.clone(),
            lens: self.lens.clone(),
            spots: self.spots,
            scene: self.wand.clone(),
            path: self.path.clone(),
            strokes: self.strokes.clone(),
            line_points: self.gather,
            line: self.loops,
        }
    }
}

/// Tables are laid over key by key, values replace values. What is no number is refused: a comparison with it is never true.
fn lay_over(all: &mut toml::Table, given: toml::Table, place: &str) -> Result<(), String> {
    for (key, value) in given {
        let here = if place.is_empty() { key.clone() } else { format!("{place}.{key}") };
        refuse_no_number(&value, &here)?;
        match (all.get_mut(&key), value) {
            (Some(toml::Value::Table(below)), toml::Value::Table(given)) => lay_over(below, given, &here)?,
            (_, value) => {
                all.insert(key, value);
            }
        }
    }
    Ok(())
}

fn refuse_no_number(value: &toml::Value, place: &str) -> Result<(), String> {
    match value {
        toml::Value::Float(f) if !f.is_finite() => Err(format!("{place} = {f} is no number")),
        toml::Value::Array(values) => values.iter().try_for_each(|v| refuse_no_number(v, place)),
        _ => Ok(()),
    }
}

/// Writes the table of a schema's properties, values first, then its tables.
fn table(root: &Value, schema: &Value, values: &Value, place: &str, out: &mut String) {
    let Some(properties) = schema["properties"].as_object() else { return };
    let (tables, plain): (Vec<_>, Vec<_>) = properties.iter().partition(|(_, p)| is_table(root, p));
    if !place.is_empty() && !plain.is_empty() {
        out.push_str(&format!("\n[{place}]\n"));
    }
    for (key, property) in plain {
        remarks(property, out);
        let value = &values[key];
        match toml::Value::try_from(value) {
            Ok(value) if !values[key].is_null() => out.push_str(&format!("# {key} = {value}\n")),
            _ => out.push_str(&format!("# {key}: none\n")),
        }
    }
    for (key, property) in tables {
        let inner = if place.is_empty() { key.clone() } else { format!("{place}.{key}") };
        if !out.ends_with("\n\n") {
            out.push('\n');
        }
        remarks(property, out);
        table(root, resolved(root, property), &values[key], &inner, out);
    }
}

fn remarks(property: &Value, out: &mut String) {
    let description = property["description"].as_str().unwrap_or_default();
    for line in description.lines() {
        out.push_str(&format!("# {}\n", line.trim()));
    }
}

fn is_table(root: &Value, property: &Value) -> bool {
    resolved(root, property)["properties"].is_object() && resolved(root, property)["oneOf"].is_null()
}

/// What a reference stands for.
fn resolved<'a>(root: &'a Value, property: &'a Value) -> &'a Value {
    let name = property["$ref"].as_str().and_then(|r| r.strip_prefix("#/$defs/"));
    name.map_or(property, |name| &root["$defs"][name])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_commented_file_changes_nothing_and_every_remark_of_it_can_be_taken_up() {
        let all = Settings::default();
        let text = all.to_commented_toml();
        assert_eq!(Settings::from_toml(&text).unwrap(), all);
        let open: String = text
            .lines()
            .map(|line| match line.strip_prefix("# ") {
                Some(rest) if rest.split_once(" = ").is_some_and(|(key, _)| !key.contains(' ')) => rest,
                _ => line,
            })
            .map(|line| format!("{line}\n"))
            .collect();
        assert_eq!(Settings::from_toml(&open).unwrap(), all, "{open}");
        assert!(text.contains("forward_in_world") && text.contains("[scene.motion]"), "{text}");
        assert!(open.lines().filter(|l| l.contains(" = ")).count() > 100, "{open}");
    }

    #[test]
    fn one_key_changes_one_setting() {
        let changed = Settings::from_toml("[scene.motion]\nreject_at = 7.5\n").unwrap();
        let mut wanted = Settings::default();
        wanted.scene.motion.reject_at = 7.5;
        assert_eq!(changed, wanted);
        let forward = Settings::from_toml("[strokes]\nforward_in_world = [1.0, 0]\n").unwrap();
        assert_eq!(forward.strokes.forward_in_world, Some([1.0, 0.0]));
    }

    #[test]
    fn what_is_no_setting_is_refused_with_its_name() {
        for (text, part) in [
            ("[path]\ndrawz = 5\n", "drawz"),
            ("[path]\ndraws = nan\n", "path.draws"),
            ("[paht]\n", "paht"),
            ("[path]\ndraws = -1\n", "-1"),
            ("[strokes]\nseed = \"x\"\n", "string"),
        ] {
            let said = Settings::from_toml(text).unwrap_err().to_string();
            assert!(said.contains(part), "{text}: {said}");
        }
    }
}
