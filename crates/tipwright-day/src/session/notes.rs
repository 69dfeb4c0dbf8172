//! notes.toml: what an instructor wrote beside casters and strokes. It lies beside session.toml, is edited there or downloaded from a
//! page, and is shown on pages and handouts. Nothing is measured from it: what is wrong with it costs that note, with a word.

use std::path::Path;

use serde::Deserialize;

use super::names::shown;
use super::{Finding, Session, Subject};
use tipwright::model::Severity;
use tipwright::model::results::{Note, NoteOn};

/// The file's name.
pub const NAME: &str = "notes.toml";
/// Longest note: more is a letter.
const LONGEST_NOTE: usize = 2000;
/// What to do about a note that cannot be used.
const REMEDY: &str = "a [[note]] has text and either caster (an id of casters.csv) or take and stroke; the pages write such a file";

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    /// 1.
    schema: Option<u32>,
    #[serde(default)]
    note: Vec<Row>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    caster: Option<String>,
    take: Option<String>,
    stroke: Option<u32>,
    text: String,
}

/// The notes beside a session, and what is wrong with others. `knows` says whether there is such a caster or take.
pub(crate) fn read(folder: &Path, knows: &dyn Fn(&NoteOn) -> bool) -> (Vec<Note>, Vec<Finding>) {
    let path = folder.join(NAME);
    if !path.is_file() {
        return (Vec::new(), Vec::new());
    }
    let told = |what: String| Finding::new(Subject::Session, Severity::Warning, what, REMEDY).in_file(&path);
    let parsed = super::read::read_file(&path).and_then(|text| {
        toml::from_str::<File>(&text).map_err(|e| format!("cannot be read: {}", e.message()))
    });
    let rows = match parsed {
        Ok(File { schema: None | Some(1), note }) => note,
        Ok(File { schema: Some(other), .. }) => {
            let what = format!("is of schema {other}, which this program does not know: no note is shown");
            return (Vec::new(), vec![told(what)]);
        }
        Err(what) => return (Vec::new(), vec![told(what)]),
    };
    let (mut notes, mut findings) = (Vec::new(), Vec::new());
    for (k, row) in rows.into_iter().enumerate() {
        match note(row) {
            Some(note) if knows(&note.on) => notes.push(note),
            Some(note) => {
                let beside = match &note.on {
                    NoteOn::Caster { caster } => format!("caster `{}`", shown(caster, 40)),
                    NoteOn::Stroke { take, .. } => format!("take `{}`", shown(take, 40)),
                };
                findings.push(told(format!(
                    "note {} is beside {beside}, which the session does not have",
                    k + 1
                )));
            }
            None => findings.push(told(format!("note {} stands beside nothing", k + 1))),
        }
    }
    (notes, findings)
}

/// The notes of a session whose findings are told already.
pub(crate) fn of(session: &Session) -> Vec<Note> {
    read(&session.folder, &|_| true).0
}

/// Lines stay, everything else a terminal or page could act on does not.
fn note(row: Row) -> Option<Note> {
    let on = match (row.caster, row.take, row.stroke) {
        (Some(caster), None, None) => NoteOn::Caster { caster },
        (None, Some(take), Some(stroke)) => NoteOn::Stroke { take, stroke },
        _ => return None,
    };
    let lines: Vec<String> = row.text.trim().lines().map(|line| shown(line, LONGEST_NOTE)).collect();
    let text: String = lines.join("\n").chars().take(LONGEST_NOTE).collect();
    (!text.is_empty()).then_some(Note { on, text })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &str) -> (Vec<Note>, Vec<Finding>) {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join(NAME), text).unwrap();
        read(folder.path(), &|on| match on {
            NoteOn::Caster { caster } => caster == "01",
            NoteOn::Stroke { take, .. } => take == "early",
        })
    }

    #[test]
    fn a_note_stands_beside_a_caster_or_a_stroke() {
        let (notes, findings) = read_text(
            "schema = 1\n[[note]]\ncaster = \"01\"\ntext = \"\"\"\nSlower.\nThen squeeze.\"\"\"\n[[note]]\ntake = \"early\"\nstroke = 3\ntext = \"a\\u001bb\"\n",
        );
        assert!(findings.is_empty(), "{findings:?}");
        assert_eq!(
            notes[0],
            Note { on: NoteOn::Caster { caster: "01".into() }, text: "Slower.\nThen squeeze.".into() }
        );
        assert_eq!(notes[1].on, NoteOn::Stroke { take: "early".into(), stroke: 3 });
        assert!(!notes[1].text.contains('\u{1b}'));
    }

    #[test]
    fn what_cannot_be_used_costs_its_note_with_a_word() {
        let one =
            |body: &str| read_text(&format!("[[note]]\ncaster = \"01\"\ntext = \"good\"\n[[note]]\n{body}"));
        for body in [
            "caster = \"99\"\ntext = \"x\"",
            "take = \"early\"\ntext = \"x\"",
            "text = \"x\"",
            "take = \"late\"\nstroke = 1\ntext = \"x\"",
        ] {
            let (notes, findings) = one(body);
            assert_eq!((notes.len(), findings.len()), (1, 1), "{body}");
            assert!(!findings[0].is_problem());
        }
        for all in [
            "schema = 2\n",
            "[[note]]\ncaster = 5\ntext = \"x\"",
            "[[note]]\ncasterr = \"01\"\ntext = \"x\"",
            "= broken",
        ] {
            let (notes, findings) = read_text(all);
            assert_eq!((notes.len(), findings.len()), (0, 1), "{all}");
        }
    }
}
