//! The printable calibration board: squares, squares with codes, or discs.

use tipwright::lens::coded::words::{COUNT, SIDE, is_black, words};
use tipwright::model::{Board, Pattern};

use super::text::{Face, wrapped};
use super::{BLANK_MM, CAUTIONS, Ink, Item, Paper, Sheet};

/// Why there is no sheet.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BoardSheetError {
    /// No board at all.
    #[error(
        "a board needs 3 to 40 inner corners each way (discs: 2 to 40) and squares of 1 to 200 mm, a coded board no more than {COUNT} white squares; got {columns} x {rows} of {square_mm} mm"
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
        "{columns} x {rows} of {square_mm} mm make a board of {width_mm:.0} x {height_mm:.0} mm, too large for {paper} with its margin, ruler and cautions; the largest square that fits is {largest_mm:.1} mm (--square-mm), or take fewer corners or larger paper"
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
    let Board { pattern, columns, rows, square_mm } = *board;
    let least = if pattern == Pattern::Circles { 2 } else { 3 };
    let codes = ((columns + 1) * (rows + 1) / 2) as usize;
    if !(least..=40).contains(&columns)
        || !(3..=40).contains(&rows)
        || !(1.0..=200.0).contains(&square_mm)
        || (pattern == Pattern::Coded && codes > COUNT)
    {
        return Err(BoardSheetError::Board { columns, rows, square_mm });
    }
    // Turned by 90 degrees a chessboard is the same board, and may fit where this way round it does not.
    let fitting = |square_mm: f64| {
        let turned = Board { columns: rows, rows: columns, square_mm, ..*board };
        lay_out(&Board { square_mm, ..*board }, paper)
            .or_else(|| if pattern == Pattern::Chessboard { lay_out(&turned, paper) } else { None })
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
        width_mm: f64::from(squares(board)[0]) * square_mm,
        height_mm: f64::from(squares(board)[1]) * square_mm,
        paper: paper.name(),
        largest_mm,
    })
}

/// What the board takes on paper, in squares across and down. Discs stand half a square from its sides.
fn squares(board: &Board) -> [u32; 2] {
    match board.pattern {
        Pattern::Circles => [2 * board.columns, board.rows],
        Pattern::Chessboard | Pattern::Coded => [board.columns + 1, board.rows + 1],
    }
}

fn lay_out(board: &Board, paper: Paper) -> Option<Sheet> {
    let [short, long] = paper.sides_mm();
    let lying = squares(board)[0] >= squares(board)[1];
    let pages = if lying { [[long, short], [short, long]] } else { [[short, long], [long, short]] };
    pages
        .into_iter()
        .find_map(|page| TEXT_SIZES_MM.into_iter().find_map(|size| lay_out_on(board, page, size)))
}

