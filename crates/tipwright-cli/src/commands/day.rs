//! `day SESSION -o RESULTS`.

use std::sync::Mutex;

use indicatif::ProgressBar;
use tipwright::model::film::FilmConfig;
use tipwright::model::{Severity, TakeResults, TakeStatus};
use tipwright_day::day::{self, DayConfig, DayError, Event, Filming};
use tipwright_day::store::StoreError;
use tipwright_footage::Reader;

use crate::args::DayArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Runs the day; status 3 when takes failed.
pub fn run(args: &DayArgs, ui: &Ui) -> Result<(), Failure> {
    if let Some(threads) = args.threads {
        rayon::ThreadPoolBuilder::new().num_threads(threads.max(1)).build_global().map_err(Failure::other)?;
    }
    let config =
        DayConfig { anew: args.anew, anonymous: args.anonymous, ..super::settings::config(&args.stages)? };
    let reader = Reader::default();
    let film = args.film.then(|| Filming { maker: &reader, config: FilmConfig::default() });
    let screen = Screen::new(ui, "day");
    let outcome =
        day::run_with_film(&args.session, &args.output, &reader, film, &config, &|event| screen.show(&event));
    screen.close();
    let outcome = outcome.map_err(as_failure)?;
    let takes = &outcome.results.takes;
    let strokes: usize = takes.iter().map(|t| t.strokes.len()).sum();
    let page = args.output.join("report").join("index.html");
    ui.result_json(serde_json::json!({
        "takes": takes.iter().map(take_json).collect::<Vec<_>>(), "strokes": strokes, "page": page.display().to_string(),
    }));
    ui.result(&format!(
        "{} of {} takes measured, {strokes} strokes. Open {}",
        outcome.done,
        outcome.done + outcome.failed,
        page.display()
    ));
    if outcome.failed > 0 {
        let failed: Vec<&str> =
            takes.iter().filter(|t| t.status == TakeStatus::Failed).map(|t| t.take.as_str()).collect();
        return Err(Failure::Partial(format!(
            "{} take(s) could not be measured ({}); the reasons stand above and in {}. The rest is complete; mend and run the same command again",
            outcome.failed,
            failed.join(", "),
            args.output.join("run.json").display()
        )));
    }
    Ok(())
}

fn take_json(take: &TakeResults) -> serde_json::Value {
    let problems: Vec<String> =
        take.warnings.iter().filter(|w| w.severity == Severity::Problem).map(ToString::to_string).collect();
    serde_json::json!({
        "take": take.take, "status": take.status, "strokes": take.strokes.len(), "problems": problems,
    })
}

/// Exit status of an error of the day.
pub fn as_failure(error: DayError) -> Failure {
    match error {
        DayError::Store(StoreError::Busy { .. } | StoreError::Foreign { .. }) => Failure::unusable(error),
        DayError::Report(_) | DayError::Store(_) => Failure::other(error),
        _ => Failure::unusable(error),
    }
}

/// Turns events into a bar and lines.
pub struct Screen<'a> {
    ui: &'a Ui,
    name: &'static str,
    bar: Mutex<Option<ProgressBar>>,
}

impl<'a> Screen<'a> {
    pub fn new(ui: &'a Ui, name: &'static str) -> Self {
        Self { ui, name, bar: Mutex::new(None) }
    }

    /// Shows one event; called from any thread.
    pub fn show(&self, event: &Event<'_>) {
        match event {
            Event::Work(total) => {
                if let Ok(mut bar) = self.bar.lock() {
                    *bar = Some(self.ui.work_bar(self.name, *total));
                }
            }
            Event::Worked(work) => self.with_bar(|bar| bar.inc(*work)),
            Event::Spared(work) => self.with_bar(|bar| bar.dec_length(*work)),
            Event::Began(_) => {}
            Event::Done(what, line) => self.ui.say(&format!("   done  {what}: {line}")),
            Event::Kept(what) => self.ui.say(&format!("   kept  {what}: finished before, inputs unchanged")),
            Event::Warned(warning) => self.ui.warn(warning),
        }
    }

    fn with_bar(&self, change: impl Fn(&ProgressBar)) {
        if let Ok(bar) = self.bar.lock() {
            bar.iter().for_each(change);
        }
    }

    /// Takes the bar away.
    pub fn close(&self) {
        if let Ok(mut bar) = self.bar.lock()
            && let Some(bar) = bar.take()
        {
            bar.finish_and_clear();
        }
    }
}
