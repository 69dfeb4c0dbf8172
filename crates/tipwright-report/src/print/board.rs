//! The printable calibration board.

use tipwright::model::Board;
use tipwright::model::{Severity, Warning};

use super::text::{Face, wrapped};
use super::{BLANK_MM, CAUTIONS, Item, Paper, Sheet};

/// Why there is no sheet.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BoardSheetError {
    /// No board at all.
    #[error(
        "a board needs 3 to 40 inner corners each way and squares of 1 to 200 mm; got {columns} x {rows} of {square_mm} mm"
    )]
    Board {
        /// As asked.
        columns: u32,
        /// As asked.
        rows: u32,
        /// As asked.
        square_mm: f64,
    },
    /// It does not fit the paper.
    #[error(
        "{columns} x {rows} inner corners of {square_mm} mm make a board of {width_mm:.0} x {height_mm:.0} mm, too large for {paper} with its margin, ruler and cautions; the largest square that fits is {largest_mm:.1} mm (--square-mm), or take fewer corners or larger paper"
    )]
    TooLarge {
        /// As asked.
        columns: u32,
        /// As asked.
        rows: u32,
        /// As asked.
        square_mm: f64,
        /// Of all squares.
        width_mm: f64,
        /// Of all squares.
        height_mm: f64,
        /// Paper.
        paper: &'static str,
        /// What would fit.
        largest_mm: f64,
    },
}

/// White round the squares at the sides and above, and white between squares and ruler, millimetres. 7: at arm's length that is
/// 6 px or more of a 1080p picture, enough to part the outer squares from a dark backing.
const WHITE_MM: f64 = 7.0;
/// White between the squares and the ruler.
const GAP_MM: f64 = 5.0;
/// Height of the ruler with its figures.
const RULER_MM: f64 = 7.0;
/// Sizes of the text, largest that fits first.
const TEXT_SIZES_MM: [f64; 4] = [3.2, 2.8, 2.5, 2.2];

/// Lays a board out on paper, upright or lying, whichever leaves more room.
///
/// # Errors
/// The board is none, or does not fit: with the largest square that does.
pub fn board_sheet(board: &Board, paper: Paper) -> Result<Sheet, BoardSheetError> {
    let Board { columns, rows, square_mm } = *board;
    if !(3..=40).contains(&columns) || !(3..=40).contains(&rows) || !(1.0..=200.0).contains(&square_mm) {
        return Err(BoardSheetError::Board { columns, rows, square_mm });
    }
    // Turned by 90 degrees it is the same board, and may fit where this way round it does not.
    let fitting = |side_mm: f64| {
        let board = Board { columns, rows, square_mm: side_mm };
        lay_out(&board, paper)
            .or_else(|| lay_out(&Board { columns: rows, rows: columns, square_mm: side_mm }, paper))
    };
    if let Some(sheet) = fitting(square_mm) {
        return Ok(sheet);
    }
    // The largest square in tenths of a millimetre that would fit.
    let largest_mm = (10..(square_mm * 10.0).ceil() as u32)
        .rev()
        .map(|tenths| f64::from(tenths) / 10.0)
        .find(|side| fitting(*side).is_some())
        .unwrap_or(0.0);
    Err(BoardSheetError::TooLarge {
        columns,
        rows,
        square_mm,
        width_mm: f64::from(columns + 1) * square_mm,
        height_mm: f64::from(rows + 1) * square_mm,
        paper: paper.name(),
        largest_mm,
    })
}

/// Advice on the choice of a board; it works all the same.
#[must_use]
pub fn board_advice(board: &Board) -> Option<Warning> {
    (board.columns % 2 == board.rows % 2).then(|| {
        Warning::new(
            Severity::Note,
            "board",
            format!("a board of {} x {} inner corners looks the same upside down", board.columns, board.rows),
            "take an odd number of inner corners one way and an even one the other, as in 9 x 6",
        )
    })
}

