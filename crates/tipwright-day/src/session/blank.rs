//! The commented session.toml of a new session, written from the table of keys.

use super::schema::{Example, Key, Kind, TOP, Table};
use super::{Date, SessionId};

/// Column where notes begin, as far as values leave room.
const NOTE_COLUMN: usize = 34;
/// Letters at the end of an id: 31 letters four times, so that two sessions of one name and day differ (one chance in 900 000).
const ID_LETTERS: &[u8] = b"abcdefghjkmnpqrstuvwxyz23456789";

/// The id of a new session: its title's letters and digits, the day, four drawn letters.
#[must_use]
pub fn session_id(title: &str, date: Date, mut draw: impl FnMut(usize) -> usize) -> SessionId {
    let mut slug = String::new();
    for c in title.to_lowercase().chars() {
        if c.is_ascii_alphanumeric() {
            slug.push(c);
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    let slug: String = slug.chars().take(40).collect();
    let slug = slug.trim_end_matches('-');
    let slug = if slug.is_empty() { "session" } else { slug };
    let tail: String =
        (0..4).map(|_| char::from(ID_LETTERS[draw(ID_LETTERS.len()) % ID_LETTERS.len()])).collect();
    SessionId::new(format!("{slug}-{date}-{tail}"))
        .unwrap_or_else(|_| unreachable!("letters, digits and dashes, at most 56"))
}

/// The file's text.
#[must_use]
pub fn blank_session(title: &str, id: &SessionId, date: Date) -> String {
    let mut out = String::new();
    notes(&TOP, &mut out);
    out.push('\n');
    keys_of(&TOP, &TOP.examples[0], &mut out);
    tables_of(&TOP, "", &mut out);
    let title = toml::Value::String(super::names::shown(title, 200)).to_string();
    out.replace("\"@TITLE@\"", &title).replace("@ID@", id).replace("@DATE@", &date.to_string())
}

fn notes(table: &Table, out: &mut String) {
    for note in table.notes {
        out.push_str(&if note.is_empty() { "#\n".to_string() } else { format!("# {note}\n") });
    }
}

/// Tables that stand by themselves, after the keys with values.
fn tables_of(table: &Table, place: &str, out: &mut String) {
    for key in table.keys {
        let (inner, is_several) = match key.kind {
            Kind::Table(inner) => (inner, false),
            Kind::Tables(inner) => (inner, true),
            _ => continue,
        };
        if !key.example.is_empty() {
            continue;
        }
        let name = if place.is_empty() { key.name.to_string() } else { format!("{place}.{}", key.name) };
        if !inner.notes.is_empty() {
            out.push('\n');
            notes(inner, out);
        }
        for (idx, example) in inner.examples.iter().enumerate() {
            if idx > 0 || inner.notes.is_empty() {
                out.push('\n');
            }
            let header = if is_several { format!("[[{name}]]\n") } else { format!("[{name}]\n") };
            out.push_str(if example.is_remark { "# " } else { "" });
            out.push_str(&header);
            keys_of(inner, example, out);
        }
        tables_of(inner, &name, out);
    }
}

fn keys_of(table: &Table, example: &Example, out: &mut String) {
    let is_wanted =
        |key: &&Key| !key.example.is_empty() && (example.only.is_empty() || example.only.contains(&key.name));
    for key in table.keys.iter().filter(is_wanted) {
        let value = example.values.iter().find(|(name, _)| *name == key.name).map_or(key.example, |(_, v)| v);
        let mark = if example.is_remark || !key.is_shown { "# " } else { "" };
        let mut line = format!("{mark}{} = {value}", key.name);
        if !key.note.is_empty() {
            while line.chars().count() < NOTE_COLUMN - 1 {
                line.push(' ');
            }
            line.push_str(" # ");
            line.push_str(key.note);
        }
        line.push('\n');
        out.push_str(&line);
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::parse_text;
    use super::*;

    fn blank() -> String {
        let date = Date::new("2026-05-09").unwrap();
        let id = session_id("Willow Pond!", date, |n| n / 2);
        assert!(id.starts_with("willow-pond-2026-05-09-"), "{id}");
        blank_session("Willow \"Pond\"", &id, date)
    }

    #[test]
    fn the_commented_file_is_a_session() {
        let parsed = parse_text(&blank(), Path::new("x/session.toml"), None);
        let found: Vec<String> = parsed.findings.iter().map(ToString::to_string).collect();
        let session = parsed.session.unwrap_or_else(|| panic!("{found:#?}"));
        assert_eq!(session.title, "Willow \"Pond\"");
        assert_eq!(session.camera.len(), 2);
        assert_eq!(session.take.len(), 1);
        assert!(parsed.findings.is_empty(), "{found:#?}");
    }

    #[test]
    fn every_key_stands_in_the_commented_file_and_its_remarks_read_too() {
        fn names(table: &Table, out: &mut Vec<&'static str>) {
            for key in table.keys {
                out.push(key.name);
                if let Kind::Table(inner) | Kind::Tables(inner) = key.kind {
                    names(inner, out);
                }
            }
        }
        let text = blank();
        let mut all = Vec::new();
        names(&TOP, &mut all);
        for name in all.iter().filter(|n| !["marker", "take", "below"].contains(n)) {
            assert!(text.contains(*name), "{name}");
        }
        // every remark that is a key or a header, as if it were none
        let open: String = text
            .lines()
            .map(|l| match l.strip_prefix("# ") {
                Some(rest) if rest.starts_with('[') || rest.split(' ').nth(1) == Some("=") => rest,
                _ => l,
            })
            .map(|l| format!("{l}\n"))
            .collect();
        let parsed = parse_text(&open, Path::new("x/session.toml"), None);
        let found: Vec<_> = parsed.findings.iter().filter(|f| f.is_problem()).collect();
        assert!(found.is_empty(), "{found:#?}\n{open}");
        let session = parsed.session.expect("no problem");
        assert_eq!(session.marker.butt.len(), 2);
        assert_eq!(session.set_up.len(), 1);
        assert!(session.line.is_some());
    }
}
