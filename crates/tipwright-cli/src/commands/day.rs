//! `day SESSION -o RESULTS`.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::Duration;

use indicatif::ProgressBar;
use tipwright::files::length_and_time;
use tipwright::model::film::FilmConfig;
use tipwright::model::{Severity, TakeResults, TakeStatus};
use tipwright_day::day::{self, DayConfig, DayError, Event, Filming, Spent, Timings};
use tipwright_day::store::StoreError;
use tipwright_day::watch::watched;
use tipwright_footage::Reader;

use crate::args::DayArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// From one look at the session's folder to the next while waiting.
const POLL: Duration = Duration::from_secs(3);
/// A file that is being copied has grown after this.
const LOOK_AGAIN: Duration = Duration::from_millis(1500);

/// Runs the day; status 3 when takes failed.
pub fn run(args: &DayArgs, ui: &Ui) -> Result<(), Failure> {
    if let Some(threads) = args.threads {
        rayon::ThreadPoolBuilder::new().num_threads(threads.max(1)).build_global().map_err(Failure::other)?;
    }
    if !args.watch {
        let growing = watched(&args.session, &args.output).growing;
        return once(args, still_growing(growing), args.anew, ui);
    }
    if ui.is_json() {
        return Err(Failure::Unusable(
            "--watch has no end at which to print a document: leave out --json; the pages and run.json are renewed each time".into(),
        ));
    }
    watch(args, ui)
}

/// Of files written lately those that grow before one's eyes.
fn still_growing(recent: BTreeSet<PathBuf>) -> BTreeSet<PathBuf> {
    let state = |path: &Path| length_and_time(path).ok();
    let before: Vec<_> = recent.into_iter().map(|path| (state(&path), path)).collect();
    if !before.is_empty() {
        std::thread::sleep(LOOK_AGAIN);
    }
    before.into_iter().filter(|(was, path)| state(path) != *was).map(|(_, path)| path).collect()
}

/// Runs whenever something is new and whole. Between runs nothing is open, so Ctrl-C leaves everything as the last one did; what a run was
/// at when it came is done again by the next.
fn watch(args: &DayArgs, ui: &Ui) -> Result<(), Failure> {
    let mut done = None;
    let mut told = BTreeSet::new();
    loop {
        let now = watched(&args.session, &args.output);
        for clip in now.growing.difference(&told) {
            ui.say(&format!("   wait  {}: still being copied, left for later", clip.display()));
        }
        if done.as_ref() != Some(&now.settled) {
            // all of it anew the first time only
            let anew = args.anew && done.is_none();
            if let Err(failure) = once(args, now.growing.clone(), anew, ui) {
                ui.say(&format!("tipwright: {failure}"));
            }
            ui.say("waiting for more takes; Ctrl-C ends");
            done = Some(now.settled);
        }
        told = now.growing;
        std::thread::sleep(POLL);
    }
}

/// One run.
fn once(args: &DayArgs, leave: BTreeSet<PathBuf>, anew: bool, ui: &Ui) -> Result<(), Failure> {
    let config =
        DayConfig { anew, leave, anonymous: args.anonymous, ..super::settings::config(&args.stages)? };
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
    let mut document = serde_json::json!({
        "takes": takes.iter().map(take_json).collect::<Vec<_>>(), "strokes": strokes, "page": page.display().to_string(),
    });
    if args.timings {
        document["timings"] = timings_json(&outcome.timings);
        outcome.timings.in_words().iter().for_each(|line| ui.result(line));
    }
    ui.result_json(document);
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

fn timings_json(timings: &Timings) -> serde_json::Value {
    let spent = |s: &Spent| serde_json::json!({"processor_s": s.processor_s, "wall_s": s.wall_s});
    let stages: serde_json::Map<String, serde_json::Value> =
        timings.stages.iter().map(|(stage, s)| ((*stage).to_owned(), spent(s))).collect();
    let clips: Vec<_> = timings
        .clips
        .iter()
        .map(|c| {
            serde_json::json!({
                "clip": c.clip, "of_take": c.of_take, "frames": c.frames, "decoding": spent(&c.decoding),
                "spots": spent(&c.spots), "line_points": spent(&c.line_points),
            })
        })
        .collect();
    serde_json::json!({
        "stages": stages, "clips": clips, "whole": spent(&timings.whole),
        "takes_times_decoding": timings.takes_ratio(), "whole_times_decoding": timings.whole_ratio(),
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
