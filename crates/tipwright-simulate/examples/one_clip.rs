//! Films three seconds of a simulated cast at 1080p on one thread and times it: frames per second, and what each encoder
//! setting costs in time and bits. `cargo run --release -p tipwright-simulate --example one_clip`.
#![allow(clippy::print_stdout, clippy::unwrap_used)] // an example speaks to whoever runs it

use std::time::Instant;

use tipwright_footage::encode::{PictureCodec, Spend};
use tipwright_simulate::day::plan::Plan;
use tipwright_simulate::day::shoot::Shoot;
use tipwright_simulate::phone::backdrop::Backdrop;
use tipwright_simulate::phone::clip::{expose, film_clip};
use tipwright_simulate::{DayKind, SimulateConfig};

const FRAMES: usize = 360;

fn main() {
    let mut plan = Plan::new(&SimulateConfig { kind: DayKind::Clinic, seed: 1, ..SimulateConfig::default() });
    plan.takes.truncate(1);
    let folder = std::env::temp_dir().join(format!("one-clip-{}", std::process::id()));
    let t = Instant::now();
    let shoot = Shoot::prepare(&plan, &folder).unwrap();
    println!("cast simulated, backdrops painted: {:.1} s", t.elapsed().as_secs_f64());
    let t = Instant::now();
    let backdrop = Backdrop::new(&plan.cameras[0], &plan.surroundings);
    println!("one backdrop {:.2} s", t.elapsed().as_secs_f64());
    // the take comes after wand, plumb and toss
    let (mut spec, play) = shoot.scene_of(3, 0);
    // from the middle of the pick-up on
    spec.captured_ticks =
        spec.captured_ticks[120..120 + FRAMES].iter().map(|t| t - spec.captured_ticks[120]).collect();
    spec.shutter.clock.offset_s += 1.0;
    spec.microphone = None;
    let per_s = |t: Instant| FRAMES as f64 / t.elapsed().as_secs_f64();
    let t = Instant::now();
    expose(&spec, &backdrop, &play, &mut |_, _| Ok(())).unwrap();
    println!("pictures alone: {:.0} frames/s on one thread", per_s(t));
    let clip_s = FRAMES as f64 / 120.0;
    for (codec, qualities) in
        [(PictureCodec::H264, &[18.0, 15.0, 13.0, 11.0, 9.0][..]), (PictureCodec::Hevc, &[18.0, 14.0][..])]
    {
        for quality in qualities {
            spec.path = folder.join("clip.mp4");
            spec.encode.codec = codec;
            spec.encode.spend = Spend::Quality(*quality);
            let t = Instant::now();
            film_clip(&spec, &backdrop, &play, &|| ()).unwrap();
            let bits = 8.0 * std::fs::metadata(&spec.path).unwrap().len() as f64;
            println!(
                "{codec:?} quality {quality}: {:.0} frames/s on one thread, {:.1} Mbit/s",
                per_s(t),
                1e-6 * bits / clip_s
            );
        }
    }
    let _ = std::fs::remove_dir_all(&folder);
}
