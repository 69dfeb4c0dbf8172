//! A file held against the schema, key by key: what is unknown, missing or of another kind, each with its line.

use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::names::shown;
use super::numbers::Limits;
use super::read::{LONGEST_TEXT, take_label, text_of, value_of};
use super::schema::{Kind, TOP, Table};
use super::{CameraName, Date, Finding, Subject};
use tipwright::model::Severity;
use tipwright::model::figures::FigureId;

/// Messages of one kind about one table; the rest is counted. Nobody reads more, and 200 000 unknown keys end at once.
const MOST_MESSAGES: usize = 20;

/// What is wrong with the text of a session.toml, read as `root` with such `errors` of syntax.
pub(super) fn findings_of(
    text: &str,
    root: &DeTable<'_>,
    errors: &[toml::de::Error],
    path: &Path,
) -> Vec<Finding> {
    let mut walk = Walk { lines: Lines::of(text), path, out: Vec::new() };
    walk.syntax(errors);
    walk.table(root, &TOP, "", 0, &Subject::Session);
    walk.out
}

/// Where lines begin.
struct Lines(Vec<usize>);

impl Lines {
    fn of(text: &str) -> Self {
        let starts = text.bytes().enumerate().filter(|(_, b)| *b == b'\n').map(|(i, _)| i + 1);
        Self(std::iter::once(0).chain(starts).collect())
    }

    /// Line of an offset, from 1.
    fn line(&self, offset: usize) -> usize {
        self.0.partition_point(|start| *start <= offset)
    }
}

struct Walk<'a> {
    lines: Lines,
    path: &'a Path,
    out: Vec<Finding>,
}

