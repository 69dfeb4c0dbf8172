//! The program as its users call it, on the smallest simulated day: the whole run, and every wrong file a folder may hold.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

mod support;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use support::{day, status, text, tipwright};

/// A copy of the day's session to spoil, with room for results.
struct Spoiled {
    folder: tempfile::TempDir,
}

impl Spoiled {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        copy(&day().join("session"), &folder.path().join("session"));
        Self { folder }
    }

    fn session(&self) -> PathBuf {
        self.folder.path().join("session")
    }

    fn results(&self) -> PathBuf {
        self.folder.path().join("results")
    }

    fn edit(&self, change: impl Fn(String) -> String) {
        let file = self.session().join("session.toml");
        let before = fs::read_to_string(&file).unwrap();
        let after = change(before.clone());
        assert_ne!(before, after, "the edit changed nothing");
        fs::write(file, after).unwrap();
    }

    /// Adds a second take with the given clips.
    fn add_take(&self, name: &str, clips: &str) {
        self.edit(|s| {
            format!("{s}\n[[take]]\nname = \"{name}\"\ncaster = \"01\"\nphase = \"after\"\nclips = {{ {clips} }}\n")
        });
    }

    fn run(&self) -> Output {
        tipwright(&["day", self.session().to_str().unwrap(), "-o", self.results().to_str().unwrap()])
    }

    fn check(&self) -> Output {
        tipwright(&["check", self.session().to_str().unwrap()])
    }
}

