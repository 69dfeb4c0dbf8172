//! Boards as people use them: what session.toml says of them, and the clips of several phones in one call of `lens`.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

#[path = "../crates/tipwright-footage/tests/drawn/mod.rs"]
mod drawn;
#[path = "support/mod.rs"]
mod support;

use std::fs;
use std::path::Path;

use drawn::{SIZE_PX, Show, WHOLE, board, pictures, rays, stills_into, truth};
use support::{Spoiled, json, status, text, tipwright};
use tipwright::lens::read_lens;
use tipwright::model::footage::{Plane, PlaneData, Planes};
use tipwright::model::{Board, Lens, Pattern};
use tipwright_footage::encode::{ClipEncoder, EncodeConfig};

/// Places that a board is held at.
const VIEWS: usize = 18;
/// Frames that it is held still for, of 30 a second.
const HELD: usize = 8;
/// A coded board as near as it is held when it may be partly outside.
const NEAR: Show = Show { reach: 0.35, whole: false, ..WHOLE };

/// A clip in which a board is held here and there.
fn film(path: &Path, board: &Board, show: &Show, lens: &Lens) {
    let [w, h] = SIZE_PX.map(|n| n as usize);
    let grey = vec![128_u8; w * h / 4];
    let plane = |data, width, height| Plane { data: PlaneData::Bits8(data), width, height, stride: width };
    let mut clip = ClipEncoder::create(path, EncodeConfig::new(SIZE_PX)).unwrap();
    for (k, luma) in pictures(board, show, VIEWS, &rays(lens)).iter().enumerate() {
        let chroma = Some(plane(&grey[..], w / 2, h / 2));
        let planes = Planes {
            luma: plane(&luma[..], w, h),
            cb: chroma,
            cr: chroma,
            chroma_step: [2, 2],
            full_range: false,
        };
        for frame in k * HELD..(k + 1) * HELD {
            clip.push(&planes, 3000 * frame as i64).unwrap();
        }
    }
    clip.finish().unwrap();
}

/// Focal lengths within 0.3 % of the truth: what a length of the day may be off by before the wand corrects it.
fn is_the_lens(found: &Lens, truth: &Lens) {
    let off = [found.fx_px / truth.fx_px - 1.0, found.fy_px / truth.fy_px - 1.0];
    assert!(off.iter().all(|o| o.abs() < 0.003), "{off:?}");
}

#[test]
fn two_phones_clips_in_one_call_give_a_lens_each() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    // another phone: another lens, and not the same board
    let other = Lens::new(SIZE_PX, 800.0, 800.5, 482.0, 266.0, [0.05, -0.1, 0.0, 0.001, 0.0]);
    for name in ["west", "east"] {
        fs::create_dir(at(name)).unwrap();
    }
    film(&at("west/lens.mp4"), &board(Pattern::Coded, 9, 6), &NEAR, &truth());
    film(&at("east/lens.mp4"), &board(Pattern::Coded, 8, 6), &NEAR, &other);
    let (west, east, out) = (at("west/lens.mp4"), at("east/lens.mp4"), at("lenses"));
    let [west, east, out] = [&west, &east, &out].map(|p| p.to_str().unwrap());
    let call = ["--json", "lens", west, east, "--board", "coded", "--square-mm", "25", "-o"];
    let made = tipwright(&[&call[..], &[out]].concat());
    assert_eq!(status(&made), 0, "{}", text(&made.stderr));
    let boards: Vec<_> =
        json(&made)["lenses"].as_array().unwrap().iter().map(|l| l["board"].clone()).collect();
    assert_eq!(boards, ["coded:9x6", "coded:8x6"]);
    // two clips of the same name are told apart by their folders
    is_the_lens(&read_lens(&at("lenses/west-lens.toml")).unwrap(), &truth());
    is_the_lens(&read_lens(&at("lenses/east-lens.toml")).unwrap(), &other);
    assert!(at("lenses/west-lens.coverage.svg").is_file());

    // one that is no clip does not cost the other its lens, and is named
    fs::write(at("bad.mp4"), "no clip").unwrap();
    let (bad, some) = (at("bad.mp4"), at("some"));
    let (bad, some) = (bad.to_str().unwrap(), some.to_str().unwrap());
    let partly = tipwright(&["-q", "lens", bad, west, "--board", "coded", "--square-mm", "25", "-o", some]);
    assert_eq!(status(&partly), 3, "{}", text(&partly.stderr));
    assert!(text(&partly.stderr).contains("bad.mp4"), "{}", text(&partly.stderr));
    assert!(at("some/lens.toml").is_file() && !at("some/bad.toml").exists());

    // several lenses do not go into one file
    let file = at("one.toml");
    let refused = tipwright(&[&call[..], &[file.to_str().unwrap()]].concat());
    assert_eq!(status(&refused), 2, "{}", text(&refused.stderr));
    assert!(!file.exists());
    // nor does one source twice
    let twice = tipwright(&["lens", west, west, "--board", "coded", "--square-mm", "25", "-o", out]);
    assert_eq!(status(&twice), 2, "{}", text(&twice.stderr));
}

