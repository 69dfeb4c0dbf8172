//! `gather` as its users call it: two phones' clips under names that say nothing.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

mod support;

use std::fs;
use std::path::{Path, PathBuf};

use tipwright_simulate::day::long;
use tipwright_simulate::day::plan::Plan;
use tipwright_simulate::day::shoot::Shoot;
use tipwright_simulate::{DayKind, SimulateConfig};

use support::{copy, day, json, status, text, tipwright};

/// Each clip of the smallest day with the name it gets here.
const RENAMED: [(&str, &str); 6] = [
    ("west/wand.mp4", "west/DCIM/VID_4711.mp4"),
    ("east/wand.mov", "east/IMG_0815.MOV"),
    ("west/plumb.mp4", "west/VID_0001.mp4"),
    ("east/plumb.mov", "east/IMG_9999.MOV"),
    ("west/0003.mp4", "west/VID_3.mp4"),
    ("east/0007.mov", "east/IMG_0002.MOV"),
];

struct Heap {
    folder: tempfile::TempDir,
    written: String,
}

impl Heap {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        copy(&day().join("session"), folder.path());
        fs::create_dir_all(folder.path().join("west/DCIM")).unwrap();
        for (old, new) in RENAMED {
            fs::rename(folder.path().join(old), folder.path().join(new)).unwrap();
        }
        let file = folder.path().join("session.toml");
        let text = fs::read_to_string(&file).unwrap();
        let until = text.find("[scene").unwrap();
        let written = format!("# ours, kept\n{}# the last line of a person's", &text[..until]);
        fs::write(&file, &written).unwrap();
        Self { folder, written }
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    fn file(&self) -> PathBuf {
        self.path().join("session.toml")
    }

    fn gather(&self, more: &[&str]) -> std::process::Output {
        tipwright(&[&["-q", "--json", "gather", self.path().to_str().unwrap()], more].concat())
    }
}

#[test]
fn heaps_become_a_session_that_check_calls_usable_and_a_second_run_changes_nothing() {
    let heap = Heap::new();
    let made = heap.gather(&[]);
    assert_eq!(status(&made), 0, "{}", text(&made.stderr));
    assert_eq!(json(&made)["takes"].as_array().unwrap().len(), 1);
    let first = fs::read_to_string(heap.file()).unwrap();
    assert!(first.starts_with(&heap.written), "{first}");
    let session: toml::Table = toml::from_str(&first).unwrap();
    let clips = |table: &toml::Value| {
        (table["west"].as_str().unwrap().to_string(), table["east"].as_str().unwrap().to_string())
    };
    let named = |i: usize| (RENAMED[i].1.to_string(), RENAMED[i + 1].1.to_string());
    assert_eq!(clips(&session["scene"]["wand"]), named(0));
    assert_eq!(clips(&session["scene"]["plumb"]), named(2));
    assert_eq!(clips(&session["take"][0]["clips"]), named(4));
    let again = heap.gather(&[]);
    assert_eq!(status(&again), 0, "{}", text(&again.stderr));
    assert_eq!(fs::read_to_string(heap.file()).unwrap(), first);
    let checked = tipwright(&["-q", "check", "--files-only", heap.path().to_str().unwrap()]);
    assert_eq!(status(&checked), 0, "{}", text(&checked.stderr));
}

#[test]
fn what_fits_nothing_is_told_and_comes_in_when_its_partner_does() {
    let heap = Heap::new();
    let late = heap.path().join(RENAMED[5].1);
    let elsewhere = heap.path().join("later.MOV");
    fs::rename(&late, &elsewhere).unwrap();
    fs::write(heap.path().join("west/half.mp4"), b"").unwrap();
    let made = heap.gather(&[]);
    assert_eq!(status(&made), 3, "{}", text(&made.stderr));
    let unplaced = json(&made)["unplaced"].clone();
    let told: Vec<&str> = unplaced.as_array().unwrap().iter().map(|u| u["clip"].as_str().unwrap()).collect();
    assert_eq!(told, [RENAMED[4].1, "west/half.mp4"], "{unplaced}");
    let first = fs::read_to_string(heap.file()).unwrap();
    assert!(first.contains("#~") && !first.contains("[[take]]"), "{first}");
    assert_eq!(status(&heap.gather(&[])), 3);
    assert_eq!(fs::read_to_string(heap.file()).unwrap(), first);
    // copied at last
    fs::rename(&elsewhere, &late).unwrap();
    fs::remove_file(heap.path().join("west/half.mp4")).unwrap();
    assert_eq!(status(&heap.gather(&[])), 0);
    let last = fs::read_to_string(heap.file()).unwrap();
    assert!(last.starts_with(&heap.written) && last.contains("[[take]]") && !last.contains("#~"), "{last}");
}

