//! The finder on clips that other people's phones filmed (open data, see its README), with default settings.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test: it may stop, and it prints its figures"
)]

#[path = "common/open_data.rs"]
mod open_data;

use open_data::open_data;
use tipwright::math::median;
use tipwright::model::footage::{Footage, Plane, PlaneData};
use tipwright::model::{Candidate, Colour, FrameSpots, Picture, RawPixel};
use tipwright::spots::{FoundSpots, MarkerLook, SpotsConfig, find_clip};
use tipwright_footage::Reader;

/// Red of a frame by plain sums over the decoded plane, without the finder.
#[derive(Debug, Clone, Copy)]
struct Red {
    /// Middle of what has more than 0.6 of the frame's most.
    middle: RawPixel,
    /// Length of the motion that would draw a disc out so far, by the second moments of what stands out; pixels.
    drawn_out_px: f64,
}

/// `None` where hardly anything is red.
fn red(cr: &Plane<'_>, picture: Picture) -> Option<Red> {
    let PlaneData::Bits8(data) = cr.data else { panic!("8 bits") };
    let at = |x: usize, y: usize| f64::from(data[y * cr.stride + x]) - 128.0;
    let all = || (0..cr.height).flat_map(|y| (0..cr.width).map(move |x| (x, y)));
    let most = all().map(|(x, y)| at(x, y)).fold(0.0, f64::max);
    if most < 15.0 {
        return None;
    }
    let (mut n, mut sx, mut sy) = (0.0, 0.0, 0.0);
    for (x, y) in all().filter(|(x, y)| at(*x, *y) > 0.6 * most) {
        (n, sx, sy) = (n + 1.0, sx + x as f64, sy + y as f64);
    }
    let (cx, cy) = (sx / n, sy / n);
    let near = |(x, y): &(usize, usize)| (*x as f64 - cx).hypot(*y as f64 - cy) < 18.0;
    let (mut w, mut m) = (0.0, [0.0; 5]);
    for (x, y) in all().filter(near) {
        let v = at(x, y);
        if v > 0.15 * most {
            let (dx, dy) = (x as f64 - cx, y as f64 - cy);
            w += v;
            m = [m[0] + v * dx, m[1] + v * dy, m[2] + v * dx * dx, m[3] + v * dx * dy, m[4] + v * dy * dy];
        }
    }
    let [x, y, xx, xy, yy] = m.map(|s| s / w);
    let (xx, xy, yy) = (xx - x * x, xy - x * y, yy - y * y);
    // A segment of length l has variance l^2 / 12 along it and none across.
    let difference = 2.0 * (0.25 * (xx - yy).powi(2) + xy * xy).sqrt();
    Some(Red {
        middle: picture.upright_from_stored(2.0 * cx + 0.5, 2.0 * cy + 0.5),
        drawn_out_px: 2.0 * (12.0 * difference).sqrt(),
    })
}

/// The finder's clip, and the red of every frame beside it.
fn look(name: &str, diameter_m: f64) -> Option<(FoundSpots, Vec<Option<Red>>)> {
    let path = open_data("clips")?.join(name);
    let reader = Reader::default();
    let mut source = reader.open_clip(&path, None).unwrap();
    let picture = source.info().picture;
    let mut reds = Vec::new();
    while let Some(frame) = source.next_frame().unwrap() {
        reds.push(red(&frame.now.cr.unwrap(), picture));
    }
    let mut source = reader.open_clip(&path, None).unwrap();
    let look = MarkerLook { colour: Colour::Red, diameter_m };
    let found = find_clip("phone", source.as_mut(), &[look], &SpotsConfig::default(), &mut |_| {}).unwrap();
    println!("{name}: {:?} {:?}", found.counts, found.diameter_px);
    for w in &found.warnings {
        println!("  {} -> {}", w.what, w.remedy);
    }
    Some((found, reds))
}

