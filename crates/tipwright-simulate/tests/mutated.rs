//! 300 sessions spoiled at random: the takes that `check` calls usable are exactly those that `day` starts, and nothing is written
//! outside of the results folder.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tipwright::model::footage::{ClipInfo, Footage, FootageError, FrameSource, FrameView, SoundPiece};
use tipwright::model::{Landmark, RawPixel, Still, TakeResults, TakeStatus};
use tipwright_day::day::{DayConfig, DayError, Event, run};
use tipwright_day::session::{UsableConfig, usable};
use tipwright_footage::Reader;
use tipwright_simulate::{DayKind, SimulateConfig, simulate};

const SESSIONS: u64 = 300;
/// Takes of the session to spoil, each with clips of its own.
const TAKES: [&str; 5] = ["1", "10", "01-before", "01", "toss-drill"];

/// Real clips of which takes show eight frames only: enough to be started, too few to cost time.
struct Short {
    takes: Vec<PathBuf>,
}

struct ShortClip(Box<dyn FrameSource + Send>, u32);

impl FrameSource for ShortClip {
    fn info(&self) -> &ClipInfo {
        self.0.info()
    }
    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        if self.1 == 0 {
            return Ok(None);
        }
        self.1 -= 1;
        self.0.next_frame()
    }
    fn damaged_frames(&self) -> u64 {
        self.0.damaged_frames()
    }
}

impl Footage for Short {
    fn open_clip(
        &self,
        path: &Path,
        capture_fps: Option<f64>,
    ) -> Result<Box<dyn FrameSource + Send>, FootageError> {
        let clip = Reader::default().open_clip(path, capture_fps)?;
        let is_of_take = self.takes.iter().any(|t| path.ends_with(t));
        Ok(if is_of_take { Box::new(ShortClip(clip, 8)) } else { clip })
    }
    fn probe(&self, path: &Path) -> Result<ClipInfo, FootageError> {
        Reader::default().probe(path)
    }
    fn hear(&self, path: &Path, to: &mut dyn FnMut(SoundPiece<'_>)) -> Result<(), FootageError> {
        Reader::default().hear(path, to)
    }
    fn still_luma(&self, path: &Path) -> Result<(Vec<u8>, [u32; 2]), FootageError> {
        Reader::default().still_luma(path)
    }
    fn board_corners(&self, luma: &[u8], size: [u32; 2], columns: u32, rows: u32) -> Option<Vec<RawPixel>> {
        Reader::default().board_corners(luma, size, columns, rows)
    }
    fn landmarks(&self, before: &Still, now: &Still) -> Vec<Landmark> {
        Reader::default().landmarks(before, now)
    }
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap().map(Result::unwrap) {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target);
        } else if entry.path().extension().is_some_and(|e| e == "mp4" || e == "mov") {
            // clips are only read
            std::fs::hard_link(entry.path(), &target).unwrap();
        } else {
            std::fs::copy(entry.path(), &target).unwrap();
        }
    }
}

/// Everything below a folder but what is in `but`.
fn tree(folder: &Path, but: &Path, out: &mut BTreeSet<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap().map(Result::unwrap) {
        let path = entry.path();
        if path != but {
            out.insert(path.clone());
            if path.is_dir() {
                tree(&path, but, out);
            }
        }
    }
}

const NAMES: [&str; 16] = [
    "../../x",
    "..",
    ".",
    "",
    "/tmp/tipwright-mutated",
    "1",
    "10",
    "01-BEFORE",
    "toss",
    "wand",
    "plumb",
    "scene",
    "a b.c",
    "a/b",
    "x\\u001b[2Jy",
    "ok-name",
];
const CLIPS: [&str; 12] = [
    "west/none.mp4",
    "west/empty.mp4",
    "west/text.mp4",
    "west",
    "../session/west/0003.mp4",
    "west/wand.mp4",
    "east/plumb.mov",
    "west/take0.mp4",
    "east/take1.mov",
    "",
    "session.toml",
    "west/take2.mp4\\u0000",
];
const NUMBERS: [&str; 10] =
    ["0", "-1", "nan", "1e300", "1000", "2.5", "0.1", "\"x\"", "99999999999999999999", "[]"];