/// A file copied twice is told, and makes neither a doubt nor a clip without a partner; names are whatever people write.
#[test]
fn a_copy_under_another_name_is_told_as_one() {
    let heap = Heap::new();
    let copy = "west/0 Kopie (gr\u{f6}\u{df}er) von VID_3.mp4";
    fs::copy(heap.path().join(RENAMED[4].1), heap.path().join(copy)).unwrap();
    for _ in 0..2 {
        let made = heap.gather(&[]);
        assert_eq!(status(&made), 3, "{}", text(&made.stderr));
        let unplaced = json(&made)["unplaced"].as_array().unwrap().clone();
        assert_eq!(unplaced.len(), 1, "{unplaced:?}");
        assert_eq!(unplaced[0]["clip"], copy);
        assert!(unplaced[0]["reason"].as_str().unwrap().contains("the same file as west/VID_3.mp4"));
        let first = fs::read_to_string(heap.file()).unwrap();
        assert!(first.contains("[[take]]") && !first.contains("doubtful"), "{first}");
    }
}

#[test]
fn a_folder_without_clips_is_told() {
    let heap = Heap::new();
    let photos = heap.path().join("photos");
    fs::create_dir(&photos).unwrap();
    fs::write(photos.join("a.jpg"), b"").unwrap();
    fs::write(photos.join("notes.txt"), b"").unwrap();
    let made = heap.gather(&["--from", &format!("east={}", photos.display())]);
    assert_eq!(status(&made), 3, "{}", text(&made.stderr));
    assert_eq!(json(&made)["empty"][0]["camera"], "east");
    let said = text(&made.stderr);
    assert!(said.contains("no clip is among the 2 files in") && said.contains("--from east=DIR"), "{said}");
}

#[test]
fn a_wrong_call_changes_nothing_and_says_why() {
    let heap = Heap::new();
    let nowhere = heap.path().join("nowhere");
    let empty = heap.path().join("empty");
    fs::create_dir(&empty).unwrap();
    let from =
        |camera: &str, folder: &Path| vec!["--from".to_string(), format!("{camera}={}", folder.display())];
    let west = heap.path().join("west");
    for (more, said) in [
        (vec!["--from".to_string(), "north=west".to_string()], "no camera `north`"),
        (from("west", &nowhere), "cannot be read"),
        (
            [from("west", &empty), from("east", &empty.join("."))].concat(),
            "of camera west and of camera east",
        ),
        (from("east", &west), "of camera west and of camera east"),
        // the session's folder holds the other camera's
        (from("west", heap.path()), "of camera west and of camera east"),
    ] {
        let made = heap.gather(&more.iter().map(String::as_str).collect::<Vec<_>>());
        assert_eq!(status(&made), 2, "{}", text(&made.stderr));
        assert!(json(&made)["error"].as_str().unwrap().contains(said), "{}", text(&made.stdout));
    }
    assert_eq!(fs::read_to_string(heap.file()).unwrap(), heap.written);
    for folder in [&nowhere, &west] {
        let made = tipwright(&["-q", "--json", "gather", folder.to_str().unwrap()]);
        assert_eq!(status(&made), 2);
        let said = json(&made)["error"].as_str().unwrap().to_string();
        assert!(said.contains("the folder in which the day's session.toml lies"), "{said}");
    }
    for camera in ["west", "east"] {
        fs::remove_dir_all(heap.path().join(camera)).unwrap();
        fs::create_dir(heap.path().join(camera)).unwrap();
    }
    let made = heap.gather(&[]);
    assert_eq!(status(&made), 2, "{}", text(&made.stdout));
    let said = json(&made)["error"].as_str().unwrap().to_string();
    assert!(said.contains("there is no clip to gather") && said.contains("west is empty"), "{said}");
}

