//! Our own drawings and tables read back from the markup of the pages, so that what is printed is what the page shows: elements, their
//! attributes, and texts, in the order in which they stand. Only what this crate writes is understood.

use crate::units::UnitSystem;

/// A part of the markup.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Piece<'a> {
    /// An element begins; the text within its angle brackets.
    Open(Tag<'a>),
    /// An element ends.
    Close(&'a str),
    /// A text.
    Text(&'a str),
}

/// An element as it begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tag<'a> {
    inside: &'a str,
}

impl<'a> Tag<'a> {
    pub(super) fn name(&self) -> &'a str {
        self.inside.split([' ', '/']).next().unwrap_or_default()
    }

    /// The element has no inside.
    pub(super) fn is_whole(&self) -> bool {
        self.inside.ends_with('/')
    }

    pub(super) fn attribute(&self, name: &str) -> Option<&'a str> {
        let at = self.inside.match_indices(name).map(|(at, _)| at).find(|&at| {
            self.inside[..at].ends_with(' ') && self.inside[at + name.len()..].starts_with("=\"")
        })?;
        self.inside[at + name.len() + 2..].split('"').next()
    }

    pub(super) fn number(&self, name: &str) -> f64 {
        self.attribute(name).and_then(|v| v.parse().ok()).unwrap_or(0.0)
    }

    pub(super) fn classes(&self) -> impl Iterator<Item = &'a str> + use<'a> {
        self.attribute("class").unwrap_or_default().split_whitespace()
    }
}

/// The parts of a markup.
pub(super) fn pieces(markup: &str) -> impl Iterator<Item = Piece<'_>> {
    let mut rest = markup;
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        if let Some(inside) = rest.strip_prefix('<') {
            let end = inside.find('>')?;
            rest = &inside[end + 1..];
            let inside = &inside[..end];
            return Some(match inside.strip_prefix('/') {
                Some(name) => Piece::Close(name),
                None => Piece::Open(Tag { inside }),
            });
        }
        let end = rest.find('<').unwrap_or(rest.len());
        let text = &rest[..end];
        rest = &rest[end..];
        Some(Piece::Text(text))
    })
}

/// What of a markup is shown in one system of units: parts of the other system, and what is only for those who listen, left out.
pub(super) fn shown(markup: &str, system: UnitSystem) -> impl Iterator<Item = Piece<'_>> {
    let other = match system {
        UnitSystem::Metric => "u-ft",
        UnitSystem::Imperial => "u-m",
    };
    let mut hidden = 0_usize;
    pieces(markup).filter(move |piece| match piece {
        Piece::Open(tag) if tag.is_whole() => hidden == 0 && tag.classes().all(|c| c != other),
        Piece::Open(tag) => {
            if hidden > 0 || tag.classes().any(|c| c == other || c == "hidden") {
                hidden += 1;
            }
            hidden == 0
        }
        Piece::Close(_) => {
            let was = hidden;
            hidden = hidden.saturating_sub(1);
            was == 0
        }
        Piece::Text(_) => hidden == 0,
    })
}

/// The words of a markup.
pub(super) fn words(markup: &str, system: UnitSystem) -> String {
    shown(markup, system).filter_map(|p| if let Piece::Text(t) = p { Some(plain(t)) } else { None }).collect()
}

/// A text with its entities as letters, and letters that the fonts of paper lack as those they have.
pub(super) fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find('&') {
        out.push_str(&rest[..at]);
        rest = &rest[at..];
        let end = rest.find(';').map_or(1, |e| e + 1);
        let (entity, after) = rest.split_at(end);
        out.push_str(match entity {
            "&amp;" => "&",
            "&lt;" => "<",
            "&gt;" => ">",
            "&quot;" => "\"",
            "&#39;" => "'",
            "&plusmn;" => "\u{b1}",
            other => other,
        });
        rest = after;
    }
    out.push_str(rest);
    out.chars()
        .map(|c| match c {
            '\u{2212}' | '\u{2013}' | '\u{2011}' => '-',
            '\u{2009}' | '\u{200a}' | '\u{202f}' => '\u{a0}',
            '\u{2018}' | '\u{2019}' | '\u{2032}' => '\'',
            '\u{201c}' | '\u{201d}' | '\u{2033}' => '"',
            c => c,
        })
        .collect()
}

/// Cells of the tables of a markup, row by row; a table's caption is a row of one.
pub(super) fn rows(markup: &str, system: UnitSystem) -> Vec<Vec<String>> {
    let mut out: Vec<Vec<String>> = Vec::new();
    let mut is_cell = false;
    for piece in shown(markup, system) {
        match piece {
            Piece::Open(tag) => match tag.name() {
                "tr" => out.push(Vec::new()),
                "caption" => {
                    out.push(vec![String::new()]);
                    is_cell = true;
                }
                "td" | "th" => {
                    out.last_mut().into_iter().for_each(|row| row.push(String::new()));
                    is_cell = true;
                }
                _ => {}
            },
            Piece::Close("td" | "th" | "caption") => is_cell = false,
            Piece::Text(text) if is_cell => {
                if let Some(cell) = out.last_mut().and_then(|row| row.last_mut()) {
                    cell.push_str(&plain(text));
                }
            }
            _ => {}
        }
    }
    out
}

/// The drawings of a markup.
pub(super) fn drawings(markup: &str) -> Vec<&str> {
    let mut out = Vec::new();
    let mut rest = markup;
    while let Some(at) = rest.find("<svg ") {
        let end = rest[at..].find("</svg>").map_or(rest.len(), |e| at + e + "</svg>".len());
        out.push(&rest[at..end]);
        rest = &rest[end..];
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_system_of_units_is_read() {
        let markup = "<td data-name=\"a\"><span class=\"u-m\">28<span class=\"pm\">\u{a0}\u{b1}\u{a0}14</span> <small>mm</small></span>\
                      <span class=\"u-ft\">1.1 <small>in</small></span> &amp; \u{2212}5</td>";
        assert_eq!(words(markup, UnitSystem::Metric), "28\u{a0}\u{b1}\u{a0}14 mm & -5");
        assert_eq!(words(markup, UnitSystem::Imperial), "1.1 in & -5");
        let table =
            "<caption>Forward</caption><tr><th>a</th><th>b</th></tr><tr><td>1</td><td><b>2</b></td></tr>";
        assert_eq!(rows(table, UnitSystem::Metric), [vec!["Forward"], vec!["a", "b"], vec!["1", "2"]]);
    }

    #[test]
    fn attributes_are_read_by_their_whole_name() {
        let Some(Piece::Open(tag)) = pieces("<line class=\"grid when\" x1=\"4\" y1=\"-2.5\"/>").next() else {
            panic!()
        };
        assert_eq!(
            (tag.name(), tag.number("x1"), tag.number("y1"), tag.attribute("x")),
            ("line", 4.0, -2.5, None)
        );
        assert!(tag.is_whole() && tag.classes().eq(["grid", "when"]));
    }
}
