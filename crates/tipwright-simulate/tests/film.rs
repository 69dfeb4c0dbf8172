//! The drawing in the film against the truth of a simulated take: where the marker really is in each frame.
#![allow(clippy::unwrap_used)] // a test fails by panicking

use std::collections::BTreeMap;
use std::path::Path;

use tipwright::day::{DayConfig, Film, run_with_film};
use tipwright::model::film::FilmConfig;
use tipwright::model::footage::Footage;
use tipwright::model::{Camera, Lens, TakeResults};
use tipwright::report::film::{FilmCamera, StrokeDrawing};
use tipwright_footage::Reader;
use tipwright_simulate::{DayKind, SimulateConfig, simulate};

/// True pixel of the tip by presentation time.
fn true_tip(spots: &Path) -> Vec<(f64, f64, f64)> {
    let text = std::fs::read_to_string(spots).unwrap();
    let mut lines = text.lines();
    let heads: BTreeMap<&str, usize> =
        lines.next().unwrap().split(',').enumerate().map(|(k, name)| (name, k)).collect();
    lines
        .map(|line| line.split(',').collect::<Vec<_>>())
        .filter(|row| row[heads["role"]] == "tip" && row[heads["visible"]] == "1")
        .map(|row| {
            let number = |name: &str| row[heads[name]].parse::<f64>().unwrap();
            (number("pts_s"), number("x_px"), number("y_px"))
        })
        .collect()
}

fn camera(take: &TakeResults, name: &str, results: &Path, session: &Path) -> FilmCamera {
    let read = |path: &Path| std::fs::read_to_string(path).unwrap();
    let lens: Lens = toml::from_str(&read(&results.join(format!("lens/{name}.toml")))).unwrap();
    let scene: tipwright::model::Scene = toml::from_str(&read(&results.join("scene.toml"))).unwrap();
    let pose = scene.cameras.iter().find(|c| c.name == name).unwrap().pose();
    let clip = session.join(&take.clips[name]);
    let picture = Reader::default().probe(&clip).unwrap().picture;
    let clock = take.clocks.iter().find(|c| c.camera == name).unwrap().clock;
    FilmCamera { camera: Camera { name: name.into(), lens, pose, picture }, clock }
}

#[test]
fn the_drawn_path_ends_at_the_marker_of_its_frame() {
    let folder = tempfile::tempdir().unwrap();
    let (session, results) = (folder.path().join("session"), folder.path().join("results"));
    simulate(&SimulateConfig { kind: DayKind::Minimal, seed: 1 }, &session, &|_| {}).unwrap();
    let reader = Reader::default();
    let film = Film { maker: &reader, config: FilmConfig::default() };
    let config = DayConfig::default();
    let outcome = run_with_film(&session, &results, &reader, Some(film), &config, &|_| {}).unwrap();
    let take = &outcome.results.takes[0];
    assert_eq!(take.film.len(), take.strokes.len(), "{:?}", take.warnings);

    // Every stroke in both cameras, frame by frame, whichever camera the film was made from.
    for name in ["west", "east"] {
        let camera = camera(take, name, &results, &session);
        let truth = true_tip(&session.join(format!("truth/takes/{}/spots_{name}.csv", take.take)));
        let mut errors_px = Vec::new();
        for stroke in &take.strokes {
            let drawing = StrokeDrawing::new(&camera, &take.path, stroke, None);
            let (from_s, to_s) = tipwright::report::film::span_s(stroke, None, 0.0).unwrap();
            for (pts_s, x_px, y_px) in &truth {
                let Some((t_s, drawn)) = drawing.tip(*pts_s) else { continue };
                if (from_s..=to_s).contains(&t_s) {
                    errors_px.push((drawn.x_px - x_px).hypot(drawn.y_px - y_px));
                    // The line itself ends there, not only the point.
                    let lines = drawing.lines(*pts_s);
                    let ends = lines.iter().filter_map(|l| l.points.last());
                    let nearest = ends.map(|p| (p.x_px - drawn.x_px).hypot(p.y_px - drawn.y_px));
                    let nearest = nearest.fold(f64::INFINITY, f64::min);
                    assert!(t_s < from_s + 0.003 || nearest < 1e-9, "no line ends at the tip: {nearest}");
                }
            }
        }
        let rms_px = (errors_px.iter().map(|e| e * e).sum::<f64>() / errors_px.len() as f64).sqrt();
        let worst_px = errors_px.iter().copied().fold(0.0, f64::max);
        println!("{name}: {} frames, rms {rms_px:.3} px, worst {worst_px:.3} px", errors_px.len());
        assert!(errors_px.len() > 100 && rms_px < 1.0, "{name}: {rms_px} px over {} frames", errors_px.len());
    }

    // The clips play in a browser: H.264, 8 bits, 4:2:0, the index before the pictures; four stills each.
    for film in &take.film {
        let clip = results.join("report").join(&film.clip);
        let info = reader.probe(&clip).unwrap();
        assert_eq!(info.codec, "h264");
        let bytes = std::fs::read(&clip).unwrap();
        let find = |tag: &[u8; 4]| bytes.windows(4).position(|w| w == tag);
        assert!(find(b"moov").unwrap() < find(b"mdat").unwrap(), "{}", clip.display());
        let mut source = reader.open_clip(&clip, None).unwrap();
        let mut frames = 0;
        while let Some(frame) = source.next_frame().unwrap() {
            assert_eq!(frame.now.chroma_step, [2, 2]);
            frames += 1;
        }
        assert_eq!(frames, film.frame_t_s.len());
        assert!(film.frame_t_s.windows(2).all(|w| w[0] < w[1]));
        assert_eq!(film.stills.len(), 4);
        for still in &film.stills {
            let (_, size_px) = reader.still_luma(&results.join("report").join(&still.file)).unwrap();
            assert_eq!(size_px, info.picture.upright_px());
        }
    }

    // A second run finds the film made.
    let made =
        std::fs::metadata(results.join("report").join(&take.film[0].clip)).unwrap().modified().unwrap();
    let again = run_with_film(&session, &results, &reader, Some(film), &config, &|_| {}).unwrap();
    let named = |t: &TakeResults| -> Vec<(String, usize, usize)> {
        t.film.iter().map(|f| (f.clip.clone(), f.frame_t_s.len(), f.stills.len())).collect()
    };
    assert_eq!(named(&again.results.takes[0]), named(take));
    let now = std::fs::metadata(results.join("report").join(&take.film[0].clip)).unwrap().modified().unwrap();
    assert_eq!(made, now);

    // Anonymous: no film, no alias, no clip.
    let hidden = DayConfig { anonymous: true, ..DayConfig::default() };
    run_with_film(&session, &results, &reader, Some(film), &hidden, &|_| {}).unwrap();
    assert!(!results.join("report/film").exists());
    let page = std::fs::read_to_string(results.join("report/index.html")).unwrap();
    for word in [take.alias.as_str(), take.take.as_str(), "<video", "west/0003.mp4"] {
        assert!(!page.contains(word), "the page still says {word}");
    }
}
