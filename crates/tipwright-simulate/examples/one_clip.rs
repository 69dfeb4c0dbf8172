//! Times the parts of filming one 1080p clip: `cargo run --release -p tipwright-simulate --example one_clip`.
#![allow(clippy::print_stdout, clippy::unwrap_used)] // an example speaks to whoever runs it

use std::time::Instant;

use tipwright_footage::encode::{ClipEncoder, EncodeConfig, Spend};
use tipwright_simulate::day::plan::Plan;
use tipwright_simulate::phone::backdrop::Backdrop;
use tipwright_simulate::phone::film::Film;
use tipwright_simulate::phone::noise::{NoiseTile, stream};
use tipwright_simulate::{DayKind, SimulateConfig};

fn main() {
    let plan = Plan::new(&SimulateConfig { kind: DayKind::Clinic, seed: 1 });
    let t = Instant::now();
    let backdrop = Backdrop::new(&plan.cameras[0], &plan.surroundings);
    println!("backdrop {:.1} ms", t.elapsed().as_secs_f64() * 1e3);
    let noise = NoiseTile::new(plan.modes[0].noise, 1);
    let mut film = Film::new(&backdrop, noise, stream(1, "x"), false);
    let t = Instant::now();
    film.refresh_sky(&backdrop, 0.0);
    film.settle();
    println!("refresh {:.1} ms", t.elapsed().as_secs_f64() * 1e3);
    let t = Instant::now();
    for _ in 0..100 {
        let _ = film.develop();
    }
    println!("develop {:.2} ms a frame", t.elapsed().as_secs_f64() * 10.0);
    for quality in [28.0, 24.0, 21.0, 18.0, 15.0] {
        let path = std::env::temp_dir().join("one_clip.mp4");
        let config = EncodeConfig {
            spend: Spend::Quality(quality),
            ..EncodeConfig::new(plan.cameras[0].picture.stored_px)
        };
        let mut encoder = ClipEncoder::create(&path, config).unwrap();
        let t = Instant::now();
        let mut developing = 0.0;
        for k in 0..120 {
            let d = Instant::now();
            let planes = film.develop();
            developing += d.elapsed().as_secs_f64();
            encoder.push(&planes, k * 750).unwrap();
        }
        encoder.finish().unwrap();
        let ms = (t.elapsed().as_secs_f64() - developing) * 1e3 / 120.0;
        let bytes = std::fs::metadata(&path).unwrap().len();
        println!("quality {quality}: encode {ms:.2} ms a frame, {:.1} Mbit/s", bytes as f64 * 8e-6);
    }
}
