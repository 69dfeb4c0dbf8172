//! A phone at 30 frames a second beside a faster one.

use super::tests::{clocks, errors, scene_of, take, tip_look};
use super::*;
use crate::testing::{Shot, Thing, cast_tip, film, two_phones};

/// A first path smoothed over a tenth of a second, three frames of the slow phone, lies hundreds of pixels off at every stop and drags along
/// clocks from which none comes back.
#[test]
fn a_slow_phone_does_not_smooth_what_a_fast_one_shows() {
    let cameras = two_phones();
    let mut scene = scene_of(&cameras);
    // 0.3 mrad and 3 mm, as a wand leaves them
    scene.pose_covariance.iter_mut().for_each(|c| *c *= 36.0);
    let clips: Vec<ClipSpots> = (0..2)
        .map(|k| {
            let things = [Thing::new(&cast_tip, Colour::White, 0.04)];
            let mut clock = clocks()[k];
            clock.readout_s = [0.02, clock.readout_s][k];
            film(&cameras[k], k, &things, &Shot::new([30.0, 120.0][k], 8.0, clock, 11 + k as u64))
        })
        .collect();
    let solved = |config: &PathConfig| solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), config);
    // 3.6 mm: the slow phone's clock and readout are known together only
    let out = solved(&PathConfig::default()).unwrap();
    let (rms_m, _, inside) = errors(&out.rod.tip, &cast_tip);
    assert!(rms_m < 0.01 && inside > 0.88, "{rms_m} {inside}");
    assert!(out.reprojection_rms_px < 0.3, "{}", out.reprojection_rms_px);
    let mut smooth = PathConfig::default();
    smooth.motion.lively_s = None;
    assert!(matches!(solved(&smooth), Err(PathError::Disagree { rms_px, .. }) if rms_px > 100.0));
}
