//! A day on which the tripods were moved: takes are measured in the set-up they were filmed in.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

#[path = "support/mod.rs"]
mod support;

use std::fs;

use support::{Spoiled, json, status, text};

/// A `[[set_up]]` with such clips of the wand.
fn set_up(name: &str, west: &str, east: &str) -> String {
    format!(
        "\n[[set_up]]\nname = \"{name}\"\n[set_up.scene]\nwand = {{ west = \"{west}\", east = \"{east}\" }}\nplumb = {{ west = \"west/plumb.mp4\", east = \"east/plumb.mov\" }}\n"
    )
}

/// The day's session with set-ups by name instead of its `[scene]`; its take was filmed at noon, and another in the morning.
fn moved(set_ups: &[String]) -> Spoiled {
    let day = Spoiled::new();
    day.edit(|s| {
        let (scene, takes) = (s.find("[scene").unwrap(), s.find("[[take]]").unwrap());
        let takes = s[takes..].replace("phase = \"before\"", "phase = \"before\"\nset_up = \"noon\"");
        format!("{}{}\n{takes}", &s[..scene], set_ups.concat())
    });
    day.add_take("\"02-early\"", "01", "west = \"west/0003.mp4\", east = \"east/0007.mov\"");
    day.edit(|s| s.replace("name = \"02-early\"", "name = \"02-early\"\nset_up = \"morning\""));
    day
}

#[test]
fn a_take_is_measured_in_its_own_set_up_and_a_bad_one_costs_only_its_takes() {
    let plain = Spoiled::new();
    let run = plain.call("day", &[]);
    assert_eq!(status(&run), 0, "{}", text(&run.stderr));
    let day = moved(&[
        set_up("morning", "west/notes.txt", "east/wand.mov"),
        set_up("noon", "west/wand.mp4", "east/wand.mov"),
    ]);
    fs::write(day.session().join("west/notes.txt"), "not a clip").unwrap();
    assert_eq!(day.usable(&["--files-only"]), (vec!["01-before".to_string()], 3));
    let run = day.call("day", &["--json"]);
    assert_eq!(status(&run), 3, "{}", text(&run.stderr));
    let path = "takes/01-before/path.csv";
    let of = |day: &Spoiled, place: &str| fs::read_to_string(day.results().join(place)).unwrap();
    assert_eq!(of(&day, path), of(&plain, path));
    assert_eq!(of(&day, "scene_noon.toml"), of(&plain, "scene.toml"));
    assert!(!day.results().join("scene.toml").exists(), "nobody solved the morning's");
    let told: serde_json::Value = serde_json::from_str(&of(&day, "run.json")).unwrap();
    assert_eq!(told["takes"]["01-before"]["set_up"], "noon");
    let early = told["takes"]["02-early"]["warnings"].to_string();
    assert!(early.contains("its set-up morning cannot be used"), "{early}");
}

#[test]
fn a_set_up_that_cannot_be_solved_is_named_at_its_takes() {
    // a wand that hangs still gives no set-up
    let day = moved(&[
        set_up("noon", "west/wand.mp4", "east/wand.mov"),
        set_up("morning", "west/plumb.mp4", "east/plumb.mov"),
    ]);
    let run = day.call("day", &["--json"]);
    assert_eq!(status(&run), 3, "{}", text(&run.stderr));
    let takes = json(&run)["takes"].clone();
    let said = takes.to_string();
    assert!(said.contains("set-up morning: "), "{said}");
    assert!(day.results().join("scene.toml").is_file() && !day.results().join("scene_morning.toml").exists());
}

#[test]
fn a_set_up_nobody_named_is_told() {
    let day = moved(&[set_up("noon", "west/wand.mp4", "east/wand.mov")]);
    assert_eq!(day.usable(&["--files-only"]), (vec!["01-before".to_string()], 3));
    let twice = moved(&[
        set_up("noon", "west/wand.mp4", "east/wand.mov"),
        set_up("Noon", "west/wand.mp4", "east/wand.mov"),
    ]);
    assert_eq!(twice.usable(&["--files-only"]), (vec![], 2));
}
