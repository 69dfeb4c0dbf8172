//! A tripod that was touched, from pictures: the turn measured by what stands still against the turn that was made.
#![allow(clippy::unwrap_used)] // a test fails by panicking

use nalgebra::{UnitQuaternion, Vector3};
use tipwright::model::footage::Footage;
use tipwright::model::{Camera, Colour, Still};
use tipwright::scene::landmarks::{LandmarkConfig, turn_between};
use tipwright::spots::{MarkerLook, SpotsConfig, find_clip};
use tipwright_footage::Reader;
use tipwright_simulate::day::shoot::Shoot;
use tipwright_simulate::day::{plan::Plan, planned::Knock};
use tipwright_simulate::phone::backdrop::Backdrop;
use tipwright_simulate::phone::clip::film_clip;
use tipwright_simulate::{DayKind, SimulateConfig};

/// What stands still in the first frames of the take of a bad-light day's small pictures, filmed by `camera`.
fn still(shoot: &Shoot<'_>, plan: &Plan, camera: &Camera, name: &str) -> Still {
    let (mut spec, play) = shoot.scene_of(2, 1);
    spec.camera = camera.clone();
    spec.captured_ticks.truncate(64);
    spec.microphone = None;
    spec.name = name.into();
    spec.path.set_file_name(format!("{name}.mp4"));
    film_clip(&spec, &Backdrop::new(camera, &plan.surroundings), &play, &|| ()).unwrap();
    let mut clip = Reader::default().open_clip(&spec.path, None).unwrap();
    let look = MarkerLook { colour: Colour::White, diameter_m: 0.04 };
    let found = find_clip("east", clip.as_mut(), &[look], &SpotsConfig::default(), &mut |_| {}).unwrap();
    found.stills.unwrap()[0].clone()
}

#[test]
fn truth_of_a_knocked_tripod_is_seen_in_what_stands_still() {
    let mut plan =
        Plan::new(&SimulateConfig { kind: DayKind::Minimal, seed: 3, ..SimulateConfig::default() });
    plan.walkers = 2;
    plan.glints_per_s = 200.0;
    let folder = tempfile::tempdir().unwrap();
    let shoot = Shoot::prepare(&plan, folder.path()).unwrap();
    let camera = &plan.cameras[1];
    let before = still(&shoot, &plan, camera, "before");
    let measured = |turn_deg: [f64; 3]| {
        let knock = Knock { camera_idx: 1, turn_deg: Vector3::from(turn_deg), shift_m: Vector3::zeros() };
        let now = still(&shoot, &plan, &knock.after(camera), "now");
        let truth = UnitQuaternion::from_scaled_axis(knock.turn_deg.map(f64::to_radians));
        let found = turn_between(
            &camera.lens,
            &Reader::default().landmarks(&before, &now),
            &LandmarkConfig::default(),
        )
        .unwrap();
        let off_px = camera.lens.fx_px * found.now_from_before.angle_to(&truth);
        let sd_px = camera.lens.fx_px * found.sd_rad;
        println!(
            "{turn_deg:?}: {off_px:.3} px off, sd {sd_px:.3} px an axis, {} of {} agree",
            found.agree, found.landmarks
        );
        // three axes, each within three standard deviations; 0.3 px is two millimetres at eight metres
        assert!(off_px < 3.0 * 3f64.sqrt() * sd_px && sd_px < 0.3);
        found
    };
    // as it stood: no turn
    assert!(measured([0.0; 3]).now_from_before.angle().to_degrees() < 0.02);
    // hardly touched; stumbled over, with a roll
    measured([0.03, -0.02, 0.02]);
    measured([0.9, -1.6, 1.1]);
}
