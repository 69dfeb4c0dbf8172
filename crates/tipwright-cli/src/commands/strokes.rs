//! `strokes PATH.csv -o DIR`: any 3D tip path.

use tipwright::evidence;
use tipwright::model::RodPaths;
use tipwright::model::results::{PathPoint, TakeResults, TakeStatus};
use tipwright::strokes::{self, StrokesError};
use tipwright_report::{self as report, ReportConfig};

use crate::args::StrokesArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Writes strokes.csv, strokes.json and the plots of a path.
pub fn run(args: &StrokesArgs, ui: &Ui) -> Result<(), Failure> {
    let config = super::settings::config(&args.stages)?;
    let strokes::ReadPath { path, warnings } = strokes::read_path(&args.path).map_err(Failure::unusable)?;
    for warning in &warnings {
        ui.warn(warning);
    }
    let points: Vec<PathPoint> = path.samples.iter().map(PathPoint::from).collect();
    let rod = RodPaths { tip: path, butts: Vec::new() };
    let outcome = strokes::measure(&rod, &config.strokes)
        .map_err(|e: StrokesError| Failure::Unusable(format!("{e}: {}", args.path.display())))?;
    for warning in &outcome.warnings {
        ui.warn(warning);
    }
    for aside in &outcome.set_aside {
        ui.say(&format!("   set aside  {:.3} to {:.3} s: {}", aside.t_start_s, aside.t_end_s, aside.reason));
    }
    let evidence = evidence::judge(&outcome.strokes, &config.evidence);
    for stroke in &evidence {
        for e in stroke.evidence.iter().filter(|e| e.is_raised) {
            let percent = 100.0 * e.probability;
            ui.say(&format!(
                "   stroke {}  {}, {} ({percent:.0} %): {}",
                stroke.stroke,
                e.title,
                e.word.text(),
                e.seen
            ));
        }
    }
    let name = args.path.file_stem().map_or("path".into(), |n| n.to_string_lossy().into_owned());
    let take = TakeResults {
        take: name.clone(),
        alias: name,
        status: TakeStatus::Done,
        warnings: outcome.warnings,
        strokes: outcome.strokes,
        set_aside: outcome.set_aside.into_iter().map(|a| (a.t_start_s, a.t_end_s, a.reason)).collect(),
        path: points,
        evidence,
        ..TakeResults::failed()
    };
    let files = report::alone_files(&take, &ReportConfig::default()).map_err(Failure::other)?;
    report::files::write_all(&files, &args.output).map_err(Failure::other)?;
    let rows =
        report::tables::strokes::json(&report::tables::strokes::rows(&take)).map_err(Failure::other)?;
    ui.result_json(serde_json::from_slice(&rows).map_err(Failure::other)?);
    ui.result(&format!(
        "{} strokes, {} movements set aside: {}",
        take.strokes.len(),
        take.set_aside.len(),
        args.output.join("strokes.csv").display()
    ));
    Ok(())
}
