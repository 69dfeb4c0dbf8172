//! `strokes PATH.csv -o DIR`: any 3D tip path.

use tipwright::evidence;
use tipwright::model::results::{PathPoint, TakeKeys, TakeResults, TakeStatus};
use tipwright::model::{RodPaths, Tally};
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
    let points: Vec<PathPoint> = path
        .samples
        .iter()
        .map(|s| PathPoint {
            t_s: s.t_s,
            position_m: s.position_in_world.coords.into(),
            velocity_m_s: s.velocity_in_world_m_s.into(),
            sd_m: s.position_sd_m.into(),
            views: s.views,
        })
        .collect();
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
            ui.say(&format!("   stroke {}  {} ({percent:.0} %): {}", stroke.stroke, e.title, e.seen));
        }
    }
    let name = args.path.file_stem().map_or("path".into(), |n| n.to_string_lossy().into_owned());
    let take = TakeResults {
        session: String::new(),
        keys: TakeKeys::default(),
        take: name.clone(),
        caster: String::new(),
        alias: name,
        phase: None,
        status: TakeStatus::Done,
        warnings: outcome.warnings,
        clips: std::collections::BTreeMap::new(),
        cameras: Vec::new(),
        clocks: Vec::new(),
        tally: Tally::default(),
        strokes: outcome.strokes,
        set_aside: outcome.set_aside.into_iter().map(|a| (a.t_start_s, a.t_end_s, a.reason)).collect(),
        path: points,
        rod: Vec::new(),
        missing: std::collections::BTreeMap::new(),
        evidence,
        loops: Vec::new(),
        film: Vec::new(),
        moved: Vec::new(),
    };
    report::write_alone(&take, &ReportConfig::default(), &args.output).map_err(Failure::other)?;
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
