//! Lens calibration on drawn corners: what goes in must come out, with sds that hold, and bad views named.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test: it may stop, and it prints its figures"
)]

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use nalgebra::{Isometry3, Point3, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use tipwright::lens::{BoardView, LeftOut, LensConfig, LensError, calibrate, from_source};
use tipwright::model::Board;
use tipwright::model::camera::{Picture, Rotation};
use tipwright::model::footage::{
    ClipInfo, Footage, FootageError, FrameSource, FrameView, Plane, PlaneData, Planes, SoundPiece,
};
use tipwright::model::{Lens, RawPixel};

const BOARD: Board = Board::chessboard(9, 6, 25.0);
const SIZE_PX: [u32; 2] = [1920, 1080];

fn truth() -> Lens {
    Lens::new(SIZE_PX, 1500.0, 1503.0, 952.0, 547.0, [0.12, -0.35, 0.001, -0.0015, 0.25])
}

/// Corners of a board in a pose, or none if it leaves the frame.
fn corners(pose: &Isometry3<f64>) -> Option<Vec<RawPixel>> {
    (0..54)
        .map(|k| {
            let point = Point3::new(0.025 * f64::from(k % 9), 0.025 * f64::from(k / 9), 0.0);
            let p = truth().project(&(pose * point))?;
            let inside = (0.0..1919.0).contains(&p.x_px) && (0.0..1079.0).contains(&p.y_px);
            inside.then_some(p)
        })
        .collect()
}

/// A board held all over the frame, tilted up to 40 degrees; without noise.
fn views(count: usize, most_tilt_rad: f64, seed: u64) -> Vec<BoardView> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut out = Vec::new();
    while out.len() < count {
        let z = rng.random_range(0.38..0.7);
        let middle = Vector3::new(rng.random_range(-0.6..0.6) * z, rng.random_range(-0.35..0.35) * z, z);
        let turn = Vector3::new(
            rng.random_range(-most_tilt_rad..=most_tilt_rad),
            rng.random_range(-most_tilt_rad..=most_tilt_rad),
            rng.random_range(-0.4..0.4),
        );
        let rotation = nalgebra::UnitQuaternion::from_scaled_axis(turn);
        let origin = middle - rotation * Vector3::new(0.1, 0.0625, 0.0);
        let pose = Isometry3::from_parts(origin.into(), rotation);
        if let Some(corners) = corners(&pose) {
            out.push(BoardView::new(format!("view {}", out.len()), corners));
        }
    }
    out
}

fn with_noise(views: &[BoardView], sigma_px: f64, rng: &mut ChaCha8Rng) -> Vec<BoardView> {
    let normal = Normal::new(0.0, sigma_px).unwrap();
    views
        .iter()
        .map(|v| {
            let noisy = v
                .corners
                .iter()
                .map(|c| RawPixel::new(c.x_px + normal.sample(rng), c.y_px + normal.sample(rng)))
                .collect();
            BoardView::new(v.name.clone(), noisy)
        })
        .collect()
}

fn parameters(l: &Lens) -> [f64; 9] {
    let [k1, k2, p1, p2, k3] = l.distortion;
    [l.fx_px, l.fy_px, l.cx_px, l.cy_px, k1, k2, p1, p2, k3]
}

fn sds(l: &Lens) -> [f64; 9] {
    let [k1, k2, p1, p2, k3] = l.distortion_sd.unwrap();
    let s = |v: Option<f64>| v.unwrap();
    [s(l.fx_sd_px), s(l.fy_sd_px), s(l.cx_sd_px), s(l.cy_sd_px), k1, k2, p1, p2, k3]
}

#[test]
fn without_noise_the_lens_comes_back_exactly() {
    let c = calibrate(&views(15, 0.6, 1), &BOARD, SIZE_PX, &LensConfig::default()).unwrap();
    for (got, wanted) in parameters(&c.lens).iter().zip(parameters(&truth())) {
        assert!((got - wanted).abs() < 1e-5 * wanted.abs().max(1.0), "{got} {wanted}");
    }
    assert!(c.lens.rms_px.unwrap() < 1e-6);
}

