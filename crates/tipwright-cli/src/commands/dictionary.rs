//! `dictionary`: every column of every table.

use tipwright_report::dictionary;

use crate::failure::Failure;
use crate::ui::Ui;

/// Prints it.
pub fn run(ui: &Ui) -> Result<(), Failure> {
    ui.result_json(dictionary::json());
    ui.result(&dictionary::markdown());
    Ok(())
}
