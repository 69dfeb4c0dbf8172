//! `gather SESSION`.

use std::path::Path;

use tipwright::model::{Severity, Warning};
use tipwright_day::gather::{GatherError, Gathered, Heap, gather};
use tipwright_footage::Reader;

use crate::args::GatherArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Writes what was found into session.toml; status 3 when clips fit nothing.
pub fn run(args: &GatherArgs, ui: &Ui) -> Result<(), Failure> {
    let phases = super::cards::phases(&args.phases)?;
    let bar = ui.steps_bar("looking at clips", 0);
    let seen = |clip: &Path| {
        bar.inc_length(1);
        bar.set_message(crate::ui::clean(&clip.display().to_string()));
        bar.inc(1);
    };
    let heaps: Vec<Heap> = args
        .from
        .iter()
        .map(|(camera, folder)| Heap { camera: camera.clone(), folder: folder.clone() })
        .collect();
    let gathered = gather(&args.session, &heaps, &phases, &Reader::default(), &seen).map_err(|e| match e {
        GatherError::Write { .. } => Failure::other(e),
        _ => Failure::unusable(e),
    });
    bar.finish_and_clear();
    let gathered = gathered?;
    tell(&gathered, ui);
    ui.result_json(serde_json::to_value(&gathered).map_err(Failure::other)?);
    ui.result(&format!(
        "{} new clips: {} lenses, {} set-ups, {} takes written, {} clips fit nothing{}",
        gathered.clips,
        gathered.lenses.len(),
        gathered.set_ups.len(),
        gathered.takes.len(),
        gathered.unplaced.len(),
        if gathered.is_changed { "" } else { "; session.toml is as it was" }
    ));
    if gathered.unplaced.is_empty() {
        return Ok(());
    }
    Err(Failure::Partial(format!(
        "{} clips fit nothing; they stand at the end of session.toml with the reason: {}",
        gathered.unplaced.len(),
        args.session.display()
    )))
}

fn tell(gathered: &Gathered, ui: &Ui) {
    let warn = |severity: Severity, about: &str, what: &str, remedy: &str| {
        ui.warn(&Warning::new(severity, about, what, remedy));
    };
    for empty in &gathered.empty {
        let remedy = format!("copy its clips there, or name their folder: --from {}=DIR", empty.camera);
        warn(Severity::Warning, &format!("camera {}", empty.camera), &empty.to_string(), &remedy);
    }
    for calendar in &gathered.calendars {
        let what = format!(
            "its clock is {:+.1} s against the first camera's, by {} pairs of clips",
            calendar.ahead_s, calendar.pairs
        );
        warn(Severity::Note, &format!("camera {}", calendar.camera), &what, "");
    }
    for take in &gathered.takes {
        if let Some(doubt) = &take.doubt {
            let remedy = match take.clips.len() {
                1 if take.paired_by == "alone" => "if there is such a clip, copy it and add it to the take",
                _ => "look at both clips",
            };
            warn(Severity::Warning, &format!("take {}", take.name), doubt, remedy);
        }
    }
    let guesses = gathered.takes.iter().filter(|t| t.caster_is_guess).count();
    if guesses > 0 {
        let what = format!("the casters of {guesses} of {} takes are a guess", gathered.takes.len());
        warn(
            Severity::Warning,
            "casters",
            &what,
            "go through them in session.toml, and add phase = \"before\" or \"after\"; `tipwright cards` prints cards that say it",
        );
    }
    for unplaced in &gathered.unplaced {
        let nearest = unplaced.nearest.as_ref().map_or(String::new(), |n| format!(" (the nearest: {n})"));
        warn(Severity::Warning, &unplaced.clip, &format!("{}{nearest}", unplaced.reason), "");
    }
}
