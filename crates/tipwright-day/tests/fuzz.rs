//! Every file a person can hand to the program, damaged at random: no panic, nothing that takes over a second. 20 000 inputs a
//! format here; `tests/studies/fuzz.sh` gives a million to each, with a limit of memory.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it may stop, and it prints its figures"
)]

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tipwright_day::session::{Date, blank_session, parse_text, session_id};

/// Inputs a format; the study asks for more.
fn inputs() -> u64 {
    std::env::var("TIPWRIGHT_FUZZ").ok().and_then(|n| n.parse().ok()).unwrap_or(20_000)
}

/// What breaks readers.
const TOKENS: [&str; 26] = [
    "nan",
    "inf",
    "-1",
    "0",
    "1e309",
    "1e9",
    "-0.0",
    "99999999999999999999",
    "\"",
    "'''",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    ",",
    "\n",
    "\u{feff}",
    "\0",
    "\u{1b}[31m",
    "../../x",
    "#",
    "[[take]]\n",
    "\u{202e}",
    "é",
    "[[[[[[[[[[[[[[[[",
];

/// One to eight changes: bytes turned, cut out, doubled, words put in.
fn damaged(text: &[u8], rng: &mut ChaCha8Rng) -> Vec<u8> {
    let mut out = text.to_vec();
    for _ in 0..rng.random_range(1..=8) {
        let at = rng.random_range(0..=out.len());
        let reach = rng.random_range(0..=(out.len() - at).min(40));
        match rng.random_range(0..6) {
            0 if at < out.len() => out[at] = rng.random_range(0..=255u32) as u8,
            1 => drop(out.drain(at..at + reach)),
            2 => {
                let piece = out[at..at + reach].to_vec();
                let to = rng.random_range(0..=out.len());
                out.splice(to..to, piece);
            }
            3 => {
                let piece = out[at..at + reach].to_vec();
                for _ in 0..rng.random_range(0..20) {
                    out.splice(at..at, piece.iter().copied());
                }
            }
            4 => out.truncate(at.max(out.len() / 2)),
            _ => {
                let token = TOKENS[rng.random_range(0..TOKENS.len())];
                out.splice(at..at, token.bytes());
            }
        }
    }
    out
}

/// Gives damaged samples to a reader; panics and slow ones are told with the input that does it.
fn fuzz(format: &str, samples: &[Vec<u8>], read: impl Fn(&[u8])) {
    let mut rng = ChaCha8Rng::seed_from_u64(20_260_509);
    let mut slowest = Duration::ZERO;
    for round in 0..inputs() {
        let sample = &samples[rng.random_range(0..samples.len())];
        let input = damaged(sample, &mut rng);
        let began = Instant::now();
        let ended = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| read(&input)));
        let spent = began.elapsed();
        slowest = slowest.max(spent);
        assert!(ended.is_ok(), "{format}, input {round} panics: {:?}", String::from_utf8_lossy(&input));
        assert!(
            spent < Duration::from_secs(1),
            "{format}, input {round}: {spent:?}: {:?}",
            String::from_utf8_lossy(&input)
        );
    }
    println!("{format}: {} inputs, slowest {:.1} ms", inputs(), 1e3 * slowest.as_secs_f64());
}

/// A folder in memory where there is one: a million files are written.
fn folder() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    if memory.is_dir() { tempfile::tempdir_in(memory).unwrap() } else { tempfile::tempdir().unwrap() }
}

/// A reader of a file.
fn of_file(path: PathBuf, read: impl Fn(&Path)) -> impl Fn(&[u8]) {
    move |bytes| {
        std::fs::write(&path, bytes).unwrap();
        read(&path);
    }
}

fn session() -> String {
    let date = Date::new("2026-05-09").unwrap();
    blank_session("Willow Pond", &session_id("Willow Pond", date, |n| n - 1), date)
}

fn repository(file: &str) -> Vec<u8> {
    std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(file)).unwrap()
}

#[test]
fn session_toml() {
    // the keys that stand as remarks too
    let open = session().replace("# [[", "[[").replace("\n# at_m", "\nat_m").replace("# from_s", "from_s");
    fuzz("session.toml", &[session().into_bytes(), open.into_bytes()], |bytes| {
        let parsed = parse_text(&String::from_utf8_lossy(bytes), Path::new("x/session.toml"), None);
        let whole = parsed.findings.iter().any(|f| f.is_problem() && f.subject.take_idx().is_none());
        assert_eq!(parsed.session.is_none(), whole, "a session and a problem of it");
        for finding in &parsed.findings {
            let text = format!("{} {}", finding.what, finding.subject);
            assert!(!text.chars().any(|c| c.is_control() && c != '\n'), "{text:?}");
        }
    });
}

#[test]
fn casters_csv() {
    let sample = b"id,alias,hand,rod_length_m,note\n01,Heron,right,2.743,\"a, b\"\n02,Otter,left,,\n03,Wagtail,,4.1,x\n";
    let session = session();
    fuzz("casters.csv", &[sample.to_vec()], |bytes| {
        let parsed = parse_text(&session, Path::new("x/session.toml"), Some(&String::from_utf8_lossy(bytes)));
        for caster in parsed.session.iter().flat_map(|s| &s.casters) {
            assert!(caster.rod_length_m.is_none_or(|m| (1.0..=7.0).contains(&m.get())));
        }
    });
}

#[test]
fn lens_files() {
    let folder = folder();
    let sample = repository("calibration/typical-phone-1080p.toml");
    fuzz(
        "lens",
        &[sample],
        of_file(folder.path().join("lens.toml"), |path| {
            if let Ok(lens) = tipwright::lens::read_lens(path) {
                assert!(lens.fx_px.is_finite() && lens.fx_px > 0.0 && lens.cx_px.is_finite(), "{lens:?}");
            }
        }),
    );
}

