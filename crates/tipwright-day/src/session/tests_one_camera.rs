//! Sessions with one camera, as their texts say them.

use std::path::Path;

use super::{Finding, Parsed, parse_text};
use tipwright::model::Severity;

const HEAD: &str = "schema = 2\ntitle = \"one phone\"\nwand = { length_m = 1.0 }\nrod = { length_m = 2.7 }\n\
                    marker = { tip = { colour = \"white\", diameter_mm = 40 } }\n";
const TAKE: &str = "[[take]]\nname = \"01\"\ncaster = \"1\"\nclips = { west = \"west/1.mp4\" }\n";

fn parsed(cameras: &[&str], scene: &str) -> Parsed {
    let cameras: String =
        cameras.iter().map(|c| format!("[[camera]]\nname = \"{c}\"\nlens = \"{c}.toml\"\n")).collect();
    parse_text(&format!("{HEAD}{cameras}[scene]\n{scene}\n{TAKE}"), Path::new("x/session.toml"), None)
}

fn problems(parsed: &Parsed) -> Vec<String> {
    parsed.findings.iter().filter(|f| f.is_problem()).map(Finding::to_string).collect()
}

#[test]
fn a_hung_wand_is_enough_for_one_camera_and_its_plane_is_told_once() {
    let parsed = parsed(&["west"], "plumb = { west = \"west/plumb.mp4\" }");
    assert_eq!(problems(&parsed), Vec::<String>::new());
    let session = parsed.session.expect("no problem");
    assert!(session.has_one_camera() && session.take.len() == 1 && parsed.refused.is_empty());
    assert_eq!(session.scene.standing().0, "plumb");
    let said: Vec<_> = parsed.findings.iter().filter(|f| f.what.contains("views = 1")).collect();
    assert_eq!(said.len(), 1, "{:?}", parsed.findings);
    assert!(parsed.findings.iter().all(|f| f.severity == Severity::Note), "{:?}", parsed.findings);
}

#[test]
fn one_camera_without_a_hung_wand_is_told_both_ways_out() {
    let parsed = parsed(&["west"], "wand = { west = \"west/wand.mp4\" }");
    assert!(parsed.session.is_none());
    let said = problems(&parsed).join("\n");
    assert!(said.contains("1 camera is given") && said.contains("second phone"), "{said}");
    assert!(said.contains("hung still at two places") && said.contains("[scene] plumb"), "{said}");
}

#[test]
fn a_wand_waved_before_one_camera_and_a_clip_of_another_are_refused() {
    for (scene, part) in [
        ("wand = { west = \"w.mp4\" }\nplumb = { west = \"p.mp4\" }", "before one camera it tells nothing"),
        ("plumb = { east = \"p.mp4\" }", "there is no camera `east`"),
    ] {
        let parsed = parsed(&["west"], scene);
        assert!(parsed.session.is_none());
        assert!(problems(&parsed).join("\n").contains(part), "{scene}: {:?}", parsed.findings);
    }
}

#[test]
fn two_cameras_need_the_waved_wand_as_before() {
    let parsed = parsed(&["west", "east"], "plumb = { west = \"west/p.mp4\", east = \"east/p.mp4\" }");
    assert!(parsed.session.is_none());
    assert!(problems(&parsed).join("\n").contains("`wand` is missing in [scene]"), "{:?}", parsed.findings);
}
