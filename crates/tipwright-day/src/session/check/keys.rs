//! The keys session.toml may have: every unknown, missing or wrongly typed one is reported with its line.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use tipwright::model::{Severity, Warning};

/// What a key holds.
enum Kind {
    Text,
    Number,
    Whole,
    Table(&'static [Key]),
    Tables(&'static [Key]),
    /// Camera name to clip.
    Clips,
    /// Three numbers.
    Point,
}

struct Key {
    name: &'static str,
    kind: Kind,
    required: bool,
}

const fn must(name: &'static str, kind: Kind) -> Key {
    Key { name, kind, required: true }
}

const fn may(name: &'static str, kind: Kind) -> Key {
    Key { name, kind, required: false }
}

const BOARD: &[Key] =
    &[must("columns", Kind::Whole), must("rows", Kind::Whole), must("square_mm", Kind::Number)];
const WAND: &[Key] =
    &[must("length_m", Kind::Number), may("colour", Kind::Text), may("diameter_mm", Kind::Number)];
const ROD: &[Key] = &[must("length_m", Kind::Number)];
const TIP: &[Key] = &[must("colour", Kind::Text), must("diameter_mm", Kind::Number)];
const BUTT: &[Key] =
    &[must("at_m", Kind::Number), must("colour", Kind::Text), must("diameter_mm", Kind::Number)];
const MARKER: &[Key] = &[must("tip", Kind::Table(TIP)), may("butt", Kind::Tables(BUTT))];
const CAMERA: &[Key] = &[
    must("name", Kind::Text),
    must("lens", Kind::Text),
    may("board", Kind::Table(BOARD)),
    may("readout_ms", Kind::Number),
    may("capture_fps", Kind::Number),
    may("rough_position_m", Kind::Point),
    may("rough_look_at_m", Kind::Point),
];
const SCENE: &[Key] = &[must("wand", Kind::Clips), may("plumb", Kind::Clips), may("toss", Kind::Clips)];
const TAKE: &[Key] = &[
    must("name", Kind::Text),
    must("caster", Kind::Text),
    may("phase", Kind::Text),
    must("clips", Kind::Clips),
];
const TOP: &[Key] = &[
    must("schema", Kind::Whole),
    must("title", Kind::Text),
    may("report_units", Kind::Text),
    may("air_temperature_c", Kind::Number),
    must("wand", Kind::Table(WAND)),
    must("rod", Kind::Table(ROD)),
    must("marker", Kind::Table(MARKER)),
    must("camera", Kind::Tables(CAMERA)),
    must("scene", Kind::Table(SCENE)),
    may("take", Kind::Tables(TAKE)),
];

/// Problems of syntax, keys and types, in the order of the file.
pub(super) fn check_keys(text: &str) -> Vec<Warning> {
    let (table, errors) = DeTable::parse_recoverable(text);
    let mut findings: Vec<Warning> = errors
        .iter()
        .map(|e| {
            let at = e.span().map_or_else(String::new, |s| format!(", line {}", line_of(text, s.start)));
            problem(format!("session.toml{at}"), e.message().to_string(), "mend this line")
        })
        .collect();
    walk(text, table.get_ref(), TOP, "", 0, &mut findings);
    findings
}

fn problem(about: String, what: String, remedy: impl Into<String>) -> Warning {
    Warning::new(Severity::Problem, about, what, remedy)
}

fn line_of(text: &str, offset: usize) -> usize {
    1 + text.as_bytes()[..offset.min(text.len())].iter().filter(|b| **b == b'\n').count()
}

fn walk(
    text: &str,
    table: &DeTable<'_>,
    keys: &'static [Key],
    place: &str,
    start: usize,
    out: &mut Vec<Warning>,
) {
    for (name, value) in table {
        let line = line_of(text, name.span().start);
        let about = format!("session.toml, line {line}");
        match keys.iter().find(|k| k.name == name.get_ref().as_ref()) {
            Some(key) => check_kind(text, value, key, place, line, out),
            None => {
                let remedy = match nearest(name.get_ref(), keys) {
                    Some(near) => format!("did you mean `{near}`? Otherwise take the line out"),
                    None => "take the line out".to_string(),
                };
                out.push(problem(
                    about,
                    format!("unknown key `{}`{}", name.get_ref(), within(place)),
                    remedy,
                ));
            }
        }
    }
    for key in keys.iter().filter(|k| k.required) {
        if !table.iter().any(|(name, _)| name.get_ref().as_ref() == key.name) {
            let about = if place.is_empty() {
                "session.toml".to_string()
            } else {
                format!("session.toml, line {}", line_of(text, start))
            };
            out.push(problem(
                about,
                format!("`{}` is missing{}", key.name, within(place)),
                "add it; `tipwright new` writes an example with every key",
            ));
        }
    }
}

fn within(place: &str) -> String {
    if place.is_empty() { String::new() } else { format!(" in [{place}]") }
}

fn check_kind(
    text: &str,
    value: &Spanned<DeValue<'_>>,
    key: &'static Key,
    place: &str,
    line: usize,
    out: &mut Vec<Warning>,
) {
    let inner = if place.is_empty() { key.name.to_string() } else { format!("{place}.{}", key.name) };
    let start = value.span().start;
    let wanted = match (&key.kind, value.get_ref()) {
        (Kind::Text, DeValue::String(_))
        | (Kind::Number, DeValue::Integer(_) | DeValue::Float(_))
        | (Kind::Whole, DeValue::Integer(_)) => return,
        (Kind::Table(keys), DeValue::Table(table)) => return walk(text, table, keys, &inner, start, out),
        (Kind::Tables(keys), DeValue::Array(rows)) => {
            for row in rows.iter() {
                match row.get_ref() {
                    DeValue::Table(table) => walk(text, table, keys, &inner, row.span().start, out),
                    other => out.push(problem(
                        format!("session.toml, line {line}"),
                        format!("`{inner}` holds {} where a table is needed", other.type_str()),
                        format!("write it as [[{inner}]]"),
                    )),
                }
            }
            return;
        }
        (Kind::Clips, DeValue::Table(table)) => {
            for (camera, clip) in table {
                if !clip.get_ref().is_str() {
                    out.push(problem(
                        format!("session.toml, line {}", line_of(text, clip.span().start)),
                        format!("the clip of `{}` in [{inner}] is no text", camera.get_ref()),
                        "write the file's name in quotation marks",
                    ));
                }
            }
            return;
        }
        (Kind::Point, DeValue::Array(values))
            if values.len() == 3
                && values.iter().all(|v| matches!(v.get_ref(), DeValue::Integer(_) | DeValue::Float(_))) =>
        {
            return;
        }
        (Kind::Point, _) => "three numbers, as [-0.7, -8.3, 1.3]".to_string(),
        (Kind::Text, _) => "text in quotation marks".to_string(),
        (Kind::Number, _) => "a number".to_string(),
        (Kind::Whole, _) => "a whole number".to_string(),
        (Kind::Table(_), _) => format!("a table [{inner}]"),
        (Kind::Tables(_), _) => format!("tables [[{inner}]]"),
        (Kind::Clips, _) => {
            "one clip per camera, as { west = \"west/a.mp4\", east = \"east/b.mp4\" }".to_string()
        }
    };
    out.push(problem(
        format!("session.toml, line {line}"),
        format!("`{}`{} is {}, but must be {wanted}", key.name, within(place), value.get_ref().type_str()),
        "correct its value",
    ));
}

/// The known key with the fewest edits, if it is near enough to be meant.
fn nearest(name: &str, keys: &'static [Key]) -> Option<&'static str> {
    keys.iter()
        .map(|k| (edits(name, k.name), k.name))
        .min()
        .filter(|(count, near)| *count <= 2.max(near.len() / 3))
        .map(|(_, near)| near)
}

/// Levenshtein distance (insertions, deletions, replacements).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_is_found_in_one_pass_with_its_line() {
        let text = "schema = 1\ntitle = 3\nreport_unit = \"ft\"\n[wand]\nlenght_m = 1.0\n[rod]\nlength_m = \"9 ft\"\n\
                    [marker.tip]\ncolour = \"white\"\ndiameter_mm = 40\n[[camera]]\nname = \"west\"\nlens = \"a.toml\"\n\
                    [scene]\nwand = { west = 5 }\n";
        let found = check_keys(text);
        let has = |line: &str, part: &str| {
            assert!(
                found
                    .iter()
                    .any(|f| f.about.ends_with(line) && (f.what.contains(part) || f.remedy.contains(part))),
                "{line}: {part} not in {found:#?}"
            );
        };
        has("line 2", "must be text");
        has("line 3", "`report_units`");
        has("line 5", "`length_m`");
        has("line 4", "`length_m` is missing in [wand]");
        has("line 7", "a number");
        has("line 15", "clip of `west`");
        assert_eq!(found.len(), 6, "{found:#?}");
    }

    #[test]
    fn syntax_errors_are_all_reported() {
        let found = check_keys("schema = \ntitle = \"a\n");
        assert!(found.iter().any(|f| f.about.ends_with("line 1")), "{found:#?}");
        assert!(found.iter().any(|f| f.about.ends_with("line 2")), "{found:#?}");
    }
}
