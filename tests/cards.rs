//! Cards as they are printed, held up before two phones and read again.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

mod support;

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;

use nalgebra::{Isometry3, Point3, Vector3};
use support::{json, status, text, tipwright};
use tipwright::cards::{Card, Grey, read};
use tipwright::model::footage::{Footage, Window};
use tipwright_footage::Reader;
use tipwright_simulate::day::plan::Plan;
use tipwright_simulate::day::shoot::Shoot;
use tipwright_simulate::phone::backdrop::Backdrop;
use tipwright_simulate::phone::clip::film_clip;
use tipwright_simulate::phone::play::HeldCard;
use tipwright_simulate::{DayKind, SimulateConfig};

const CASTERS: &str =
    "id,alias,hand,rod_length_m,note\n01,Heron,right,,\n02,Otter,left,,\nk-3,Süd \\ (West),,,\n";

/// A picture as `pdftoppm` writes it: P5, width, height, 255, samples.
fn grey(path: &Path) -> (Vec<u8>, [u32; 2]) {
    let bytes = fs::read(path).unwrap();
    let head: Vec<usize> =
        bytes.iter().enumerate().filter(|(_, b)| b.is_ascii_whitespace()).map(|(i, _)| i).take(4).collect();
    let fields: Vec<&str> = std::str::from_utf8(&bytes[..head[3]]).unwrap().split_whitespace().collect();
    assert_eq!((fields[0], fields[3]), ("P5", "255"));
    (bytes[head[3] + 1..].to_vec(), [fields[1].parse().unwrap(), fields[2].parse().unwrap()])
}

/// The page in a phone's picture.
fn in_picture(page: &[u8], [w, h]: [u32; 2]) -> (Vec<u8>, [u32; 2]) {
    let (w, h, size) = (w as usize, h as usize, [1920_usize, 1080]);
    let mut luma = vec![90; size[0] * size[1]];
    for (row, line) in page.chunks(w).enumerate().take(h) {
        let at = (row + 300) * size[0] + 700;
        luma[at..at + w].copy_from_slice(line);
    }
    (luma, size.map(|n| n as u32))
}

#[test]
fn every_printed_page_is_read_back_as_what_it_says() {
    let folder = tempfile::tempdir().unwrap();
    let casters = folder.path().join("casters.csv");
    fs::write(&casters, CASTERS).unwrap();
    for paper in ["a4", "letter"] {
        let pdf = folder.path().join(format!("{paper}.pdf"));
        let made = tipwright(&[
            "-q",
            "--json",
            "cards",
            casters.to_str().unwrap(),
            "--paper",
            paper,
            "-o",
            pdf.to_str().unwrap(),
        ]);
        assert_eq!(status(&made), 0, "{}", text(&made.stderr));
        let pages = json(&made)["pages"].as_array().unwrap().clone();
        assert_eq!(pages.len(), Card::OTHERS.len() + 3 * 2);
        // 15 dots an inch: a cell is a dozen pixels, as a phone sees a card at 2.5 m
        let stem = folder.path().join(paper);
        let drawn =
            Command::new("pdftoppm").args(["-gray", "-r", "15"]).arg(&pdf).arg(&stem).status().unwrap();
        assert!(drawn.success());
        let mut numbers = BTreeSet::new();
        for (i, page) in pages.iter().enumerate() {
            let (page_luma, page_px) = grey(&folder.path().join(format!("{paper}-{:02}.pgm", i + 1)));
            let (luma, size_px) = in_picture(&page_luma, page_px);
            let squares = Reader::default().dark_squares(&luma, size_px, Window::whole(size_px));
            let picture = Grey { luma: &luma, width: size_px[0] as usize, height: size_px[1] as usize };
            let seen: Vec<_> = squares.iter().filter_map(|s| read(&picture, s)).collect();
            assert!(!seen.is_empty(), "{page} of {paper} is not read");
            for card in seen {
                assert_eq!(
                    (card.card.number() as u64, card.errors),
                    (page["number"].as_u64().unwrap(), 0),
                    "{page}"
                );
                numbers.insert(card.card.number());
            }
        }
        assert_eq!(numbers.len(), pages.len());
        let words = Command::new("pdftotext").args(["-enc", "UTF-8"]).arg(&pdf).arg("-").output().unwrap();
        let words = text(&words.stdout);
        for said in [
            "Heron",
            "Süd \\ (West)",
            "before",
            "after",
            "power lines",
            "eye protection",
            "consent",
            "tripods",
        ] {
            assert!(words.contains(said), "{said} is not printed: {words}");
        }
    }
}

