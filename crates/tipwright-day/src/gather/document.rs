//! Writing into session.toml without touching what a person wrote: every line of theirs stays, byte for byte and in its order.
//!
//! What fits nothing stands at the end in lines that begin with [`MARK`]; they are this program's and written anew each time. What
//! `new` wrote as an example is taken out when it names no file that is there and the real thing was found.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use toml_edit::{DocumentMut, InlineTable, Item, TableLike, Value};

use crate::session::{Date, blank_session, session_id};

/// Begins lines that are written anew each time.
const MARK: &str = "#~";

/// Clips by camera, as session.toml writes them.
pub(super) type Named = BTreeMap<String, String>;

/// One set-up to write.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct NewSetUp {
    /// Of `[[set_up]]`; the single `[scene]` has none.
    pub name: Option<String>,
    /// Its clips by group: wand, plumb, toss.
    pub groups: Vec<(&'static str, Named)>,
}

/// One take to write.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct NewTake {
    pub name: String,
    pub caster: String,
    pub phase: Option<String>,
    pub set_up: Option<String>,
    pub clips: Named,
    /// The part of long clips.
    pub part_s: Option<[f64; 2]>,
    /// Said behind the caster and behind the clips.
    pub caster_note: String,
    pub clips_note: String,
}

/// What is to be written.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Additions {
    pub lenses: Named,
    pub set_ups: Vec<NewSetUp>,
    pub takes: Vec<NewTake>,
    /// Camera, clip, reason.
    pub unplaced: Vec<(String, String, String)>,
}

/// Why it cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum DocumentError {
    /// Not TOML.
    #[error("it is no TOML: {0}")]
    Syntax(String),
    /// The edit would change what a person wrote.
    #[error("this line would not stay as it is: `{0}`")]
    Changes(String),
}

/// The file as it was read.
pub(super) struct Document {
    text: String,
    document: DocumentMut,
    examples: DocumentMut,
    uses_crlf: bool,
}

impl Document {
    /// Reads a text.
    pub(super) fn read(text: &str) -> Result<Self, DocumentError> {
        let uses_crlf = text.contains("\r\n");
        let text = if uses_crlf { text.replace("\r\n", "\n") } else { text.to_string() };
        let text: String = text.split_inclusive('\n').filter(|line| !line.starts_with(MARK)).collect();
        let syntax = |e: toml_edit::TomlError| DocumentError::Syntax(e.message().to_string());
        let document = text.parse::<DocumentMut>().map_err(syntax)?;
        let date = Date::new("2000-01-01").unwrap_or_else(|_| Date::today());
        let examples = blank_session("", &session_id("", date, |_| 0), date);
        let examples = examples.parse::<DocumentMut>().map_err(syntax)?;
        Ok(Self { text, document, examples, uses_crlf })
    }

    /// Every text in it: those of clips are among them.
    pub(super) fn texts(&self) -> BTreeSet<String> {
        fn of_value(value: &Value, out: &mut BTreeSet<String>) {
            match value {
                Value::String(text) => drop(out.insert(text.value().clone())),
                Value::Array(values) => values.iter().for_each(|v| of_value(v, out)),
                Value::InlineTable(table) => table.iter().for_each(|(_, v)| of_value(v, out)),
                _ => {}
            }
        }
        fn of_item(item: &Item, out: &mut BTreeSet<String>) {
            match item {
                Item::Value(value) => of_value(value, out),
                Item::Table(table) => table.iter().for_each(|(_, i)| of_item(i, out)),
                Item::ArrayOfTables(tables) => {
                    tables.iter().flat_map(|t| t.iter()).for_each(|(_, i)| of_item(i, out));
                }
                Item::None => {}
            }
        }
        let mut out = BTreeSet::new();
        of_item(self.document.as_item(), &mut out);
        out
    }