/// The lens of the west camera is to come from pictures of a board, which session.toml describes so.
fn with_board(described: &str) -> Spoiled {
    let spoiled = Spoiled::new();
    fs::create_dir(spoiled.session().join("west/board")).unwrap();
    let lens = format!("lens = \"west/board\"\nboard = {{ {described} }}");
    spoiled.edit(|s| s.replace("lens = \"west/lens.toml\"", &lens));
    spoiled
}

#[test]
fn session_toml_tells_what_is_printed_on_a_board() {
    for (described, shown, show) in [
        ("pattern = \"coded\", square_mm = 25.0", board(Pattern::Coded, 9, 6), NEAR),
        ("pattern = \"coded\", columns = 8, rows = 6, square_mm = 25.0", board(Pattern::Coded, 8, 6), NEAR),
        (
            "pattern = \"circles\", columns = 4, rows = 11, square_mm = 25.0",
            board(Pattern::Circles, 4, 11),
            WHOLE,
        ),
        ("columns = 9, rows = 7, square_mm = 25.0", board(Pattern::Chessboard, 9, 7), WHOLE),
    ] {
        let spoiled = with_board(described);
        // the simulated phone's true lens stands beside
        let lens = read_lens(&spoiled.session().join("west/lens.toml")).unwrap();
        assert_eq!(lens.resolution_px, SIZE_PX);
        stills_into(&spoiled.session().join("west/board"), &shown, &show, VIEWS, &rays(&lens));
        let run = spoiled.call("scene", &[]);
        assert_eq!(status(&run), 0, "{described}: {}", text(&run.stderr));
        let found = read_lens(&spoiled.results().join("lens/west.toml")).unwrap();
        is_the_lens(&found, &lens);
    }
}

#[test]
fn a_board_that_cannot_be_is_refused_before_anything_is_looked_at() {
    for (described, said) in [
        ("square_mm = 25.0", "columns and rows"),
        ("columns = 9, square_mm = 25.0", "columns and rows"),
        ("columns = 2, rows = 6, square_mm = 25.0", "3 x 3 inner corners"),
        ("pattern = \"coded\", columns = 9, square_mm = 25.0", "columns and rows"),
        ("pattern = \"circles\", square_mm = 25.0", "2 x 3 discs"),
        ("pattern = \"dots\", columns = 4, rows = 11, square_mm = 25.0", "circles"),
        ("pattern = \"coded\"", "square_mm"),
    ] {
        let spoiled = with_board(described);
        let checked = spoiled.call("check", &["--files-only"]);
        assert_ne!(status(&checked), 0, "{described}");
        assert!(text(&checked.stderr).contains(said), "{described}: {}", text(&checked.stderr));
    }
}