#[test]
fn what_cannot_be_printed_is_refused_in_words_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_string();
    let write = |name: &str, text: &str| fs::write(path(name), text).unwrap();
    let many: String = (0..65).map(|i| format!("{i},a,,,\n")).collect();
    write("good.csv", CASTERS);
    write("no-id.csv", "name,alias\n1,Heron\n");
    write("twice.csv", "id,alias\nA,Heron\na,Otter\n");
    write("rod.csv", "id,alias,rod_length_m\n1,Heron,ninety\n");
    write("empty.csv", "id,alias\n");
    write("many.csv", &format!("id,alias,hand,rod_length_m,note\n{many}"));
    let out = path("out.pdf");
    let (beside, inside) = (path("out.txt"), path("good.csv/out.pdf"));
    for (list, more, expected, said) in [
        ("nowhere.csv", vec!["-o", &out], 2, "cannot be read"),
        ("no-id.csv", vec!["-o", &out], 2, "no column id"),
        ("twice.csv", vec!["-o", &out], 2, "2 rows for caster"),
        ("rod.csv", vec!["-o", &out], 2, "no rod's length"),
        ("empty.csv", vec!["-o", &out], 2, "no caster in it"),
        ("many.csv", vec!["-o", &out], 2, "64 casters"),
        ("good.csv", vec!["-o", &beside], 2, "must end in .pdf"),
        ("good.csv", vec!["-o", &out, "--phases", "before,Before"], 2, "each once"),
        ("good.csv", vec!["-o", &out, "--phases", "a,b,c,d,e"], 2, "1 to 4 names"),
        ("good.csv", vec!["-o", &out, "--phases", "a,../b"], 2, "cannot be a name"),
        ("good.csv", vec!["-o", &inside], 1, "out.pdf"),
    ] {
        let list = path(list);
        let made = tipwright(&[&["-q", "--json", "cards", list.as_str()], &more[..]].concat());
        assert_eq!(status(&made), expected, "{list} {more:?}: {}", text(&made.stderr));
        let error = json(&made)["error"].as_str().unwrap().to_string();
        assert!(error.contains(said), "{list} {more:?}: {error}");
    }
    let left: BTreeSet<String> = fs::read_dir(folder.path())
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    assert!(left.iter().all(|name| name.ends_with(".csv")), "{left:?}");
    // a session's folder is as good as the list in it
    write("casters.csv", CASTERS);
    assert_eq!(status(&tipwright(&["-q", "cards", folder.path().to_str().unwrap(), "-o", &out])), 0);
}

/// Films the one take of the smallest day with the clinic's phones, a card held up before it.
fn take_with_card(folder: &Path, card: Card) {
    let config = |kind| SimulateConfig { kind, seed: 1, ..SimulateConfig::default() };
    let clinic = Plan::new(&config(DayKind::Clinic));
    let mut plan = Plan::new(&config(DayKind::Minimal));
    plan.cameras = clinic.cameras;
    plan.modes = clinic.modes;
    // a card needs no slow motion, and the take is told by the card
    plan.modes.iter_mut().for_each(|m| m.fps = 30);
    let shoot = Shoot::prepare(&plan, folder).unwrap();
    let eyes: Vec<Vector3<f64>> =
        plan.cameras.iter().map(|c| c.pose.camera_from_world.inverse().translation.vector).collect();
    let at = Point3::new(0.3, -1.0, 1.5);
    let between = 0.5 * (eyes[0] + eyes[1]) - at.coords;
    // the page's z goes into it, away from who looks; its y down, a little crooked
    let into = -between.normalize();
    let down = Vector3::new(0.12, 0.0, -1.0);
    let right = down.cross(&into).normalize();
    let axes = nalgebra::Matrix3::from_columns(&[right, into.cross(&right), into]);
    let turn = nalgebra::UnitQuaternion::from_matrix(&axes);
    for camera_idx in 0..2 {
        let (mut spec, mut play) = shoot.scene_of(2, camera_idx);
        spec.encode.key_every = 30;
        play.cards.push(HeldCard {
            card,
            page_at: Box::new(move |t_s| {
                (0.4..3.4).contains(&t_s).then(|| Isometry3::from_parts(at.into(), turn))
            }),
            light: 1.1,
            shadow: None,
        });
        film_clip(&spec, &Backdrop::new(&spec.camera, &plan.surroundings), &play, &|| ()).unwrap();
    }
}

