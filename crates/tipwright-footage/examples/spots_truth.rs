//! Marker candidates of a simulated session against its truth, clip by clip, and what decoding and search cost.
//!
//! `cargo run --release -p tipwright-footage --example spots_truth -- SESSION TRUTH`
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "an example that prints a table")]

use std::path::Path;
use std::time::Instant;

use tipwright::model::footage::Footage;
use tipwright::model::{ClipSpots, Colour, Role};
use tipwright::spots::{MarkerLook, SpotsConfig, find_clip};
use tipwright_day::session::parse;
use tipwright_footage::Reader;

/// Farther than this from the truth a candidate is something else, pixels.
const REACH_PX: f64 = 3.0;

#[derive(Default)]
struct Tally {
    visible: usize,
    found: usize,
    first: usize,
    chi: f64,
    error2_px2: f64,
    sigma2_px2: f64,
    candidates: usize,
    offsets_px: Vec<(f64, f64)>,
    frames: usize,
}

struct Truth {
    frame_idx: u32,
    x_px: f64,
    y_px: f64,
    role: String,
    visible: bool,
}

fn read_truth(path: &Path) -> Option<Vec<Truth>> {
    let text = std::fs::read_to_string(path).ok()?;
    let rows = text.lines().skip(1).filter_map(|line| {
        let cells: Vec<&str> = line.split(',').collect();
        Some(Truth {
            frame_idx: cells.first()?.parse().ok()?,
            x_px: cells.get(2)?.parse().ok()?,
            y_px: cells.get(3)?.parse().ok()?,
            role: (*cells.get(5)?).to_owned(),
            visible: *cells.get(8)? == "1",
        })
    });
    Some(rows.collect())
}

/// Median error per axis, as a Gaussian's sigma.
fn median(offsets_px: &[(f64, f64)]) -> f64 {
    let mut all: Vec<f64> = offsets_px.iter().flat_map(|o| [o.0.abs(), o.1.abs()]).collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).map_or(f64::NAN, |m| 1.4826 * m)
}

fn tally(spots: &ClipSpots, truth: &[Truth], role: &str, colour: Colour, show: bool) -> Tally {
    let mut t = Tally { frames: spots.frames.len(), ..Tally::default() };
    for frame in &spots.frames {
        let own: Vec<_> = frame.candidates.iter().filter(|c| c.colour == colour).collect();
        t.candidates += own.len();
        for there in truth.iter().filter(|r| r.frame_idx == frame.frame_idx && r.role == role && r.visible) {
            t.visible += 1;
            let off =
                |c: &tipwright::model::Candidate| (c.centre.x_px - there.x_px, c.centre.y_px - there.y_px);
            let near = own.iter().enumerate().min_by(|a, b| {
                let d = |c: &tipwright::model::Candidate| off(c).0.hypot(off(c).1);
                d(a.1).total_cmp(&d(b.1))
            });
            let hit = near.filter(|(_, c)| {
                let (dx, dy) = off(c);
                dx.hypot(dy) < REACH_PX
            });
            let Some((rank, c)) = hit else {
                if show {
                    println!("    missed frame {} at {:.1} {:.1}", frame.frame_idx, there.x_px, there.y_px);
                }
                continue;
            };
            t.found += 1;
            t.first += usize::from(rank == 0);
            let (dx, dy) = off(c);
            let [xx, xy, yy] = c.cov_px2;
            t.chi += (yy * dx * dx - 2.0 * xy * dx * dy + xx * dy * dy) / (xx * yy - xy * xy) / 2.0;
            t.error2_px2 += 0.5 * (dx * dx + dy * dy);
            t.offsets_px.push((dx, dy));
            t.sigma2_px2 += 0.5 * (xx + yy);
        }
    }
    t
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, session, truth, rest @ ..] = arguments.as_slice() else {
        println!("spots_truth SESSION TRUTH [CLIP] (a part of a clip's path; shows what was missed)");
        return;
    };
    let only = rest.first().cloned().unwrap_or_default();
    let session = parse(Path::new(session)).session.expect("a session");
    let reader = Reader::default();
    let tip = &session.marker.tip;
    let mut looks =
        vec![(Role::Tip, MarkerLook { colour: tip.colour, diameter_m: tip.diameter_mm.get() / 1000.0 })];
    for (butt, role) in session.marker.butt.iter().zip([Role::Butt1, Role::Butt2]) {
        looks.push((role, MarkerLook { colour: butt.colour, diameter_m: butt.diameter_mm.get() / 1000.0 }));
    }
    let (mut decode_s, mut find_s, mut frames) = (0.0, 0.0, 0u64);
    println!(
        "clip role: recall, first in list, candidates a frame, error px (median, mean of x and y), stated sigma px, chi-square per degree"
    );
    for take in &session.take {
        for (camera, clip) in &take.clips {
            if !clip.display().to_string().contains(&only) {
                continue;
            }
            let path = session.resolve(clip);
            let capture_fps = session.capture_fps(camera);
            let Some(rows) = read_truth(
                &Path::new(truth).join("takes").join(&take.name).join(format!("spots_{camera}.csv")),
            ) else {
                println!("{}: no truth", path.display());
                continue;
            };
            let began = Instant::now();
            let Ok(mut source) = reader.open_clip(&path, capture_fps) else {
                println!("{}: cannot be opened", path.display());
                continue;
            };
            while let Ok(Some(_)) = source.next_frame() {
                frames += 1;
            }
            decode_s += began.elapsed().as_secs_f64();
            let began = Instant::now();
            let mut source = reader.open_clip(&path, capture_fps).expect("opened before");
            let wanted: Vec<MarkerLook> = looks.iter().map(|l| l.1).collect();
            let found = find_clip(camera, source.as_mut(), &wanted, &SpotsConfig::default(), &mut |_| {})
                .expect("spots");
            find_s += began.elapsed().as_secs_f64();
            for (role, look) in &looks {
                let role = format!("{role:?}").to_lowercase();
                let t = tally(&found.spots, &rows, &role, look.colour, !only.is_empty());
                let n = t.found.max(1) as f64;
                println!(
                    "{} {camera} {role}: {:.2} % of {}, {:.1} %, {:.1}, {:.3} (median {:.3}, mean {:+.3} {:+.3}), {:.3}, {:.2}",
                    take.name,
                    100.0 * t.found as f64 / t.visible.max(1) as f64,
                    t.visible,
                    100.0 * t.first as f64 / n,
                    t.candidates as f64 / t.frames.max(1) as f64,
                    (t.error2_px2 / n).sqrt(),
                    median(&t.offsets_px),
                    t.offsets_px.iter().map(|o| o.0).sum::<f64>() / n,
                    t.offsets_px.iter().map(|o| o.1).sum::<f64>() / n,
                    (t.sigma2_px2 / n).sqrt(),
                    t.chi / n
                );
            }
            println!("  {:?} {:?}", found.counts, found.diameter_px);
        }
    }
    let per_frame = 1e3 / frames.max(1) as f64;
    println!(
        "{frames} frames; decoding {:.2} ms a frame, decoding and search {:.2} ms, search alone {:.2} times decoding",
        decode_s * per_frame,
        find_s * per_frame,
        (find_s - decode_s) / decode_s
    );
}
