//! The results folder as its users meet it: damaged, renamed, shared, interrupted.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

#[path = "support/mod.rs"]
mod support;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Output, Stdio};
use std::sync::OnceLock;

use support::{Spoiled, command, copy, json, status, text, tipwright};

const CLIPS: &str = "west = \"west/0003.mp4\", east = \"east/0007.mov\"";

/// A measured day of two takes of the same clips; measured once.
struct Day(Spoiled);

impl Day {
    fn measured() -> Self {
        static MEASURED: OnceLock<Day> = OnceLock::new();
        let made = MEASURED.get_or_init(|| {
            let day = Self(Spoiled::new());
            day.0.add_take("\"02-again\"", "01", CLIPS);
            let run = day.day(&[]);
            assert_eq!(status(&run), 0, "{}", text(&run.stderr));
            day
        });
        let folder = tempfile::tempdir().unwrap();
        copy(made.0.folder.path(), folder.path());
        Self(Spoiled { folder })
    }

    fn day(&self, more: &[&str]) -> Output {
        self.0.call("day", more)
    }

    fn at(&self, place: &str) -> PathBuf {
        self.0.results().join(place)
    }

    /// Every file of the results by its place, without hidden ones.
    fn files(&self) -> BTreeMap<String, Vec<u8>> {
        fn collect(root: &Path, folder: &Path, out: &mut BTreeMap<String, Vec<u8>>) {
            for entry in fs::read_dir(folder).unwrap().flatten() {
                let path = entry.path();
                if entry.file_name().to_string_lossy().starts_with('.') {
                } else if path.is_dir() {
                    collect(root, &path, out);
                } else {
                    let place = path.strip_prefix(root).unwrap().to_str().unwrap().to_owned();
                    out.insert(place, fs::read(&path).unwrap());
                }
            }
        }
        let mut out = BTreeMap::new();
        collect(&self.0.results(), &self.0.results(), &mut out);
        out
    }
}

fn parsed(bytes: &[u8]) -> serde_json::Value {
    serde_json::from_slice(bytes).unwrap()
}

/// Without the files that say when and how long.
fn timeless(mut files: BTreeMap<String, Vec<u8>>) -> BTreeMap<String, Vec<u8>> {
    files.remove("run.json");
    files.remove("manifest.json");
    files
}

fn assert_same(before: &BTreeMap<String, Vec<u8>>, after: &BTreeMap<String, Vec<u8>>) {
    assert_eq!(before.keys().collect::<Vec<_>>(), after.keys().collect::<Vec<_>>());
    for (place, bytes) in before {
        assert!(after[place] == *bytes, "{place} is not what it was");
    }
}

#[test]
fn the_manifest_names_every_file_and_its_digest() {
    let day = Day::measured();
    let files = day.files();
    let manifest = parsed(&files["manifest.json"]);
    let named = manifest["files"].as_object().unwrap();
    for (place, bytes) in files.iter().filter(|(place, _)| *place != "manifest.json") {
        let digest = blake3::hash(bytes).to_hex()[..32].to_string();
        assert_eq!(named[place].as_str(), Some(digest.as_str()), "{place}");
    }
    assert_eq!(named.len() + 1, files.len());
    let build = manifest["build"].as_str().unwrap();
    assert_eq!(build, parsed(&files["run.json"])["build"]);
    assert_eq!(build.len(), 32);
}

#[test]
fn a_file_that_was_deleted_emptied_or_edited_is_made_again() {
    let day = Day::measured();
    let before = timeless(day.files());
    fs::remove_file(day.at("takes/01-before/path.csv")).unwrap();
    fs::remove_dir_all(day.at("takes/02-again/plots")).unwrap();
    fs::write(day.at("takes/01-before/path.parquet"), b"").unwrap();
    fs::write(day.at("takes/01-before/strokes.json"), b"{\"strokes\": [").unwrap();
    fs::write(day.at("report/index.html"), b"<html>").unwrap();
    fs::remove_file(day.at("evidence.parquet")).unwrap();
    let table = fs::read_to_string(day.at("strokes.csv")).unwrap();
    fs::write(day.at("strokes.csv"), table.replacen('1', "2", 1)).unwrap();
    let run = day.day(&[]);
    let said = text(&run.stderr);
    assert_eq!(status(&run), 0, "{said}");
    assert!(said.contains("kept  take 01-before") && said.contains("kept  take 02-again"), "{said}");
    assert_same(&before, &timeless(day.files()));
    // what only the clips can tell: measured again
    fs::remove_file(day.at("takes/01-before/spots_west.csv")).unwrap();
    let kept = fs::read_to_string(day.at("kept/take_02-again.kept")).unwrap();
    let at = kept.rfind("0.").unwrap();
    fs::write(day.at("kept/take_02-again.kept"), [&kept[..at], "1.", &kept[at + 2..]].concat()).unwrap();
    fs::write(day.at("lens/west.toml"), b"fx_px = 1.0\n").unwrap();
    fs::remove_file(day.at("scene.toml")).unwrap();
    let run = day.day(&[]);
    let said = text(&run.stderr);
    assert_eq!(status(&run), 0, "{said}");
    assert!(said.contains("done  take 01-before") && said.contains("done  take 02-again"), "{said}");
    assert_same(&before, &timeless(day.files()));
}