    /// The text with what a session must have filled in, so that it can be read before its clips are named.
    pub(super) fn readable(&self, folder: &Path) -> String {
        let mut filled = self.document.clone();
        self.drop_example_takes(&mut filled, folder);
        for_cameras(&mut filled, |_, camera| {
            if !camera.contains_key("lens") {
                camera.insert("lens", toml_edit::value("not-known.toml"));
            }
        });
        if !filled.contains_key("scene") && !filled.contains_key("set_up") {
            let mut scene = InlineTable::new();
            scene.insert("wand", Value::InlineTable(InlineTable::new()));
            // an inline table must stand before the tables; a table of its own may stand anywhere
            filled.insert("scene", Item::Table(scene.into_table()));
        }
        filled.to_string()
    }

    /// Cameras without a lens, or with the example's that is not there.
    pub(super) fn lacks_lens(&self, folder: &Path) -> BTreeSet<String> {
        let mut out = BTreeSet::new();
        let mut document = self.document.clone();
        for_cameras(&mut document, |name, camera| {
            let lens = camera.get("lens");
            if lens.is_none_or(|l| self.is_example_lens(l, folder)) {
                out.insert(name.to_string());
            }
        });
        out
    }

    /// The single scene has no such group, or the example's whose clips are not there; false where there is no single scene but
    /// set-ups by name.
    pub(super) fn lacks_group(&self, group: &str, folder: &Path) -> bool {
        match self.document.get("scene").and_then(Item::as_table_like) {
            Some(scene) => scene.get(group).is_none_or(|clips| self.is_example_group(group, clips, folder)),
            None => !self.document.contains_key("set_up"),
        }
    }

    fn is_example_lens(&self, lens: &Item, folder: &Path) -> bool {
        let examples = self.examples.get("camera").and_then(Item::as_array_of_tables);
        let is_one = examples
            .is_some_and(|e| e.iter().any(|c| c.get("lens").is_some_and(|l| l.as_str() == lens.as_str())));
        is_one && lens.as_str().is_some_and(|clip| !folder.join(clip).exists())
    }

    fn is_example_group(&self, group: &str, clips: &Item, folder: &Path) -> bool {
        let example = self.examples.get("scene").and_then(|s| s.get(group));
        example.is_some_and(|e| clips_of(e) == clips_of(clips)) && none_there(clips, folder)
    }

    fn drop_example_takes(&self, document: &mut DocumentMut, folder: &Path) {
        let Some(example) =
            self.examples.get("take").and_then(Item::as_array_of_tables).and_then(|t| t.get(0))
        else {
            return;
        };
        let clips = |table: &toml_edit::Table| table.get("clips").map(clips_of);
        let Some(takes) = document.get_mut("take").and_then(Item::as_array_of_tables_mut) else { return };
        let is_example = |t: &toml_edit::Table| {
            clips(t) == clips(example) && t.get("clips").is_some_and(|c| none_there(c, folder))
        };
        takes.retain(|t| !is_example(t));
        if takes.is_empty() {
            document.remove("take");
        }
    }

    /// The text with the additions.
    pub(super) fn with(&self, additions: &Additions, folder: &Path) -> Result<String, DocumentError> {
        let mut document = self.document.clone();
        if !additions.takes.is_empty() {
            self.drop_example_takes(&mut document, folder);
        }
        for_cameras(&mut document, |name, camera| {
            if let Some(clip) = additions.lenses.get(name) {
                put(camera, "lens", Value::from(clip.as_str()));
            }
        });
        let mut appended = String::new();
        for set_up in &additions.set_ups {
            let scene = document.get_mut("scene").and_then(Item::as_table_like_mut);
            match (&set_up.name, scene) {
                (None, Some(scene)) => {
                    for (group, clips) in &set_up.groups {
                        put(scene, group, Value::InlineTable(clips.iter().collect()));
                    }
                }
                (None, None) => appended.push_str(&format!("\n[scene]\n{}", groups(set_up))),
                (Some(name), _) => {
                    let name = quoted(name);
                    let text = format!("\n[[set_up]]\nname = {name}\n[set_up.scene]\n{}", groups(set_up));
                    appended.push_str(&text);
                }
            }
        }
        for take in &additions.takes {
            appended.push_str(&take_text(take));
        }
        let mut text = document.to_string();
        let nothing_new = appended.is_empty() && additions.unplaced.is_empty();
        if !(nothing_new || text.is_empty() || text.ends_with('\n')) {
            text.push('\n');
        }
        text.push_str(&appended);
        text.push_str(&unplaced_text(&additions.unplaced));
        text.parse::<DocumentMut>().map_err(|e| DocumentError::Syntax(e.message().to_string()))?;
        self.keeps_lines(&text)?;
        Ok(if self.uses_crlf { text.replace('\n', "\r\n") } else { text })
    }

