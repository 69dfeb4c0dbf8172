//! The board in one picture, by what is printed on it.

use super::circles;
use super::coded::{self, Code};
use super::count::Shown;
use super::sharpness::{edge_width_around_px, edge_width_px};
use super::views::{BoardView, LeftOut};
use crate::model::footage::Footage;
use crate::model::{Board, Pattern, Severity, Warning};

/// Codes that make it likely that a picture shows a coded board, and neighbours among them.
const CODES: usize = 6;

/// One searched picture.
pub(super) struct BoardsFound {
    pub(super) name: String,
    pub(super) size_px: [u32; 2],
    /// Of a coded board without corners until all pictures have said how its codes are laid out.
    pub(super) view: Result<BoardView, LeftOut>,
    /// What board a picture without the right one shows, where that was asked.
    pub(super) count: Option<Shown>,
    /// Codes of a coded board.
    codes: Vec<Code>,
}

impl BoardsFound {
    /// A file or picture that holds none.
    pub(super) fn none(name: String, size_px: [u32; 2], reason: LeftOut) -> Self {
        Self { name, size_px, view: Err(reason), count: None, codes: Vec::new() }
    }
}

/// Searches a picture for the board; `asks` also what other board it shows when it does not show this one.
pub(super) fn search_picture(
    footage: &dyn Footage,
    luma: &[u8],
    size_px: [u32; 2],
    name: String,
    board: &Board,
    asks: bool,
) -> BoardsFound {
    let view = |corners, edge_width_px| BoardView { edge_width_px, ..BoardView::new(name.clone(), corners) };
    let (found, codes) = match board.pattern {
        Pattern::Chessboard => {
            // of a coded board OpenCV takes the squares for a plain one's, and codes would draw its corners along
            let corners = if asks && is_coded(footage, luma, size_px) {
                None
            } else {
                footage.board_corners(luma, size_px, board.columns, board.rows)
            };
            let sharp = |c: &[_]| edge_width_px(luma, size_px, c, board.columns as usize);
            (corners.map(|c| (sharp(&c), c)).map(|(e, c)| view(c, e)).ok_or(LeftOut::NoBoard), Vec::new())
        }
        Pattern::Circles => {
            let points = circles::points(footage, luma, size_px, board);
            let sharp = |p: &[_]| circles::edge_width_px(luma, size_px, p);
            (points.map(|p| (sharp(&p), p)).map(|(e, p)| view(p, e)).ok_or(LeftOut::NoBoard), Vec::new())
        }
        Pattern::Coded => {
            let codes = coded::codes(footage, luma, size_px);
            let around: Vec<_> = codes.iter().map(|c| c.around).collect();
            let enough = codes.len() >= coded::FEWEST_CODES;
            let sharp = || edge_width_around_px(luma, size_px, &around);
            (enough.then(|| view(Vec::new(), sharp())).ok_or(LeftOut::FewCodes), codes)
        }
    };
    let count = if asks && found.is_err() { shown(footage, luma, size_px) } else { None };
    BoardsFound { name, size_px, view: found, count, codes }
}

/// Whether a picture shows the board, as far as it can be told from this picture alone.
#[must_use]
pub fn shows_board(footage: &dyn Footage, luma: &[u8], size_px: [u32; 2], board: &Board) -> bool {
    search_picture(footage, luma, size_px, String::new(), board, false).view.is_ok()
}

fn is_coded(footage: &dyn Footage, luma: &[u8], size_px: [u32; 2]) -> bool {
    let codes = coded::codes(footage, luma, size_px);
    codes.len() >= CODES && coded::stand_together(&codes, CODES)
}

/// What board a picture shows.
fn shown(footage: &dyn Footage, luma: &[u8], size_px: [u32; 2]) -> Option<Shown> {
    if is_coded(footage, luma, size_px) {
        return Some((Pattern::Coded, [0, 0]));
    }
    let squares = footage.board_count(luma, size_px);
    // the black squares of a small chessboard look like discs in shifted rows, as many as it has squares
    let discs = circles::counts(footage, luma, size_px).filter(|[columns, rows]| {
        let sides = [(2 * columns).max(*rows), (2 * columns).min(*rows)];
        squares != Some(sides.map(|n| n - 1))
    });
    match discs {
        Some(counts) => Some((Pattern::Circles, counts)),
        None => squares.map(|counts| (Pattern::Chessboard, counts)),
    }
}

/// Gives the views of a coded board their corners, now that all pictures are there to say how its codes are laid out. The board as it
/// says itself, and what is to be told where that is not what was said of it.
pub(super) fn settle(found: &mut [BoardsFound], board: &Board) -> (Board, Option<Warning>) {
    if board.pattern != Pattern::Coded {
        return (*board, None);
    }
    let mut pictures: Vec<&mut Vec<Code>> = found.iter_mut().map(|f| &mut f.codes).collect();
    let laid = coded::lay_out(&mut pictures, board);
    for f in found.iter_mut().filter(|f| f.view.is_ok()) {
        let points = laid.as_ref().and_then(|laid| coded::points(&f.codes, laid));
        match (points, &mut f.view) {
            (Some((corners, which)), Ok(view)) => {
                view.corners = corners;
                view.which = Some(which);
            }
            (_, view) => *view = Err(LeftOut::FewCodes),
        }
    }
    let Some(read) = laid.map(|laid| laid.board) else { return (*board, None) };
    // a last row that no picture shows is not missed
    let differs = board.has_counts() && (board.columns != read.columns || board.rows < read.rows);
    let warning = differs.then(|| {
        Warning::new(
            Severity::Note,
            "board",
            format!("its codes say that the board is {read}, not {board}; that is what was taken"),
            "a coded board says its counts itself: leave them away",
        )
    });
    (read, warning)
}
