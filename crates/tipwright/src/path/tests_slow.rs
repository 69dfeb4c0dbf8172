//! Phones at 30 and 60 frames a second, beside faster ones and beside each other.

use super::tests::{clocks, errors, scene_of, take, tip_look};
use super::*;
use crate::model::Clock;
use crate::testing::{Shot, Thing, cast_tip, film, two_phones};

/// A first path smoothed over a tenth of a second, three frames of the slow phone, lies hundreds of pixels off at every stop and drags along
/// clocks from which none comes back.
#[test]
fn a_slow_phone_does_not_smooth_what_a_fast_one_shows() {
    let cameras = two_phones();
    let mut scene = scene_of(&cameras);
    // 0.3 mrad and 3 mm, as a wand leaves them
    scene.pose_covariance.iter_mut().for_each(|c| *c *= 36.0);
    let solved = |fps: [f64; 2], lively_s: Option<f64>| {
        let clips: Vec<ClipSpots> = (0..2)
            .map(|k| {
                let things = [Thing::new(&cast_tip, Colour::White, 0.04)];
                // the share of a frame that is taken for it where nobody knows it
                let clock = Clock { readout_s: 0.7 / fps[k], ..clocks()[k] };
                film(&cameras[k], k, &things, &Shot::new(fps[k], 8.0, clock, 11 + k as u64))
            })
            .collect();
        let mut config = PathConfig::default();
        config.motion.lively_s = lively_s;
        solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &config)
    };
    let lively_s = PathConfig::default().motion.lively_s;
    for fps in [[30.0, 120.0], [60.0, 240.0], [30.0, 240.0], [240.0, 30.0], [30.0, 30.0]] {
        let out = solved(fps, lively_s).unwrap();
        let (rms_m, _, inside) = errors(&out.rod.tip, &cast_tip);
        println!("{fps:?}: {rms_m} m, {inside} inside, {} px", out.reprojection_rms_px);
        // a few mm: the slow phone's clock and readout are known together only
        assert!(rms_m < 0.01 && inside > 0.88, "{fps:?}: {rms_m} {inside}");
        assert!(out.reprojection_rms_px < 0.3, "{fps:?}: {}", out.reprojection_rms_px);
    }
    assert!(solved([60.0, 240.0], None).is_err());
}
