//! Text to [`Session`]: every fault of syntax, keys, types, ranges and names is found in one pass, each with its line, and what is
//! wrong with one take costs that take only.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::casters::{self, Rows};
use super::names::shown;
use super::{Finding, Session, Subject, Take, TakeName, notes, values, walk};
use tipwright::model::Severity;
use tipwright::model::results::NoteOn;

/// A file a person wrote is smaller; a bigger one is not read.
const LARGEST_FILE_BYTES: u64 = 4 << 20;
/// Longest title or text shown.
pub(super) const LONGEST_TEXT: usize = 200;

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
    match casters_beside(&path) {
        Ok(casters) => {
            let mut parsed = parse_text(&text, &path, casters.as_deref());
            let findings = of_notes(&folder, &parsed);
            parsed.findings.extend(findings);
            parsed
        }
        Err(unusable) => *unusable,
    }
}

/// What is wrong with the notes.
fn of_notes(folder: &Path, parsed: &Parsed) -> Vec<Finding> {
    let takes = parsed.session.iter().flat_map(|s| &s.take);
    let casters = parsed.session.iter().flat_map(|s| &s.casters);
    let found = notes::read(folder, &|on| match on {
        NoteOn::Caster { caster } => {
            casters.clone().any(|c| c.id == *caster) || takes.clone().any(|t| t.caster == *caster)
        }
        NoteOn::Stroke { take, .. } => {
            takes.clone().any(|t| t.name == *take) || parsed.refused.iter().any(|r| r.shown == *take)
        }
    });
    found.1
}

/// Text of the casters.csv beside a session.toml, where there is one.
fn casters_beside(session: &Path) -> Result<Option<String>, Box<Parsed>> {
    let path = session.with_file_name("casters.csv");
    if !path.is_file() {
        return Ok(None);
    }
    read_file(&path).map(Some).map_err(|what| Box::new(unusable(&path, what, casters::REMEDY)))
}

pub(super) fn read_file(path: &Path) -> Result<String, String> {
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
    let (casters, unread) = match casters_beside(path) {
        Ok(casters) => (casters, Vec::new()),
        Err(unusable) => (None, unusable.findings),
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
    let mut findings = walk::findings_of(text, root.get_ref(), &errors, path);
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

pub(super) fn take_label(name: &str, take_idx: usize) -> String {
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

pub(super) fn value_of<'a, 'i>(table: &'a DeTable<'i>, key: &str) -> Option<&'a DeValue<'i>> {
    table.iter().find(|(name, _)| name.get_ref().as_ref() == key).map(|(_, value)| value.get_ref())
}

pub(super) fn text_of<'a>(table: &'a DeTable<'_>, key: &str) -> Option<&'a str> {
    value_of(table, key).and_then(DeValue::as_str)
}
