//! `day --watch` while clips and takes come.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

mod support;

use std::fs::{self, File};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

use support::{Spoiled, command};

fn written_long_ago(path: &Path) {
    let file = File::options().append(true).open(path).unwrap();
    file.set_modified(SystemTime::now() - Duration::from_secs(3600)).unwrap();
}

fn all_long_ago(folder: &Path) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { all_long_ago(&path) } else { written_long_ago(&path) }
    }
}

/// Waits until something is so; the machine may be busy.
fn until(what: &str, said: &Path, is_so: impl Fn(&str) -> bool) {
    let began = Instant::now();
    while !is_so(&fs::read_to_string(said).unwrap_or_default()) {
        let said = fs::read_to_string(said).unwrap_or_default();
        assert!(began.elapsed() < Duration::from_secs(240), "{what} does not come:\n{said}");
        std::thread::sleep(Duration::from_millis(200));
    }
}

#[test]
fn a_take_that_comes_later_is_measured_when_it_is_whole_and_the_others_are_kept() {
    let day = Spoiled::new();
    let (session, results) = (day.session(), day.results());
    all_long_ago(&session);
    let said = day.folder.path().join("said");
    let mut watch = command(&["day", "--watch", session.to_str().unwrap(), "-o", results.to_str().unwrap()])
        .stdout(Stdio::null())
        .stderr(File::create(&said).unwrap())
        .spawn()
        .unwrap();
    until("the first run", &said, |s| s.contains("waiting for more"));
    let strokes = || fs::read_to_string(results.join("strokes.csv")).unwrap();
    let first = strokes();
    assert!(first.contains("01-before"), "{first}");
    // half of a clip is there when the take is written
    let whole = fs::read(session.join("west/0003.mp4")).unwrap();
    let late = session.join("west/0009.mp4");
    fs::write(&late, &whole[..whole.len() / 2]).unwrap();
    fs::copy(session.join("east/0007.mov"), session.join("east/0009.mov")).unwrap();
    written_long_ago(&session.join("east/0009.mov"));
    day.add_take("\"01-after\"", "01", "west = \"west/0009.mp4\", east = \"east/0009.mov\"");
    until("a word about the copy", &said, |s| s.contains("0009.mp4: still being copied"));
    until("the run without it", &said, |s| s.matches("waiting for more").count() >= 2);
    assert_eq!(strokes().matches("01-before").count(), first.matches("01-before").count());
    assert!(!strokes().contains("01-after"));
    fs::write(&late, &whole).unwrap();
    written_long_ago(&late);
    until("the take", &said, |s| s.contains("done  take 01-after"));
    until("its pages", &said, |s| s.matches("waiting for more").count() >= 3);
    let said_all = fs::read_to_string(&said).unwrap();
    assert_eq!(said_all.matches("done  take 01-before").count(), 1, "{said_all}");
    assert!(said_all.matches("kept  take 01-before").count() >= 2, "{said_all}");
    assert!(strokes().contains("01-after"));
    // ended while it waits: nothing is half-written
    let before = strokes();
    let interrupted = Command::new("kill").args(["-INT", &watch.id().to_string()]).status().unwrap();
    assert!(interrupted.success());
    watch.wait().unwrap();
    assert_eq!(strokes(), before);
}