/// Two takes in one clip a phone, a card before each, filmed at 30 frames a second to be quick: the tip is found at that.
#[test]
fn takes_are_found_in_a_long_clip_with_whose_card_was_held_up() {
    let folder = tempfile::tempdir().unwrap();
    let mut plan = Plan::new(&SimulateConfig { kind: DayKind::Long, seed: 1, ..SimulateConfig::default() });
    plan.takes.truncate(2);
    plan.pauses_s = vec![14.0, 13.0];
    plan.modes.iter_mut().for_each(|mode| mode.fps = 30);
    let shoot = Shoot::prepare(&plan, folder.path()).unwrap();
    // wand, plumb, then the takes
    std::thread::scope(|s| {
        for clip in [4, 5] {
            let shoot = &shoot;
            s.spawn(move || shoot.film(clip, &|| ()).unwrap());
        }
    });
    shoot.write_texts().unwrap();
    let file = folder.path().join("session.toml");
    let text = fs::read_to_string(&file).unwrap();
    let written = &text[..text.find("[scene").unwrap()];
    fs::write(&file, written).unwrap();
    let gather = || {
        tipwright(&["-q", "--json", "gather", folder.path().to_str().unwrap(), "--phases", "before,after"])
    };
    let made = gather();
    assert_eq!(status(&made), 0, "{}", support::text(&made.stderr));
    let takes = json(&made)["takes"].as_array().unwrap().clone();
    assert_eq!(takes.len(), 2, "{takes:?}");
    for ((take, truth), span) in takes.iter().zip(&plan.takes).zip(long::spans(&plan)) {
        assert_eq!(take["caster"].as_str().unwrap(), truth.caster);
        assert_eq!(take["phase"].as_str(), truth.phase.as_deref());
        assert_eq!(take["caster_is_guess"], false);
        let [from_s, to_s] = ["from_s", "to_s"].map(|end| take[end].as_f64().unwrap());
        // strokes lie inside with what comes before and after; looks are 2 s apart and margins 2 s
        let [begin_s, end_s] = span.take_s;
        assert!(from_s < begin_s + 1.0 && from_s > begin_s - 7.0, "{from_s} of {begin_s}");
        assert!(to_s > end_s - 2.0 && to_s < end_s + 6.0, "{to_s} of {end_s}");
    }
    let first = fs::read_to_string(&file).unwrap();
    assert!(first.starts_with(written));
    assert_eq!(status(&gather()), 0);
    assert_eq!(fs::read_to_string(&file).unwrap(), first);
}

/// A day with one phone: lens by a file, the wand hung at two places, two casts.
#[test]
fn one_phone_s_heap_becomes_a_session_with_the_plane_of_its_hung_wands() {
    let folder = tempfile::tempdir().unwrap();
    let mut plan = Plan::new(&SimulateConfig { kind: DayKind::Single, seed: 2, ..SimulateConfig::default() });
    // the tip is found at that, and the clips are made in half the time
    plan.modes.iter_mut().for_each(|mode| mode.fps = 60);
    let shoot = Shoot::prepare(&plan, folder.path()).unwrap();
    (0..shoot.clips()).for_each(|clip| shoot.film(clip, &|| ()).unwrap());
    shoot.write_texts().unwrap();
    let file = folder.path().join("session.toml");
    let text = fs::read_to_string(&file).unwrap();
    let truth: toml::Table = toml::from_str(&text).unwrap();
    let written = &text[..text.find("[scene").unwrap()];
    fs::write(&file, written).unwrap();
    let gather = || tipwright(&["-q", "--json", "gather", folder.path().to_str().unwrap()]);
    let made = gather();
    assert_eq!(status(&made), 0, "{}", support::text(&made.stderr));
    assert_eq!(json(&made)["unplaced"].as_array().unwrap().len(), 0);
    let first = fs::read_to_string(&file).unwrap();
    let session: toml::Table = toml::from_str(&first).unwrap();
    let camera = truth["camera"][0]["name"].as_str().unwrap();
    assert_eq!(session["scene"]["plumb"][camera], truth["scene"]["plumb"][camera]);
    assert!(session["scene"].get("wand").is_none(), "{first}");
    let takes = |of: &toml::Table| -> Vec<String> {
        let takes = of["take"].as_array().unwrap();
        takes.iter().map(|t| t["clips"][camera].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(takes(&session), takes(&truth));
    assert!(json(&made)["takes"].as_array().unwrap().iter().all(|t| t["paired_by"] == "alone"));
    assert_eq!(status(&gather()), 0);
    assert_eq!(fs::read_to_string(&file).unwrap(), first);
    let checked = tipwright(&["-q", "check", "--files-only", folder.path().to_str().unwrap()]);
    assert_eq!(status(&checked), 0, "{}", support::text(&checked.stderr));
}
