//! Values of a readable session that cannot be right, or are unlikely.

use std::collections::BTreeSet;
use std::path::Path;

use crate::session::Session;
use crate::session::{Clips, SCHEMA};
use tipwright::model::{Severity, Warning};

/// Longest wand anyone waves by hand: a mistyped unit (mm, cm) is beyond it.
const LONGEST_WAND_M: f64 = 5.0;
/// Shortest useful wand: 5 px at 8 m is 25 mm; shorter than 0.2 m its length says too little about scale.
const SHORTEST_WAND_M: f64 = 0.2;
/// Single-hand and double-hand rods lie inside (common practice: 6 to 16 ft).
const ROD_RANGE_M: [f64; 2] = [1.5, 5.5];
/// 25 to 30 mm is 5 px at 8 m (CASTING 5.1); below 10 mm a marker is a pixel.
const SMALLEST_MARKER_MM: f64 = 10.0;
/// A ball this large bends the rod by itself.
const LARGEST_MARKER_MM: f64 = 120.0;

fn problem(about: impl Into<String>, what: impl Into<String>, remedy: impl Into<String>) -> Warning {
    Warning::new(Severity::Problem, about, what, remedy)
}

fn unlikely(about: impl Into<String>, what: impl Into<String>, remedy: impl Into<String>) -> Warning {
    Warning::new(Severity::Warning, about, what, remedy)
}

/// Everything wrong or unlikely in the values.
pub(super) fn check_values(session: &Session) -> Vec<Warning> {
    let mut out = Vec::new();
    if session.schema != SCHEMA {
        out.push(problem(
            "session.toml",
            format!("schema is {}, this program reads {SCHEMA}", session.schema),
            format!("set schema = {SCHEMA}, or use the program's version the file was written for"),
        ));
    }
    check_lengths(session, &mut out);
    check_cameras(session, &mut out);
    let names: BTreeSet<&str> = session.camera.iter().map(|c| c.name.as_str()).collect();
    check_clips("[scene] wand", &session.scene.wand, &names, Severity::Problem, &mut out);
    match &session.scene.plumb {
        Some(plumb) => check_clips("[scene] plumb", plumb, &names, Severity::Warning, &mut out),
        None => out.push(unlikely(
            "[scene]",
            "there is no plumb clip, so the vertical is taken from the cameras standing upright",
            "film the wand hung still from one end for a few seconds and add plumb = { ... }",
        )),
    }
    if let Some(toss) = &session.scene.toss {
        check_clips("[scene] toss", toss, &names, Severity::Warning, &mut out);
    }
    check_takes(session, &names, &mut out);
    out
}

fn check_lengths(session: &Session, out: &mut Vec<Warning>) {
    let wand_m = session.wand.length_m;
    if !(wand_m.is_finite() && wand_m > 0.0) {
        out.push(problem(
            "[wand] length_m",
            format!("the wand's length is {wand_m} m, so nothing can be scaled"),
            "measure between the centres of its two markers and write it in metres",
        ));
    } else if !(SHORTEST_WAND_M..=LONGEST_WAND_M).contains(&wand_m) {
        out.push(unlikely(
            "[wand] length_m",
            format!("a wand of {wand_m} m is unlikely"),
            "write the distance of its marker centres in metres",
        ));
    }
    let rod_m = session.rod.length_m;
    if !(rod_m.is_finite() && rod_m > 0.0) {
        out.push(problem("[rod] length_m", format!("the rod's length is {rod_m} m"), "write it in metres"));
    } else if !(ROD_RANGE_M[0]..=ROD_RANGE_M[1]).contains(&rod_m) {
        out.push(unlikely(
            "[rod] length_m",
            format!("a rod of {rod_m} m is unlikely"),
            "write butt cap to tip-top in metres: 9 ft is 2.743",
        ));
    }
    let tip = ("[marker.tip]".to_string(), session.marker.tip.diameter_mm);
    let butts = session
        .marker
        .butt
        .iter()
        .enumerate()
        .map(|(i, b)| (format!("[[marker.butt]] {}", i + 1), b.diameter_mm));
    for (about, diameter_mm) in std::iter::once(tip).chain(butts) {
        if !(diameter_mm.is_finite() && diameter_mm > 0.0) {
            out.push(problem(about, format!("diameter_mm is {diameter_mm}"), "write it in millimetres"));
        } else if !(SMALLEST_MARKER_MM..=LARGEST_MARKER_MM).contains(&diameter_mm) {
            out.push(unlikely(
                about,
                format!("a marker of {diameter_mm} mm is unlikely"),
                "25 to 40 mm is seen well from 8 m",
            ));
        }
    }
    if session.marker.butt.len() > 2 {
        out.push(problem(
            "[[marker.butt]]",
            format!("{} butt markers are given, at most two can be used", session.marker.butt.len()),
            "keep the two that stand farther apart",
        ));
    }
    for (i, butt) in session.marker.butt.iter().enumerate() {
        if !(butt.at_m >= 0.0 && butt.at_m < 0.75 * rod_m) {
            out.push(problem(
                format!("[[marker.butt]] {}", i + 1),
                format!("at_m = {} does not lie on the lower part of a rod of {rod_m} m", butt.at_m),
                "measure from the butt cap along the rod, below the first ferrule",
            ));
        }
    }
    if let [a, b] = session.marker.butt.as_slice() {
        if (a.at_m - b.at_m).abs() < 0.05 {
            out.push(problem(
                "[[marker.butt]]",
                "the two butt markers stand less than 50 mm apart, too close to give the rod's direction",
                "place them 300 mm apart or more",
            ));
        }
    }
    if !(-40.0..=60.0).contains(&session.air_temperature_c) {
        out.push(problem(
            "air_temperature_c",
            format!("{} degrees Celsius is no weather to cast in", session.air_temperature_c),
            "write the air temperature in Celsius; 18 is fine if unknown",
        ));
    }
}

