//! Text to [`Session`]: every fault of syntax, keys, types, ranges and names is found in one pass, each with its line, and what is
//! wrong with one take costs that take only.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::casters::{self, Rows};
use super::names::shown;
use super::numbers::Limits;
use super::schema::{Kind, TOP, Table};
use super::{CameraName, Date, Finding, Session, Subject, Take, TakeName, values};
use tipwright::model::Severity;
use tipwright::model::figures::FigureId;

/// A file a person wrote is smaller; a bigger one is not read.
const LARGEST_FILE_BYTES: u64 = 4 << 20;
/// Messages of one kind about one table; the rest is counted. Nobody reads more, and 200 000 unknown keys end at once.
const MOST_MESSAGES: usize = 20;
/// Longest title or text shown.
const LONGEST_TEXT: usize = 200;

/// What a session folder's texts yield.
#[derive(Debug, Clone, PartialEq)]
pub struct Parsed {
    /// The session with the takes that can be measured as far as its texts tell; none when it cannot be used at all.
    pub session: Option<Session>,
    /// Everything found, in the order of the file.
    pub findings: Vec<Finding>,
    /// Takes that cannot be measured.
    pub refused: Vec<Refused>,
    /// Those of them whose text could be read: their files are looked at too, so that everything is told in one pass.
    pub doubtful: Vec<Take>,
}

/// A take that cannot be measured.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// Which `[[take]]` of session.toml, from 0.
    pub take_idx: usize,
    /// Its name, where it has one that no other take has.
    pub name: Option<TakeName>,
    /// What it is called in messages.
    pub shown: String,
    /// Its caster and phase as written, for the table of takes.
    pub caster: String,
    /// Why: the problems among the findings.
    pub reasons: Vec<Finding>,
}

/// Path of session.toml, given it or its folder.
fn file_of(folder_or_file: &Path) -> PathBuf {
    if folder_or_file.is_file() { folder_or_file.to_path_buf() } else { folder_or_file.join("session.toml") }
}

/// Reads session.toml and casters.csv of a session folder (or of the path of a session.toml). Clips are not touched.
#[must_use]
pub fn parse(folder_or_file: &Path) -> Parsed {
    let path = file_of(folder_or_file);
    let folder = path.parent().map(Path::to_path_buf).unwrap_or_default();
    if !path.is_file() {
        let remedy = format!("`tipwright new {}` writes one", folder.display());
        return unusable(&path, "there is no session.toml here".into(), &remedy);
    }
    let text = match read_file(&path) {
        Ok(text) => text,
        Err(what) => return unusable(&path, what, "mend it and run `tipwright check` again"),
    };
    let casters_path = folder.join("casters.csv");
    if !casters_path.is_file() {
        return parse_text(&text, &path, None);
    }
    match read_file(&casters_path) {
        Ok(casters) => parse_text(&text, &path, Some(&casters)),
        Err(what) => unusable(&casters_path, what, casters::REMEDY),
    }
}

fn read_file(path: &Path) -> Result<String, String> {
    let bytes = std::fs::metadata(path).map_err(|e| format!("cannot be read ({e})"))?.len();
    if bytes > LARGEST_FILE_BYTES {
        return Err(format!("has {bytes} bytes, more than anyone writes ({LARGEST_FILE_BYTES})"));
    }
    let bytes = std::fs::read(path).map_err(|e| format!("cannot be read ({e})"))?;
    String::from_utf8(bytes).map_err(|_| "is not UTF-8 text".into())
}

fn unusable(path: &Path, what: String, remedy: &str) -> Parsed {
    let finding = Finding::new(Subject::Session, Severity::Problem, what, remedy).in_file(path);
    Parsed { session: None, findings: vec![finding], refused: Vec::new(), doubtful: Vec::new() }
}

/// Reads the texts of session.toml and casters.csv.
#[must_use]
pub fn parse_text(text: &str, path: &Path, casters: Option<&str>) -> Parsed {
    let (session, doubtful, findings, rows) = read_all(text, path, casters);
    let session =
        session.filter(|_| findings.iter().all(|f| !f.is_problem() || f.subject.take_idx().is_some()));
    let refused = refused_of(&rows, &findings);
    Parsed { session, findings, refused, doubtful }
}

/// The session before its clips are all named, with every take that could be read, and the problems that are not about clips.
pub(crate) fn parse_unfinished(text: &str, path: &Path) -> (Option<Session>, Vec<Finding>) {
    let casters_path = path.parent().map(Path::to_path_buf).unwrap_or_default().join("casters.csv");
    let casters = casters_path.is_file().then(|| read_file(&casters_path));
    let (casters, unread) = match casters {
        Some(Err(what)) => (None, unusable(&casters_path, what, casters::REMEDY).findings),
        Some(Ok(text)) => (Some(text), Vec::new()),
        None => (None, Vec::new()),
    };
    let (mut session, doubtful, mut findings, _) = read_all(text, path, casters.as_deref());
    if let Some(session) = &mut session {
        session.take.extend(doubtful);
    }
    findings.extend(unread);
    let is_in_the_way =
        |f: &Finding| f.is_problem() && matches!(f.subject, Subject::Session | Subject::Lens { .. });
    findings.retain(is_in_the_way);
    (session, findings)
}

type ReadAll = (Option<Session>, Vec<Take>, Vec<Finding>, Vec<(String, String)>);