fn copy(from: &Path, to: &Path) {
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

fn strokes_of(results: &Path, take: &str) -> usize {
    let table = fs::read_to_string(results.join("strokes.csv")).unwrap();
    table.lines().skip(1).filter(|line| line.contains(take)).count()
}

/// Runs a day whose second take is spoiled: it must fail by itself, with a message that has `parts`, and the first
/// take must be complete.
fn one_take_fails(spoiled: &Spoiled, parts: &[&str]) {
    let run = spoiled.run();
    let said = text(&run.stderr);
    assert_eq!(status(&run), 3, "{said}");
    for part in parts {
        assert!(said.contains(part), "no `{part}` in: {said}");
    }
    assert!(strokes_of(&spoiled.results(), "01-before") >= 2, "{said}");
    assert_eq!(strokes_of(&spoiled.results(), "02-bad"), 0);
    let run_json: serde_json::Value =
        serde_json::from_slice(&fs::read(spoiled.results().join("run.json")).unwrap()).unwrap();
    assert_eq!(run_json["takes"]["01-before"]["status"], "done");
    assert_eq!(run_json["takes"]["02-bad"]["status"], "failed");
    let page = fs::read_to_string(spoiled.results().join("report/index.html")).unwrap();
    assert!(page.contains("02-bad"), "the page is silent about the failed take");
}

#[test]
fn a_day_runs_is_kept_and_goes_on_where_it_was() {
    let good = Spoiled::new();
    let first = good.run();
    assert_eq!(status(&first), 0, "{}", text(&first.stderr));
    let table = fs::read_to_string(good.results().join("strokes.csv")).unwrap();
    for file in [
        "run.json",
        "scene.toml",
        "lens/west.toml",
        "strokes.parquet",
        "report/index.html",
        "takes/01-before/path.csv",
        "takes/01-before/rod.csv",
        "takes/01-before/strokes.json",
        "takes/01-before/spots_west.csv",
    ] {
        assert!(good.results().join(file).is_file(), "{file} is missing");
    }
    let again = good.run();
    assert_eq!(status(&again), 0);
    let said = text(&again.stderr);
    assert!(said.contains("kept  take 01-before") && said.contains("kept  scene"), "{said}");
    assert_eq!(table, fs::read_to_string(good.results().join("strokes.csv")).unwrap());
    // What a killed run leaves: the scene is there, the take is not.
    fs::remove_file(good.results().join("kept/take_01-before.kept")).unwrap();
    let resumed = good.run();
    let said = text(&resumed.stderr);
    assert!(said.contains("kept  scene") && said.contains("done  take 01-before"), "{said}");
    assert_eq!(table, fs::read_to_string(good.results().join("strokes.csv")).unwrap());
    // A changed setting is a reason to do the take again, not the lenses.
    good.edit(|s| s.replace("length_m = 2.743", "length_m = 2.75"));
    let said = text(&good.run().stderr);
    assert!(said.contains("kept  lens_west") && said.contains("done  take 01-before"), "{said}");
}

#[test]
fn one_thread_gives_what_many_give() {
    let (one, many) = (Spoiled::new(), Spoiled::new());
    for (spoiled, threads) in [(&one, "1"), (&many, "4")] {
        let run = tipwright(&[
            "-q",
            "day",
            spoiled.session().to_str().unwrap(),
            "-o",
            spoiled.results().to_str().unwrap(),
            "--threads",
            threads,
        ]);
        assert_eq!(status(&run), 0, "{}", text(&run.stderr));
    }
    for file in ["strokes.csv", "scene.toml", "takes/01-before/path.csv", "takes/01-before/rod.csv"] {
        assert_eq!(
            fs::read(one.results().join(file)).unwrap(),
            fs::read(many.results().join(file)).unwrap(),
            "{file}"
        );
    }
}

/// Figures of a take's strokes, by column.
fn rows_of(results: &Path, take: &str) -> Vec<std::collections::BTreeMap<String, String>> {
    let table = fs::read_to_string(results.join("strokes.csv")).unwrap();
    let mut lines = table.lines().map(|l| l.split(',').map(str::to_string).collect::<Vec<_>>());
    let head = lines.next().unwrap();
    let at = head.iter().position(|h| h == "take").unwrap();
    lines.filter(|row| row[at] == take).map(|row| head.iter().cloned().zip(row).collect()).collect()
}

/// A day whose second take has one good clip, of the same cast as the first: it is measured by that camera alone, which is told
/// in the words of `parts`, marked, and right as far as it says; `check` says the same before, where files show it.
fn one_camera_is_enough(spoiled: &Spoiled, camera: &str, files_show: bool, parts: &[&str]) {
    let checked = spoiled.check();
    assert_eq!(status(&checked), 0, "{}", text(&checked.stderr));
    assert_eq!(text(&checked.stderr).contains("views = 1"), files_show, "{}", text(&checked.stderr));
    let run = spoiled.run();
    let said = text(&run.stderr);
    assert_eq!(status(&run), 0, "{said}");
    let alone = format!("measured by camera {camera} alone");
    for part in parts.iter().copied().chain([alone.as_str(), "the plane of 1 other take of the same caster"])
    {
        assert!(said.contains(part), "no `{part}` in: {said}");
    }
    let run_json: serde_json::Value =
        serde_json::from_slice(&fs::read(spoiled.results().join("run.json")).unwrap()).unwrap();
    assert_eq!(run_json["takes"]["02-bad"]["one_view"]["camera"], camera);
    let (both, one) = (rows_of(&spoiled.results(), "01-before"), rows_of(&spoiled.results(), "02-bad"));
    assert_eq!(both.len(), one.len(), "{said}");
    let (mut within, mut n) = (0.0, 0.0);
    for (both, one) in both.iter().zip(&one) {
        assert_eq!((both["views"].as_str(), one["views"].as_str()), ("2", "1"));
        assert!(one["off_plane_max_m"].is_empty() && !both["off_plane_max_m"].is_empty());
        for key in ["chord_m", "slp_rms_m", "peak_speed_m_s", "duration_s"] {
            let of = |row: &std::collections::BTreeMap<String, String>, key: &str| {
                row[key].parse::<f64>().unwrap()
            };
            let sd = of(one, &format!("{key}_sd")).hypot(of(both, &format!("{key}_sd")));
            n += 1.0;
            within += if (of(one, key) - of(both, key)).abs() <= 1.96 * sd { 1.0 } else { 0.0 };
            // the plane is that of the very cast: to a tenth
            assert!(
                of(one, key) > 0.0
                    && (key != "peak_speed_m_s" || (of(one, key) / of(both, key) - 1.0).abs() < 0.1)
            );
        }
    }
    // 95 % of some that go together
    assert!(within >= 0.7 * n, "{within} of {n}");
    let page = fs::read_dir(spoiled.results().join("report")).unwrap().filter_map(Result::ok);
    let pages = page.filter_map(|p| fs::read_to_string(p.path()).ok()).collect::<String>();
    assert!(pages.contains("One camera alone saw it"), "the pages are silent about it");
}

#[test]
fn an_empty_clip_leaves_its_take_to_the_other_camera_and_nothing_is_done_twice() {
    let spoiled = Spoiled::new();
    fs::write(spoiled.session().join("west/empty.mp4"), b"").unwrap();
    spoiled.add_take("02-bad", "west = \"west/empty.mp4\", east = \"east/0007.mov\"");
    one_camera_is_enough(&spoiled, "east", true, &["empty.mp4", "0 bytes", "copy it from the phone again"]);
    let said = text(&spoiled.run().stderr);
    assert!(said.contains("kept  take 01-before") && said.contains("kept  take 02-bad"), "{said}");
}

#[test]
fn a_take_without_the_other_cameras_clip_is_measured_in_a_plane() {
    let spoiled = Spoiled::new();
    spoiled.add_take("02-bad", "west = \"west/0003.mp4\"");
    one_camera_is_enough(&spoiled, "west", true, &["no clip of camera `east`"]);
}

#[test]
fn a_take_of_one_camera_with_no_other_take_is_refused_in_words() {
    let spoiled = Spoiled::new();
    spoiled.edit(|s| s.replace("east = \"east/0007.mov\"\n", ""));
    for output in [spoiled.check(), spoiled.run()] {
        let said = text(&output.stderr);
        assert_eq!(status(&output), 3, "{said}");
        assert!(said.contains("no clip of camera `east`"), "{said}");
    }
}

#[test]
fn clips_that_cannot_be_used_cost_their_take() {
    let spoiled = Spoiled::new();
    fs::write(spoiled.session().join("west/notes.mp4"), "shopping list: yarn, glasses\n".repeat(400))
        .unwrap();
    spoiled.add_take("02-bad", "west = \"west/notes.mp4\", east = \"east/9999.mov\"");
    one_take_fails(&spoiled, &["notes.mp4", "cannot be opened as a clip", "9999.mov", "no such file"]);
    assert_eq!(status(&spoiled.check()), 3);
}

#[test]
fn a_clip_without_the_marker_costs_its_take() {
    let spoiled = Spoiled::new();
    spoiled.add_take("02-bad", "west = \"west/plumb.mp4\", east = \"east/plumb.mov\"");
    let run = spoiled.run();
    assert_eq!(status(&run), 3, "{}", text(&run.stderr));
    assert!(text(&run.stderr).contains("02-bad"));
    assert!(strokes_of(&spoiled.results(), "01-before") >= 2);
}

#[test]
fn a_phone_that_sees_no_cast_is_named_and_the_other_measures_alone() {
    let spoiled = Spoiled::new();
    spoiled.add_take("02-bad", "west = \"west/0003.mp4\", east = \"east/plumb.mov\"");
    one_camera_is_enough(&spoiled, "west", false, &["camera east sees no moving white marker"]);
    let again = text(&spoiled.run().stderr);
    assert!(again.contains("kept  take 02-bad"), "{again}");
    let run_json: serde_json::Value =
        serde_json::from_slice(&fs::read(spoiled.results().join("run.json")).unwrap()).unwrap();
    let told = run_json["takes"]["02-bad"]["warnings"].to_string();
    assert!(!told.contains("camera west sees no"), "{told}");
}

#[test]
fn a_truncated_clip_costs_its_take_or_is_measured_as_far_as_it_goes() {
    let spoiled = Spoiled::new();
    let whole = fs::read(spoiled.session().join("west/0003.mp4")).unwrap();
    fs::write(spoiled.session().join("west/cut.mp4"), &whole[..whole.len() / 2]).unwrap();
    spoiled.add_take("02-bad", "west = \"west/cut.mp4\", east = \"east/0007.mov\"");
    let run = spoiled.run();
    let said = text(&run.stderr);
    assert!([0, 3].contains(&status(&run)), "{said}");
    assert!(said.contains("cut.mp4") || said.contains("02-bad"), "{said}");
    assert!(strokes_of(&spoiled.results(), "01-before") >= 2);
}

#[test]
fn an_unusable_session_says_why_and_computes_nothing() {
    type Edit = fn(String) -> String;
    let cases: [(&str, Edit, &[&str]); 4] = [
        (
            "a wrong key",
            |s| s.replace("air_temperature_c", "air_temprature_c"),
            &["air_temprature_c", "line"],
        ),
        (
            "a wand of length 0",
            |s| s.replace("length_m = 1.0", "length_m = 0.0"),
            &["wand.length_m", "0 does not lie between"],
        ),
        ("a missing wand clip", |s| s.replace("west/wand.mp4", "west/wnd.mp4"), &["wnd.mp4", "no such file"]),
        ("a missing lens", |s| s.replace("west/lens.toml", "west/lns.toml"), &["west", "lns.toml"]),
    ];
    for (name, edit, parts) in cases {
        let spoiled = Spoiled::new();
        spoiled.edit(edit);
        for output in [spoiled.run(), spoiled.check()] {
            let said = text(&output.stderr);
            assert_eq!(status(&output), 2, "{name}: {said}");
            for part in parts {
                assert!(said.contains(part), "{name}: no `{part}` in: {said}");
            }
        }
        assert!(!spoiled.results().join("strokes.csv").exists(), "{name}");
    }
    let nowhere = tipwright(&["day", "/nowhere/at/all", "-o", "/nowhere/results"]);
    assert_eq!(status(&nowhere), 2);
    assert!(text(&nowhere.stderr).contains("session.toml"));
}

#[test]
fn a_file_of_loop_sizes_is_read_or_refused_before_anything_is_computed() {
    let spoiled = Spoiled::new();
    let sizes = spoiled.session().join("sizes.toml");
    std::fs::write(
        &sizes,
        "schema = 1\n[size]\ntight_up_to_m = 2.0\nmedium_up_to_m = 1.0\nwide_up_to_m = 2.4\n",
    )
    .unwrap();
    let (session, results) = (spoiled.session(), spoiled.results());
    let output = tipwright(&[
        "day",
        session.to_str().unwrap(),
        "-o",
        results.to_str().unwrap(),
        "--loop-sizes",
        sizes.to_str().unwrap(),
    ]);
    assert_eq!(status(&output), 2);
    let said = text(&output.stderr);
    assert!(said.contains("rise") && said.contains("sizes.toml"), "{said}");
    assert!(!results.join("run.json").exists());
}

#[test]
fn check_finds_every_problem_in_one_pass() {
    let spoiled = Spoiled::new();
    fs::write(spoiled.session().join("east/wand.mov"), b"").unwrap();
    spoiled.add_take("02-bad", "west = \"west/9999.mp4\", nort = \"east/0007.mov\"");
    let said = text(&spoiled.check().stderr);
    for part in ["wand.mov", "9999.mp4", "no camera `nort`", "no clip of camera `east`"] {
        assert!(said.contains(part), "no `{part}` in: {said}");
    }
}

#[test]
fn new_writes_a_session_that_reads_and_never_overwrites() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("mill-pond");
    assert_eq!(status(&tipwright(&["new", dir.to_str().unwrap()])), 0);
    let check = tipwright(&["check", dir.to_str().unwrap()]);
    assert!(!text(&check.stderr).contains("session.toml, line"), "{}", text(&check.stderr));
    assert_eq!(status(&tipwright(&["new", dir.to_str().unwrap()])), 2);
}

