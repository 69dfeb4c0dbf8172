//! The board a lens is calibrated with.

use std::fmt;

use nalgebra::Vector2;
use serde::{Deserialize, Serialize};

/// What is printed on a board.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Pattern {
    /// Black and white squares. The points are the corners where four squares meet: inner corners.
    #[default]
    Chessboard,
    /// Black discs, every other row shifted by half a step. The points are their centres; columns are the discs of a row.
    Circles,
    /// A chessboard with a code of this program's in every white square. The points are inner corners; which ones are seen the codes say,
    /// so the board may be partly out of the picture and its counts need not be known.
    Coded,
}

/// A board by its points.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Board {
    /// What is printed on it.
    #[serde(default)]
    pub pattern: Pattern,
    /// Points along a row; 0 for a coded board that is to say it itself.
    #[serde(default)]
    pub columns: u32,
    /// Rows of points; 0 likewise.
    #[serde(default)]
    pub rows: u32,
    /// Side of a square. Of discs: from row to row, which is half of the way from disc to disc along a row.
    pub square_mm: f64,
}

impl Board {
    /// A board of so many points.
    #[must_use]
    pub const fn new(pattern: Pattern, columns: u32, rows: u32, square_mm: f64) -> Self {
        Self { pattern, columns, rows, square_mm }
    }

    /// A chessboard by its inner corners.
    #[must_use]
    pub const fn chessboard(columns: u32, rows: u32, square_mm: f64) -> Self {
        Self::new(Pattern::Chessboard, columns, rows, square_mm)
    }

    /// Its points row by row, in squares from the first one.
    #[must_use]
    pub fn points(&self) -> Vec<Vector2<f64>> {
        let at = |column: u32, row: u32| match self.pattern {
            Pattern::Circles => Vector2::new(f64::from(2 * column + row % 2), f64::from(row)),
            Pattern::Chessboard | Pattern::Coded => Vector2::new(f64::from(column), f64::from(row)),
        };
        (0..self.rows).flat_map(|r| (0..self.columns).map(move |c| at(c, r))).collect()
    }

    /// Whether its counts are known.
    #[must_use]
    pub fn has_counts(&self) -> bool {
        self.columns > 0 && self.rows > 0
    }
}

/// As `--board` takes it: `9x6`, `circles:4x11`, `coded:9x6`, `coded`.
impl fmt::Display for Board {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let counts = format!("{}x{}", self.columns, self.rows);
        match self.pattern {
            Pattern::Chessboard => write!(f, "{counts}"),
            Pattern::Circles => write!(f, "circles:{counts}"),
            Pattern::Coded if self.has_counts() => write!(f, "coded:{counts}"),
            Pattern::Coded => write!(f, "coded"),
        }
    }
}

/// Why a text names no board.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotABoard {
    /// Another form.
    #[error(
        "`{0}` is not of the form 9x6 (inner corners along a row, x, inner corners along a column), circles:4x11 (discs of a row, x, rows), coded or coded:9x6"
    )]
    Form(String),
    /// Too few points.
    #[error("a board needs at least 3 x 3 inner corners, or 2 x 3 discs")]
    TooFew,
}

/// A pattern with its counts (0 and 0 where a coded board is to say them), as a call names it.
///
/// # Errors
/// The text has another form, or the board too few points.
///
/// # Examples
/// ```
/// use tipwright::model::{Pattern, board_of};
/// assert_eq!(board_of("9x6"), Ok((Pattern::Chessboard, 9, 6)));
/// assert_eq!(board_of("circles:4x11"), Ok((Pattern::Circles, 4, 11)));
/// assert_eq!(board_of("coded"), Ok((Pattern::Coded, 0, 0)));
/// assert!(board_of("2x9").is_err() && board_of("coded:").is_err());
/// ```
pub fn board_of(text: &str) -> Result<(Pattern, u32, u32), NotABoard> {
    let wrong = || NotABoard::Form(text.to_owned());
    let (pattern, counts) = match text.split_once(':') {
        Some(("circles", counts)) => (Pattern::Circles, counts),
        Some(("coded", counts)) => (Pattern::Coded, counts),
        Some(_) => return Err(wrong()),
        None if text == "coded" => return Ok((Pattern::Coded, 0, 0)),
        None => (Pattern::Chessboard, text),
    };
    let (columns, rows) = counts.split_once(['x', 'X']).ok_or_else(wrong)?;
    let number = |t: &str| t.trim().parse::<u32>().map_err(|_| wrong());
    let (columns, rows) = (number(columns)?, number(rows)?);
    let least = if pattern == Pattern::Circles { 2 } else { 3 };
    if columns < least || rows < 3 {
        return Err(NotABoard::TooFew);
    }
    Ok((pattern, columns, rows))
}
