//! What whole-program tests share: the program called as its users call it, and sessions to spoil.
#![allow(clippy::unwrap_used, dead_code, reason = "tests: they may stop, and each file uses a part of this")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;

pub fn tipwright(arguments: &[&str]) -> Output {
    command(arguments).output().unwrap()
}

pub fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tipwright"));
    command.args(arguments).stdin(Stdio::null());
    command
}

pub fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

pub fn status(output: &Output) -> i32 {
    output.status.code().unwrap_or_else(|| panic!("ended by a signal: {}", text(&output.stderr)))
}

/// stdout as the one JSON document it must be.
pub fn json(output: &Output) -> serde_json::Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {:?}", text(&output.stdout)))
}

/// One simulated day for all tests of a file; it goes with the process's temporary folder.
pub fn day() -> &'static Path {
    static DAY: OnceLock<tempfile::TempDir> = OnceLock::new();
    DAY.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("session");
        let made =
            tipwright(&["-q", "simulate", "--days", "minimal", "--seed", "1", "-o", out.to_str().unwrap()]);
        assert_eq!(status(&made), 0, "{}", text(&made.stderr));
        folder
    })
    .path()
}

pub fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            if entry.file_name() != "truth" {
                copy(&entry.path(), &target);
            }
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// A copy of the day's session to spoil, with room for results.
pub struct Spoiled {
    pub folder: tempfile::TempDir,
}

impl Spoiled {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        copy(&day().join("session"), &folder.path().join("session"));
        Self { folder }
    }

    pub fn session(&self) -> PathBuf {
        self.folder.path().join("session")
    }

    pub fn results(&self) -> PathBuf {
        self.folder.path().join("results")
    }

    pub fn edit(&self, change: impl Fn(String) -> String) {
        let file = self.session().join("session.toml");
        let before = fs::read_to_string(&file).unwrap();
        let after = change(before.clone());
        assert_ne!(before, after, "the edit changed nothing");
        fs::write(file, after).unwrap();
    }

    /// Adds a take, its name as TOML writes it.
    pub fn add_take(&self, name: &str, caster: &str, clips: &str) {
        self.edit(|s| format!("{s}\n[[take]]\nname = {name}\ncaster = \"{caster}\"\nphase = \"after\"\nclips = {{ {clips} }}\n"));
    }

    pub fn call(&self, command: &str, more: &[&str]) -> Output {
        let (session, results) = (self.session(), self.results());
        let mut arguments = vec![command, session.to_str().unwrap()];
        if command != "check" {
            arguments.extend(["-o", results.to_str().unwrap()]);
        }
        arguments.extend(more);
        tipwright(&arguments)
    }

    /// Takes that `check` calls usable, and its status.
    pub fn usable(&self, more: &[&str]) -> (Vec<String>, i32) {
        let mut arguments = vec!["--json"];
        arguments.extend(more);
        let checked = self.call("check", &arguments);
        let names = json(&checked)["usable"]
            .as_array()
            .unwrap()
            .iter()
            .map(|n| n.as_str().unwrap().to_string())
            .collect();
        (names, status(&checked))
    }
}