const ROWS: [&str; 7] =
    ["01,A,right,-3,", "01,B,left,,", "02,C,both,9,", "x", "01,A,right,NaN,\n01,B,,,", "../x,D,,,", "\"01"];

/// One change of the session's text or of casters.csv.
fn spoil(text: &mut String, folder: &Path, rng: &mut ChaCha8Rng) {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let first_take = lines.iter().position(|l| l == "[[take]]").unwrap_or(0);
    // one change in eight is of what all takes share: it costs solving the scene again
    let at = if rng.random_range(0..8) == 0 {
        rng.random_range(0..lines.len())
    } else {
        rng.random_range(first_take..lines.len())
    };
    let pick = |all: &[&str], rng: &mut ChaCha8Rng| all[rng.random_range(0..all.len())].to_owned();
    match rng.random_range(0..9) {
        0 => drop(lines.remove(at)),
        1 => lines.insert(at, lines[at].clone()),
        2 | 3 => {
            let names: Vec<usize> =
                (first_take..lines.len()).filter(|i| lines[*i].starts_with("name =")).collect();
            if let Some(line) = names.get(rng.random_range(0..names.len().max(1))) {
                lines[*line] = format!("name = \"{}\"", pick(&NAMES, rng));
            }
        }
        4 | 5 => {
            let clips: Vec<usize> =
                (first_take..lines.len()).filter(|i| lines[*i].contains("take")).collect();
            if let Some(line) = clips.get(rng.random_range(0..clips.len().max(1)))
                && let Some((key, _)) = lines[*line].clone().split_once(" = ")
            {
                lines[*line] = format!("{key} = \"{}\"", pick(&CLIPS, rng));
            }
        }
        6 => {
            if let Some((key, _)) = lines[at].clone().split_once(" = ") {
                lines[at] = format!("{key} = {}", pick(&NUMBERS, rng));
            }
        }
        7 => {
            // a set-up of its own for a take, which cannot be used: one that can costs solving it (tests/set_ups.rs)
            let wands = ["west/none.mp4", "west/text.mp4", "east/wand.mov"];
            let takes: Vec<usize> = (first_take..lines.len()).filter(|i| lines[*i] == "[[take]]").collect();
            if let Some(take) = takes.get(rng.random_range(0..takes.len().max(1))) {
                lines.insert(take + 1, "set_up = \"noon\"".into());
            }
            let clips = format!("west = \"{}\", east = \"east/wand.mov\"", pick(&wands, rng));
            lines.push(format!("[[set_up]]\nname = \"noon\"\n[set_up.scene]\nwand = {{ {clips} }}"));
        }
        _ => {
            let rows = format!("id,alias,hand,rod_length_m,note\n{}\n", pick(&ROWS, rng));
            std::fs::write(folder.join("casters.csv"), rows).unwrap();
        }
    }
    *text = lines.join("\n") + "\n";
}

/// Names of takes an event is about.
fn take_of<'a>(event: &Event<'a>) -> Option<&'a str> {
    match event {
        Event::Began(about) | Event::Kept(about) => about.strip_prefix("take "),
        _ => None,
    }
}