fn lay_out(board: &Board, paper: Paper) -> Option<Sheet> {
    let [short, long] = paper.sides_mm();
    let lying = board.columns >= board.rows;
    let pages = if lying { [[long, short], [short, long]] } else { [[short, long], [long, short]] };
    pages
        .into_iter()
        .find_map(|page| TEXT_SIZES_MM.into_iter().find_map(|size| lay_out_on(board, page, size)))
}

fn lay_out_on(board: &Board, page: [f64; 2], text_mm: f64) -> Option<Sheet> {
    let (across, down) = (board.columns + 1, board.rows + 1);
    let (width, height) = (f64::from(across) * board.square_mm, f64::from(down) * board.square_mm);
    let text_width = page[0] - 2.0 * BLANK_MM - 2.0;
    // The ruler in whole centimetres, at most 150 mm: long enough to read a scale error of 1 % with the naked eye.
    let ruler_mm = 150.min(((text_width / 10.0) as u32).saturating_sub(1) * 10);
    if ruler_mm < 50 {
        return None;
    }
    let title = format!(
        "Board for camera calibration: {} x {} inner corners, squares {} mm",
        board.columns, board.rows, board.square_mm
    );
    let how = format!(
        "{title}. Print at 100 %, not fitted to the page; glue it flat on something stiff and light in colour. \
         If the ruler is not {ruler_mm} mm long, the printer scaled the page: square_mm is then {} x measured / {ruler_mm}.",
        board.square_mm
    );
    let line_mm = 1.3 * text_mm;
    let left_mm = BLANK_MM + 1.0;
    // The instructions stand beside the ruler where there is room, else below it.
    let beside_at = left_mm + f64::from(ruler_mm) + 8.0;
    let beside_width = page[0] - BLANK_MM - 1.0 - beside_at;
    let beside = beside_width >= 90.0;
    let how = wrapped(&how, Face::Sans, text_mm, if beside { beside_width } else { text_width });
    let cautions = wrapped(&CAUTIONS.join(" "), Face::Sans, text_mm, text_width);
    let how_mm = how.len() as f64 * line_mm;
    let upper_mm = if beside { RULER_MM.max(how_mm) } else { RULER_MM + 1.0 + how_mm };
    let below = GAP_MM + upper_mm + 1.0 + cautions.len() as f64 * line_mm + BLANK_MM;
    let spare = page[1] - WHITE_MM - height - below;
    if width + 2.0 * WHITE_MM > page[0] || spare < 0.0 {
        return None;
    }
    // Spare height is white round the squares: half above, half below.
    let (left, top) = ((page[0] - width) / 2.0, WHITE_MM + spare / 2.0);
    let mut items = Vec::new();
    for r in 0..down {
        for c in 0..across {
            if (r + c) % 2 == 0 {
                items.push(Item::Fill {
                    x: left + f64::from(c) * board.square_mm,
                    y: top + f64::from(r) * board.square_mm,
                    width: board.square_mm,
                    height: board.square_mm,
                });
            }
        }
    }
    let ruler_top = page[1] - below + GAP_MM;
    draw_ruler(&mut items, [left_mm, ruler_top], ruler_mm);
    let mut write = |lines: Vec<String>, x: f64, top: f64| {
        for (i, text) in lines.into_iter().enumerate() {
            let y = top + text_mm + i as f64 * line_mm;
            items.push(Item::Text { x, y, size: text_mm, centred: false, face: Face::Sans, text });
        }
    };
    let how_top = if beside { ruler_top } else { ruler_top + RULER_MM + 1.0 };
    write(how, if beside { beside_at } else { left_mm }, how_top);
    write(cautions, left_mm, ruler_top + upper_mm + 1.0);
    Some(Sheet { page_mm: page, items, title })
}