    /// Every line but those of examples is still there, in its order.
    fn keeps_lines(&self, after: &str) -> Result<(), DocumentError> {
        let examples: BTreeSet<String> = self.examples.to_string().lines().map(str::to_string).collect();
        let mut rest = after.lines();
        for line in self.text.lines().filter(|l| !l.trim().is_empty() && !examples.contains(*l)) {
            if !rest.by_ref().any(|l| l == line) {
                return Err(DocumentError::Changes(line.to_string()));
            }
        }
        Ok(())
    }
}

fn for_cameras(document: &mut DocumentMut, mut with: impl FnMut(&str, &mut dyn TableLike)) {
    let mut each = |table: &mut dyn TableLike| {
        if let Some(name) = table.get("name").and_then(Item::as_str).map(str::to_string) {
            with(&name, table);
        }
    };
    match document.get_mut("camera") {
        Some(Item::ArrayOfTables(tables)) => tables.iter_mut().for_each(|t| each(t)),
        Some(Item::Value(Value::Array(values))) => {
            values.iter_mut().filter_map(Value::as_inline_table_mut).for_each(|t| each(t));
        }
        _ => {}
    }
}

/// Sets a value and leaves what stands around it.
fn put(table: &mut dyn TableLike, key: &str, mut value: Value) {
    match table.get_mut(key).and_then(Item::as_value_mut) {
        Some(old) => {
            *value.decor_mut() = old.decor().clone();
            *old = value;
        }
        None => drop(table.insert(key, Item::Value(value))),
    }
}

fn clips_of(item: &Item) -> Vec<(String, Option<String>)> {
    let table = item.as_table_like();
    let text = |i: &Item| i.as_str().map(str::to_string);
    let mut clips: Vec<_> =
        table.into_iter().flat_map(|t| t.iter()).map(|(k, i)| (k.to_string(), text(i))).collect();
    clips.sort();
    clips
}

fn none_there(item: &Item, folder: &Path) -> bool {
    clips_of(item).iter().all(|(_, clip)| clip.as_ref().is_none_or(|c| !folder.join(c).exists()))
}

fn quoted(text: &str) -> String {
    Value::from(text).to_string()
}

fn inline(clips: &Named) -> String {
    Value::InlineTable(clips.iter().collect()).to_string()
}

fn groups(set_up: &NewSetUp) -> String {
    set_up.groups.iter().map(|(group, clips)| format!("{group} = {}\n", inline(clips))).collect()
}

/// A note behind a value; no text of a file can end the line.
fn note(text: &str) -> String {
    if text.is_empty() { String::new() } else { format!("  # {}", crate::session::names::shown(text, 300)) }
}

fn take_text(take: &NewTake) -> String {
    let set_up = take.set_up.as_ref().map_or(String::new(), |s| format!("set_up = {}\n", quoted(s)));
    let phase = take.phase.as_ref().map_or(String::new(), |p| format!("phase = {}\n", quoted(p)));
    let part =
        take.part_s.map_or(String::new(), |[from, to]| format!("from_s = {from:.1}\nto_s = {to:.1}\n"));
    format!(
        "\n[[take]]\nname = {}\ncaster = {}{}\n{phase}{set_up}clips = {}{}\n{part}",
        quoted(&take.name),
        quoted(&take.caster),
        note(&take.caster_note),
        inline(&take.clips),
        note(&take.clips_note)
    )
}