fn lay_out_on(board: &Board, page: [f64; 2], text_mm: f64) -> Option<Sheet> {
    let [across, down] = squares(board);
    let (width, height) = (f64::from(across) * board.square_mm, f64::from(down) * board.square_mm);
    let text_width = page[0] - 2.0 * BLANK_MM - 2.0;
    // The ruler in whole centimetres, at most 150 mm: long enough to read a scale error of 1 % with the naked eye.
    let ruler_mm = 150.min(((text_width / 10.0) as u32).saturating_sub(1) * 10);
    if ruler_mm < 50 {
        return None;
    }
    let what = match board.pattern {
        Pattern::Chessboard => format!("{} x {} inner corners, squares", board.columns, board.rows),
        Pattern::Coded => format!("coded, {} x {} inner corners, squares", board.columns, board.rows),
        Pattern::Circles => format!("{} rows of {} discs, from row to row", board.rows, board.columns),
    };
    let title = format!("Board for camera calibration: {what} {} mm", board.square_mm);
    let how = format!(
        "{title} (--board {board}). Print at 100 %, not fitted to the page; glue it flat on something stiff and light in colour. \
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
    draw_board(&mut items, board, [left, top]);
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

/// Side of a code's black square against that of its white one: what is left is white enough to part it from the black squares around.
const CODE_SHARE: f64 = 0.75;
/// Radius of a disc in squares: its neighbours are 1.41 away.
const DISC_RADIUS: f64 = 0.42;

/// Everything black of a board whose upper left corner is given.
fn draw_board(items: &mut Vec<Item>, board: &Board, [left, top]: [f64; 2]) {
    let side = board.square_mm;
    if board.pattern == Pattern::Circles {
        for p in board.points() {
            let (x, y) = (left + side * (p.x + 0.5), top + side * (p.y + 0.5));
            items.push(disc(x, y, side * DISC_RADIUS));
        }
        return;
    }
    let [across, down] = squares(board);
    let mut codes = words().iter();
    for r in 0..down {
        for c in 0..across {
            let (x, y) = (left + f64::from(c) * side, top + f64::from(r) * side);
            if (r + c) % 2 == 0 {
                items.push(Item::Fill { x, y, width: side, height: side });
            } else if board.pattern == Pattern::Coded
                && let Some(word) = codes.next()
            {
                draw_code(items, *word, [x + side / 2.0, y + side / 2.0], CODE_SHARE * side);
            }
        }
    }
}

/// A code about a middle: a black square, and its light cells in white, those beside each other in one piece.
fn draw_code(items: &mut Vec<Item>, word: u64, [x, y]: [f64; 2], side: f64) {
    let (x, y) = (x - side / 2.0, y - side / 2.0);
    items.push(Item::Fill { x, y, width: side, height: side });
    let cell = side / (SIDE + 2) as f64;
    for row in 0..SIDE {
        let mut column = 0;
        while column < SIDE {
            let light = (column..SIDE).take_while(|c| !is_black(word, row, *c)).count();
            if light > 0 {
                let (x0, y0) = (x + (column + 1) as f64 * cell, y + (row + 1) as f64 * cell);
                let (x1, y1) = (x0 + light as f64 * cell, y0 + cell);
                let points = vec![[x0, y0], [x1, y0], [x1, y1], [x0, y1]];
                items.push(Item::Shape { points, ink: Ink::White });
            }
            column += light + 1;
        }
    }
}

/// A disc as a polygon: of 96 sides, a thousandth smaller.
fn disc(x: f64, y: f64, radius: f64) -> Item {
    let sides = 96;
    let points = (0..sides)
        .map(|i| {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / f64::from(sides)).sin_cos();
            [x + radius * cos, y + radius * sin]
        })
        .collect();
    Item::Shape { points, ink: Ink::Black }
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
                let board = Board::chessboard(columns, rows, square_mm);
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
        let sheet = board_sheet(&Board::chessboard(9, 6, 25.0), Paper::A4).unwrap();
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
        let error = board_sheet(&Board::chessboard(9, 6, 40.0), Paper::A4).unwrap_err();
        let BoardSheetError::TooLarge { largest_mm, .. } = error else { panic!("{error}") };
        assert!(board_sheet(&Board::chessboard(9, 6, largest_mm), Paper::A4).is_ok());
        assert!(board_sheet(&Board::chessboard(9, 6, largest_mm + 0.1), Paper::A4).is_err());
        assert!(board_sheet(&Board::chessboard(2, 6, 25.0), Paper::A4).is_err());
        assert!(board_sheet(&Board::chessboard(9, 6, f64::NAN), Paper::A4).is_err());
    }

    #[test]
    fn codes_stand_in_white_squares_and_discs_in_shifted_rows_on_the_page() {
        let coded = Board::new(Pattern::Coded, 6, 8, 22.0);
        let sheet = board_sheet(&coded, Paper::A4).unwrap();
        let side = |i: &Item| match i {
            Item::Fill { x, y, width, height } if width == height => Some([*x, *y, *width]),
            _ => None,
        };
        let squares: Vec<_> = sheet.items.iter().filter_map(side).filter(|s| s[2] == 22.0).collect();
        let codes: Vec<_> = sheet.items.iter().filter_map(side).filter(|s| s[2] == 16.5).collect();
        assert_eq!((squares.len(), codes.len()), (32, 31));
        // a code's middle is no black square's
        for [x, y, w] in &codes {
            let inside = |s: &&[f64; 3]| {
                let (dx, dy) = (x + w / 2.0 - s[0], y + w / 2.0 - s[1]);
                (0.0..s[2]).contains(&dx) && (0.0..s[2]).contains(&dy)
            };
            assert!(!squares.iter().any(|s| inside(&s)), "{x} {y}");
        }
        // too many codes for the words there are
        assert!(board_sheet(&Board::new(Pattern::Coded, 25, 25, 5.0), Paper::A4).is_err());

        let discs = Board::new(Pattern::Circles, 4, 11, 20.0);
        let sheet = board_sheet(&discs, Paper::A4).unwrap();
        let shapes: Vec<_> = sheet.items.iter().filter(|i| matches!(i, Item::Shape { .. })).collect();
        assert_eq!(shapes.len(), 44);
        for shape in shapes {
            let Item::Shape { points, .. } = shape else { panic!() };
            assert!(points.iter().all(|p| p[0] > 5.0 && p[0] < sheet.page_mm[0] - 5.0 && p[1] > 5.0));
        }
    }
}
