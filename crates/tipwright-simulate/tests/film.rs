//! The drawing in the film against the truth of a simulated take: where the marker really is in each frame.
#![allow(clippy::unwrap_used)] // a test fails by panicking

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use tipwright::model::film::{DrawFrame, FilmConfig, FilmError, FilmMaker, FilmMoment, FilmSpan, FilmedSpan};
use tipwright::model::footage::{Footage, PlaneData};
use tipwright::model::{TakeCameraFit, TakeClock, TakeResults};
use tipwright_day::day::{DayConfig, Event, Filming, read_results, run_with_film};
use tipwright_footage::Reader;
use tipwright_report::film::{FilmCamera, StrokeDrawing};
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

/// A camera of the take as run.json has it: whoever draws over the pictures needs nothing else of the results.
fn camera(take: &TakeResults, name: &str, results: &Path) -> FilmCamera {
    let run: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(results.join("run.json")).unwrap()).unwrap();
    let of = |part: &str| -> serde_json::Value {
        let all = run["takes"][&take.take][part].as_array().unwrap();
        all.iter().find(|c| c["camera"] == name).unwrap().clone()
    };
    let fit: TakeCameraFit = serde_json::from_value(of("cameras")).unwrap();
    let clock: TakeClock = serde_json::from_value(of("clocks")).unwrap();
    FilmCamera { camera: fit.camera(), clock: clock.clock }
}

fn rms(errors_px: &[f64]) -> f64 {
    (errors_px.iter().map(|e| e * e).sum::<f64>() / errors_px.len() as f64).sqrt()
}

/// Luma of every frame of a clip, with its width.
fn frames(clip: &Path) -> Vec<(Vec<f64>, usize)> {
    let mut source = Reader::default().open_clip(clip, None).unwrap();
    let mut out = Vec::new();
    while let Some(frame) = source.next_frame().unwrap() {
        let plane = &frame.now.luma;
        let PlaneData::Bits8(bytes) = plane.data else { panic!("films have 8 bits") };
        let rows = bytes.chunks(plane.stride).take(plane.height);
        out.push((rows.flat_map(|r| r[..plane.width].iter().map(|v| f64::from(*v))).collect(), plane.width));
    }
    out
}

/// Centre of what stands out: weights above `least`, within `reach_px` of a place where one is given.
fn centre(weights: &[f64], width: usize, least: f64, near: Option<([f64; 2], f64)>) -> Option<[f64; 2]> {
    let (mut sum, mut n) = ([0.0, 0.0], 0.0);
    for (k, w) in weights.iter().enumerate().filter(|(_, w)| **w > least) {
        let (x, y) = ((k % width) as f64, (k / width) as f64);
        if near.is_none_or(|([a, b], reach)| (x - a).hypot(y - b) < reach) {
            sum = [sum[0] + w * x, sum[1] + w * y];
            n += w;
        }
    }
    (n > 0.0).then(|| [sum[0] / n, sum[1] / n])
}

