//! Calls of what is printed.

use std::path::PathBuf;

use clap::ValueEnum;
use tipwright::model::{Pattern, board_of};

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
    /// Phones that film: with one alone the wand is hung at two places instead of waved
    #[arg(long, default_value = "2", value_parser = clap::value_parser!(u8).range(1..=2))]
    pub phones: u8,
    /// File to write; .svg or .pdf
    #[arg(short, long, default_value = "field.pdf")]
    pub output: PathBuf,
}

#[derive(Debug, clap::Args)]
pub struct BoardArgs {
    /// Inner corners, columns x rows: 9x6; with codes, so that it may be partly out of the picture: coded:9x6 or coded; rows of discs:
    /// circles:4x11
    #[arg(long, default_value = "9x6", value_parser = board_of)]
    pub board: (Pattern, u32, u32),
    /// Side of a square; of discs, from row to row
    #[arg(long, default_value_t = 25.0)]
    pub square_mm: f64,
    /// Paper
    #[arg(long, value_enum, default_value = "a4")]
    pub paper: Paper,
    /// File to write; .svg or .pdf
    #[arg(short, long, default_value = "board.pdf")]
    pub output: PathBuf,
}