/// Millimetres above the line, inches below it, from the same zero.
fn draw_ruler(items: &mut Vec<Item>, [x0, top]: [f64; 2], length_mm: u32) {
    let (thin, base) = (0.15, top + RULER_MM / 2.0);
    let figures = 2.0;
    items.push(Item::Fill { x: x0, y: base - thin / 2.0, width: f64::from(length_mm), height: thin });
    for mm in 0..=length_mm {
        let tick = match mm {
            m if m % 10 == 0 => 1.7,
            m if m % 5 == 0 => 1.2,
            _ => 0.7,
        };
        let x = x0 + f64::from(mm);
        items.push(Item::Fill { x: x - thin / 2.0, y: base - tick, width: thin, height: tick });
        if mm % 10 == 0 {
            let text = if mm == length_mm { format!("{mm} mm") } else { mm.to_string() };
            items.push(Item::Text { x, y: base - 2.0, size: figures, centred: true, face: Face::Sans, text });
        }
    }
    let sixteenths = (f64::from(length_mm) / 25.4 * 16.0).floor() as u32;
    for k in 0..=sixteenths {
        let tick = match k {
            k if k % 16 == 0 => 1.7,
            k if k % 8 == 0 => 1.2,
            _ => 0.6,
        };
        let x = x0 + f64::from(k) * 25.4 / 16.0;
        items.push(Item::Fill { x: x - thin / 2.0, y: base, width: thin, height: tick });
        if k % 16 == 0 {
            let inches = k / 16;
            let text = if k + 16 > sixteenths { format!("{inches} in") } else { inches.to_string() };
            items.push(Item::Text { x, y: base + 3.4, size: figures, centred: true, face: Face::Sans, text });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::print::text::width_mm;

    #[test]
    fn squares_are_in_true_size_and_inside_the_page() {
        for paper in [Paper::A4, Paper::Letter] {
            for (columns, rows, square_mm) in [(9, 6, 25.0), (7, 6, 20.0), (6, 9, 25.0), (4, 3, 10.0)] {
                let board = Board { columns, rows, square_mm };
                let sheet = board_sheet(&board, paper).unwrap();
                let squares: Vec<&Item> = sheet
                    .items
                    .iter()
                    .filter(|i| matches!(i, Item::Fill { width, height, .. } if *width == square_mm && *height == square_mm))
                    .collect();
                let expected = ((columns + 1) * (rows + 1)).div_ceil(2) as usize;
                assert_eq!(squares.len(), expected);
                for item in &sheet.items {
                    let (right, bottom) = match item {
                        Item::Fill { x, y, width, height } => (x + width, y + height),
                        Item::Text { x, y, size, centred, face, text } => {
                            let w = width_mm(text, *face, *size);
                            (x + if *centred { w / 2.0 } else { w }, *y)
                        }
                        _ => panic!("{item:?}"),
                    };
                    assert!(right <= sheet.page_mm[0] - 4.9, "{item:?}");
                    assert!(bottom <= sheet.page_mm[1] - 4.9, "{item:?}");
                }
            }
        }
    }

    #[test]
    fn every_caution_is_printed() {
        let sheet = board_sheet(&Board { columns: 9, rows: 6, square_mm: 25.0 }, Paper::A4).unwrap();
        let printed: String = sheet
            .items
            .iter()
            .filter_map(|i| match i {
                Item::Text { text, .. } => Some(format!("{text} ")),
                _ => None,
            })
            .collect();
        for caution in CAUTIONS {
            assert!(printed.contains(caution), "{caution} is missing in: {printed}");
        }
    }

    #[test]
    fn too_large_a_board_names_the_largest_square_that_fits() {
        let error = board_sheet(&Board { columns: 9, rows: 6, square_mm: 40.0 }, Paper::A4).unwrap_err();
        let BoardSheetError::TooLarge { largest_mm, .. } = error else { panic!("{error}") };
        assert!(board_sheet(&Board { columns: 9, rows: 6, square_mm: largest_mm }, Paper::A4).is_ok());
        assert!(board_sheet(&Board { columns: 9, rows: 6, square_mm: largest_mm + 0.1 }, Paper::A4).is_err());
        assert!(board_sheet(&Board { columns: 2, rows: 6, square_mm: 25.0 }, Paper::A4).is_err());
        assert!(board_sheet(&Board { columns: 9, rows: 6, square_mm: f64::NAN }, Paper::A4).is_err());
    }
}
