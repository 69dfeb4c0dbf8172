//! Films cards held up, crooked, in hard light, and reads them as `gather` does; then looks for cards where there are none.
//!
//!     cargo run --release -p tipwright-simulate --example cards -- MOMENTS [--seed N] [--keep DIR] [--empty CLIP...]
//!
//! Every moment is a card of its own at 5 to 9 m, tilted to 45 degrees to any side and turned by up to 30 in its plane, trembling, in
//! full sun, in shade or half in both, filmed and encoded by the phones of the clinic and of the hard day in turn; three pictures 0.7 s apart.
//! Printed: the share of moments and of single pictures read, by distance and tilt, and what was read wrongly. `--empty`: every picture
//! of these clips, and 1,000 of noise, are searched for cards of which there are none. `--keep` leaves the clips that were not read.
#![allow(clippy::print_stdout, clippy::unwrap_used)] // an example speaks to whoever runs it

use std::path::{Path, PathBuf};

use nalgebra::{Isometry3, Point3, Rotation3, Translation3, UnitQuaternion, Vector3};
use rand::RngExt;
use rayon::prelude::*;
use tipwright::cards::read::Grey;
use tipwright::cards::{COUNT, Card, CardSeen, read};
use tipwright::model::footage::{Footage, Plane, Window};
use tipwright_footage::Reader;
use tipwright_simulate::day::plan::Plan;
use tipwright_simulate::phone::backdrop::Backdrop;
use tipwright_simulate::phone::clip::{ClipSpec, film_clip};
use tipwright_simulate::phone::noise::{between, stream};
use tipwright_simulate::phone::play::{HeldCard, Play};
use tipwright_simulate::phone::shutter::Shutter;
use tipwright_simulate::{DayKind, SimulateConfig};

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let moments: usize = arguments.first().and_then(|a| a.parse().ok()).unwrap_or(100);
    let after = |flag: &str| arguments.iter().position(|a| a == flag).map(|i| &arguments[i + 1..]);
    let seed: u64 = after("--seed").and_then(|a| a.first()?.parse().ok()).unwrap_or(1);
    if moments > 0 {
        let keep = after("--keep").and_then(|a| a.first()).map(PathBuf::from);
        with_cards(moments, seed, keep.as_deref());
    }
    if let Some(clips) = after("--empty") {
        without_cards(&clips.iter().map(PathBuf::from).collect::<Vec<_>>(), seed);
    }
}

/// One moment as it was and as it was read.
struct Moment {
    card: Card,
    distance_m: f64,
    tilt_deg: f64,
    kind: &'static str,
    read: Vec<Vec<CardSeen>>,
}

impl Moment {
    fn right(&self) -> usize {
        self.read.iter().filter(|seen| seen.iter().any(|s| s.card == self.card)).count()
    }

    fn wrong(&self) -> usize {
        self.read.iter().flatten().filter(|s| s.card != self.card).count()
    }
}

fn with_cards(moments: usize, seed: u64, keep: Option<&Path>) {
    let own = std::env::temp_dir().join(format!("cards-{}", std::process::id()));
    let folder = keep.unwrap_or(&own);
    std::fs::create_dir_all(folder).unwrap();
    let plans = [(DayKind::Clinic, "clinic"), (DayKind::Hard, "hard")]
        .map(|(kind, name)| (Plan::new(&SimulateConfig { kind, seed, ..SimulateConfig::default() }), name));
    let mut views = Vec::new();
    for (plan, name) in &plans {
        for camera_idx in 0..2 {
            views.push((
                plan,
                *name,
                camera_idx,
                Backdrop::new(&plan.cameras[camera_idx], &plan.surroundings),
            ));
        }
    }
    let done: Vec<Moment> = (0..moments)
        .into_par_iter()
        .map(|i| {
            let (plan, kind, camera_idx, backdrop) = &views[i % views.len()];
            moment(plan, kind, *camera_idx, backdrop, i, folder)
        })
        .collect();
    let _ = std::fs::remove_dir_all(&own);
    let all = || done.iter();
    tell("all", &all().collect::<Vec<_>>());
    for kind in ["clinic", "hard"] {
        tell(kind, &all().filter(|m| m.kind == kind).collect::<Vec<_>>());
    }
    for (from, to) in [(5.0, 6.0), (6.0, 7.0), (7.0, 8.0), (8.0, 9.0)] {
        let near: Vec<_> = all().filter(|m| (from..to).contains(&m.distance_m)).collect();
        tell(&format!("{from} to {to} m"), &near);
    }
    for (from, to) in [(0.0, 15.0), (15.0, 30.0), (30.0, 45.0)] {
        let near: Vec<_> = all().filter(|m| (from..to).contains(&m.tilt_deg)).collect();
        tell(&format!("tilted {from} to {to} deg"), &near);
    }
    for m in all().filter(|m| m.right() == 0) {
        println!("not read: {:?} at {:.1} m, {:.0} deg, {}", m.card, m.distance_m, m.tilt_deg, m.kind);
    }
}