#[test]
fn a_card_before_a_take_says_whose_it_is() {
    let folder = tempfile::tempdir().unwrap();
    take_with_card(folder.path(), Card::take(1, "02", 1, "after").unwrap());
    let file = folder.path().join("session.toml");
    let written = "schema = 2\nid = \"alder-2026-06-13-aaaa\"\ntitle = \"Alder\"\nreport_units = \"ft\"\nair_temperature_c = 18.0\n[wand]\nlength_m = 1.0\n[rod]\nlength_m = 2.743\n[marker.tip]\ncolour = \"white\"\ndiameter_mm = 40\n[[camera]]\nname = \"west\"\n[[camera]]\nname = \"east\"\n";
    fs::write(&file, written).unwrap();
    fs::write(folder.path().join("casters.csv"), CASTERS).unwrap();
    let gather = |more: &[&str]| {
        tipwright(&[&["-q", "--json", "gather", folder.path().to_str().unwrap()], more].concat())
    };
    let made = gather(&[]);
    assert_eq!(status(&made), 0, "{}", text(&made.stdout));
    let take = json(&made)["takes"][0].clone();
    assert_eq!(
        (&take["caster"], &take["phase"], &take["caster_is_guess"]),
        (&"02".into(), &"after".into(), &false.into()),
        "{take}"
    );
    let first = fs::read_to_string(&file).unwrap();
    let session: toml::Table = toml::from_str(&first).unwrap();
    assert_eq!(session["take"][0]["phase"].as_str(), Some("after"), "{first}");
    assert_eq!(status(&gather(&[])), 0);
    assert_eq!(fs::read_to_string(&file).unwrap(), first);
    // the list was sorted after printing, or the phases were others: told, and nobody else's
    let sorted =
        CASTERS.replace("01,Heron", "x,Heron").replace("02,Otter", "01,Otter").replace("x,Heron", "02,Heron");
    for (casters, more) in [
        (sorted.as_str(), vec![]),
        (CASTERS, vec!["--phases", "dry,wet"]),
        (CASTERS, vec!["--phases", "dry"]),
    ] {
        fs::write(&file, written).unwrap();
        fs::write(folder.path().join("casters.csv"), casters).unwrap();
        let made = gather(&more);
        let take = json(&made)["takes"][0].clone();
        assert_eq!(
            (&take["caster_is_guess"], &take["phase"]),
            (&true.into(), &serde_json::Value::Null),
            "{take}"
        );
        let told = fs::read_to_string(&file).unwrap();
        assert!(told.contains("# the card"), "{more:?}: {told}");
    }
}

#[test]
fn the_field_sheet_is_one_page_with_every_step_and_caution() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_string();
    for paper in ["a4", "letter"] {
        let pdf = path(&format!("{paper}.pdf"));
        let made = tipwright(&["-q", "sheet", "--paper", paper, "-o", &pdf]);
        assert_eq!(status(&made), 0, "{}", text(&made.stderr));
        let words = Command::new("pdftotext").args(["-enc", "UTF-8", "-layout", &pdf, "-"]).output().unwrap();
        let words = text(&words.stdout);
        assert_eq!(words.matches('\u{c}').count(), 1, "pages of {paper}");
        for said in
            ["tripods", "wand", "plumb", "each take", "clap once", "yarn", "eye protection", "power lines"]
        {
            assert!(words.contains(said), "{said} is not on {paper}: {words}");
        }
        for said in ["thunder", "cords", "consent", "minors", "private"] {
            assert!(words.contains(said), "{said} is not on {paper}: {words}");
        }
    }
    let svg = path("field.svg");
    assert_eq!(status(&tipwright(&["-q", "sheet", "-o", &svg])), 0);
    assert!(fs::read_to_string(&svg).unwrap().contains("power lines"));
    for (output, expected, said) in [("field.png", 2, ".svg or .pdf"), ("field.svg/in.pdf", 1, "in.pdf")] {
        let made = tipwright(&["-q", "--json", "sheet", "-o", &path(output)]);
        assert_eq!(status(&made), expected, "{output}");
        assert!(json(&made)["error"].as_str().unwrap().contains(said), "{}", text(&made.stdout));
    }
}