#[test]
fn what_check_calls_usable_is_what_day_starts() {
    let room = tempfile::tempdir().unwrap();
    let base = room.path().join("base/session");
    simulate(
        &SimulateConfig { kind: DayKind::Minimal, seed: 1, ..SimulateConfig::default() },
        &base,
        &|_| {},
    )
    .unwrap();
    std::fs::remove_dir_all(base.join("truth")).unwrap();
    std::fs::write(base.join("west/empty.mp4"), b"").unwrap();
    std::fs::write(base.join("west/text.mp4"), "no clip\n".repeat(99)).unwrap();
    let mut text = std::fs::read_to_string(base.join("session.toml")).unwrap();
    text.truncate(text.find("[[take]]").unwrap());
    let mut takes = Vec::new();
    for (i, name) in TAKES.iter().enumerate() {
        for (camera, from, ending) in [("west", "0003", "mp4"), ("east", "0007", "mov")] {
            let file = PathBuf::from(format!("{camera}/take{i}.{ending}"));
            std::fs::hard_link(base.join(format!("{camera}/{from}.{ending}")), base.join(&file)).unwrap();
            takes.push(file);
        }
        text += &format!(
            "[[take]]\nname = \"{name}\"\ncaster = \"01\"\nphase = \"before\"\n[take.clips]\nwest = \"west/take{i}.mp4\"\neast = \"east/take{i}.mov\"\n\n"
        );
    }
    std::fs::write(base.join("session.toml"), &text).unwrap();
    let footage = Short { takes };
    let results = room.path().join("base/results");
    // the scene is solved once and kept
    let _ = run(&base, &results, &footage, &DayConfig::default(), &|_| {});
    assert!(results.join("scene.toml").is_file(), "the small day's scene can be solved");

    let mut rng = ChaCha8Rng::seed_from_u64(15);
    let (mut started_in_all, mut refused_in_all, mut unusable) = (0, 0, 0);
    for round in 0..SESSIONS {
        let here = room.path().join(format!("{round}"));
        let (session, out) = (here.join("session"), here.join("results"));
        copy(&base, &session);
        copy(&results, &out);
        let mut spoiled = text.clone();
        for _ in 0..rng.random_range(1..=3) {
            spoil(&mut spoiled, &session, &mut rng);
        }
        std::fs::write(session.join("session.toml"), &spoiled).unwrap();
        let found = usable(&session, &footage, &UsableConfig::default(), &|_| {});
        let called: BTreeSet<String> =
            found.session.iter().flat_map(|s| &s.take).map(|t| t.name.to_string()).collect();
        assert_eq!(called.len(), found.takes(), "round {round}: two usable takes of one name\n{spoiled}");
        let mut before = BTreeSet::new();
        tree(room.path(), &out, &mut before);
        let began = Mutex::new(BTreeSet::new());
        let ended = run(&session, &out, &footage, &DayConfig::default(), &|event| {
            if let Some(take) = take_of(&event) {
                began.lock().unwrap().insert(take.to_owned());
            }
        });
        let mut after = BTreeSet::new();
        tree(room.path(), &out, &mut after);
        assert_eq!(before, after, "round {round} writes outside of its folder\n{spoiled}");
        assert!(!Path::new("/tmp/tipwright-mutated").exists(), "round {round}\n{spoiled}");
        let began = began.into_inner().unwrap();
        match ended {
            // the text is right, but the scene cannot be solved with what it says now
            Err(DayError::Scene { .. } | DayError::Lens { .. }) => {}
            Err(error) => {
                assert!(found.session.is_none(), "round {round}: {error}\n{spoiled}");
                assert!(began.is_empty(), "round {round}");
                unusable += 1;
            }
            Ok(outcome) => {
                assert_eq!(called, began, "round {round}: {:#?}\n{spoiled}", found.findings);
                let of_started =
                    |t: &&TakeResults| called.contains(&t.take) && t.status == TakeStatus::Failed;
                let failed = outcome.failed - outcome.results.takes.iter().filter(of_started).count();
                assert_eq!(failed, found.refused.len(), "round {round}\n{spoiled}");
                started_in_all += began.len();
                refused_in_all += found.refused.len();
            }
        }
        std::fs::remove_dir_all(here).unwrap();
    }
    println!(
        "{SESSIONS} sessions: {unusable} unusable, {started_in_all} takes started, {refused_in_all} refused"
    );
    assert!(
        unusable > 10 && started_in_all > 300 && refused_in_all > 100,
        "{unusable} {started_in_all} {refused_in_all}"
    );
}