#[test]
fn a_title_an_alias_and_a_phase_reach_the_tables_of_kept_takes() {
    let day = Day::measured();
    let before = fs::read_to_string(day.at("strokes.csv")).unwrap();
    day.0.edit(|s| s.replacen("phase = \"before\"", "phase = \"cold\"", 1));
    day.0.edit(|s| {
        let title = s.lines().find(|l| l.starts_with("title")).unwrap().to_owned();
        s.replace(&title, "title = \"Quiet Bend\"")
    });
    let casters = day.0.session().join("casters.csv");
    let rows = fs::read_to_string(&casters).unwrap();
    let alias = rows.lines().nth(1).unwrap().split(',').nth(1).unwrap().to_owned();
    fs::write(&casters, rows.replace(&alias, "Goldcrest")).unwrap();
    let run = day.day(&[]);
    let said = text(&run.stderr);
    assert_eq!(status(&run), 0, "{said}");
    assert!(said.contains("kept  take 01-before") && said.contains("kept  take 02-again"), "{said}");
    let files = day.files();
    let all = |place: &str| text(&files[place]);
    for place in ["strokes.csv", "takes/01-before/strokes.json"] {
        assert!(all(place).contains("Quiet Bend") && all(place).contains("cold"), "{place}");
    }
    assert!(all("takes/01-before/plots/stroke-01.svg").contains("Goldcrest"));
    assert!(all("report/index.html").contains("Goldcrest"));
    // nothing but the words is new
    let numbers = |table: &str| -> Vec<f64> {
        table.lines().skip(1).flat_map(|l| l.split(',')).filter_map(|c| c.parse().ok()).collect()
    };
    assert_eq!(numbers(&before), numbers(&all("strokes.csv")));
    // compare reads the new names too
    let comparison = day.0.folder.path().join("comparison");
    let run = tipwright(&["compare", day.0.results().to_str().unwrap(), "-o", comparison.to_str().unwrap()]);
    assert_eq!(status(&run), 0, "{}", text(&run.stderr));
    assert!(fs::read_to_string(comparison.join("index.html")).unwrap().contains("Goldcrest"));
    for entry in fs::read_dir(&comparison).unwrap().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        assert!(!["strokes.parquet", "evidence.parquet", "path.parquet"].contains(&name.as_str()), "{name}");
    }
}

#[test]
fn what_no_longer_belongs_is_gone() {
    let day = Day::measured();
    let left = [
        "report/film/01-01-before-stroke-01-west.mp4",
        "kept/film_01-before.kept",
        "takes/01-before/plots/loop-77.svg",
        "takes/01-before/.path.csv.4711.part",
        "report/.film.4711.part/film/a.mp4",
        "kept/take_older.json",
    ];
    for place in left {
        fs::create_dir_all(day.at(place).parent().unwrap()).unwrap();
        fs::write(day.at(place), b"left").unwrap();
    }
    fs::write(day.at("takes/01-before/notes.txt"), b"mine").unwrap();
    day.0.edit(|s| s[..s.find("\n[[take]]\nname = \"02-again\"").unwrap()].to_owned());
    let run = day.day(&["--anonymous"]);
    assert_eq!(status(&run), 0, "{}", text(&run.stderr));
    for place in left.into_iter().chain(["takes/02-again", "kept/take_02-again.kept", "report/film"]) {
        assert!(!day.at(place).exists(), "{place}");
    }
    assert!(day.at("takes/01-before/notes.txt").is_file(), "a file that the program did not write");
    let files = day.files();
    for place in ["strokes.csv", "evidence.csv"] {
        let table = text(&files[place]);
        assert!(table.split([',', '\n']).all(|cell| cell != "before"), "the phase stands in {place}");
        assert!(table.contains("phase 1"), "{place}");
    }
}

