//! Sheets to print in true size, as SVG and PDF: the calibration board, cards to hold up, the helper's field sheet; and handouts.
//!
//! A page is laid out once, in millimetres, and written twice. The PDF is written by hand: pages of filled shapes, lines and text in fonts
//! every reader must have (PDF 32000-1:2008, 9.6.2.2) are a few objects and a table of their positions, less than a library's set-up.

mod board;
mod cards;
mod drawn;
mod field;
mod figures;
mod handout;
mod markup;
mod render;
mod text;

pub use board::{BoardSheetError, board_sheet};
pub use cards::{CARD_SIDE_MM, CardWords, card_sheet};
pub use field::{Phones, field_sheet};
pub(crate) use handout::{HandoutParts, handout_pdf};
pub use render::pdf;
use text::Face;

/// Paper sizes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// 210 x 297 mm (ISO 216).
    A4,
    /// 8.5 x 11 inches (ANSI/ASME Y14.1).
    Letter,
}

impl Paper {
    /// Name on messages.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::A4 => "A4",
            Self::Letter => "Letter",
        }
    }

    /// Shorter and longer side.
    #[must_use]
    pub fn sides_mm(self) -> [f64; 2] {
        match self {
            Self::A4 => [210.0, 297.0],
            Self::Letter => [215.9, 279.4],
        }
    }
}

/// Printed on every sheet: what to keep in mind on the day it is used.
pub const CAUTIONS: [&str; 4] = [
    "Cast with yarn instead of a hook, and wear eye protection, casters and onlookers.",
    "Never cast near power lines, nor when thunder is about: rods conduct.",
    "Secure tripods and cords so that nobody trips and nothing falls.",
    "Film people, minors above all, only with their consent, and keep the pictures private.",
];

/// What common printers leave blank along the edges (common practice: 3 to 5 mm).
const BLANK_MM: f64 = 5.0;

/// What a thing is printed in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Ink {
    /// Black.
    Black,
    /// A grey that a copier keeps.
    Grey,
    /// The red-brown of the margin's line.
    Margin,
    /// White, over something.
    White,
    /// An ink of the drawings.
    Rgb([u8; 3]),
}

impl Ink {
    /// Red, green, blue, 0 to 255.
    pub(crate) fn rgb(self) -> [u8; 3] {
        match self {
            Self::Black => [0, 0, 0],
            Self::Grey => [118, 118, 118],
            Self::Margin => [0xa8, 0x4a, 0x35],
            Self::White => [255, 255, 255],
            Self::Rgb(rgb) => rgb,
        }
    }
}

/// Things on the page, millimetres from its top left corner.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Item {
    /// Filled black rectangle.
    Fill { x: f64, y: f64, width: f64, height: f64 },
    /// Text with its baseline at y.
    Text { x: f64, y: f64, size: f64, centred: bool, face: Face, text: String },
    /// Line from point to point, closed to a shape or not, dashed or not.
    Line { points: Vec<[f64; 2]>, width: f64, closed: bool, dash: Option<f64>, ink: Ink },
    /// Filled shape.
    Shape { points: Vec<[f64; 2]>, ink: Ink },
}

/// A page ready to be written.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Page size as it is to be printed.
    pub page_mm: [f64; 2],
    pub(crate) items: Vec<Item>,
    pub(crate) title: String,
}
