//! A tip that passes before something of its colour: what is seen then is both together.

use super::tests::{clocks, errors, scene_of, take, tip_look};
use super::*;
use crate::model::Streak;
use crate::testing::{Shot, Thing, cast_tip, film, two_phones};

/// For ten frames of a slow stretch the second phone sees the tip 2.5 px aside with three times its area, for ten others with 1.8 times, drawn out
/// by 15 px: near enough to the path to be taken for it. For ten more a streak alone is wrong, which says nothing.
#[test]
fn a_sighting_that_is_two_things_is_left_out() {
    let cameras = two_phones();
    let scene = scene_of(&cameras);
    let things = [Thing::new(&cast_tip, Colour::White, 0.04)];
    let mut clips: Vec<ClipSpots> = (0..2)
        .map(|k| film(&cameras[k], k, &things, &Shot::new(240.0, 6.0, clocks()[k], 11 + k as u64)))
        .collect();
    let at = |clip: &ClipSpots, k: usize| clip.frames[k].candidates.first().map(|c| c.centre);
    let is_slow = |k: &usize| {
        let places: Vec<_> = (*k..*k + 24).filter_map(|k| at(&clips[1], k)).collect();
        let ends = places.first().zip(places.last());
        places.len() == 24 && ends.is_some_and(|(a, b)| (a.x_px - b.x_px).hypot(a.y_px - b.y_px) < 24.0)
    };
    let next = |from: usize| (from..clips[1].frames.len() - 24).find(is_slow).unwrap();
    let from = next(200);
    let plain = next(from + 100);
    let plain = plain..plain + 10;
    let mixed: Vec<usize> = (from..from + 10).chain(from + 14..from + 24).collect();
    let streak = Some(Streak { length_px: 15.0, length_sd_px: 0.5, angle_rad: 1.5 });
    for (i, k) in mixed.iter().enumerate() {
        let seen = &mut clips[1].frames[*k].candidates[0];
        seen.centre.y_px += 2.5;
        seen.area_px2 *= if i < 10 { 3.0 } else { 1.8 };
        if i >= 10 {
            seen.streak = streak;
        }
    }
    plain.clone().for_each(|k| clips[1].frames[k].candidates[0].streak = streak);
    let out = solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &PathConfig::default()).unwrap();
    let taken = |is_there: &dyn Fn(usize) -> bool| {
        out.assignments[1].spots.iter().filter(|s| is_there(s.frame_pos)).count()
    };
    let (taken, kept) = (taken(&|k| mixed.contains(&k)), taken(&|k| plain.contains(&k)));
    let (rms_m, _, inside) = errors(&out.rod.tip, &cast_tip);
    println!("{taken} of {} taken, {rms_m} m, {inside} inside", mixed.len());
    assert_eq!((taken, kept), (0, 10));
    // as without them
    assert!(rms_m < 0.002 && inside > 0.9, "{rms_m} {inside}");
}

/// For ten frames of a slow stretch the second phone sees a quarter of the tip, for twenty more its place and for ten its streak half as well as it
/// usually does, next to a frame in which it is missed or between two as usual, each time 0.35 px aside: near enough to be taken for it. Ten times it
/// sees three quarters of it, which is still it, and ten times its place worse for three frames on end, which is the light.
#[test]
fn a_sighting_of_half_a_marker_is_left_out() {
    let cameras = two_phones();
    let scene = scene_of(&cameras);
    let things = [Thing::new(&cast_tip, Colour::White, 0.04)];
    let mut clips: Vec<ClipSpots> = (0..2)
        .map(|k| film(&cameras[k], k, &things, &Shot::new(240.0, 6.0, clocks()[k], 31 + k as u64)))
        .collect();
    let plain = Streak { length_px: 2.0, length_sd_px: 0.2, angle_rad: 0.1 };
    for frame in &mut clips[1].frames {
        frame.candidates.iter_mut().for_each(|c| c.streak = Some(plain));
    }
    // the tip rests between strokes at 0.6 s and 1.7 s by the first phone's clock
    let from = ((0.7 - clocks()[1].offset_s) * 240.0) as usize;
    let (mut odd, mut same) = (Vec::new(), Vec::new());
    for i in 0..60 {
        let k = from + 8 * i;
        if i % 6 == 1 || i % 6 == 2 {
            clips[1].frames[k + 1].candidates.clear();
        }
        let frames = if i % 6 == 5 { k..k + 3 } else { k..k + 1 };
        for k in frames {
            let Some(seen) = clips[1].frames[k].candidates.first_mut() else { continue };
            match i % 6 {
                0 => seen.area_px2 *= 0.25,
                1 | 3 | 5 => seen.cov_px2 = seen.cov_px2.map(|c| 4.0 * c),
                2 => seen.streak = Some(Streak { length_sd_px: 0.5, ..plain }),
                _ => seen.area_px2 *= 0.75,
            }
            if i % 6 < 4 {
                seen.centre.y_px += 0.35;
                odd.push(k);
            } else {
                same.push(k);
            }
        }
    }
    let out = solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &PathConfig::default()).unwrap();
    let taken = |k: &usize| out.assignments[1].spots.iter().any(|s| s.frame_pos == *k);
    let count = |frames: &[usize]| frames.iter().filter(|k| taken(k)).count();
    let (of_odd, of_same) = (count(&odd), count(&same));
    println!("{of_odd} of {} odd ones, {of_same} of {} others", odd.len(), same.len());
    assert_eq!(of_odd, 0);
    // some are lost or wild
    assert!(of_same >= 36, "{of_same}");
}
