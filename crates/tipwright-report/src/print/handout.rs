//! A student's handout on two sheets of paper: the story with its drawing, then figures and all strokes over each other. What stands on it
//! is read from the page's own parts ([`super::markup`]), so that paper and page never differ.

use super::drawn::drawing;
use super::markup::{drawings, plain, rows, words};
use super::text::{Face, cut, width_mm, wrapped};
use super::{BLANK_MM, Ink, Item, Paper, Sheet, pdf};
use crate::units::UnitSystem;

/// Where the margin's line runs.
const MARGIN_MM: f64 = 16.0;
const TEXT_MM: f64 = 4.1;
const SMALL_MM: f64 = 3.3;
const HEAD_MM: f64 = 5.0;
const NAME_MM: f64 = 9.0;
/// From line to line, as a share of the letters' size.
const LEADING: f64 = 1.32;
/// Smallest letters of a table.
const LEAST_MM: f64 = 2.5;
/// Column of a table that names the figure.
const LEAD_MM: f64 = 40.0;

/// What stands on a handout, as the page has it.
pub(crate) struct HandoutParts<'a> {
    /// Session and day.
    pub session: String,
    /// Who.
    pub alias: &'a str,
    /// Findings, one a line.
    pub findings: Vec<String>,
    /// What changed: a heading and lines; markup.
    pub changes: Option<(String, Vec<String>)>,
    /// The drawing of the stroke that stands for the others, and what is said under it.
    pub drawing: Option<(&'a str, String)>,
    /// What is not on it, and why, one a line.
    pub missing: Vec<String>,
    /// The instructor's notes.
    pub notes: Vec<String>,
    /// Tables of figures; markup.
    pub tables: &'a str,
    /// Drawings of all strokes; markup.
    pub overlays: &'a str,
    /// What to keep in mind, at the foot.
    pub cautions: &'a str,
    /// What made it.
    pub made_by: String,
    /// Units of numbers, and the paper that goes with them.
    pub system: UnitSystem,
}

/// A sheet being filled from the top.
struct Page {
    items: Vec<Item>,
    y: f64,
    left: f64,
    right: f64,
    foot: f64,
    system: UnitSystem,
}

impl Page {
    fn new(parts: &HandoutParts<'_>, paper: Paper) -> Self {
        let [width, height] = paper.sides_mm();
        let (left, right) = (MARGIN_MM + 5.0, width - 2.0 * BLANK_MM);
        let mut page = Self {
            items: Vec::new(),
            y: 2.0 * BLANK_MM,
            left,
            right,
            foot: height - 2.0 * BLANK_MM,
            system: parts.system,
        };
        let rule = vec![[MARGIN_MM, 2.0 * BLANK_MM], [MARGIN_MM, height - 2.0 * BLANK_MM]];
        page.items.push(Item::Line {
            points: rule,
            width: 0.35,
            closed: false,
            dash: None,
            ink: Ink::Margin,
        });
        // what stands at the foot takes its room first
        let lines = wrapped(
            &format!("{} {}", plain(parts.cautions), parts.made_by),
            Face::Serif,
            SMALL_MM,
            page.wide(),
        );
        for line in lines.iter().rev() {
            page.put(Face::Serif, SMALL_MM, page.foot, line);
            page.foot -= LEADING * SMALL_MM;
        }
        let y = page.foot - 0.4 * SMALL_MM;
        let points = vec![[page.left, y], [page.right, y]];
        page.items.push(Item::Line { points, width: 0.2, closed: false, dash: None, ink: Ink::Grey });
        page.foot = y - 2.0;
        page
    }

    fn wide(&self) -> f64 {
        self.right - self.left
    }

    fn left_mm(&self) -> f64 {
        self.foot - self.y
    }

    fn put(&mut self, face: Face, size: f64, y: f64, text: &str) {
        let text = cut(text, face, size, self.wide());
        self.items.push(Item::Text { x: self.left, y, size, centred: false, face, text });
    }

    /// A text in as many lines as it needs, where there is room.
    fn write(&mut self, face: Face, size: f64, text: &str) {
        for line in wrapped(text, face, size, self.wide()) {
            if self.left_mm() < LEADING * size {
                return;
            }
            self.y += LEADING * size;
            self.put(face, size, self.y, &line);
        }
    }

    fn gap(&mut self, mm: f64) {
        self.y += mm;
    }

    fn draw(&mut self, svg: &str, x: f64, width: f64) -> f64 {
        let (items, height) = drawing(svg, [x, self.y], width, self.system);
        self.items.extend(items);
        height
    }

    /// How high a drawing of that width is.
    fn height_of(svg: &str, width: f64) -> f64 {
        drawing(svg, [0.0, 0.0], width, UnitSystem::Metric).1
    }

