//! Upright rectangles, and how much room a text takes.

use super::svg::{Anchor, Xy};

/// Height of a line of text over its font size.
pub(super) const LINE_EM: f64 = 1.22;

/// Width of a character over the font size: those of DejaVu Serif, the widest of the faces that pages name, for the reader's own is not
/// known here.
fn character_em(c: char) -> f64 {
    match c {
        '\u{200a}' => 0.0,
        ' ' | '\u{a0}' | '\u{202f}' | '.' | ',' | ':' | ';' | 'i' | 'j' | 'l' | '|' | '\u{2032}' | '/' => {
            0.34
        }
        'f' | 't' | '(' | ')' | '-' | '\u{2033}' => 0.41,
        'r' | 's' | 'z' | '\u{b0}' => 0.53,
        'm' | 'w' | '\u{b1}' | '\u{d7}' | '\u{2212}' | '%' => 0.95,
        'A'..='Z' => 0.84,
        'a'..='z' | '0'..='9' => 0.645,
        _ => 0.9,
    }
}

/// Estimated width of a text, on the wide side.
#[must_use]
pub fn text_width(content: &str, font_size: f64) -> f64 {
    content.chars().map(character_em).sum::<f64>() * font_size
}

/// An upright rectangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    /// Left.
    pub left: f64,
    /// Top.
    pub top: f64,
    /// Right.
    pub right: f64,
    /// Bottom.
    pub bottom: f64,
}

impl Area {
    /// Both have a point in common.
    #[must_use]
    pub fn overlaps(&self, other: &Self) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    /// The point lies inside.
    #[must_use]
    pub fn holds(&self, (x, y): Xy) -> bool {
        x > self.left && x < self.right && y > self.top && y < self.bottom
    }

    pub(super) fn inside(&self, other: &Self) -> bool {
        self.left >= other.left
            && self.right <= other.right
            && self.top >= other.top
            && self.bottom <= other.bottom
    }

    /// The piece of line from `a` to `b` runs through it (Liang and Barsky, ACM Trans. Graph. 3 (1984) 1).
    pub(super) fn meets(&self, a: Xy, b: Xy) -> bool {
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let (mut from, mut to) = (0.0_f64, 1.0_f64);
        let sides =
            [(-dx, a.0 - self.left), (dx, self.right - a.0), (-dy, a.1 - self.top), (dy, self.bottom - a.1)];
        for (p, q) in sides {
            if p == 0.0 && q <= 0.0 {
                return false;
            }
            if p < 0.0 {
                from = from.max(q / p);
            }
            if p > 0.0 {
                to = to.min(q / p);
            }
        }
        from < to
    }

    /// Nearest point of the rectangle.
    pub(super) fn nearest(&self, (x, y): Xy) -> Xy {
        (x.clamp(self.left, self.right), y.clamp(self.top, self.bottom))
    }
}

/// Area of a text hung on its baseline.
#[must_use]
pub fn text_area(at: Xy, anchor: Anchor, content: &str, font_size: f64) -> Area {
    let width = text_width(content, font_size);
    let left = match anchor {
        Anchor::Start => at.0,
        Anchor::Middle => at.0 - width / 2.0,
        Anchor::End => at.0 - width,
    };
    Area {
        left,
        top: at.1 - 0.92 * font_size,
        right: left + width,
        bottom: at.1 + (LINE_EM - 0.92) * font_size,
    }
}
