//! A real phone's stamps against a real fall (open data, `clips/oliv_drop.mp4`).
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test: it may stop, and it prints its figures"
)]

mod common;

use tipwright::model::Colour;
use tipwright::model::footage::Footage;
use tipwright::spots::{MarkerLook, SpotsConfig, find_clip};
use tipwright_footage::Reader;

#[test]
fn dump() {
    let Some(path) = common::open_data("clips/oliv_drop.mp4") else { return };
    let mut clip = Reader::default().open_clip(&path, None).unwrap();
    let looks = [MarkerLook { colour: Colour::Red, diameter_m: 0.04 }];
    let found = find_clip("phone", clip.as_mut(), &looks, &SpotsConfig::default(), &mut |_| {}).unwrap();
    for w in &found.warnings {
        println!("{w}");
    }
    println!("{:?}", found.spots.times.stretches);
    for (f, s) in found.spots.frames.iter().zip(&found.spots.times.stamps_s) {
        for c in f.candidates.iter().take(3) {
            println!(
                "DUMP {} {:.6} {:.6} {:.3} {:.3} {:.3} {:.2}",
                f.frame_idx,
                f.pts_s,
                s,
                c.centre.x_px,
                c.centre.y_px,
                c.sigma_px(),
                c.score
            );
        }
    }
}