#[test]
fn noise_in_is_covariance_out() {
    let exact = views(14, 0.6, 2);
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let config = LensConfig { leave_out_factor: 1e9, ..LensConfig::default() };
    let draws = 300;
    let (mut scatter, mut stated) = ([0.0; 9], [0.0; 9]);
    for _ in 0..draws {
        let c = calibrate(&with_noise(&exact, 0.2, &mut rng), &BOARD, SIZE_PX, &config).unwrap();
        for i in 0..9 {
            scatter[i] += (parameters(&c.lens)[i] - parameters(&truth())[i]).powi(2) / f64::from(draws);
            stated[i] += sds(&c.lens)[i] / f64::from(draws);
        }
        // Rms of 0.2 px on both axes, less what the unknowns take up.
        let freedom = 1.0 - f64::from(9 + 6 * 14) / f64::from(2 * 54 * 14);
        let expected = 0.2 * (2.0 * freedom).sqrt();
        assert!((c.lens.rms_px.unwrap() / expected - 1.0).abs() < 0.1);
    }
    for (i, name) in ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"].iter().enumerate() {
        let ratio = stated[i] / scatter[i].sqrt();
        println!("{name}: stated sd / scatter over {draws} draws = {ratio:.3}");
        assert!((ratio - 1.0).abs() < 0.15, "{name}: {ratio}");
    }
}

#[test]
fn errors_shared_by_a_view_are_in_the_sds() {
    // Each view stretched a little along y, as the rolling shutter does to a moving board.
    let exact = views(16, 0.6, 4);
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let config = LensConfig { leave_out_factor: 1e9, ..LensConfig::default() };
    let stretch = Normal::new(0.0, 0.004).unwrap();
    let (mut scatter, mut stated) = (0.0, 0.0);
    let draws = 60;
    for _ in 0..draws {
        let mut bad = with_noise(&exact, 0.1, &mut rng);
        for v in &mut bad {
            let (s, middle) = (stretch.sample(&mut rng), v.corners[27].y_px);
            for c in &mut v.corners {
                c.y_px += s * (c.y_px - middle);
            }
        }
        let c = calibrate(&bad, &BOARD, SIZE_PX, &config).unwrap();
        assert!(c.spread_factor > 1.5, "{}", c.spread_factor);
        scatter += (c.lens.fy_px - truth().fy_px).powi(2) / f64::from(draws);
        stated += c.lens.fy_sd_px.unwrap() / f64::from(draws);
    }
    let ratio = stated / scatter.sqrt();
    println!("fy with stretched views: stated sd / scatter = {ratio:.2}");
    assert!((0.6..1.6).contains(&ratio), "{ratio}");
}