    fn sheet(self, paper: Paper, title: &str) -> Sheet {
        Sheet { page_mm: paper.sides_mm(), items: self.items, title: title.to_owned() }
    }
}

/// The handout as PDF.
pub(crate) fn handout_pdf(parts: &HandoutParts<'_>) -> Vec<u8> {
    let title = format!("{}, {}", plain(parts.alias), plain(&parts.session));
    pdf(&sheets(parts), &title)
}

fn sheets(parts: &HandoutParts<'_>) -> Vec<Sheet> {
    let paper = match parts.system {
        UnitSystem::Metric => Paper::A4,
        UnitSystem::Imperial => Paper::Letter,
    };
    let title = plain(parts.alias);
    let mut pages = vec![first(parts, paper)];
    // no second one that is empty
    if !parts.tables.is_empty() || !parts.overlays.is_empty() {
        pages.push(second(parts, paper));
    }
    pages.into_iter().map(|page| page.sheet(paper, &title)).collect()
}

fn first(parts: &HandoutParts<'_>, paper: Paper) -> Page {
    let mut page = Page::new(parts, paper);
    page.write(Face::Serif, TEXT_MM, &plain(&parts.session));
    page.gap(1.0);
    page.write(Face::Bold, NAME_MM, &plain(parts.alias));
    page.gap(2.0);
    for finding in &parts.findings {
        page.write(Face::Serif, HEAD_MM, &words(finding, parts.system));
        page.gap(1.0);
    }
    if let Some((heading, lines)) = &parts.changes {
        page.gap(2.0);
        page.write(Face::Bold, HEAD_MM, &plain(heading));
        for line in lines {
            page.write(Face::Serif, TEXT_MM, &words(line, parts.system));
        }
    }
    for (k, note) in parts.notes.iter().enumerate() {
        if k == 0 {
            page.gap(2.0);
            page.write(Face::Bold, HEAD_MM, "Your instructor");
        }
        page.write(Face::Serif, TEXT_MM, &plain(note));
    }
    for line in &parts.missing {
        page.gap(2.0);
        page.write(Face::Serif, TEXT_MM, &plain(line));
    }
    if let Some((svg, under)) = &parts.drawing {
        page.gap(4.0);
        // as wide as the page, unless its height leaves no room
        let room = page.left_mm() - 2.0 * LEADING * SMALL_MM;
        let width = page.wide() * (room / Page::height_of(svg, page.wide())).min(1.0);
        if width > 60.0 {
            let height = page.draw(svg, page.left, width);
            page.gap(height);
            page.write(Face::Serif, SMALL_MM, &plain(under));
        }
    }
    page
}

fn second(parts: &HandoutParts<'_>, paper: Paper) -> Page {
    let mut page = Page::new(parts, paper);
    let drawn = drawings(parts.overlays);
    let each = (page.wide() - 4.0) / 2.0;
    let high = |pair: &[&str]| pair.iter().map(|svg| Page::height_of(svg, each)).fold(0.0, f64::max);
    let drawn_mm: f64 = drawn.chunks(2).map(|pair| high(pair) + 2.0).sum();
    // the drawings' room is kept; tables that are too long end with a word
    table(&mut page, &rows(parts.tables, parts.system), drawn_mm + 8.0);
    if !drawn.is_empty() {
        page.gap(3.0);
        page.write(Face::Bold, HEAD_MM, "All strokes over each other");
        page.gap(1.0);
    }
    for pair in drawn.chunks(2) {
        let height = high(pair);
        if page.left_mm() < height {
            break;
        }
        for (k, svg) in pair.iter().enumerate() {
            page.draw(svg, page.left + k as f64 * (each + 4.0), each);
        }
        page.gap(height + 2.0);
    }
    page
}