#[test]
fn a_second_run_at_once_is_refused_in_words() {
    let day = Day::measured();
    let held = fs::File::open(day.at(".lock")).unwrap();
    held.lock().unwrap();
    let before = day.files();
    for command in [vec!["day"], vec!["track", "--take", "01-before"], vec!["scene"]] {
        let mut arguments = command.clone();
        let (session, results) = (day.0.session(), day.0.results());
        arguments.extend([session.to_str().unwrap(), "-o", results.to_str().unwrap()]);
        let run = tipwright(&arguments);
        assert_eq!(status(&run), 2, "{command:?}: {}", text(&run.stderr));
        assert!(text(&run.stderr).contains("another run (process "), "{}", text(&run.stderr));
    }
    assert_same(&before, &day.files());
    drop(held);
    assert_eq!(status(&day.day(&[])), 0, "a lock that nobody holds any more");
}

#[test]
fn json_is_one_document_also_where_takes_fail() {
    let day = Day::measured();
    day.0.add_take("\"03-bad\"", "01", "west = \"west/9999.mp4\", east = \"east/9999.mov\"");
    let run = day.day(&["--json"]);
    assert_eq!(status(&run), 3, "{}", text(&run.stderr));
    let value = json(&run);
    assert_eq!(value["exit_status"], 3);
    assert_eq!(value["takes"][2]["status"], "failed");
    assert!(value["error"].as_str().unwrap().contains("03-bad"));
    assert_eq!(parsed(&day.files()["run.json"])["takes"]["03-bad"]["status"], "failed");
}

#[test]
fn a_closed_stderr_is_no_fault_of_the_day() {
    let day = Day::measured();
    let (session, results) = (day.0.session(), day.0.results());
    let mut run = command(&["day", session.to_str().unwrap(), "-o", results.to_str().unwrap()])
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(run.stderr.take());
    assert_eq!(run.wait().unwrap().code(), Some(0));
}

#[test]
fn a_clip_cut_to_a_fifth_costs_its_take_and_says_why() {
    let day = Day::measured();
    for (from, to) in [("west/0003.mp4", "west/cut.mp4"), ("east/0007.mov", "east/cut.mov")] {
        let whole = fs::read(day.0.session().join(from)).unwrap();
        fs::write(day.0.session().join(to), &whole[..whole.len() / 5]).unwrap();
    }
    day.0.add_take("\"03-cut\"", "01", "west = \"west/cut.mp4\", east = \"east/cut.mov\"");
    let run = day.day(&[]);
    assert_eq!(status(&run), 3, "{}", text(&run.stderr));
    let run_json = parsed(&day.files()["run.json"]);
    let take = &run_json["takes"]["03-cut"];
    assert_eq!(take["status"], "failed");
    let warnings = take["warnings"].as_array().unwrap();
    assert_eq!(warnings.last().expect("a reason")["severity"], "problem");
    assert!(warnings.iter().any(|w| w["about"].as_str().unwrap().contains("cut.mp4")), "{warnings:#?}");
}

#[test]
fn what_was_kept_of_a_take_outlives_the_absence_of_its_clips() {
    let day = Day::measured();
    let (here, away) = (day.0.session().join("west"), day.0.session().join("unplugged"));
    let clip = "0003.mp4";
    fs::create_dir(&away).unwrap();
    fs::rename(here.join(clip), away.join(clip)).unwrap();
    let run = day.day(&[]);
    assert_eq!(status(&run), 3, "{}", text(&run.stderr));
    assert!(!day.at("takes/01-before/path.csv").exists(), "results of a take that has failed");
    assert!(day.at("kept/take_01-before.kept").is_file());
    fs::rename(away.join(clip), here.join(clip)).unwrap();
    assert_eq!(status(&day.day(&[])), 0);
    assert!(day.at("takes/01-before/path.csv").is_file());
}

#[test]
fn a_session_folder_is_no_results_folder() {
    let day = Day::measured();
    let session = day.0.session();
    let run = tipwright(&["day", session.to_str().unwrap(), "-o", session.to_str().unwrap()]);
    assert_eq!(status(&run), 2, "{}", text(&run.stderr));
    assert!(text(&run.stderr).contains("session.toml"), "{}", text(&run.stderr));
}
