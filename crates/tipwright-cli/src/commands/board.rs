//! `board`: the calibration board as SVG or PDF, by the output's ending.

use std::path::Path;

use tipwright::model::Board;
use tipwright_report::files::write_atomic;
use tipwright_report::print::{Sheet, board_sheet};

use crate::args::BoardArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Inner corners of a coded board where none are said.
const CODED: (u32, u32) = (9, 6);

/// Draws the board in true size.
pub fn run(args: &BoardArgs, ui: &Ui) -> Result<(), Failure> {
    let (pattern, columns, rows) = args.board;
    // `coded` alone: as many squares as the plain board has
    let (columns, rows) = if columns == 0 { CODED } else { (columns, rows) };
    let board = Board::new(pattern, columns, rows, args.square_mm);
    let sheet = board_sheet(&board, args.paper.into()).map_err(Failure::unusable)?;
    let bytes = by_ending(&sheet, &args.output)?;
    write_atomic(&args.output, &bytes).map_err(Failure::other)?;
    ui.result_json(serde_json::json!({ "board": args.output.display().to_string() }));
    ui.result(&format!(
        "Print {} at 100 % (no fitting to the page), check its ruler, glue it to something flat",
        args.output.display()
    ));
    Ok(())
}

/// A sheet as what its file's ending says.
pub fn by_ending(sheet: &Sheet, output: &Path) -> Result<Vec<u8>, Failure> {
    let ending = output.extension().map(|e| e.to_string_lossy().to_lowercase());
    match ending.as_deref() {
        Some("svg") => Ok(sheet.svg().into_bytes()),
        Some("pdf") => Ok(sheet.pdf()),
        _ => Err(Failure::Unusable(format!("the output must end in .svg or .pdf: {}", output.display()))),
    }
}