/// Distance of the painted ring's centre from the marker in the finished film, frame by frame, in its pixels: one film
/// with nothing but the ring, one with nothing drawn; what differs is the ring, and the brightest thing inside is the
/// marker.
fn painted_errors_px(
    camera: &FilmCamera,
    drawing: &StrokeDrawing<'_>,
    span_s: (f64, f64),
    source: &Path,
) -> Vec<f64> {
    let folder = tempfile::tempdir().unwrap();
    let config = FilmConfig { quality: 8.0, ..FilmConfig::default() };
    let ring = |pts_s: f64| {
        let mut lines = drawing.lines(pts_s);
        let ring = lines.pop().filter(|l| l.points.len() == 33 && l.points[0] == l.points[32]);
        ring.into_iter().collect::<Vec<_>>()
    };
    let nothing = |_: f64| Vec::new();
    let span = |name: &str, draw| FilmSpan {
        from_pts_s: camera.clock.pts_s(span_s.0),
        to_pts_s: camera.clock.pts_s(span_s.1),
        crop_px: drawing.region_px(span_s.0, span_s.1),
        clip: folder.path().join(name),
        stills: Vec::new(),
        draw,
    };
    let spans = [span("ring.mp4", &ring as DrawFrame<'_>), span("plain.mp4", &nothing)];
    Reader::default().film(source, None, &spans, &config).into_iter().for_each(|film| drop(film.unwrap()));
    let (drawn, plain) = (frames(&spans[0].clip), frames(&spans[1].clip));
    assert_eq!(drawn.len(), plain.len());
    let mut out = Vec::new();
    for ((drawn, width), (plain, _)) in drawn.iter().zip(&plain) {
        let changed: Vec<f64> =
            drawn.iter().zip(plain).map(|(a, b)| f64::from((a - b).abs() > 25.0)).collect();
        let Some(ring) = centre(&changed, *width, 0.5, None) else { continue };
        let near = |reach: f64| {
            let [x, y] = ring.map(|c| c.round() as isize);
            let r = reach as isize;
            (y - r..=y + r)
                .flat_map(move |v| (x - r..=x + r).map(move |u| (u, v)))
                .filter_map(|(u, v)| plain.get(v as usize * width + u as usize).copied())
                .collect::<Vec<f64>>()
        };
        let mut around = near(14.0);
        around.sort_by(f64::total_cmp);
        let ground = around[around.len() / 2];
        let stands_out: Vec<f64> = plain.iter().map(|v| (v - ground).max(0.0)).collect();
        let most = near(5.0).into_iter().fold(0.0, f64::max) - ground;
        if most < 30.0 {
            continue;
        }
        if let Some(marker) = centre(&stands_out, *width, 0.4 * most, Some((ring, 7.0))) {
            out.push((marker[0] - ring[0]).hypot(marker[1] - ring[1]));
        }
    }
    out
}

/// Two films a stroke, the camera first that looks more squarely at it, with four stills and one; at any moment of both the frames nearest
/// to it are of the same session time within half a frame.
fn each_camera_filmed_each_stroke(take: &TakeResults, results: &Path) {
    assert_eq!(take.film.len(), 2 * take.strokes.len(), "{:?}", take.warnings);
    let cameras = ["west", "east"].map(|name| (name, camera(take, name, results)));
    for (stroke, films) in take.strokes.iter().zip(take.film.chunks(2)) {
        assert!(films.iter().all(|f| f.stroke == stroke.stroke && f.clip.contains(&f.camera)));
        let [first, second] = [0, 1].map(|k| {
            let (_, own) = cameras.iter().find(|(name, _)| films[k].camera == *name).unwrap();
            own.squareness(stroke)
        });
        assert!(films[0].camera != films[1].camera && first >= second, "{first} and {second}");
        assert_eq!([films[0].stills.len(), films[1].stills.len()], [4, 1]);
        assert_eq!(films[1].stills[0].moment, FilmMoment::RodStraight);
        for (own, other) in [(0, 1), (1, 0)] {
            let [own, other] = [own, other].map(|k| &films[k].frame_t_s);
            let half_s = 0.5 * other.windows(2).map(|w| w[1] - w[0]).fold(0.0, f64::max);
            let inside = own.iter().filter(|t| other[0] <= **t && **t <= other[other.len() - 1]);
            let off_s =
                inside.clone().map(|t| other.iter().map(|o| (o - t).abs()).fold(f64::INFINITY, f64::min));
            assert!(inside.count() + 2 >= own.len() && off_s.fold(0.0, f64::max) <= half_s + 1e-9);
        }
    }
}

/// A maker that fails at the second stretch of one camera's clip.
struct Failing<'a> {
    reader: &'a Reader,
    of: &'static str,
    error: FilmError,
    calls: AtomicUsize,
}

impl FilmMaker for Failing<'_> {
    fn film(
        &self,
        source: &Path,
        capture_fps: Option<f64>,
        spans: &[FilmSpan<'_>],
        config: &FilmConfig,
    ) -> Vec<Result<FilmedSpan, FilmError>> {
        self.calls.fetch_add(1, Ordering::Relaxed);
        let mut made = self.reader.film(source, capture_fps, spans, config);
        if source.to_string_lossy().contains(self.of) {
            made[1] = Err(self.error.clone());
        }
        made
    }
}

/// Its page says which film is not there and why; a clip without the frames is not asked again, a full disk is.
fn one_clip_that_fails_costs_that_clip(session: &Path, results: &Path, reader: &Reader) {
    let nowhere = || std::path::PathBuf::from("east/0007.mov");
    let reason = "No space left on device".to_owned();
    for (error, runs) in
        [(FilmError::NoFrame { path: nowhere() }, 1), (FilmError::Write { reason, path: nowhere() }, 2)]
    {
        let said = error.to_string();
        let maker = Failing { reader, of: "/east/", error, calls: AtomicUsize::new(0) };
        let film = Filming { maker: &maker, config: FilmConfig::default() };
        std::fs::remove_dir_all(results.join("report/film")).unwrap();
        std::fs::remove_file(results.join("kept/film_01-before.kept")).unwrap();
        for run in 1..=2 {
            let outcome =
                run_with_film(session, results, reader, Some(film), &DayConfig::default(), &|_| {}).unwrap();
            let take = &outcome.results.takes[0];
            let of = |name: &str| take.film.iter().filter(|f| f.camera == name).count();
            assert_eq!([of("west"), of("east")], [take.strokes.len(), take.strokes.len() - 1]);
            let told = take.warnings.iter().filter(|w| w.what.contains(&said)).count();
            assert_eq!(told, 1, "run {run}: {:?}", take.warnings);
        }
        let mut pages = std::fs::read_dir(results.join("report")).unwrap().map(|f| f.unwrap().path());
        let page = pages.find(|f| f.file_name().unwrap().to_string_lossy().starts_with("caster-")).unwrap();
        let page = std::fs::read_to_string(page).unwrap();
        assert!(page.contains("There is no film of stroke 2 by camera east"), "the page does not say it");
        assert_eq!(maker.calls.load(Ordering::Relaxed), 2 * runs, "clips filmed for {said}");
    }
}

#[test]
fn the_drawn_path_ends_at_the_marker_of_its_frame() {
    let folder = tempfile::tempdir().unwrap();
    let (session, results) = (folder.path().join("session"), folder.path().join("results"));
    simulate(
        &SimulateConfig { kind: DayKind::Minimal, seed: 1, ..SimulateConfig::default() },
        &session,
        &|_| {},
    )
    .unwrap();
    let reader = Reader::default();
    let film = Filming { maker: &reader, config: FilmConfig::default() };
    let config = DayConfig::default();
    // Progress: all work is done or given back, and while the take is solved, after its last frame, some of it is left.
    let work = Mutex::new([0_u64; 4]);
    let seen = |event: Event<'_>| {
        let mut work = work.lock().unwrap();
        match event {
            Event::Work(total) => work[0] += total,
            Event::Worked(n) => *work = [work[0], work[1] + n, work[2], work[3].max(n)],
            Event::Spared(n) => work[2] += n,
            _ => {}
        }
    };
    let outcome = run_with_film(&session, &results, &reader, Some(film), &config, &seen).unwrap();
    let [total, worked, spared, largest] = *work.lock().unwrap();
    assert_eq!(total, worked + spared);
    assert!(largest > total / 20, "solving is {largest} of {total} frames' work");
    let take = &outcome.results.takes[0];
    each_camera_filmed_each_stroke(take, &results);
    let path = read_results(&results).unwrap().takes.swap_remove(0).path;

    // Every stroke in both cameras, frame by frame, whichever camera the film was made from.
    for name in ["west", "east"] {
        let camera = camera(take, name, &results);
        let truth = true_tip(&session.join(format!("truth/takes/{}/spots_{name}.csv", take.take)));
        let mut errors_px = Vec::new();
        for stroke in &take.strokes {
            let drawing = StrokeDrawing::new(&camera, &path, stroke, None);
            let (from_s, to_s) = tipwright_report::film::span_s(stroke, None, 0.0).unwrap();
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
        let rms_px = rms(&errors_px);
        let worst_px = errors_px.iter().copied().fold(0.0, f64::max);
        println!("{name}: {} frames, rms {rms_px:.3} px, worst {worst_px:.3} px", errors_px.len());
        assert!(errors_px.len() > 100 && rms_px < 1.0, "{name}: {rms_px} px over {} frames", errors_px.len());

        // The same in the finished picture: cut out, turned, made smaller, painted and encoded.
        let stroke = &take.strokes[0];
        let drawing = StrokeDrawing::new(&camera, &path, stroke, None);
        let span_s = tipwright_report::film::span_s(stroke, None, 0.0).unwrap();
        let painted_px = painted_errors_px(&camera, &drawing, span_s, &session.join(&take.clips[name]));
        println!(
            "{name}: painted in {} frames, rms {:.3} px of the film",
            painted_px.len(),
            rms(&painted_px)
        );
        assert!(painted_px.len() > 30 && rms(&painted_px) < 1.0, "{name}: painted {painted_px:?}");
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
        assert_eq!(film.size_px, info.picture.upright_px());
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

    // A film that is gone is made again from what is kept, with the cameras of the take, and is the same to the byte.
    let clip = results.join("report").join(&take.film[0].clip);
    let bytes = std::fs::read(&clip).unwrap();
    std::fs::remove_file(&clip).unwrap();
    let resumed = run_with_film(&session, &results, &reader, Some(film), &config, &|_| {}).unwrap();
    assert_eq!(resumed.results.takes[0].cameras, take.cameras);
    assert!(std::fs::read(&clip).unwrap() == bytes, "a film made again differs");

    one_clip_that_fails_costs_that_clip(&session, &results, &reader);

    // Anonymous: no film, no alias, no clip.
    let hidden = DayConfig { anonymous: true, ..DayConfig::default() };
    run_with_film(&session, &results, &reader, Some(film), &hidden, &|_| {}).unwrap();
    assert!(!results.join("report/film").exists());
    let page = std::fs::read_to_string(results.join("report/index.html")).unwrap();
    for word in [take.alias.as_str(), take.take.as_str(), "<video", "west/0003.mp4"] {
        assert!(!page.contains(word), "the page still says {word}");
    }
}