/// Rows of tables, a caption a row of one, down to where `keep_mm` is left.
fn table(page: &mut Page, rows: &[Vec<String>], keep_mm: f64) {
    let most = rows.iter().map(Vec::len).max().unwrap_or(0);
    if most == 0 {
        return;
    }
    page.write(Face::Bold, HEAD_MM, "Figures: mean of the strokes (how many; of two, both)");
    let column_mm = (page.wide() - LEAD_MM) / (most.max(2) - 1) as f64;
    let widest = |size: f64| {
        let cells = rows.iter().filter(|r| r.len() > 1).flat_map(|r| &r[1..]);
        cells.map(|c| width_mm(c, Face::Serif, size)).fold(0.0, f64::max)
    };
    let size = (SMALL_MM * (column_mm - 2.0) / widest(SMALL_MM).max(1e-9)).clamp(LEAST_MM, SMALL_MM);
    let row_mm = LEADING * size;
    for (k, row) in rows.iter().enumerate() {
        let is_caption = row.len() == 1;
        let extra = if is_caption { 2.0 } else { 0.0 };
        if page.left_mm() - keep_mm < 2.0 * row_mm + extra {
            let text = format!("{} more lines stand on the page.", rows.len() - k);
            page.write(Face::Serif, size, &text);
            return;
        }
        page.y += row_mm + extra;
        let face = if is_caption || k > 0 && rows[k - 1].len() == 1 { Face::Bold } else { Face::Serif };
        for (j, cell) in row.iter().enumerate() {
            let x = page.left + if j == 0 { 0.0 } else { LEAD_MM + column_mm * (j - 1) as f64 };
            let room = if is_caption {
                page.wide()
            } else if j == 0 {
                LEAD_MM - 2.0
            } else {
                column_mm - 2.0
            };
            let text = cut(cell, face, size, room);
            page.items.push(Item::Text { x, y: page.y, size, centred: false, face, text });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parts(tables: &str, findings: usize) -> HandoutParts<'_> {
        HandoutParts {
            session: "Alder Reach, 2026-05-09".into(),
            alias: "Heron",
            findings: vec!["power comes early in 5 of 8 forward casts; sure, 97\u{202f}%".into(); findings],
            changes: Some(("From before to after".into(), vec!["dip depth, forward: 28 mm to 10 mm".into()])),
            drawing: Some((
                "<svg class=\"plot\" viewBox=\"0 0 560 380\"><line class=\"chord\" x1=\"40\" y1=\"40\" x2=\"500\" y2=\"300\"/></svg>",
                "stroke 3".into(),
            )),
            missing: vec!["One of 3 takes could not be measured: 02-again.".into()],
            notes: vec!["Slower to begin with.".into()],
            tables,
            overlays: "<svg class=\"plot\" viewBox=\"0 0 350 190\"></svg><svg class=\"plot\" viewBox=\"0 0 350 190\"></svg>",
            cautions: "\u{b1} is half of a 95\u{202f}% interval.",
            made_by: "Made by tipwright.".into(),
            system: UnitSystem::Metric,
        }
    }

    /// Without figures there is one sheet, which says why; never an empty second one.
    #[test]
    fn no_sheet_is_empty() {
        let parts = HandoutParts { tables: "", overlays: "", drawing: None, changes: None, ..parts("", 1) };
        let sheets = sheets(&parts);
        let texts = |sheet: &Sheet| {
            sheet
                .items
                .iter()
                .filter(|i| matches!(i, Item::Text { text, .. } if text.contains("02-again")))
                .count()
        };
        assert_eq!(sheets.iter().map(texts).collect::<Vec<_>>(), [1]);
    }

    /// However much there is to say, it is two sheets, nothing runs over an edge or into the foot, and the foot is whole.
    #[test]
    fn two_sheets_hold_everything_inside_their_edges() {
        let row = "<tr><td>largest departure from the plane</td><td>28 \u{b1} 14 mm (5)</td><td>10 \u{b1} 11 mm (5)</td><td>too few strokes to say</td></tr>";
        for (rows, findings) in [(0, 0), (12, 2), (400, 60)] {
            let tables = format!("<caption>Forward</caption>{}", row.repeat(rows));
            for system in [UnitSystem::Metric, UnitSystem::Imperial] {
                let parts = HandoutParts { system, ..parts(&tables, findings) };
                let sheets = sheets(&parts);
                assert_eq!(sheets.len(), 2);
                for sheet in &sheets {
                    let [w, h] = sheet.page_mm;
                    let mut foot = h;
                    for item in &sheet.items {
                        match item {
                            Item::Text { x, y, size, face, text, .. } => {
                                let right = x + width_mm(text, *face, *size);
                                assert!(
                                    *x > MARGIN_MM && right < w - BLANK_MM && *y < h - BLANK_MM,
                                    "{text}"
                                );
                                if text.contains("95") && text.contains("interval") {
                                    foot = *y;
                                }
                            }
                            Item::Line { points, .. } | Item::Shape { points, .. } => {
                                assert!(
                                    points.iter().all(|[x, y]| *x < w - BLANK_MM && *y < h - BLANK_MM),
                                    "{item:?}"
                                );
                            }
                            Item::Fill { .. } => {}
                        }
                    }
                    assert!(foot < h, "no caution at the foot");
                    let below = sheet
                        .items
                        .iter()
                        .filter(|i| matches!(i, Item::Text { y, size, .. } if *y > foot - size && *y < foot));
                    assert_eq!(below.count(), 0, "a text runs into the foot");
                }
            }
        }
    }
}