/// Best candidate on the red of each frame, and whether it is the first of its frame.
fn hits(found: &FoundSpots, reds: &[Option<Red>], reach_px: f64) -> Vec<Option<(Candidate, bool)>> {
    let of = |(f, red): (&FrameSpots, &Option<Red>)| {
        let red = red.as_ref()?.middle;
        let off = |c: &Candidate| (c.centre.x_px - red.x_px).hypot(c.centre.y_px - red.y_px);
        let place = f.candidates.iter().position(|c| off(c) < reach_px)?;
        Some((f.candidates[place], place == 0))
    };
    found.spots.frames.iter().zip(reds).map(of).collect()
}

/// Streak, and way from frame to frame, of each frame with neighbours where that is more than `least_way_px`.
fn ways(hits: &[Option<(Candidate, bool)>], least_way_px: f64) -> Vec<(usize, f64, f64)> {
    let mut out = Vec::new();
    for (k, three) in hits.windows(3).enumerate() {
        let [Some((a, true)), Some((b, true)), Some((c, true))] = three else { continue };
        let way = 0.5 * (c.centre.x_px - a.centre.x_px).hypot(c.centre.y_px - a.centre.y_px);
        if way > least_way_px {
            out.push((k + 1, b.streak.map_or(0.0, |s| s.length_px), way));
        }
    }
    out
}

/// How many lie farther than a fifth from a share of the way, and the share that fits best.
fn off_the_share(ways: &[(usize, f64, f64)]) -> (f64, Vec<(usize, i64)>) {
    let share = median(ways.iter().map(|(_, length, way)| length / way)).unwrap_or(f64::NAN);
    let percent = |length: f64, way: f64| (100.0 * (length / (share * way) - 1.0)).round() as i64;
    let all = ways.iter().map(|(k, length, way)| (*k, percent(*length, *way)));
    (share, all.filter(|(_, percent)| percent.abs() > 20).collect())
}

#[test]
fn truth_a_falling_ball_is_found_in_every_frame_with_even_streaks() {
    let Some((found, reds)) = look("oliv_drop.mp4", 0.040) else { return };
    let (first, last) = (134, 215);
    let hits = hits(&found, &reds, 14.0);
    let fall = &hits[first..=last];
    let missed: Vec<usize> = (first..=last).filter(|k| hits[*k].is_none()).collect();
    let foremost = fall.iter().flatten().filter(|h| h.1).count();
    let ways = ways(fall, 8.0);
    let (share, off) = off_the_share(&ways);
    println!("oliv_drop: missed {missed:?}, first in the list in {foremost} of {}", fall.len());
    println!(
        "  streak {share:.3} of the way, off by more than a fifth {} of {}: {off:?}",
        off.len(),
        ways.len()
    );
    assert!(missed.is_empty());
    assert!(ways.len() > 60 && off.is_empty());
    // While it falls freely before an even ground the moments of the red say the same without the finder, to about a tenth.
    let falls = |k: usize| (150..=195).contains(&(k + first));
    let ratio = |k: usize, length: f64| length / reds[k + first].unwrap().drawn_out_px;
    let by_moments =
        median(ways.iter().filter(|w| falls(w.0)).map(|(k, length, _)| ratio(*k, *length))).unwrap();
    println!("  streaks are {by_moments:.3} of what the second moments of the red say");
    assert!((by_moments - 1.0).abs() < 0.2);
}

#[test]
fn truth_a_blurred_ball_on_a_string_is_found_with_default_settings() {
    // How large the ball is nobody says; it is 40 px wide, as one of 23 cm would be 3 m away.
    for diameter_m in [0.20, 0.25, 0.30] {
        let Some((found, reds)) = look("necro_ball.mp4", diameter_m) else { return };
        let hits = hits(&found, &reds, 16.0);
        let foremost = hits.iter().flatten().filter(|h| h.1).count();
        let ways = ways(&hits, 12.0);
        let (share, off) = off_the_share(&ways);
        println!("necro_ball as {diameter_m} m: first in the list in {foremost} of {} frames", hits.len());
        println!(
            "  streak {share:.3} of the way, off by more than a fifth {} of {}: {off:?}",
            off.len(),
            ways.len()
        );
        assert!(foremost >= 330, "{foremost}");
        // Where it turns round, three frames in a row say little of its pace: one in ten may be off.
        assert!(ways.len() > 50 && 10 * off.len() <= ways.len());
    }
}