fn check_cameras(session: &Session, out: &mut Vec<Warning>) {
    if session.camera.len() < 2 {
        out.push(problem(
            "[[camera]]",
            format!("{} camera is given; depth needs two", session.camera.len()),
            "add a [[camera]] for the second phone",
        ));
    }
    let mut seen = BTreeSet::new();
    for camera in &session.camera {
        let about = format!("camera {}", camera.name);
        if !seen.insert(&camera.name) {
            out.push(problem(
                &about,
                "two cameras have this name",
                "rename one, here and in every clips table",
            ));
        }
        if !is_file_name(&camera.name) {
            out.push(problem(&about, "the name cannot be a file name", "use letters, digits, - and _"));
        }
        let is_lens_file = camera.lens.extension().is_some_and(|e| e == "toml");
        match &camera.board {
            None if !is_lens_file => out.push(problem(
                &about,
                "`board` is missing, and `lens` is not a lens file",
                "add board = { columns = 9, rows = 6, square_mm = 25.0 } (inner corners)",
            )),
            Some(board) => {
                if board.columns < 3 || board.rows < 3 || !(board.square_mm > 0.0) {
                    out.push(problem(
                        &about,
                        format!(
                            "a board of {} x {} corners, {} mm",
                            board.columns, board.rows, board.square_mm
                        ),
                        "count INNER corners, at least 3 x 3, and measure one square in millimetres",
                    ));
                } else if board.columns == board.rows {
                    out.push(unlikely(
                        &about,
                        "a board with as many rows as columns can be seen four ways round",
                        "use one with different counts, such as 9 x 6",
                    ));
                }
            }
            None => {}
        }
        if let Some(readout_ms) = camera.readout_ms {
            if !(0.0..=50.0).contains(&readout_ms) {
                out.push(problem(
                    &about,
                    format!("readout_ms = {readout_ms}"),
                    "a rolling shutter reads a frame in 2 to 33 ms; leave the key out to have it estimated",
                ));
            }
        }
        if let Some(capture_fps) = camera.capture_fps {
            if !(10.0..=2000.0).contains(&capture_fps) {
                out.push(problem(
                    &about,
                    format!("capture_fps = {capture_fps}"),
                    "write the rate the phone captured at, such as 240, or leave the key out",
                ));
            }
        }
    }
}

fn check_clips(
    about: &str,
    clips: &Clips,
    cameras: &BTreeSet<&str>,
    weight: Severity,
    out: &mut Vec<Warning>,
) {
    for name in clips.keys().filter(|n| !cameras.contains(n.as_str())) {
        out.push(Warning::new(
            weight,
            about,
            format!("there is no camera `{name}`"),
            format!(
                "use the names of [[camera]]: {}",
                cameras.iter().copied().collect::<Vec<_>>().join(", ")
            ),
        ));
    }
    let known = clips.keys().filter(|n| cameras.contains(n.as_str())).count();
    for name in cameras.iter().filter(|n| !clips.contains_key(**n)) {
        let weight = if known >= 2 { Severity::Warning } else { weight };
        out.push(Warning::new(weight, about, format!("no clip of camera `{name}`"), "add it"));
    }
}

fn check_takes(session: &Session, cameras: &BTreeSet<&str>, out: &mut Vec<Warning>) {
    if session.take.is_empty() {
        out.push(unlikely(
            "[[take]]",
            "there are no takes",
            "add a [[take]] for each pair of clips of a caster",
        ));
    }
    let mut names = BTreeSet::new();
    for take in &session.take {
        let about = format!("take {}", take.name);
        if !is_file_name(&take.name) {
            out.push(problem(&about, "the name cannot be a folder name", "use letters, digits, - and _"));
        }
        if !names.insert(take.name.to_lowercase()) {
            out.push(problem(&about, "two takes have this name", "rename one"));
        }
        check_clips(&about, &take.clips, cameras, Severity::Problem, out);
        if !session.casters.is_empty() && !session.casters.iter().any(|c| c.id == take.caster) {
            out.push(unlikely(
                &about,
                format!("caster `{}` is not in casters.csv", take.caster),
                "add a row, or correct the id",
            ));
        }
    }
    let mut owners: std::collections::BTreeMap<&Path, Vec<&str>> = std::collections::BTreeMap::new();
    for take in &session.take {
        for clip in take.clips.values() {
            owners.entry(clip).or_default().push(&take.name);
        }
    }
    for (clip, takes) in owners.into_iter().filter(|(_, takes)| takes.len() > 1) {
        out.push(unlikely(
            format!("take {}", takes[0]),
            format!(
                "the clip {} stands {} times in the takes ({})",
                clip.display(),
                takes.len(),
                takes.join(", ")
            ),
            "give each take and camera its own clip",
        ));
    }
}

/// Can be a file name on every system.
fn is_file_name(name: &str) -> bool {
    !name.is_empty()
        && name.len() <= 80
        && !name.starts_with('.')
        && name.chars().all(|c| c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | ' '))
}