/// Of the smallest day: two phones' clips of wand, plumb and one take. No stage counts another's time as well, so that all of them
/// stay within the whole; a clock's step is some milliseconds.
fn timings_add_up(timings: &serde_json::Value) {
    let processor_s = |spent: &serde_json::Value| spent["processor_s"].as_f64().unwrap();
    let clips = timings["clips"].as_array().unwrap();
    assert_eq!(clips.len(), 6, "{timings}");
    for clip in clips {
        assert!(clip["frames"].as_u64().unwrap() > 100, "{clip}");
        assert!(processor_s(&clip["decoding"]) > 0.0 && processor_s(&clip["spots"]) > 0.0, "{clip}");
        assert_eq!(clip["of_take"] == true, processor_s(&clip["line_points"]) > 0.0, "{clip}");
    }
    assert_eq!(clips.iter().filter(|c| c["of_take"] == true).count(), 2);
    let stages_s: f64 = timings["stages"].as_object().unwrap().values().map(processor_s).sum();
    let whole_s = processor_s(&timings["whole"]);
    assert!(stages_s < whole_s + 0.05 && stages_s > 0.5 * whole_s, "{timings}");
    assert!(timings["takes_times_decoding"].as_f64().unwrap() > 1.0, "{timings}");
}

#[test]
fn json_is_all_there_is_on_stdout() {
    let good = Spoiled::new();
    let run = tipwright(&[
        "--json",
        "day",
        good.session().to_str().unwrap(),
        "-o",
        good.results().to_str().unwrap(),
        "--timings",
    ]);
    let value: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    assert_eq!(value["takes"][0]["status"], "done");
    timings_add_up(&value["timings"]);
    let scored = tipwright(&[
        "--json",
        "score",
        good.results().to_str().unwrap(),
        day().join("session/truth").to_str().unwrap(),
    ]);
    assert_eq!(status(&scored), 0, "{}", text(&scored.stderr));
    assert!(serde_json::from_slice::<serde_json::Value>(&scored.stdout).is_ok());
}

