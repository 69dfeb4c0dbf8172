//! `sheet`: the helper's page for the field as SVG or PDF, by the output's ending.

use tipwright_report::files::write_atomic;
use tipwright_report::print::{Phones, field_sheet};

use crate::args::SheetArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Writes the page.
pub fn run(args: &SheetArgs, ui: &Ui) -> Result<(), Failure> {
    let phones = if args.phones == 1 { Phones::One } else { Phones::Two };
    let sheet = field_sheet(args.paper.into(), phones);
    write_atomic(&args.output, &super::board::by_ending(&sheet, &args.output)?).map_err(Failure::other)?;
    ui.result_json(serde_json::json!({ "sheet": args.output.display().to_string() }));
    ui.result(&format!("Print {} and give it to who films", args.output.display()));
    Ok(())
}