#[test]
fn bad_views_are_named_and_do_no_harm() {
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let mut all = with_noise(&views(20, 0.6, 7), 0.15, &mut rng);
    all[1].corners.swap(3, 40);
    for (i, c) in all[4].corners.iter_mut().enumerate() {
        c.x_px += 4.0 * (i as f64 * 1.7).sin();
    }
    all[6].corners[10].x_px = f64::NAN;
    all[8].corners.pop();
    for c in &mut all[10].corners {
        c.x_px = 900.0 + 0.02 * c.x_px;
        c.y_px = 500.0 + 0.02 * c.y_px;
    }
    for (i, c) in all[12].corners.iter_mut().enumerate() {
        c.y_px += 0.02 * (i / 9) as f64 * (i / 9) as f64 * (i % 9) as f64;
    }
    all[14].edge_width_px = Some(60.0);
    let c = calibrate(&all, &BOARD, SIZE_PX, &LensConfig::default()).unwrap();
    let why = |i: usize| c.views[i].left_out.as_ref();
    assert!(matches!(why(1), Some(LeftOut::CornersMixedUp { .. })), "{:?}", why(1));
    assert!(matches!(why(4), Some(LeftOut::Inconsistent { .. })), "{:?}", why(4));
    assert!(matches!(why(6), Some(LeftOut::OutsidePicture)));
    assert!(matches!(why(8), Some(LeftOut::CornerCount { needed: 54, got: 53 })));
    assert!(matches!(why(10), Some(LeftOut::TooSmall { .. })), "{:?}", why(10));
    assert!(matches!(why(12), Some(LeftOut::Inconsistent { .. })), "{:?}", why(12));
    assert!(matches!(why(14), Some(LeftOut::Smeared { .. })));
    assert_eq!(c.used_count(), 13);
    assert_eq!(c.lens.views_used, Some(13));
    assert_eq!(c.lens.views_left_out, Some(7));
    for ((got, wanted), sd) in parameters(&c.lens).iter().zip(parameters(&truth())).zip(sds(&c.lens)) {
        assert!((got - wanted).abs() < 4.0 * sd, "{got} {wanted} sd {sd}");
    }
}

#[test]
fn a_mirrored_or_turned_order_of_one_view_changes_nothing() {
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let straight = with_noise(&views(12, 0.6, 9), 0.1, &mut rng);
    let mut mixed = straight.clone();
    mixed[2].corners.reverse();
    mixed[5].corners = mixed[5].corners.chunks(9).flat_map(|r| r.iter().rev().copied()).collect();
    let config = LensConfig::default();
    let a = calibrate(&straight, &BOARD, SIZE_PX, &config).unwrap();
    let b = calibrate(&mixed, &BOARD, SIZE_PX, &config).unwrap();
    assert!((a.lens.fx_px - b.lens.fx_px).abs() < 1e-6 * a.lens.fx_px);
}

#[test]
fn seven_views_a_corner_of_the_frame_and_flat_boards_are_refused_with_the_remedy() {
    let config = LensConfig::default();
    let refused = calibrate(&views(7, 0.6, 10), &BOARD, SIZE_PX, &config).unwrap_err();
    assert!(matches!(refused, LensError::TooFewViews { needed: 8, got: 7, .. }));
    assert!(refused.to_string().contains("film the board again"), "{refused}");

    let middle: Vec<BoardView> = views(400, 0.6, 11)
        .into_iter()
        .filter(|v| v.corners.iter().all(|c| c.x_px < 1270.0 && c.y_px < 715.0))
        .take(12)
        .collect();
    assert!(middle.len() >= 8, "{}", middle.len());
    let refused = calibrate(&middle, &BOARD, SIZE_PX, &config).unwrap_err().to_string();
    assert!(refused.contains("bottom right") && refused.contains("carry it into those parts"), "{refused}");

    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let flat = with_noise(&views(15, 0.004, 13), 0.2, &mut rng);
    let refused = calibrate(&flat, &BOARD, SIZE_PX, &config).unwrap_err();
    assert!(matches!(refused, LensError::NoTilt { .. }), "{refused}");
    assert!(refused.to_string().contains("tilted by 30 to 45 degrees"), "{refused}");

    let nonsense = Board::chessboard(2, 6, 25.0);
    assert!(matches!(calibrate(&flat, &nonsense, SIZE_PX, &config), Err(LensError::Board { .. })));
    assert!(matches!(calibrate(&[], &BOARD, SIZE_PX, &config), Err(LensError::TooFewViews { got: 0, .. })));
}

/// Footage whose pictures are tiny and carry the number of the view in their first samples.
struct Fake {
    views: Vec<BoardView>,
    rotation: Rotation,
    searched: AtomicU64,
}

const STORED_PX: [u32; 2] = [32, 18];

struct FakeClip {
    info: ClipInfo,
    now: Vec<u8>,
    before: Vec<u8>,
    next: u32,
    frames_per_view: u32,
    views: u32,
}

