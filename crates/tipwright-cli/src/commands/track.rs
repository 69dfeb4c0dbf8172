//! `track SESSION --take NAME -o DIR`.

use tipwright::model::TakeStatus;
use tipwright_day::day;
use tipwright_footage::Reader;

use super::day::{Screen, as_failure};
use crate::args::TrackArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Follows one take; status 3 when it cannot be measured.
pub fn run(args: &TrackArgs, ui: &Ui) -> Result<(), Failure> {
    let config = super::settings::config(&args.stages)?;
    let screen = Screen::new(ui, "track");
    let take =
        day::run_take(&args.session, &args.take, &args.output, &Reader::default(), &config, &|event| {
            screen.show(&event)
        });
    screen.close();
    let take = take.map_err(as_failure)?;
    let folder = args.output.join("takes").join(&take.take);
    if take.status == TakeStatus::Failed {
        let reasons: Vec<String> = take.warnings.iter().map(ToString::to_string).collect();
        return Err(Failure::Partial(reasons.join("; ")));
    }
    ui.result_json(serde_json::json!({
            "take": take.take, "folder": folder.display().to_string(), "path_points": take.path.len(), "clocks": take.clocks,
            "observations": take.tally,
        }));
    ui.result(&format!(
        "{} path points from {} of {} candidates: {}",
        take.path.len(),
        take.tally.accepted,
        take.tally.offered,
        folder.join("path.csv").display()
    ));
    Ok(())
}
