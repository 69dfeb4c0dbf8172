//! Widths of the letters in the fonts that every reader of PDF has, for wrapping and fitting.

/// A font that every reader of PDF must have (PDF 32000-1:2008, 9.6.2.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Face {
    /// Helvetica.
    Sans,
    /// Times-Roman.
    Serif,
    /// Times-Bold.
    Bold,
}

impl Face {
    pub(crate) const ALL: [Self; 3] = [Self::Sans, Self::Serif, Self::Bold];

    /// Name in a PDF.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Sans => "Helvetica",
            Self::Serif => "Times-Roman",
            Self::Bold => "Times-Bold",
        }
    }

    /// Advance widths in thousandths of the size, from space (32) to tilde (126) and from 160 to 255; Adobe Core 14 font metrics.
    fn widths(self) -> &'static [u16; 191] {
        match self {
            Self::Sans => &HELVETICA,
            Self::Serif => &TIMES,
            Self::Bold => &TIMES_BOLD,
        }
    }
}

/// Helvetica.
#[rustfmt::skip]
const HELVETICA: [u16; 191] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556, 556, 556,
    556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778,
    667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556,
    556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584, 278,
    333, 556, 556, 556, 556, 260, 556, 333, 737, 370, 556, 584, 333, 737, 333, 400, 584, 333, 333, 333, 556, 537, 278, 333,
    333, 365, 556, 834, 834, 834, 611, 667, 667, 667, 667, 667, 667, 1000, 722, 667, 667, 667, 667, 278, 278, 278, 278, 722,
    722, 778, 778, 778, 778, 778, 584, 778, 722, 722, 722, 722, 667, 667, 611, 556, 556, 556, 556, 556, 556, 889, 500, 556,
    556, 556, 556, 278, 278, 278, 278, 556, 556, 556, 556, 556, 556, 556, 584, 611, 556, 556, 556, 556, 500, 556, 500,
];

/// Times-Roman.
#[rustfmt::skip]
const TIMES: [u16; 191] = [
    250, 333, 408, 500, 500, 833, 778, 180, 333, 333, 500, 564, 250, 333, 250, 278, 500, 500, 500, 500, 500, 500, 500, 500,
    500, 500, 278, 278, 564, 564, 564, 444, 921, 722, 667, 667, 722, 611, 556, 722, 722, 333, 389, 722, 611, 889, 722, 722,
    556, 722, 667, 556, 611, 722, 722, 944, 722, 722, 611, 333, 278, 333, 469, 500, 333, 444, 500, 444, 500, 444, 333, 500,
    500, 278, 278, 500, 278, 778, 500, 500, 500, 500, 333, 389, 278, 500, 500, 722, 500, 500, 444, 480, 200, 480, 541, 250,
    333, 500, 500, 500, 500, 200, 500, 333, 760, 276, 500, 564, 333, 760, 333, 400, 564, 300, 300, 333, 500, 453, 250, 333,
    300, 310, 500, 750, 750, 750, 444, 722, 722, 722, 722, 722, 722, 889, 667, 611, 611, 611, 611, 333, 333, 333, 333, 722,
    722, 722, 722, 722, 722, 722, 564, 722, 722, 722, 722, 722, 722, 556, 500, 444, 444, 444, 444, 444, 444, 667, 444, 444,
    444, 444, 444, 278, 278, 278, 278, 500, 500, 500, 500, 500, 500, 500, 564, 500, 500, 500, 500, 500, 500, 500, 500,
];

/// Times-Bold.
#[rustfmt::skip]
const TIMES_BOLD: [u16; 191] = [
    250, 333, 555, 500, 500, 1000, 833, 278, 333, 333, 500, 570, 250, 333, 250, 278, 500, 500, 500, 500, 500, 500, 500, 500,
    500, 500, 333, 333, 570, 570, 570, 500, 930, 722, 667, 722, 722, 667, 611, 778, 778, 389, 500, 778, 667, 944, 722, 778,
    611, 778, 722, 556, 667, 722, 722, 1000, 722, 722, 667, 333, 278, 333, 581, 500, 333, 500, 556, 444, 556, 444, 333, 500,
    556, 278, 333, 556, 278, 833, 556, 500, 556, 556, 444, 389, 333, 556, 500, 722, 500, 500, 444, 394, 220, 394, 520, 250,
    333, 500, 500, 500, 500, 220, 500, 333, 747, 300, 500, 570, 333, 747, 333, 400, 570, 300, 300, 333, 556, 540, 250, 333,
    300, 330, 500, 750, 750, 750, 500, 722, 722, 722, 722, 722, 722, 1000, 722, 667, 667, 667, 667, 389, 389, 389, 389, 722,
    722, 778, 778, 778, 778, 778, 570, 778, 722, 722, 722, 722, 722, 611, 556, 500, 500, 500, 500, 500, 500, 722, 444, 444,
    444, 444, 444, 278, 278, 278, 278, 500, 556, 500, 500, 500, 500, 500, 570, 500, 556, 556, 556, 556, 500, 556, 500,
];

/// Place in the tables; `None` for letters that these fonts lack.
fn place(c: char) -> Option<usize> {
    match u32::from(c) {
        code @ 32..=126 => Some(code as usize - 32),
        code @ 160..=255 => Some(code as usize - 160 + 95),
        _ => None,
    }
}

/// Whether the fonts have every letter of a text: those of Western Europe.
pub(crate) fn has_all(text: &str) -> bool {
    text.chars().all(|c| place(c).is_some())
}

/// Width of a text; letters that the fonts lack count as a wide one.
pub(crate) fn width_mm(text: &str, face: Face, size_mm: f64) -> f64 {
    let widths = face.widths();
    text.chars().map(|c| place(c).map_or(1000.0, |i| f64::from(widths[i])) * size_mm / 1000.0).sum()
}

/// Breaks a text at spaces into lines no wider than `most_mm` (a longer word stands alone).
pub(crate) fn wrapped(text: &str, face: Face, size_mm: f64, most_mm: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let longer = if line.is_empty() { word.to_string() } else { format!("{line} {word}") };
        if width_mm(&longer, face, size_mm) <= most_mm || line.is_empty() {
            line = longer;
        } else {
            lines.push(std::mem::replace(&mut line, word.to_string()));
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// A text that is too long even in the smallest size, cut.
pub(crate) fn cut(text: &str, face: Face, size_mm: f64, most_mm: f64) -> String {
    if width_mm(text, face, size_mm) <= most_mm {
        return text.to_string();
    }
    let mut kept: Vec<char> = text.chars().collect();
    while !kept.is_empty() {
        kept.pop();
        let shorter: String = kept.iter().collect::<String>() + "...";
        if width_mm(&shorter, face, size_mm) <= most_mm {
            return shorter;
        }
    }
    String::new()
}
