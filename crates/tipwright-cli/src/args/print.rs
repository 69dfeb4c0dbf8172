//! Calls of what is printed.

use std::path::PathBuf;

use clap::ValueEnum;

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum Paper {
    A4,
    Letter,
}

impl From<Paper> for tipwright_report::print::Paper {
    fn from(paper: Paper) -> Self {
        match paper {
            Paper::A4 => Self::A4,
            Paper::Letter => Self::Letter,
        }
    }
}

#[derive(Debug, clap::Args)]
pub struct CardsArgs {
    /// The list of casters, or the session folder it lies in
    pub casters: PathBuf,
    /// Phases, in order, at most four; give `gather` the same
    #[arg(long, default_value = "before,after", value_delimiter = ',')]
    pub phases: Vec<String>,
    /// Paper
    #[arg(long, value_enum, default_value = "a4")]
    pub paper: Paper,
    /// File to write; .pdf
    #[arg(short, long, default_value = "cards.pdf")]
    pub output: PathBuf,
}

#[derive(Debug, clap::Args)]
pub struct SheetArgs {
    /// Paper
    #[arg(long, value_enum, default_value = "a4")]
    pub paper: Paper,
    /// File to write; .svg or .pdf
    #[arg(short, long, default_value = "field.pdf")]
    pub output: PathBuf,
}

#[derive(Debug, clap::Args)]
pub struct BoardArgs {
    /// Inner corners, columns x rows
    #[arg(long, default_value = "9x6", value_parser = board_size)]
    pub board: (u32, u32),
    /// Side of a square
    #[arg(long, default_value_t = 25.0)]
    pub square_mm: f64,
    /// Paper
    #[arg(long, value_enum, default_value = "a4")]
    pub paper: Paper,
    /// File to write; .svg or .pdf
    #[arg(short, long, default_value = "board.pdf")]
    pub output: PathBuf,
}

/// `9x6` as columns and rows.
pub(super) fn board_size(text: &str) -> Result<(u32, u32), String> {
    let wrong = || {
        format!("`{text}` is not of the form 9x6: inner corners along a row, x, inner corners along a column")
    };
    let (columns, rows) = text.split_once(['x', 'X']).ok_or_else(wrong)?;
    let number = |t: &str| t.trim().parse::<u32>().map_err(|_| wrong());
    let (columns, rows) = (number(columns)?, number(rows)?);
    if columns < 3 || rows < 3 {
        return Err("a board needs at least 3 x 3 inner corners".into());
    }
    Ok((columns, rows))
}
