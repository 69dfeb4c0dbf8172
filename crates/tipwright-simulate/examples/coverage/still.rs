//! The same take, once as it is and once after the caster stood still for a while: standing still tells nothing of the cast.

use std::collections::BTreeMap;

use rayon::prelude::*;
use tipwright::model::{Camera, ClipSpots, Clock};
use tipwright_simulate::phone::noise::stream;

use crate::film::{Detector, Marker, film};
use crate::{Options, one, tally};

/// Puts frames before a clip in which the markers stand where they are at its beginning. Stamps go on below zero, so that
/// clocks and frames of the cast stay what they were, noise included.
pub fn before(
    clip: &mut ClipSpots,
    camera: &Camera,
    clock: &Clock,
    detector: &Detector,
    seconds: f64,
    markers: &[Marker],
    seed: u64,
) {
    let count = (seconds * detector.fps) as u32;
    let exposures_s: Vec<f64> =
        (0..count).map(|i| (f64::from(i) - f64::from(count)) / detector.fps).collect();
    let mut rng = stream(seed, &format!("still {}", camera.name));
    let stands: Vec<_> = markers.iter().map(|m| |t: f64| (m.place)(t.max(0.0))).collect();
    let resting: Vec<Marker> = markers
        .iter()
        .zip(&stands)
        .map(|(m, place)| Marker { place, colour: m.colour, diameter_m: m.diameter_m })
        .collect();
    let mut still = film(camera, clock, detector, &exposures_s, &resting, &mut rng);
    for frame in &mut clip.frames {
        frame.frame_idx += count;
    }
    still.frames.append(&mut clip.frames);
    clip.frames = still.frames;
}

/// Prints per figure how far it moved and how its standard deviation changed.
pub fn study(first: u64, set_ups: u64, seconds: f64, options: Options) {
    let after = Options { still_s: seconds, ..options.clone() };
    let pairs: Vec<_> = (first..first + set_ups)
        .collect::<Vec<u64>>()
        .into_par_iter()
        .with_max_len(1)
        .map(|seed| (one(seed, &options), one(seed, &after)))
        .collect();
    let mut by: BTreeMap<String, Vec<(f64, f64)>> = BTreeMap::new();
    let mut lost = 0;
    for (plain, still) in &pairs {
        for row in plain.iter().filter(|r| r.stroke > 0) {
            let Some(other) = still.iter().find(|r| (r.stroke, &r.figure) == (row.stroke, &row.figure))
            else {
                lost += 1;
                continue;
            };
            by.entry(row.figure.clone())
                .or_default()
                .push(((other.error - row.error).abs() / row.sd.max(1e-9), other.sd / row.sd.max(1e-9)));
        }
        tally_clocks(plain, still, &mut by);
    }
    println!(
        "{seconds} still seconds before the cast; moved: in standard deviations of the take without them"
    );
    println!(
        "{:30} {:>6} {:>10} {:>10} {:>12} {:>12} {:>16}",
        "figure", "n", "median", "most", "over 1 sd %", "sd ratio", "ratio 2 to 98 %"
    );
    let at = |v: &mut Vec<f64>, share: f64| {
        v.sort_by(f64::total_cmp);
        v[((v.len() - 1) as f64 * share).round() as usize]
    };
    let (mut moved_over, mut all) = (0, 0);
    for (figure, pairs) in &by {
        let mut moved: Vec<f64> = pairs.iter().map(|p| p.0).collect();
        let mut ratio: Vec<f64> = pairs.iter().map(|p| p.1).collect();
        let over = moved.iter().filter(|m| **m > 1.0).count();
        moved_over += over;
        all += moved.len();
        println!(
            "{figure:30} {:>6} {:>10.3} {:>10.2} {:>12.1} {:>12.3} {:>8.2}{:>8.2}",
            moved.len(),
            at(&mut moved, 0.5),
            at(&mut moved, 1.0),
            100.0 * over as f64 / moved.len() as f64,
            at(&mut ratio, 0.5),
            at(&mut ratio, 0.02),
            at(&mut ratio, 0.98)
        );
    }
    println!("{moved_over} of {all} moved by more than one standard deviation, {lost} figures lost");
}

fn tally_clocks(plain: &[tally::Row], still: &[tally::Row], by: &mut BTreeMap<String, Vec<(f64, f64)>>) {
    // where the still part is long, an offset counts from another middle: what both say of the cast is compared, by its readouts
    for row in plain.iter().filter(|r| r.figure.contains("take readout")) {
        if let Some(other) = still.iter().find(|r| r.figure == row.figure) {
            by.entry(row.figure.clone())
                .or_default()
                .push(((other.error - row.error).abs() / row.sd, other.sd / row.sd));
        }
    }
}
