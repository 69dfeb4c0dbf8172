//! Widths of Helvetica, for wrapping.

/// Advance widths of Helvetica in thousandths of the size, from space (32) to tilde (126); Adobe Core 14 font metrics.
#[rustfmt::skip]
const WIDTHS: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278,
    556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556,
    1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778,
    667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556,
    333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556,
    556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];

/// Width of a text; letters beyond ASCII count as a wide one.
pub(super) fn width_mm(text: &str, size_mm: f64) -> f64 {
    text.chars()
        .map(|c| {
            let i = (c as usize).wrapping_sub(32);
            f64::from(WIDTHS.get(i).copied().unwrap_or(1000)) * size_mm / 1000.0
        })
        .sum()
}

/// Breaks a text at spaces into lines no wider than `most_mm` (a longer word stands alone).
pub(super) fn wrapped(text: &str, size_mm: f64, most_mm: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let longer = if line.is_empty() { word.to_string() } else { format!("{line} {word}") };
        if width_mm(&longer, size_mm) <= most_mm || line.is_empty() {
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
