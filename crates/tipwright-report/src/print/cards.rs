//! Cards to hold up before a take, one a page: the coded square as large as the paper lets it be, words for people below it.

use tipwright::cards::Card;
use tipwright::cards::read::SIDE_WITH_RIM;

use super::text::{Face, cut, has_all, width_mm, wrapped};
use super::{BLANK_MM, CAUTIONS, Ink, Item, Paper, Sheet};

/// Side of the coded square. 170: a cell of it is 21 mm, and as much white stays to both sides on A4 and on Letter.
pub const CARD_SIDE_MM: f64 = 170.0;
/// Where the square begins below the page's upper edge, and white below it.
const ABOVE_MM: f64 = 21.0;
const BELOW_MM: f64 = 18.0;
/// Sizes of the words, largest first.
const BIG_MM: [f64; 7] = [24.0, 21.0, 18.0, 15.0, 12.0, 10.0, 8.0];
const SMALL_MM: [f64; 5] = [13.0, 11.0, 9.0, 8.0, 7.0];
const NOTE_MM: f64 = 3.1;
const CAUTION_MM: f64 = 2.6;
/// How to hold it; what follows depends on the card.
const HOLD: &str = "Hold it up still, facing between the phones, for three seconds at the start of the clip; \
                    hands below the line, out of your own shadow.";

/// What people read on a card.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CardWords {
    /// Who, or what the clip shows.
    pub big: String,
    /// Phase, or what that means.
    pub small: String,
    /// Whose card it is, exactly.
    pub note: String,
}

impl CardWords {
    /// Whether the printed fonts have all its letters; those that they lack are printed as question marks.
    #[must_use]
    pub fn can_be_printed(&self) -> bool {
        [&self.big, &self.small, &self.note].iter().all(|t| has_all(t))
    }

    /// The words of a card that is no caster's; `None` for a caster's.
    #[must_use]
    pub fn of(card: Card) -> Option<Self> {
        let (big, small) = match card {
            Card::Board => ("board", "a lens: the board, near and far, tilted"),
            Card::Wand => ("wand", "the wand, waved where casters will stand"),
            Card::Plumb => ("plumb", "the wand, hung still from one end"),
            Card::Toss => ("toss", "a bright ball, tossed freely"),
            Card::End => ("end", "what was begun counts for nothing"),
            Card::Take { .. } => return None,
        };
        Some(Self { big: big.into(), small: small.into(), note: String::new() })
    }
}

/// A card's page.
#[must_use]
pub fn card_sheet(card: Card, words: &CardWords, paper: Paper) -> Sheet {
    let [width, height] = paper.sides_mm();
    let middle = width / 2.0;
    let mut items = square(card, [(width - CARD_SIDE_MM) / 2.0, ABOVE_MM]);
    let line_y = ABOVE_MM + CARD_SIDE_MM + BELOW_MM;
    let most = width - 4.0 * BLANK_MM;
    let dash = Some(2.0);
    items.push(Item::Line {
        points: vec![[2.0 * BLANK_MM, line_y], [width - 2.0 * BLANK_MM, line_y]],
        width: 0.2,
        closed: false,
        dash,
        ink: Ink::Margin,
    });
    let mut centred = |text: &str, face: Face, sizes: &[f64], top: f64| {
        let fits = |size: &&f64| width_mm(text, face, **size) <= most;
        let size = sizes.iter().find(fits).or(sizes.last()).copied().unwrap_or(NOTE_MM);
        let text = cut(text, face, size, most);
        items.push(Item::Text { x: middle, y: top + 0.8 * sizes[0], size, centred: true, face, text });
    };
    centred(&words.big, Face::Bold, &BIG_MM, line_y + 3.0);
    centred(&words.small, Face::Serif, &SMALL_MM, line_y + 27.0);
    let what = if matches!(card, Card::Take { .. }) { " Then clap once, and cast." } else { "" };
    let note = format!("{} {HOLD}{what}", words.note);
    let mut write = |text: &str, size: f64, bottom: f64| {
        let lines = wrapped(text, Face::Serif, size, most);
        let first = bottom - 1.25 * size * (lines.len() as f64 - 1.0);
        for (i, text) in lines.iter().enumerate() {
            let y = first + 1.25 * size * i as f64;
            let text = cut(text, Face::Serif, size, most);
            items.push(Item::Text { x: middle, y, size, centred: true, face: Face::Serif, text });
        }
        first - 1.25 * size
    };
    let above = write(&CAUTIONS.join(" "), CAUTION_MM, height - BLANK_MM - 3.0);
    write(note.trim(), NOTE_MM, above - 1.5);
    Sheet { page_mm: [width, height], items, title: format!("Card: {} {}", words.big, words.small) }
}

/// The square as black rectangles: rows of cells run together, so that no hair of white parts them in print.
fn square(card: Card, [x0, y0]: [f64; 2]) -> Vec<Item> {
    let cell = CARD_SIDE_MM / SIDE_WITH_RIM as f64;
    let rim = Item::Fill { x: x0, y: y0, width: CARD_SIDE_MM, height: CARD_SIDE_MM };
    let mut items = vec![rim];
    // white cells over the black square
    for (row, cells) in card.cells().iter().enumerate() {
        let mut col = 0;
        while col < cells.len() {
            let run = cells[col..].iter().take_while(|black| !**black).count();
            if run > 0 {
                let (left, top) = (x0 + (col + 1) as f64 * cell, y0 + (row + 1) as f64 * cell);
                let (right, low) = (left + run as f64 * cell, top + cell);
                let points = vec![[left, top], [right, top], [right, low], [left, low]];
                items.push(Item::Shape { points, ink: Ink::White });
            }
            col += run.max(1);
        }
    }
    items
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_words_and_cautions_are_on_the_page_and_clear_of_the_square() {
        for paper in [Paper::A4, Paper::Letter] {
            let words = CardWords {
                big: "A very long alias that no page could ever hold in one line of large letters".into(),
                small: "before".into(),
                note: format!("Caster {}, row 64 of casters.csv.", "0".repeat(64)),
            };
            let card = Card::take(63, "x", 3, "before").unwrap();
            let sheet = card_sheet(card, &words, paper);
            let mut printed = String::new();
            let mut last = 0.0;
            for item in &sheet.items {
                let Item::Text { x, y, size, face, text, .. } = item else { continue };
                let half = width_mm(text, *face, *size) / 2.0;
                assert!(x - half >= BLANK_MM && x + half <= sheet.page_mm[0] - BLANK_MM, "{text}");
                assert!(
                    *y - size > ABOVE_MM + CARD_SIDE_MM + BELOW_MM && *y < sheet.page_mm[1] - BLANK_MM,
                    "{text}"
                );
                printed += &format!("{text} ");
                last = f64::max(last, *y);
            }
            for caution in CAUTIONS {
                assert!(printed.contains(caution), "{printed}");
            }
            assert!(printed.contains("before") && printed.contains("row 64"), "{printed}");
        }
    }
}
