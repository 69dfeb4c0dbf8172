//! What a person sees: text and bars on stderr, results on stdout. The only file that prints.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "the wall between the program and the terminal"
)]

use std::io::{IsTerminal, Write};
use std::process::ExitCode;
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
use tipwright::model::{Severity, Warning};

use crate::failure::Failure;

/// Terminal manners: quiet says only failures; json puts results on stdout as JSON and nothing else there.
pub struct Ui {
    quiet: bool,
    json: bool,
    bars: MultiProgress,
    show_bars: bool,
}

impl Ui {
    pub fn new(quiet: bool, json: bool) -> Self {
        let show_bars = !quiet && std::io::stderr().is_terminal();
        let target =
            if show_bars { ProgressDrawTarget::stderr_with_hz(8) } else { ProgressDrawTarget::hidden() };
        Self { quiet, json, bars: MultiProgress::with_draw_target(target), show_bars }
    }

    /// `--json` was given.
    pub fn json(&self) -> bool {
        self.json
    }

    /// A line for a person.
    pub fn say(&self, text: &str) {
        if !self.quiet {
            self.bars.suspend(|| eprintln!("{text}"));
        }
    }

    /// A message of a stage.
    pub fn warn(&self, warning: &Warning) {
        if self.quiet && warning.severity == Severity::Note {
            return;
        }
        let word = match warning.severity {
            Severity::Note => "note",
            Severity::Warning => "warning",
            Severity::Problem => "PROBLEM",
        };
        let remedy = if warning.remedy.is_empty() {
            String::new()
        } else {
            format!("\n         -> {}", warning.remedy)
        };
        self.bars.suspend(|| eprintln!("{word:>7}  {}: {}{remedy}", warning.about, warning.what));
    }

    /// Result for stdout.
    pub fn result(&self, text: &str) {
        let mut out = std::io::stdout().lock();
        // A closed pipe (`| head`) is no fault of the command.
        let _ = writeln!(out, "{text}");
    }

    /// Result as JSON for stdout.
    pub fn result_json(&self, value: &serde_json::Value) {
        self.result(&serde_json::to_string_pretty(value).unwrap_or_default());
    }

    /// Says why a command ends and gives its status.
    pub fn fail(&self, failure: &Failure) -> ExitCode {
        if self.json {
            self.result_json(
                &serde_json::json!({ "error": failure.to_string(), "exit_status": failure.status() }),
            );
        }
        self.bars.suspend(|| eprintln!("tipwright: {failure}"));
        ExitCode::from(failure.status())
    }

    /// A bar counting frames; without a total it only counts.
    pub fn frames_bar(&self, name: &str, total: Option<u64>) -> ProgressBar {
        let template = if total.is_some() {
            "{prefix:>24} [{bar:28}] {pos}/{len} frames  {per_sec}  {eta} left"
        } else {
            "{prefix:>24} {spinner} {pos} frames  {per_sec}"
        };
        self.bar(name, total, template)
    }

    /// A bar counting steps.
    pub fn steps_bar(&self, name: &str, total: u64) -> ProgressBar {
        self.bar(name, Some(total), "{prefix:>24} [{bar:28}] {pos}/{len}  {msg}")
    }

    fn bar(&self, name: &str, total: Option<u64>, template: &str) -> ProgressBar {
        let bar = match total {
            Some(total) => ProgressBar::new(total),
            None => ProgressBar::new_spinner(),
        };
        let style = ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar());
        bar.set_style(style.progress_chars("=> ").with_key(
            "per_sec",
            |state: &indicatif::ProgressState, w: &mut dyn std::fmt::Write| {
                let _ = write!(w, "{:.0} frames/s", state.per_sec());
            },
        ));
        bar.set_prefix(name.to_string());
        let bar = self.bars.add(bar);
        if self.show_bars {
            bar.enable_steady_tick(Duration::from_millis(200));
        }
        bar
    }
}