fn tell(what: &str, moments: &[&Moment]) {
    let count = moments.len().max(1) as f64;
    let read = moments.iter().filter(|m| m.right() > 0).count();
    let pictures: usize = moments.iter().map(|m| m.read.len()).sum();
    let pictures_read: usize = moments.iter().map(|m| m.right()).sum();
    let wrong: usize = moments.iter().map(|m| m.wrong()).sum();
    println!(
        "{what}: {read} of {} card moments read ({:.1} %), {pictures_read} of {pictures} pictures; read wrongly {wrong}",
        moments.len(),
        100.0 * read as f64 / count
    );
}

fn moment(
    plan: &Plan,
    kind: &'static str,
    camera_idx: usize,
    backdrop: &Backdrop,
    i: usize,
    folder: &Path,
) -> Moment {
    let mut rng = stream(plan.seed, &format!("card {kind} {i}"));
    let card = loop {
        if let Some(card) = Card::of(rng.random_range(0..COUNT)) {
            break card;
        }
    };
    let camera = &plan.cameras[camera_idx];
    let world_from_camera = camera.pose.camera_from_world.inverse();
    let distance_m = between(&mut rng, 5.0, 9.0);
    // in the middle two thirds of the picture
    let lens = &camera.lens;
    let [w, h] = lens.resolution_px.map(f64::from);
    let (x, y) =
        (between(&mut rng, -0.33, 0.33) * w / lens.fx_px, between(&mut rng, -0.33, 0.33) * h / lens.fy_px);
    let at = world_from_camera * Point3::from(Vector3::new(x, y, 1.0).normalize() * distance_m);
    let tilt_deg = between(&mut rng, 0.0, 45.0);
    let toward = between(&mut rng, 0.0, std::f64::consts::TAU);
    let roll = between(&mut rng, -30.0, 30.0_f64).to_radians();
    let axis = nalgebra::Unit::new_normalize(Vector3::new(toward.cos(), toward.sin(), 0.0));
    // facing the camera, then tilted away from it
    let facing = Rotation3::rotation_between(&Vector3::z(), &Vector3::new(x, y, 1.0)).unwrap();
    let turn = facing
        * Rotation3::from_axis_angle(&axis, tilt_deg.to_radians())
        * Rotation3::from_axis_angle(&Vector3::z_axis(), roll);
    let page = world_from_camera.rotation * UnitQuaternion::from_rotation_matrix(&turn);
    // a hand trembles by some millimetres and a degree, some times a second
    let (phase, tremble) = (between(&mut rng, 0.0, 6.0), between(&mut rng, 0.5, 3.0) / 1000.0);
    let page_at = move |t_s: f64| {
        let s = (std::f64::consts::TAU * 3.0 * t_s + phase).sin();
        let shake = UnitQuaternion::from_scaled_axis(Vector3::new(0.3, 1.0, 0.5) * (0.01 * s));
        Some(Isometry3::from_parts(
            Translation3::from(at.coords + Vector3::new(1.0, 0.4, -0.7) * (tremble * s)),
            page * shake,
        ))
    };
    let daylight = f64::from(plan.surroundings.daylight);
    let (light, shadow) = match rng.random_range(0..3) {
        0 => (daylight * between(&mut rng, 1.0, 1.25), None),
        1 => (daylight * between(&mut rng, 0.25, 0.5), None),
        _ => {
            let a = between(&mut rng, 0.0, std::f64::consts::TAU);
            (
                daylight,
                Some(([a.cos(), a.sin()], between(&mut rng, -0.06, 0.06), between(&mut rng, 0.3, 0.6))),
            )
        }
    };
    let play =
        Play { cards: vec![HeldCard { card, page_at: Box::new(page_at), light, shadow }], ..Play::default() };
    let spec = spec(plan, camera_idx, i, folder);
    film_clip(&spec, backdrop, &play, &|| ()).unwrap();
    let read = pictures(&spec.path, 1, seen);
    let moment = Moment { card, distance_m, tilt_deg, kind, read };
    if moment.right() > 0 {
        std::fs::remove_file(&spec.path).unwrap();
    }
    moment
}