#[test]
fn points_files() {
    let folder = folder();
    let at = |name: &str| folder.path().join(name);
    std::fs::write(at("cam0.toml"), repository("calibration/typical-phone-1080p.toml")).unwrap();
    let points: String = (0..40).map(|i| format!("{i} {}.25 {}\n", 100 + i, 300 - i)).collect();
    std::fs::write(at("cam0.txt"), &points).unwrap();
    std::fs::write(at("cam1.txt"), &points).unwrap();
    let toml = "length_m = 12.5\n[[camera]]\nname = \"cam0\"\npoints = \"cam0.txt\"\nfps = 29.97\nlens = \"cam0.toml\"\n\
                [[camera]]\nname = \"cam1\"\npoints = \"cam1.txt\"\nfps = 59.94\nlens = \"cam0.toml\"\nreadout_ms = 20.0\n";
    let read = |path: &Path| drop(tipwright::scene::points_file::read_points(path));
    fuzz("POINTS.toml", &[toml.as_bytes().to_vec()], of_file(at("points.toml"), read));
    std::fs::write(at("points.toml"), toml).unwrap();
    let rows = of_file(at("cam0.txt"), |_| read(&at("points.toml")));
    fuzz("POINTS rows", &[points.into_bytes()], rows);
}

#[test]
fn path_csv() {
    let folder = folder();
    let mut text = String::from("t_s,x_m,y_m,z_m,vx_m_s,vy_m_s,vz_m_s,sx_m,sy_m,sz_m,views\n");
    for i in 0..60 {
        let t_s = f64::from(i) / 120.0;
        let phase = (t_s * 12.0).sin();
        text += &format!(
            "{t_s:.5},{phase:.4},0.0,3.1,{:.4},0,0,0.002,0.002,0.002,2\n",
            12.0 * (t_s * 12.0).cos()
        );
    }
    let bare = "t_s,x_m,y_m,z_m\n0.0,1,2,3\n0.1,1,2,3\n0.2,1,2,3\n0.3,1,2,3\n0.4,1,2,3\n0.5,1,2,3\n0.6,1,2,3\n0.7,1,2,3\n";
    let count = std::cell::Cell::new(0_u64);
    let read = |path: &Path| {
        count.set(count.get() + 1);
        if let Ok(read) = tipwright::strokes::read_path(path) {
            // measuring takes a thousand times as long as reading
            if count.get().is_multiple_of(200) {
                let rod = tipwright::model::RodPaths { tip: read.path, butts: Vec::new() };
                drop(tipwright::strokes::measure(&rod, &tipwright::strokes::StrokesConfig::default()));
            }
        }
    };
    fuzz("PATH.csv", &[text.into_bytes(), bare.into()], of_file(folder.path().join("path.csv"), read));
}

#[test]
fn evidence_and_loop_sizes() {
    let folder = folder();
    let read = |path: &Path| drop(tipwright::evidence::Rules::read(path));
    fuzz(
        "evidence",
        &[repository("pipelines/evidence.toml")],
        of_file(folder.path().join("evidence.toml"), read),
    );
    let read = |path: &Path| drop(tipwright::line::SizeLimits::read(path));
    fuzz("loop sizes", &[repository("pipelines/loop.toml")], of_file(folder.path().join("loop.toml"), read));
}

#[test]
fn settings() {
    let sample = tipwright_day::settings::Settings::default().to_commented_toml();
    let open = sample.replace("# ", "");
    fuzz("settings", &[sample.into_bytes(), open.into_bytes()], |bytes| {
        drop(tipwright_day::settings::Settings::from_toml(&String::from_utf8_lossy(bytes)));
    });
}

/// What a results folder holds for the next run: damaged as it lies there, and damaged with a digest that fits.
#[test]
fn kept_files() {
    use tipwright::model::TakeResults;
    use tipwright_day::store::{Files, Fixed, Place, Store, digest, read};

    let folder = folder();
    let take = TakeResults {
        take: "01-before".into(),
        set_aside: vec![(0.5, 0.75, "slower than a stroke".into())],
        missing: [("creep_m".to_owned(), "first of the take".to_owned())].into(),
        warnings: vec![tipwright::model::Warning::new(
            tipwright::model::Severity::Note,
            "west",
            "stamps are rounded",
            "none",
        )],
        ..TakeResults::failed()
    };
    let place = Place::kept_take(&tipwright_day::session::TakeName::new("01-before").unwrap());
    let store = Store::open(folder.path()).unwrap();
    store.keep(&place, "inputs", "shown", &Files::new(), &take).unwrap();
    store.finish(true).unwrap();
    let path = place.below(folder.path());
    let sample = std::fs::read(&path).unwrap();
    let rest = sample[sample.iter().position(|b| *b == b'\n').unwrap() + 1..].to_vec();
    let read_back = |_: &Path| read::<TakeResults>(folder.path(), &place).map(drop);
    assert!(read_back(&path).is_ok());
    fuzz("kept take", std::slice::from_ref(&sample), of_file(path.clone(), |p| drop(read_back(p))));
    fuzz("kept take, digest made to fit", &[rest], |bytes| {
        std::fs::write(&path, [digest(bytes).as_bytes(), b"\n", bytes].concat()).unwrap();
        drop(read_back(&path));
    });
    let manifest = Place::fixed(Fixed::Manifest).below(folder.path());
    let sample = std::fs::read(&manifest).unwrap();
    fuzz("manifest.json", &[sample], of_file(manifest, |_| drop(Store::open(folder.path()))));
}
