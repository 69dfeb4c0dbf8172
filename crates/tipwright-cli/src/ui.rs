//! What a person sees: text and bars on stderr, results on stdout. The only file that prints.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "the wall between the program and the terminal"
)]

use std::collections::BTreeSet;
use std::io::{IsTerminal, Write};
use std::process::ExitCode;
use std::sync::Mutex;
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
use tipwright::model::{Severity, Warning};

use crate::failure::Failure;

/// Terminal manners: quiet says only failures; json puts one JSON document on stdout and nothing else there.
pub struct Ui {
    quiet: bool,
    json: bool,
    document: Mutex<Option<serde_json::Value>>,
    advised: Mutex<BTreeSet<String>>,
    bars: MultiProgress,
    show_bars: bool,
}

impl Ui {
    pub fn new(quiet: bool, json: bool) -> Self {
        let show_bars = !quiet && std::io::stderr().is_terminal();
        let target =
            if show_bars { ProgressDrawTarget::stderr_with_hz(8) } else { ProgressDrawTarget::hidden() };
        Self {
            quiet,
            json,
            document: Mutex::default(),
            advised: Mutex::default(),
            bars: MultiProgress::with_draw_target(target),
            show_bars,
        }
    }

    /// stdout is to hold one JSON document.
    pub fn is_json(&self) -> bool {
        self.json
    }

    /// A line for a person.
    pub fn say(&self, text: &str) {
        if !self.quiet {
            self.line(text);
        }
    }

    fn line(&self, text: &str) {
        // a closed stderr is no fault of the command
        self.bars.suspend(|| {
            let _ = writeln!(std::io::stderr().lock(), "{}", clean(text));
        });
    }

    /// A message of a stage. Its advice is given once, however many clips need it.
    pub fn warn(&self, warning: &Warning) {
        if self.quiet && warning.severity == Severity::Note {
            return;
        }
        let word = match warning.severity {
            Severity::Note => "note",
            Severity::Warning => "warning",
            Severity::Problem => "PROBLEM",
        };
        let is_new = || self.advised.lock().is_ok_and(|mut given| given.insert(warning.remedy.clone()));
        let remedy = if !warning.remedy.is_empty() && is_new() {
            format!("\n         -> {}", warning.remedy)
        } else {
            String::new()
        };
        self.line(&format!("{word:>7}  {}: {}{remedy}", warning.about, warning.what));
    }

    /// Result for stdout; nothing with `--json`.
    pub fn result(&self, text: &str) {
        if !self.json {
            print(&clean(text));
        }
    }

    /// The document for stdout with `--json`.
    pub fn result_json(&self, value: serde_json::Value) {
        if let Ok(mut document) = self.document.lock() {
            *document = Some(value);
        }
    }

    /// Ends a command: says why where it failed, prints the document, gives the exit status.
    pub fn finish(&self, ended: Result<(), Failure>) -> ExitCode {
        let status = ended.as_ref().map_or_else(Failure::status, |()| 0);
        if self.json {
            let mut document = match self.document.lock().ok().and_then(|mut d| d.take()) {
                Some(serde_json::Value::Object(map)) => map,
                Some(other) => serde_json::Map::from_iter([("result".to_string(), other)]),
                None => serde_json::Map::new(),
            };
            document.insert("exit_status".into(), status.into());
            if let Err(failure) = &ended {
                document.insert("error".into(), failure.to_string().into());
            }
            print(&json_text(&document.into()));
        }
        if let Err(failure) = &ended {
            self.line(&format!("tipwright: {failure}"));
        }
        ExitCode::from(status)
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

    /// A bar of work: what is done, and how long the rest takes.
    pub fn work_bar(&self, name: &str, total: u64) -> ProgressBar {
        self.bar(name, Some(total), "{prefix:>24} [{bar:28}] {percent:>3} %  {eta} left")
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
        bar.set_prefix(clean(name));
        let bar = self.bars.add(bar);
        if self.show_bars {
            bar.enable_steady_tick(Duration::from_millis(200));
        }
        bar
    }
}

fn print(text: &str) {
    // A closed pipe (`| head`) is no fault of the command.
    let _ = writeln!(std::io::stdout().lock(), "{text}");
}

/// What a terminal would act on: control characters other than line ends and tabs, and those that turn the writing direction.
fn is_acted_on(c: char) -> bool {
    (c.is_control() && !matches!(c, '\n' | '\t'))
        || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// The text without what a terminal would act on: names and contents of files may hold anything.
pub fn clean(text: &str) -> String {
    text.chars().map(|c| if is_acted_on(c) { '?' } else { c }).collect()
}

/// JSON with such characters escaped; outside of strings JSON has none but line ends.
fn json_text(value: &serde_json::Value) -> String {
    let text = serde_json::to_string_pretty(value).unwrap_or_default();
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if is_acted_on(c) { out.push_str(&format!("\\u{:04x}", u32::from(c))) } else { out.push(c) }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_reaches_a_terminal_that_it_acts_on() {
        assert_eq!(clean("a\u{1b}[31mb\u{9b}2J\u{202e}c\nd"), "a?[31mb?2J?c\nd");
        let value = serde_json::json!({ "a": "\u{9b}2J\u{202e}\u{1b}é" });
        let text = json_text(&value);
        assert!(!text.chars().any(is_acted_on), "{text}");
        assert_eq!(serde_json::from_str::<serde_json::Value>(&text).unwrap(), value);
    }
}