fn planes(data: &[u8]) -> Planes<'_> {
    let luma = Plane { data: PlaneData::Bits8(data), width: 32, height: 18, stride: 32 };
    Planes { luma, cb: None, cr: None, chroma_step: [1, 1], full_range: true }
}

impl FrameSource for FakeClip {
    fn info(&self) -> &ClipInfo {
        &self.info
    }
    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        if self.next >= self.views * self.frames_per_view {
            return Ok(None);
        }
        let frame_idx = self.next;
        self.next += 1;
        std::mem::swap(&mut self.now, &mut self.before);
        // Moves in all frames of a view but its third.
        let moves = frame_idx % self.frames_per_view != 2;
        self.now = if moves {
            self.before.iter().map(|v| v.wrapping_add(90)).collect()
        } else {
            self.before.clone()
        };
        // All corners of the stored picture say which view it is, whichever way it is turned.
        let view = (frame_idx / self.frames_per_view) as u8;
        for i in [0, 31, 17 * 32, 17 * 32 + 31] {
            self.now[i] = if moves { 255 } else { view };
        }
        let before = (frame_idx > 0).then(|| planes(&self.before));
        Ok(Some(FrameView { frame_idx, pts_s: f64::from(frame_idx) / 30.0, now: planes(&self.now), before }))
    }
    fn damaged_frames(&self) -> u64 {
        2
    }
}

