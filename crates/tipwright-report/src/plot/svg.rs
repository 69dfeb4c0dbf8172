//! A small writer of SVG text. It knows no colours: shapes carry classes, and the style sheet of the page, or the
//! one inside a standalone file ([`super::style`]), gives them their ink.

use std::fmt::Write;

/// SVG elements so far.
#[derive(Debug, Clone, Default)]
pub struct Svg {
    body: String,
}

/// Where a text hangs on its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// The point is its left end.
    Start,
    /// The point is its middle.
    Middle,
    /// The point is its right end.
    End,
}

impl Anchor {
    fn word(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Middle => "middle",
            Self::End => "end",
        }
    }
}

/// A point of the drawing.
pub type Xy = (f64, f64);

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
            _ => out.push(c),
        }
    }
    out
}

/// A coordinate with at most two decimals and no trailing zeros.
#[must_use]
pub fn coordinate(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

impl Svg {
    /// Nothing drawn yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The elements as text.
    #[must_use]
    pub fn into_body(self) -> String {
        self.body
    }

    /// Adds text as it is.
    pub fn raw(&mut self, text: &str) {
        self.body.push_str(text);
    }

    /// Adds another drawing's elements.
    pub fn append(&mut self, other: Svg) {
        self.body.push_str(&other.body);
    }

    /// Opens a group; `attributes` are written as they are.
    pub fn open(&mut self, class: &str, attributes: &str) {
        let space = if attributes.is_empty() { "" } else { " " };
        let _ = write!(self.body, "<g class=\"{class}\"{space}{attributes}>");
    }

    /// Closes a group.
    pub fn close(&mut self) {
        self.body.push_str("</g>");
    }

    /// A straight line.
    pub fn line(&mut self, class: &str, a: Xy, b: Xy) {
        let _ = write!(
            self.body,
            "<line class=\"{class}\" x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\"/>",
            coordinate(a.0),
            coordinate(a.1),
            coordinate(b.0),
            coordinate(b.1)
        );
    }

    /// A rectangle by two corners.
    pub fn rect(&mut self, class: &str, low: Xy, size: Xy) {
        let _ = write!(
            self.body,
            "<rect class=\"{class}\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
            coordinate(low.0),
            coordinate(low.1),
            coordinate(size.0),
            coordinate(size.1)
        );
    }

    /// A line through points; nothing for fewer than two.
    pub fn polyline(&mut self, class: &str, points: &[Xy]) {
        self.points("polyline", class, points);
    }

    /// A closed outline.
    pub fn polygon(&mut self, class: &str, points: &[Xy]) {
        self.points("polygon", class, points);
    }

    fn points(&mut self, tag: &str, class: &str, points: &[Xy]) {
        if points.len() < 2 {
            return;
        }
        let _ = write!(self.body, "<{tag} class=\"{class}\" points=\"");
        for (i, &(x, y)) in points.iter().enumerate() {
            let gap = if i == 0 { "" } else { " " };
            let _ = write!(self.body, "{gap}{},{}", coordinate(x), coordinate(y));
        }
        self.body.push_str("\"/>");
    }

    /// A path by its own commands.
    pub fn path(&mut self, class: &str, d: &str) {
        let _ = write!(self.body, "<path class=\"{class}\" d=\"{d}\"/>");
    }

    /// A circle.
    pub fn circle(&mut self, class: &str, centre: Xy, radius: f64) {
        let _ = write!(
            self.body,
            "<circle class=\"{class}\" cx=\"{}\" cy=\"{}\" r=\"{}\"/>",
            coordinate(centre.0),
            coordinate(centre.1),
            coordinate(radius)
        );
    }

    /// A line of text.
    pub fn text(&mut self, class: &str, at: Xy, anchor: Anchor, content: &str) {
        let _ = write!(
            self.body,
            "<text class=\"{class}\" x=\"{}\" y=\"{}\" text-anchor=\"{}\">{}</text>",
            coordinate(at.0),
            coordinate(at.1),
            anchor.word(),
            escape(content)
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coordinates_are_short_and_never_minus_zero() {
        assert_eq!(coordinate(12.0), "12");
        assert_eq!(coordinate(-0.001), "0");
        assert_eq!(coordinate(3.456), "3.46");
    }

    #[test]
    fn text_cannot_break_out() {
        let mut svg = Svg::new();
        svg.text("a", (0.0, 0.0), Anchor::Start, "</text><script>\"'&");
        assert!(!svg.into_body().contains("<script>"));
    }
}
