//! `lens SOURCE... --board 9x6 --square-mm 25 -o lens.toml`.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

use tipwright::lens::{self, LensConfig, LensError};
use tipwright::model::Board;
use tipwright_footage::Reader;
use tipwright_report::files::write_atomic;
use tipwright_report::lens_page::coverage_svg;

use crate::args::LensArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Calibrates each source, writes its lens file and the coverage picture beside it, says which views were left out and why. A source that
/// fails does not stop the others.
pub fn run(args: &LensArgs, ui: &Ui) -> Result<(), Failure> {
    let (pattern, columns, rows) = args.board;
    let board = Board::new(pattern, columns, rows, args.square_mm);
    if let Some(missing) = args.source.iter().find(|s| !s.exists()) {
        return Err(Failure::Unusable(format!(
            "no such clip or folder; check the name: {}",
            missing.display()
        )));
    }
    if let [source] = args.source.as_slice() {
        let result = one(source, &board, &args.output, ui)?;
        ui.result_json(result);
        return Ok(());
    }
    let outputs = outputs(&args.source, &args.output)?;
    let (mut results, mut failed) = (Vec::new(), Vec::new());
    for (source, output) in args.source.iter().zip(&outputs) {
        match one(source, &board, output, ui) {
            Ok(result) => results.push(result),
            Err(failure) => failed.push(failure),
        }
    }
    ui.result_json(serde_json::json!({ "lenses": results }));
    match failed.first() {
        None => Ok(()),
        Some(_) if results.is_empty() => Err(failed.swap_remove(0)),
        Some(_) => {
            Err(Failure::Partial(failed.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")))
        }
    }
}

/// A lens file for each source, named after it, with its folder's name where that is not enough.
fn outputs(sources: &[PathBuf], folder: &Path) -> Result<Vec<PathBuf>, Failure> {
    let text = |part: Option<&OsStr>| part.map(|p| p.to_string_lossy().into_owned());
    let stem = |source: &Path| text(source.file_stem()).unwrap_or_else(|| "lens".into());
    let longer = |source: &Path| match text(source.parent().and_then(Path::file_name)) {
        Some(parent) => format!("{parent}-{}", stem(source)),
        None => stem(source),
    };
    let are_different = |names: &[String]| names.iter().collect::<BTreeSet<_>>().len() == names.len();
    let mut names: Vec<String> = sources.iter().map(|s| stem(s)).collect();
    if !are_different(&names) {
        names = sources.iter().map(|s| longer(s)).collect();
    }
    if !are_different(&names) {
        return Err(Failure::Unusable("two of the sources have the same name: one call each".into()));
    }
    if folder.extension().is_some_and(|e| e == "toml") {
        return Err(Failure::Unusable(format!(
            "several lenses need a folder to be written into, not a file: {}",
            folder.display()
        )));
    }
    std::fs::create_dir_all(folder).map_err(Failure::other)?;
    Ok(names.into_iter().map(|name| folder.join(name + ".toml")).collect())
}

/// One source to one lens file.
fn one(source: &Path, board: &Board, output: &Path, ui: &Ui) -> Result<serde_json::Value, Failure> {
    let bar = ui.frames_bar("board", None);
    let found = lens::from_source(
        &Reader::default(),
        source,
        board,
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
    let coverage_path = output.with_extension("coverage.svg");
    let found = match found {
        Ok(found) => found,
        Err(error) => {
            if let LensError::PoorCoverage { coverage, .. } = &error {
                let svg = coverage_svg(coverage, &[], "where corners were seen");
                if write_atomic(&coverage_path, svg.as_bytes()).is_ok() {
                    ui.say(&format!("The picture of what was covered: {}", coverage_path.display()));
                }
            }
            return Err(Failure::Unusable(format!("{error}: {}", source.display())));
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
    lens::write_lens(output, &found.lens).map_err(Failure::other)?;
    let svg = coverage_svg(&found.coverage, &found.views, "where corners were seen");
    write_atomic(&coverage_path, svg.as_bytes()).map_err(Failure::other)?;
    let l = &found.lens;
    ui.result(&format!(
        "board {}: fx {:.1} +- {:.1} px, fy {:.1} +- {:.1} px, rms {:.3} px from {} views ({} left out): {}",
        found.board,
        l.fx_px,
        l.fx_sd_px.unwrap_or(f64::NAN),
        l.fy_px,
        l.fy_sd_px.unwrap_or(f64::NAN),
        l.rms_px.unwrap_or(f64::NAN),
        l.views_used.unwrap_or(0),
        l.views_left_out.unwrap_or(0),
        output.display()
    ));
    Ok(serde_json::json!({
        "lens": l, "file": output.display().to_string(), "coverage": coverage_path.display().to_string(),
        "board": found.board.to_string(),
    }))
}