impl Footage for Fake {
    fn open_clip(&self, path: &Path, _: Option<f64>) -> Result<Box<dyn FrameSource + Send>, FootageError> {
        let frames_per_view = 6;
        let views = self.views.len() as u32;
        let picture = Picture { stored_px: STORED_PX, rotation: self.rotation };
        let info = ClipInfo {
            frames_claimed: Some(u64::from(views * frames_per_view)),
            ..ClipInfo::of_picture(path, picture)
        };
        let (now, before) = (vec![100; 32 * 18], vec![50; 32 * 18]);
        Ok(Box::new(FakeClip { info, now, before, next: 0, frames_per_view, views }))
    }
    fn probe(&self, path: &Path) -> Result<ClipInfo, FootageError> {
        Err(FootageError::Missing { path: path.to_path_buf() })
    }
    fn hear(&self, _: &Path, _: &mut dyn FnMut(SoundPiece<'_>)) -> Result<(), FootageError> {
        Ok(())
    }
    fn still_luma(&self, path: &Path) -> Result<(Vec<u8>, [u32; 2]), FootageError> {
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        if name == "empty" {
            return Err(FootageError::Empty { path: path.to_path_buf() });
        }
        let view: u8 = name.parse().unwrap_or(255);
        let size_px = if name == "99" { [18, 32] } else { STORED_PX };
        Ok((vec![view; 32 * 18], size_px))
    }
    fn board_corners(&self, luma: &[u8], _: [u32; 2], columns: u32, rows: u32) -> Option<Vec<RawPixel>> {
        assert_eq!((columns, rows, luma.len()), (9, 6, 32 * 18));
        self.searched.fetch_add(1, Ordering::Relaxed);
        // A corner in a 1920 x 1080 frame, scaled to the fake's picture size by the caller's config.
        let view = usize::from(luma[0]);
        let v = self.views.get(if view == 99 { 0 } else { view })?;
        Some(v.corners.iter().map(|c| RawPixel::new(c.x_px / 60.0, c.y_px / 60.0)).collect())
    }
}

fn small() -> LensConfig {
    LensConfig { min_spacing_px: 0.05, leave_out_floor_px: 0.15 / 60.0, ..LensConfig::default() }
}

#[test]
fn a_clip_gives_its_still_frames_once_each() {
    let mut rng = ChaCha8Rng::seed_from_u64(20);
    let mut seen = with_noise(&views(30, 0.6, 21), 0.1, &mut rng);
    // Two views are shown twice.
    seen[7] = BoardView::new("again", seen[3].corners.clone());
    seen[20] = BoardView::new("again", seen[3].corners.clone());
    let fake = Fake { views: seen, rotation: Rotation::R180, searched: AtomicU64::new(0) };
    // One span a view, so that the still frame of each is the one searched.
    let config = LensConfig { pictures_of_clip: 30, ..small() };
    let calls = AtomicU64::new(0);
    let count = |_| {
        calls.fetch_add(1, Ordering::Relaxed);
    };
    let c = from_source(&fake, Path::new("board.mp4"), &BOARD, None, &config, &count).unwrap();
    assert_eq!(fake.searched.load(Ordering::Relaxed), 30);
    assert_eq!(c.views.len(), 30);
    let same: Vec<usize> = (0..30).filter(|&i| c.views[i].left_out == Some(LeftOut::SameAsAnother)).collect();
    assert_eq!(same, [7, 20]);
    assert!(c.views[4].name.starts_with("frame 26 (0.867 s)"), "{}", c.views[4].name);
    assert!((c.lens.fx_px * 60.0 / 1500.0 - 1.0).abs() < 0.01, "{}", c.lens.fx_px * 60.0);
    assert!(c.warnings.iter().any(|w| w.what.contains("2 damaged frames")));
    assert!(calls.load(Ordering::Relaxed) > 5);
}

#[test]
fn a_folder_with_wrong_files_in_it_works_and_names_them() {
    let mut rng = ChaCha8Rng::seed_from_u64(22);
    let fake = Fake {
        views: with_noise(&views(15, 0.6, 23), 0.1, &mut rng),
        rotation: Rotation::R0,
        searched: AtomicU64::new(0),
    };
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str| -> PathBuf { folder.path().join(name) };
    for i in 0..15 {
        std::fs::write(file(&format!("{i:02}.jpg")), b"x").unwrap();
    }
    for name in ["notes.txt", "empty.jpg", "99.jpg", "pond.jpg", ".hidden", "clip.mp4", "noending"] {
        std::fs::write(file(name), b"x").unwrap();
    }
    std::fs::create_dir(file("more.jpg")).unwrap();
    let c = from_source(&fake, folder.path(), &BOARD, None, &small(), &|_| ()).unwrap();
    assert_eq!(c.used_count(), 15);
    let why = |name: &str| {
        let report = c.views.iter().find(|v| v.name == name).unwrap();
        report.left_out.as_ref().unwrap().to_string()
    };
    assert_eq!(why("notes.txt"), "not a picture (.txt file)");
    assert_eq!(why("clip.mp4"), "not a picture (.mp4 file)");
    assert_eq!(why("noending"), "not a picture (no file ending)");
    assert_eq!(why("empty.jpg"), "not a picture (empty, 0 bytes)");
    assert_eq!(why("99.jpg"), "18x32, another size than most pictures here");
    assert_eq!(why("pond.jpg"), "the whole board was not found in it");
    assert_eq!(c.views.len(), 21);

    // The same at one thread, to the last bit.
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let again = pool.install(|| from_source(&fake, folder.path(), &BOARD, None, &small(), &|_| ()).unwrap());
    assert_eq!(c, again);
}

#[test]
fn a_folder_without_boards_says_what_was_in_it() {
    let fake = Fake { views: Vec::new(), rotation: Rotation::R0, searched: AtomicU64::new(0) };
    let folder = tempfile::tempdir().unwrap();
    for name in ["1.jpg", "2.jpg", "notes.txt"] {
        std::fs::write(folder.path().join(name), b"x").unwrap();
    }
    let message = from_source(&fake, folder.path(), &BOARD, None, &small(), &|_| ()).unwrap_err().to_string();
    assert!(message.contains("8 good views of the board are needed and 0 were found"), "{message}");
    assert!(message.contains("1 not a picture, 2 without the whole board"), "{message}");
    assert!(message.contains("inner corners are counted"), "{message}");
}
