//! A small writer of SVG text. It knows no colours: shapes carry classes, and the style sheet of the page, or the
//! one inside a standalone file ([`super::style`]), gives them their ink.

use std::fmt::Write;

pub use crate::text::escape;

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

/// A coordinate with at most two decimals and no trailing zeros.
#[must_use]
pub fn coordinate(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

/// A coordinate of one of many points, to a tenth of a drawing unit.
fn tenth(value: f64) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".into() } else { text.into() }
}

/// Farthest that a line is drawn from its points: a twelfth of a CSS pixel, which no screen and no printer shows.
const NOT_SEEN: f64 = 0.08;

/// The points without those that lie on the line between their neighbours (Douglas and Peucker, Cartographica 10 (1973)
/// 112): a day of two hundred takes is a tenth as many megabytes.
fn simpler(points: &[Xy]) -> Vec<Xy> {
    let mut keep = vec![false; points.len()];
    let (Some(first), Some(last)) = (keep.first_mut(), points.len().checked_sub(1)) else {
        return Vec::new();
    };
    *first = true;
    keep[last] = true;
    let mut spans = vec![(0, last)];
    while let Some((from, to)) = spans.pop() {
        let (a, b) = (points[from], points[to]);
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length = dx.hypot(dy);
        let off = |p: Xy| {
            let (px, py) = (p.0 - a.0, p.1 - a.1);
            // Within the span a curve may double back: distance from the piece of line, not from the line.
            let along =
                if length > 0.0 { ((px * dx + py * dy) / (length * length)).clamp(0.0, 1.0) } else { 0.0 };
            (px - along * dx).hypot(py - along * dy)
        };
        let far = (from + 1..to).map(|k| (off(points[k]), k)).max_by(|p, q| p.0.total_cmp(&q.0));
        if let Some((distance, k)) = far.filter(|f| f.0 > NOT_SEEN) {
            debug_assert!(distance.is_finite());
            keep[k] = true;
            spans.extend([(from, k), (k, to)]);
        }
    }
    points.iter().zip(keep).filter(|(_, keep)| *keep).map(|(p, _)| *p).collect()
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
        let points = simpler(points);
        let _ = write!(self.body, "<{tag} class=\"{class}\" points=\"");
        for (i, &(x, y)) in points.iter().enumerate() {
            let gap = if i == 0 { "" } else { " " };
            let _ = write!(self.body, "{gap}{},{}", tenth(x), tenth(y));
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
    fn a_line_is_never_drawn_where_it_is_not() {
        let points: Vec<Xy> =
            (0..400).map(|k| (f64::from(k) * 0.5, 60.0 * (f64::from(k) * 0.03).sin())).collect();
        let few = simpler(&points);
        assert!(few.len() < 120, "{}", few.len());
        for p in &points {
            let near = few.windows(2).map(|w| {
                let ((ax, ay), (bx, by)) = (w[0], w[1]);
                let f = (((p.0 - ax) * (bx - ax) + (p.1 - ay) * (by - ay))
                    / ((bx - ax).powi(2) + (by - ay).powi(2)))
                .clamp(0.0, 1.0);
                (p.0 - ax - f * (bx - ax)).hypot(p.1 - ay - f * (by - ay))
            });
            assert!(near.fold(f64::INFINITY, f64::min) <= NOT_SEEN);
        }
        assert_eq!(simpler(&[(0.0, 0.0), (9.0, 0.0), (1.0, 0.0)]), [(0.0, 0.0), (9.0, 0.0), (1.0, 0.0)]);
    }

    #[test]
    fn text_cannot_break_out() {
        let mut svg = Svg::new();
        svg.text("a", (0.0, 0.0), Anchor::Start, "</text><script>\"'&");
        assert!(!svg.into_body().contains("<script>"));
    }
}