fn read_all(text: &str, path: &Path, casters: Option<&str>) -> ReadAll {
    let (root, errors) = DeTable::parse_recoverable(text);
    let mut walk = Walk { lines: Lines::of(text), path, out: Vec::new() };
    walk.syntax(&errors);
    walk.table(root.get_ref(), &TOP, "", 0, &Subject::Session);
    let mut findings = walk.out;
    let rows = take_rows(root.get_ref());
    let session = typed(root, &findings, path);
    let mut doubtful = Vec::new();
    let session = match session {
        Err(Some(what)) => {
            findings.push(Finding::new(Subject::Session, Severity::Problem, what, "mend it").in_file(path));
            None
        }
        Err(None) => None,
        Ok(mut session) => {
            session.folder = path.parent().map(Path::to_path_buf).unwrap_or_default();
            let casters_path = session.folder.join("casters.csv");
            let rows = casters.map_or_else(Rows::default, |text| casters::parse(text, &casters_path));
            findings.extend(rows.findings.iter().cloned());
            values::check(&mut session, rows, path, &mut findings);
            session.title = shown(&session.title, LONGEST_TEXT);
            let refused: BTreeSet<usize> = costs_a_take(&findings).collect();
            (session.take, doubtful) =
                std::mem::take(&mut session.take).into_iter().partition(|t| !refused.contains(&t.take_idx));
            Some(session)
        }
    };
    (session, doubtful, findings, rows)
}

/// Places of takes that have a problem.
pub(super) fn costs_a_take(findings: &[Finding]) -> impl Iterator<Item = usize> {
    findings.iter().filter(|f| f.is_problem()).filter_map(|f| f.subject.take_idx())
}

/// Name and caster of every `[[take]]` as written.
fn take_rows(root: &DeTable<'_>) -> Vec<(String, String)> {
    let text = |row: &Spanned<DeValue<'_>>, key: &str| match row.get_ref() {
        DeValue::Table(table) => text_of(table, key).unwrap_or_default().to_string(),
        _ => String::new(),
    };
    match value_of(root, "take") {
        Some(DeValue::Array(rows)) => rows.iter().map(|r| (text(r, "name"), text(r, "caster"))).collect(),
        _ => Vec::new(),
    }
}

fn refused_of(rows: &[(String, String)], findings: &[Finding]) -> Vec<Refused> {
    let places: BTreeSet<usize> = costs_a_take(findings).collect();
    let mut counts = std::collections::BTreeMap::<String, usize>::new();
    for (name, _) in rows {
        *counts.entry(name.to_lowercase()).or_default() += 1;
    }
    let mut reasons = std::collections::BTreeMap::<usize, Vec<Finding>>::new();
    for finding in findings.iter().filter(|f| f.is_problem()) {
        if let Some(take_idx) = finding.subject.take_idx() {
            reasons.entry(take_idx).or_default().push(finding.clone());
        }
    }
    let blank = (String::new(), String::new());
    places
        .into_iter()
        .map(|take_idx| {
            let (name, caster) = rows.get(take_idx).unwrap_or(&blank);
            let is_only = counts.get(&name.to_lowercase()) == Some(&1);
            Refused {
                take_idx,
                name: TakeName::new(name.as_str()).ok().filter(|_| is_only),
                shown: take_label(name, take_idx),
                caster: shown(caster, super::names::LONGEST_NAME),
                reasons: reasons.remove(&take_idx).unwrap_or_default(),
            }
        })
        .collect()
}

fn take_label(name: &str, take_idx: usize) -> String {
    if name.is_empty() { format!("number {}", take_idx + 1) } else { shown(name, super::names::LONGEST_NAME) }
}

/// The session without the takes that have problems. `Err(None)`: it has problems that are told already.
fn typed(
    mut root: Spanned<DeTable<'_>>,
    findings: &[Finding],
    path: &Path,
) -> Result<Session, Option<String>> {
    if findings.iter().any(|f| f.is_problem() && f.subject.take_idx().is_none()) {
        return Err(None);
    }
    let refused: BTreeSet<usize> = costs_a_take(findings).collect();
    let mut kept = Vec::new();
    let table = root.get_mut();
    for (name, value) in table.iter_mut() {
        if let ("take", DeValue::Array(rows)) = (name.get_ref().as_ref(), value.get_mut()) {
            kept = (0..rows.len()).filter(|i| !refused.contains(i)).collect();
            let good =
                rows.iter().enumerate().filter(|(i, _)| !refused.contains(i)).map(|(_, row)| row.clone());
            *rows = good.collect();
        }
    }
    if value_of(table, "scene").is_none() {
        let first = match value_of(table, "set_up") {
            Some(DeValue::Array(set_ups)) => set_ups.first().and_then(|s| match s.get_ref() {
                DeValue::Table(set_up) => set_up.iter().find(|(k, _)| k.get_ref().as_ref() == "scene"),
                _ => None,
            }),
            _ => None,
        };
        if let Some((key, scene)) = first.map(|(k, v)| (k.clone(), v.clone())) {
            table.insert(key, scene);
        }
    }
    let mut session = Session::deserialize(toml::Deserializer::from(root))
        .map_err(|e| Some(format!("cannot be read: {}", e.message())))?;
    for (take, take_idx) in session.take.iter_mut().zip(kept) {
        take.take_idx = take_idx;
    }
    session.folder = path.parent().map(Path::to_path_buf).unwrap_or_default();
    Ok(session)
}

fn value_of<'a, 'i>(table: &'a DeTable<'i>, key: &str) -> Option<&'a DeValue<'i>> {
    table.iter().find(|(name, _)| name.get_ref().as_ref() == key).map(|(_, value)| value.get_ref())
}

fn text_of<'a>(table: &'a DeTable<'_>, key: &str) -> Option<&'a str> {
    value_of(table, key).and_then(DeValue::as_str)
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