impl Walk<'_> {
    fn problem(&mut self, subject: &Subject, offset: Option<usize>, what: String, remedy: impl Into<String>) {
        let mut finding = Finding::new(subject.clone(), Severity::Problem, what, remedy).in_file(self.path);
        finding.line = offset.map(|o| self.lines.line(o));
        self.out.push(finding);
    }

    fn syntax(&mut self, errors: &[toml::de::Error]) {
        for error in errors.iter().take(MOST_MESSAGES) {
            let what = shown(error.message(), LONGEST_TEXT);
            self.problem(&Subject::Session, error.span().map(|s| s.start), what, "mend this line");
        }
        if errors.len() > MOST_MESSAGES {
            let more = errors.len() - MOST_MESSAGES;
            self.problem(
                &Subject::Session,
                None,
                format!("{more} more faults of this kind"),
                "mend those above first",
            );
        }
    }

    fn table(
        &mut self,
        table: &DeTable<'_>,
        keys: &'static Table,
        place: &str,
        start: usize,
        subject: &Subject,
    ) {
        let mut unknown = 0;
        for (name, value) in table {
            let text = name.get_ref().as_ref();
            match keys.keys.iter().find(|k| k.name == text) {
                Some(key) => {
                    let offset = name.span().start;
                    let at = At { name: key.name, place, offset, subject };
                    self.value(value, &key.kind, at);
                }
                None => {
                    unknown += 1;
                    if unknown <= MOST_MESSAGES {
                        let remedy = match nearest(text, keys) {
                            Some(near) => format!("did you mean `{near}`? Otherwise take the line out"),
                            None => "take the line out".to_string(),
                        };
                        let what = format!("unknown key `{}`{}", shown(text, 40), within(place));
                        self.problem(subject, Some(name.span().start), what, remedy);
                    }
                }
            }
        }
        if unknown > MOST_MESSAGES {
            let what = format!("{} more unknown keys{}", unknown - MOST_MESSAGES, within(place));
            self.problem(subject, None, what, "take them out");
        }
        for key in keys.keys.iter().filter(|k| k.is_required) {
            // several set-ups stand for the one scene
            let is_stood_for = place.is_empty() && key.name == "scene" && value_of(table, "set_up").is_some();
            if value_of(table, key.name).is_none() && !is_stood_for {
                let offset = (!place.is_empty()).then_some(start);
                self.problem(
                    subject,
                    offset,
                    format!("`{}` is missing{}", key.name, within(place)),
                    "add it; `tipwright new` writes an example with every key",
                );
            }
        }
    }

    fn value(&mut self, value: &Spanned<DeValue<'_>>, kind: &'static Kind, at: At<'_>) {
        let inner = at.inner();
        let start = value.span().start;
        let wanted = match (kind, value.get_ref()) {
            (Kind::Text, DeValue::String(_)) => return,
            (Kind::Path, DeValue::String(text)) => return self.path_text(text, at),
            (Kind::Name, DeValue::String(text)) => {
                return self.refuse(CameraName::new(text.as_ref()), at, "");
            }
            (Kind::Date, DeValue::String(text)) => return self.refuse(Date::new(text), at, ""),
            (Kind::OneOf(words), DeValue::String(text)) if words.contains(&text.as_ref()) => return,
            (Kind::Figure, DeValue::String(text)) if FigureId::from_key(text).is_some() => return,
            (Kind::Number(limits, remedy), DeValue::Integer(_) | DeValue::Float(_)) => {
                return self.number(value.get_ref(), *limits, remedy, at);
            }
            (Kind::Whole(limits, remedy), DeValue::Integer(_)) => {
                return self.number(value.get_ref(), *limits, remedy, at);
            }
            (Kind::Table(keys), DeValue::Table(table)) => {
                let subject = if inner == "scene" { &Subject::Scene } else { at.subject };
                return self.table(table, keys, &inner, start, subject);
            }
            (Kind::Tables(keys), DeValue::Array(rows)) => {
                for (idx, row) in rows.iter().enumerate() {
                    match row.get_ref() {
                        DeValue::Table(table) => {
                            let subject = subject_of(&inner, idx, table, at.subject);
                            self.table(table, keys, &inner, row.span().start, &subject);
                        }
                        other => {
                            let subject = subject_of(&inner, idx, &DeTable::new(), at.subject);
                            let what =
                                format!("`{inner}` holds {} where a table is needed", other.type_str());
                            self.problem(
                                &subject,
                                Some(row.span().start),
                                what,
                                format!("write it as [[{inner}]]"),
                            );
                        }
                    }
                }
                return;
            }
            (Kind::Clips, DeValue::Table(table)) => return self.clips(table, at),
            (Kind::Point, DeValue::Array(values)) if values.len() == 3 => {
                for value in values.iter() {
                    match value.get_ref() {
                        number @ (DeValue::Integer(_) | DeValue::Float(_)) => {
                            self.number(number, super::numbers::ROUGH_M, "write metres", at);
                        }
                        other => {
                            let what = format!("`{}` holds {}", at.name, other.type_str());
                            self.problem(at.subject, Some(at.offset), what, "write three numbers");
                        }
                    }
                }
                return;
            }
            (Kind::Point, _) => "three numbers, as [-0.7, -8.3, 1.3]".to_string(),
            (Kind::OneOf(words), _) => format!("one of {}", words.join(", ")),
            (Kind::Figure, _) => "a column of strokes.csv, as \"late_power\"".to_string(),
            (Kind::Date, _) => "a day in quotation marks, as \"2026-05-09\"".to_string(),
            (Kind::Text | Kind::Path | Kind::Name, _) => "text in quotation marks".to_string(),
            (Kind::Number(..), _) => "a number".to_string(),
            (Kind::Whole(..), _) => "a whole number".to_string(),
            (Kind::Table(_), _) => format!("a table [{inner}]"),
            (Kind::Tables(_), _) => format!("tables [[{inner}]]"),
            (Kind::Clips, _) => {
                "one clip per camera, as { west = \"west/a.mp4\", east = \"east/b.mp4\" }".to_string()
            }
        };
        let is = match value.get_ref() {
            DeValue::String(text) => format!("\"{}\"", shown(text, 40)),
            other => other.type_str().to_string(),
        };
        let what = format!("`{}`{} is {is}, but must be {wanted}", at.name, within(at.place));
        self.problem(at.subject, Some(at.offset), what, "correct its value");
    }

    fn refuse<T, E: std::fmt::Display>(&mut self, read: Result<T, E>, at: At<'_>, remedy: &str) {
        if let Err(error) = read {
            self.problem(at.subject, Some(at.offset), format!("{}: {error}", at.inner()), remedy);
        }
    }

    fn number(&mut self, value: &DeValue<'_>, limits: Limits, remedy: &str, at: At<'_>) {
        let number = match value {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|n| n as f64),
            DeValue::Float(f) => f.as_str().parse().ok(),
            _ => None,
        };
        self.refuse(limits.check(number.unwrap_or(f64::NAN)), at, remedy);
    }

    fn path_text(&mut self, text: &str, at: At<'_>) {
        if text.trim().is_empty() || text.chars().any(char::is_control) {
            let what = format!("{} = \"{}\" cannot be a file", at.inner(), shown(text, 60));
            self.problem(at.subject, Some(at.offset), what, "write the file's name in quotation marks");
        }
    }

    fn clips(&mut self, table: &DeTable<'_>, at: At<'_>) {
        for (idx, (camera, clip)) in table.iter().enumerate() {
            if idx >= MOST_MESSAGES {
                let what =
                    format!("{} clips in [{}], more than any session has cameras", table.len(), at.inner());
                self.problem(at.subject, Some(at.offset), what, "write one clip per camera");
                return;
            }
            let here = At { name: at.name, place: at.place, offset: clip.span().start, subject: at.subject };
            self.refuse(CameraName::new(camera.get_ref().as_ref()), here, "");
            match clip.get_ref() {
                DeValue::String(text) => self.path_text(text, here),
                _ => {
                    let what = format!(
                        "the clip of `{}` in [{}] is no text",
                        shown(camera.get_ref(), 40),
                        at.inner()
                    );
                    self.problem(
                        at.subject,
                        Some(here.offset),
                        what,
                        "write the file's name in quotation marks",
                    );
                }
            }
        }
    }
}

/// Where a value stands.
#[derive(Clone, Copy)]
struct At<'a> {
    name: &'static str,
    place: &'a str,
    offset: usize,
    subject: &'a Subject,
}

impl At<'_> {
    fn inner(&self) -> String {
        if self.place.is_empty() { self.name.to_string() } else { format!("{}.{}", self.place, self.name) }
    }
}

/// What one of several tables is about.
fn subject_of(place: &str, idx: usize, table: &DeTable<'_>, outer: &Subject) -> Subject {
    let name = text_of(table, "name").unwrap_or_default();
    match place {
        "take" => Subject::Take { take_idx: idx, take: take_label(name, idx) },
        "set_up" => Subject::Scene,
        "camera" => CameraName::new(name).map_or_else(|_| outer.clone(), |camera| Subject::Lens { camera }),
        _ => outer.clone(),
    }
}

fn within(place: &str) -> String {
    if place.is_empty() { String::new() } else { format!(" in [{place}]") }
}

/// The known key that was most likely meant.
fn nearest(name: &str, keys: &'static Table) -> Option<&'static str> {
    // two thirds alike: a letter or two wrong in a key of six
    let alike = |key: &'static str| (strsim::normalized_damerau_levenshtein(name, key), key);
    if name.len() > super::names::LONGEST_NAME {
        return None;
    }
    keys.keys
        .iter()
        .map(|k| alike(k.name))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|(alike, _)| *alike > 0.66)
        .map(|(_, key)| key)
}