#[test]
fn the_boards_to_print_are_what_the_program_draws() {
    let folder = tempfile::tempdir().unwrap();
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../calibration");
    for (name, paper) in [
        ("board-9x6-25mm-a4.pdf", "a4"),
        ("board-9x6-25mm-a4.svg", "a4"),
        ("board-9x6-25mm-letter.pdf", "letter"),
    ] {
        let drawn = folder.path().join(name);
        let run = tipwright(&["-q", "board", "--paper", paper, "-o", drawn.to_str().unwrap()]);
        assert_eq!(status(&run), 0, "{}", text(&run.stderr));
        assert!(
            fs::read(kept.join(name)).unwrap() == fs::read(&drawn).unwrap(),
            "calibration/{name} is stale"
        );
    }
}

#[test]
fn the_lens_to_start_from_is_a_lens() {
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../calibration/typical-phone-1080p.toml");
    let lens = tipwright::lens::read_lens(&kept).unwrap();
    assert_eq!(lens.resolution_px, [1920, 1080]);
}

#[test]
fn spots_shows_what_the_finder_sees_in_one_clip() {
    let clips = fs::read_dir(day().join("session/west")).unwrap().map(|e| e.unwrap().path());
    let clip = clips.filter(|p| p.extension().is_some_and(|e| e == "mp4")).min().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("seen");
    let call = ["spots", clip.to_str().unwrap(), "--colour", "white", "-o", out.to_str().unwrap()];
    let seen = tipwright(&[&["--json"], &call[..]].concat());
    assert_eq!(status(&seen), 0, "{}", text(&seen.stderr));
    let json: serde_json::Value = serde_json::from_slice(&seen.stdout).unwrap();
    let frames = json["frames"].as_u64().unwrap();
    assert!(json["likely_frames"].as_u64().unwrap() * 2 > frames, "{json}");
    let table = fs::read_to_string(out.join("spots.csv")).unwrap();
    assert!(table.lines().count() as u64 > frames && table.starts_with("frame,pts_s,rank,x_px"));
    assert!(fs::read(out.join("spots.jpg")).unwrap().starts_with(&[0xff, 0xd8]));
    let words = text(&tipwright(&call).stdout);
    assert!(words.contains("white marker is likely in"), "{words}");
    // A word that is no colour, and a clip that is none.
    assert_eq!(status(&tipwright(&["spots", clip.to_str().unwrap(), "--colour", "pink", "-o", "x"])), 2);
    assert_eq!(status(&tipwright(&["spots", "none.mp4", "--colour", "red", "-o", "x"])), 2);
}
