//! `lens SOURCE --board 9x6 --square-mm 25 -o lens.toml`.

use tipwright::lens::{self, LensConfig, LensError};
use tipwright::model::Board;
use tipwright_footage::Reader;
use tipwright_report::files::write_atomic;
use tipwright_report::lens_page::coverage_svg;

use crate::args::LensArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Calibrates, writes the lens file and the coverage picture beside it, says which views were left out and why.
pub fn run(args: &LensArgs, ui: &Ui) -> Result<(), Failure> {
    let (columns, rows) = args.board;
    let board = Board { columns, rows, square_mm: args.square_mm };
    if !args.source.exists() {
        return Err(Failure::Unusable(format!(
            "no such clip or folder; check the name: {}",
            args.source.display()
        )));
    }
    let bar = ui.frames_bar("board", None);
    let found = lens::from_source(
        &Reader::default(),
        &args.source,
        &board,
        None,
        &LensConfig::default(),
        &|progress: lens::Progress| {
            if let Some(total) = progress.total {
                bar.set_length(total);
            }
            bar.set_position(progress.done);
        },
    );
    bar.finish_and_clear();
    let coverage_path = args.output.with_extension("coverage.svg");
    let found = match found {
        Ok(found) => found,
        Err(error) => {
            if let LensError::PoorCoverage { coverage, .. } = &error {
                let svg = coverage_svg(coverage, &[], "where corners were seen");
                if write_atomic(&coverage_path, svg.as_bytes()).is_ok() {
                    ui.say(&format!("The picture of what was covered: {}", coverage_path.display()));
                }
            }
            return Err(Failure::Unusable(format!("{error}: {}", args.source.display())));
        }
    };
    for view in &found.views {
        if let Some(reason) = &view.left_out {
            ui.say(&format!("   left out  {}: {reason}", view.name));
        }
    }
    for warning in &found.warnings {
        ui.warn(warning);
    }
    lens::write_lens(&args.output, &found.lens).map_err(Failure::other)?;
    let svg = coverage_svg(&found.coverage, &found.views, "where corners were seen");
    write_atomic(&coverage_path, svg.as_bytes()).map_err(Failure::other)?;
    let l = &found.lens;
    ui.result_json(serde_json::json!({
        "lens": l, "file": args.output.display().to_string(), "coverage": coverage_path.display().to_string(),
    }));
    ui.result(&format!(
        "fx {:.1} +- {:.1} px, fy {:.1} +- {:.1} px, rms {:.3} px from {} views ({} left out): {}",
        l.fx_px,
        l.fx_sd_px.unwrap_or(f64::NAN),
        l.fy_px,
        l.fy_sd_px.unwrap_or(f64::NAN),
        l.rms_px.unwrap_or(f64::NAN),
        l.views_used.unwrap_or(0),
        l.views_left_out.unwrap_or(0),
        args.output.display()
    ));
    Ok(())
}
