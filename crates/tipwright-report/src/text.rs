//! The one door through which a text that somebody else wrote (names, titles, clip names) enters a table, a drawing or
//! a page.
//!
//! - [`visible`]: control characters never pass. C0 and delete become their control pictures (U+2400 block, one to one),
//!   C1 and the marks that turn the direction of writing U+FFFD, so that no terminal obeys a name and no name reads backwards.
//! - [`escape`]: that, and safe between tags and in quoted attributes of HTML and SVG. Templates escape by themselves, and
//!   every page passes through [`page`] before it is written.
//! - [`cell`]: that, and safe in a spreadsheet: a text cell of a CSV file that a spreadsheet could take for a formula gets one
//!   apostrophe before it, and so does one that begins with an apostrophe already. To read back: take away one leading
//!   apostrophe where there is one ([`from_cell`]). Numbers are no texts and stay as they are. The characters are those of
//!   OWASP's page on CSV injection: `= + - @`, their full-width forms, tab and line ends.

use std::borrow::Cow;
use std::fmt;

/// The text with control characters made visible.
#[must_use]
pub fn visible(text: &str) -> Cow<'_, str> {
    if text.chars().all(|c| shown(c) == c) {
        Cow::Borrowed(text)
    } else {
        text.chars().map(shown).collect::<String>().into()
    }
}

fn shown(c: char) -> char {
    match c {
        '\0'..='\u{1f}' => char::from_u32(0x2400 + u32::from(c)).unwrap_or('\u{fffd}'),
        '\u{7f}' => '\u{2421}',
        '\u{80}'..='\u{9f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{2028}' | '\u{2029}' => {
            '\u{fffd}'
        }
        c => c,
    }
}

/// Text safe between tags and in quoted attributes.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(shown(c)),
        }
    }
    out
}

/// A whole page: what a name brought in is made visible, the page's own line ends stay.
#[must_use]
pub fn page(html: &str) -> String {
    html.chars().map(|c| if c == '\n' { c } else { shown(c) }).collect()
}

/// HTML or SVG that was put together from escaped parts: templates pass it on as it is.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Html(pub String);

impl Html {
    /// A plain text, escaped.
    #[must_use]
    pub fn text(text: &str) -> Self {
        Self(escape(text))
    }

    /// A template, filled in.
    #[must_use]
    pub fn of(template: &impl askama::Template) -> Self {
        // Templates only write to memory.
        Self(template.render().unwrap_or_default())
    }

    /// Nothing there.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl fmt::Display for Html {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl From<String> for Html {
    fn from(html: String) -> Self {
        Self(html)
    }
}

impl askama::filters::HtmlSafe for Html {}

/// A text as a cell of a CSV file.
#[must_use]
pub fn cell(text: &str) -> Cow<'_, str> {
    let is_risky = text.starts_with([
        '=', '+', '-', '@', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}', '\t', '\r', '\n', '\'',
    ]);
    if is_risky { format!("'{}", visible(text)).into() } else { visible(text) }
}

/// A cell's text as it was (control characters stay pictures).
#[must_use]
pub fn from_cell(cell: &str) -> &str {
    cell.strip_prefix('\'').unwrap_or(cell)
}

/// A folder or file name inside a link.
#[must_use]
pub fn url_part(text: &str) -> String {
    text.bytes()
        .map(|b| match b {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' => char::from(b).to_string(),
            _ => format!("%{b:02X}"),
        })
        .collect()
}

/// The first letter in upper case.
#[must_use]
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// The first letter in lower case.
#[must_use]
pub fn lower(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_lowercase().chain(chars).collect())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_formula_is_a_text_and_comes_back() {
        for text in [
            "=HYPERLINK(\"x\")",
            "+1",
            "-2+3",
            "@SUM(A1)",
            "'quoted",
            "\u{ff1d}1+1",
            "\t=1",
            "plain",
            "3-before",
            "",
        ] {
            let made = cell(text);
            assert!(!made.starts_with(['=', '+', '-', '@', '\t', '\r', '\u{ff1d}']), "{made}");
            assert_eq!(from_cell(&made), visible(text), "{text:?}");
        }
        assert_eq!(cell("=1"), "'=1");
        assert_eq!(cell("plain"), "plain");
    }

    #[test]
    fn a_terminal_escape_is_a_picture_of_itself() {
        assert_eq!(
            escape("a\u{1b}[31mred\u{7}\u{9b}2J\u{202e}x"),
            "a\u{241b}[31mred\u{2407}\u{fffd}2J\u{fffd}x"
        );
        assert_eq!(escape("</text><script>\"'&"), "&lt;/text&gt;&lt;script&gt;&quot;&#39;&amp;");
    }

    proptest! {
        #[test]
        fn no_text_breaks_out(text in any::<String>()) {
            let safe = escape(&text);
            prop_assert!(!safe.contains(['<', '>', '"', '\'']));
            prop_assert!(safe.chars().all(|c| !c.is_control()));
            let made = cell(&text);
            prop_assert!(made.chars().all(|c| !c.is_control()));
            prop_assert_eq!(from_cell(&made).to_owned(), visible(&text).into_owned());
        }
    }
}