/// Three pictures 0.7 s apart.
fn spec(plan: &Plan, camera_idx: usize, i: usize, folder: &Path) -> ClipSpec {
    let (camera, mode) = (&plan.cameras[camera_idx], &plan.modes[camera_idx]);
    let encode = tipwright_footage::encode::EncodeConfig {
        codec: mode.codec,
        depth: mode.depth,
        rotation: camera.picture.rotation,
        ticks_per_s: 90_000,
        spend: tipwright_footage::encode::Spend::Quality(18.0),
        ..tipwright_footage::encode::EncodeConfig::new(camera.picture.stored_px)
    };
    ClipSpec {
        path: folder.join(format!("{i}.mp4")),
        name: format!("card {i}"),
        camera: camera.clone(),
        shutter: Shutter {
            clock: tipwright::model::Clock { offset_s: 0.0, drift: 0.0, readout_s: mode.readout_s },
            exposure_s: mode.exposure_s,
            rows: f64::from(camera.picture.stored_px[1]),
        },
        captured_ticks: vec![0, 63_000, 126_000],
        late_ticks: Vec::new(),
        slowed_by: 1,
        idle: Vec::new(),
        encode,
        noise: mode.noise,
        exposure_swing: mode.exposure_swing,
        sharpening: mode.sharpening,
        microphone: None,
        seed: plan.seed + i as u64,
    }
}

fn seen(luma: &[u8], size_px: [u32; 2]) -> Vec<CardSeen> {
    let picture = Grey { luma, width: size_px[0] as usize, height: size_px[1] as usize };
    Reader::default()
        .dark_squares(luma, size_px, Window::whole(size_px))
        .iter()
        .filter_map(|s| read(&picture, s))
        .collect()
}

/// What is made of every `step`-th picture of a clip.
fn pictures<T>(clip: &Path, step: u32, mut make: impl FnMut(&[u8], [u32; 2]) -> T) -> Vec<T> {
    let mut source = Reader::default().open_clip(clip, None).unwrap();
    let (mut out, mut luma) = (Vec::new(), Vec::new());
    while let Some(view) = source.next_frame().unwrap() {
        if view.frame_idx % step == 0 {
            let plane: Plane<'_> = view.now.luma;
            plane.to_grey(&mut luma);
            out.push(make(&luma, [plane.width as u32, plane.height as u32]));
        }
    }
    out
}

fn without_cards(clips: &[PathBuf], seed: u64) {
    let found: Vec<(usize, usize, Vec<CardSeen>)> = clips
        .par_iter()
        .map(|clip| {
            let mut squares = 0;
            let each = pictures(clip, 1, |luma, size_px| {
                squares += Reader::default().dark_squares(luma, size_px, Window::whole(size_px)).len();
                seen(luma, size_px)
            });
            (each.len(), squares, each.into_iter().flatten().collect())
        })
        .collect();
    let pictures: usize = found.iter().map(|f| f.0).sum();
    let squares: usize = found.iter().map(|f| f.1).sum();
    let wrong: Vec<&CardSeen> = found.iter().flat_map(|f| &f.2).collect();
    println!(
        "clips without cards: {pictures} pictures, {squares} dark squares, {} cards read {wrong:?}",
        wrong.len()
    );
    // noise of blocks of 1 to 8 px, as a texture has them
    let noisy: Vec<(usize, usize)> = (0..1000_u64)
        .into_par_iter()
        .map(|k| {
            let mut rng = stream(seed, &format!("noise {k}"));
            let (w, h, block) = (960_usize, 540_usize, 1 + (k % 8) as usize);
            let coarse: Vec<u8> = (0..w.div_ceil(block) * h.div_ceil(block))
                .map(|_| if rng.random::<bool>() { 30 } else { 200 })
                .collect();
            let luma: Vec<u8> =
                (0..w * h).map(|i| coarse[(i / w / block) * w.div_ceil(block) + (i % w) / block]).collect();
            let size = [w as u32, h as u32];
            (Reader::default().dark_squares(&luma, size, Window::whole(size)).len(), seen(&luma, size).len())
        })
        .collect();
    let (squares, wrong) = noisy.iter().fold((0, 0), |(s, w), n| (s + n.0, w + n.1));
    println!("noise: {} pictures, {squares} dark squares, {wrong} cards read", noisy.len());
}