fn unplaced_text(unplaced: &[(String, String, String)]) -> String {
    if unplaced.is_empty() {
        return String::new();
    }
    let mut out = format!(
        "{MARK}\n{MARK} Clips that fit nothing. `tipwright gather` writes these lines anew; take {MARK} away to keep one.\n"
    );
    for (camera, clip, reason) in unplaced {
        let clips: Named = [(camera.clone(), clip.clone())].into_iter().collect();
        out.push_str(&format!("{MARK} clips = {}{}\n", inline(&clips), note(reason)));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn additions() -> Additions {
        let clips = |a: &str, b: &str| -> Named {
            [("west".to_string(), a.to_string()), ("east".to_string(), b.to_string())].into_iter().collect()
        };
        Additions {
            lenses: clips("west/board.mp4", "east/b \"1\".mov"),
            set_ups: vec![NewSetUp {
                name: None,
                groups: vec![
                    ("wand", clips("west/w.mp4", "east/w.mov")),
                    ("plumb", clips("west/p.mp4", "east/p.mov")),
                ],
            }],
            takes: vec![NewTake {
                name: "take-01".into(),
                caster: "01".into(),
                phase: None,
                set_up: None,
                clips: clips("west/1.mp4", "east/1.mov"),
                part_s: Some([12.0, 31.5]),
                caster_note: "a guess".into(),
                clips_note: String::new(),
            }],
            unplaced: vec![("west".into(), "west/x.mp4".into(), "no clip\nof east".into())],
        }
    }

    const WRITTEN: &str = "# ours\nschema = 2   # kept\ntitle = 'A'\n\n\n[[camera]]   # first\nname = \"west\"\n  board = { columns = 9, rows = 6,   square_mm = 25.0 }\n[[camera]]\nname = \"east\"\n# last words";

    #[test]
    fn what_a_person_wrote_stays_byte_for_byte() {
        let folder = Path::new("/nowhere");
        for text in [WRITTEN.to_string(), WRITTEN.replace('\n', "\r\n")] {
            let after = Document::read(&text).unwrap().with(&additions(), folder).unwrap();
            let mut rest = after.as_str();
            for line in text.split_inclusive('\n') {
                let at = rest.find(line).unwrap_or_else(|| panic!("{line:?} is gone:\n{after}"));
                rest = &rest[at + line.len()..];
            }
            let read: toml::Table = toml::from_str(&after).unwrap();
            assert_eq!(read["camera"][1]["lens"].as_str(), Some("east/b \"1\".mov"));
            assert_eq!(read["scene"]["plumb"]["east"].as_str(), Some("east/p.mov"));
            assert_eq!(read["take"].as_array().unwrap().len(), 1);
            assert_eq!(read["take"][0]["to_s"].as_float(), Some(31.5));
            // nothing more to add: the same file
            let again = Document::read(&after).unwrap();
            assert!(again.texts().contains("west/1.mp4") && !again.texts().contains("west/x.mp4"));
            let only = Additions { unplaced: additions().unplaced, ..Additions::default() };
            assert_eq!(again.with(&only, folder).unwrap(), after);
        }
    }

    #[test]
    fn examples_of_the_blank_file_give_way_to_what_was_found_and_its_notes_stay() {
        let date = Date::new("2026-05-09").unwrap();
        let blank = blank_session("Pond", &session_id("Pond", date, |_| 0), date);
        let document = Document::read(&blank).unwrap();
        let folder = Path::new("/nowhere");
        assert_eq!(document.lacks_lens(folder).len(), 2);
        assert!(document.lacks_group("wand", folder) && document.lacks_group("toss", folder));
        let after = document.with(&additions(), folder).unwrap();
        let read: toml::Table = toml::from_str(&after).unwrap();
        assert_eq!(read["camera"][0]["lens"].as_str(), Some("west/board.mp4"));
        assert_eq!(read["scene"]["wand"]["west"].as_str(), Some("west/w.mp4"));
        assert_eq!(read["take"].as_array().unwrap().len(), 1, "{after}");
        assert!(!document.readable(folder).contains("0001.mp4"));
        // a person's own take with clips that are not copied yet stays
        let theirs = blank.replace("0001.mp4", "0002.mp4");
        let after = Document::read(&theirs).unwrap().with(&additions(), folder).unwrap();
        let read: toml::Table = toml::from_str(&after).unwrap();
        assert_eq!(read["take"].as_array().unwrap().len(), 2, "{after}");
    }
}
