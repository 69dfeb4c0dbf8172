//! The finder on clips that other people's phones filmed (open data, see its README), with default settings.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test: it may stop, and it prints its figures"
)]

mod common;

use common::open_data;
use tipwright::math::median;
use tipwright::model::footage::{Footage, PlaneData};
use tipwright::model::{Candidate, Colour, RawPixel};
use tipwright::spots::{FoundSpots, MarkerLook, SpotsConfig, find_clip};
use tipwright_footage::Reader;

/// The finder's clip, and beside it where the red of every frame has its middle (chroma above 0.6 of the frame's most), by
/// plain sums over the decoded planes; `None` where there is hardly any.
fn look(name: &str, diameter_m: f64) -> Option<(FoundSpots, Vec<Option<RawPixel>>)> {
    let path = open_data("clips")?.join(name);
    let reader = Reader::default();
    let mut source = reader.open_clip(&path, None).unwrap();
    let picture = source.info().picture;
    let mut red = Vec::new();
    while let Some(frame) = source.next_frame().unwrap() {
        let cr = frame.now.cr.unwrap();
        let PlaneData::Bits8(data) = cr.data else { panic!("8 bits") };
        let rows = || (0..cr.height).flat_map(|y| (0..cr.width).map(move |x| (x, y)));
        let at = |x: usize, y: usize| f64::from(data[y * cr.stride + x]) - 128.0;
        let most = rows().map(|(x, y)| at(x, y)).fold(0.0, f64::max);
        let (mut n, mut sx, mut sy) = (0.0, 0.0, 0.0);
        for (x, y) in rows().filter(|(x, y)| at(*x, *y) > 0.6 * most) {
            n += 1.0;
            sx += x as f64;
            sy += y as f64;
        }
        let middle = picture.upright_from_stored(2.0 * sx / n + 0.5, 2.0 * sy / n + 0.5);
        red.push((most > 15.0).then_some(middle));
    }
    let mut source = reader.open_clip(&path, None).unwrap();
    let look = MarkerLook { colour: Colour::Red, diameter_m };
    let found = find_clip("phone", source.as_mut(), &[look], &SpotsConfig::default(), &mut |_| {}).unwrap();
    println!("{name}: {:?} {:?} {:?}", found.counts, found.diameter_px, found.sights);
    for w in &found.warnings {
        println!("  {} -> {}", w.what, w.remedy);
    }
    Some((found, red))
}

/// Best candidate of each frame where it lies on the red.
fn hits(found: &FoundSpots, red: &[Option<RawPixel>], reach_px: f64) -> Vec<Option<Candidate>> {
    found
        .spots
        .frames
        .iter()
        .zip(red)
        .map(|(frame, red)| {
            let (best, red) = (frame.candidates.first()?, (*red)?);
            let off = (best.centre.x_px - red.x_px).hypot(best.centre.y_px - red.y_px);
            (off < reach_px && best.score > 0.1).then_some(*best)
        })
        .collect()
}

/// Streaks against way from frame to frame: share of the way that fits best, worst deviation from it, how many were compared.
fn streaks(hits: &[Option<Candidate>], least_way_px: f64) -> (f64, Vec<f64>) {
    let mut pairs = Vec::new();
    for three in hits.windows(3) {
        let [Some(a), Some(b), Some(c)] = three else { continue };
        let way = 0.5 * (c.centre.x_px - a.centre.x_px).hypot(c.centre.y_px - a.centre.y_px);
        if way > least_way_px {
            pairs.push((way, b.streak.map_or(0.0, |s| s.length_px)));
        }
    }
    let share = median(pairs.iter().map(|(way, length)| length / way)).unwrap_or(f64::NAN);
    (share, pairs.iter().map(|(way, length)| length / (share * way) - 1.0).collect())
}

#[test]
fn truth_a_falling_ball_is_found_in_every_frame_with_even_streaks() {
    let Some((found, red)) = look("oliv_drop.mp4", 0.040) else { return };
    let fall = 134..=215;
    let hits = hits(&found, &red, 14.0);
    let missed: Vec<usize> = fall.clone().filter(|k| hits[*k].is_none()).collect();
    let (share, off) = streaks(&hits[fall], 8.0);
    let worst = off.iter().map(|o| o.abs()).fold(0.0, f64::max);
    println!(
        "oliv_drop: missed {missed:?}; streak {share:.3} of the way, {} frames, worst {:+.1} %",
        off.len(),
        100.0 * worst
    );
    println!("  {:?}", off.iter().map(|o| (100.0 * o).round()).collect::<Vec<_>>());
    assert!(missed.is_empty());
    assert!(off.len() > 50 && worst < 0.2);
}

#[test]
fn truth_a_blurred_ball_on_a_string_is_found_with_default_settings() {
    // How large the ball is nobody says; it is 48 px wide, as one of 28 cm would be 3 m away.
    for diameter_m in [0.20, 0.25, 0.30] {
        let Some((found, red)) = look("necro_ball.mp4", diameter_m) else { return };
        let hits = hits(&found, &red, 16.0);
        let count = hits.iter().flatten().count();
        let (share, off) = streaks(&hits, 12.0);
        let within = off.iter().filter(|o| o.abs() < 0.2).count();
        println!(
            "necro_ball as {diameter_m} m: {count} of {} frames; streak {share:.3} of the way, {within} of {} within 20 %",
            hits.len(),
            off.len()
        );
        println!("  missed {:?}", (0..hits.len()).filter(|k| hits[*k].is_none()).collect::<Vec<_>>());
        assert!(count >= 330, "{count}");
        assert!(within == off.len(), "{within} of {}", off.len());
    }
}
