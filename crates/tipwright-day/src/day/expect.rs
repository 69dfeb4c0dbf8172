//! What the set-up as it stands lets expect, before anyone casts: solved from some seconds of its wand clips, then reckoned with as
//! `plan` does with phones that are not there yet.

use nalgebra::{Point3, Vector3};
use serde::Serialize;

use super::lenses::LensSource;
use super::read::Read;
use super::run::Run;
use super::set_up::{Solved, solve};
use super::{DayConfig, DayError, lenses};
use crate::session::{SceneClips, SessionCamera, SetUpClips, Usable};
use crate::store::Store;
use tipwright::model::footage::Footage;
use tipwright::model::{HungWands, Scene, SceneCamera};
use tipwright::plan::{PlanCamera, PlanConfig, expected_in_the_middle};

/// So much of the wand is looked at, seconds. 8: a hand waves through the casting volume once in two or three (common practice).
const LOOKED_AT_S: f64 = 8.0;

/// Expected standard deviations in the middle of the casting volume.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Expectation {
    /// The set-up's name, where a session has several.
    pub set_up: Option<String>,
    /// What the hung wands of a session with one camera tell, or why nothing; none of other sessions.
    pub hung: Option<Result<HungWands, String>>,
    /// Of the depth of a dip a metre long, metres; or why nobody can tell.
    pub dip_sd_m: Result<f64, String>,
    /// Angle between the two widest rays to the middle, degrees.
    pub convergence_deg: Option<f64>,
}

/// What each set-up of a session lets expect. A session whose lenses are not calibrated yet takes minutes and is left alone: empty.
#[must_use]
pub fn expect(found: &Usable, footage: &dyn Footage, config: &DayConfig) -> Vec<Expectation> {
    let Some(session) = &found.session else { return Vec::new() };
    if !session.camera.iter().all(SessionCamera::has_lens_file) {
        return Vec::new();
    }
    let read = Read {
        session: session.clone(),
        refused: Vec::new(),
        findings: Vec::new(),
        clips: found.clips.clone(),
    };
    let all = session.set_ups();
    all.iter()
        .map(|set_up| {
            let name = (all.len() > 1).then(|| set_up.shown());
            if session.has_one_camera() {
                let hung = of_hung(&read, set_up, footage, config);
                // what a dip is known to depends on how the caster keeps to the plane
                let dip_sd_m = Err("one camera alone".to_string());
                return Expectation { set_up: name, hung: Some(hung), convergence_deg: None, dip_sd_m };
            }
            let expected = of_one(&read, set_up, footage, config);
            Expectation {
                set_up: name,
                hung: None,
                convergence_deg: expected.as_ref().ok().map(|e| e[1]),
                dip_sd_m: expected.map(|e| e[0]),
            }
        })
        .collect()
}

/// The scene that clips of it give, and the lenses.
fn scene_of(
    read: &Read,
    clips: &SceneClips,
    part_s: Option<f64>,
    footage: &dyn Footage,
    config: &DayConfig,
) -> Result<(Scene, Vec<LensSource>), String> {
    // the results folder is not this command's to write: what is solved here goes again
    let nowhere = tempfile::tempdir().map_err(|e| e.to_string())?;
    let store = Store::open(nowhere.path()).map_err(|e| e.to_string())?;
    let quiet = |_: super::Event<'_>| {};
    let run = Run::new(read, &store, footage, config, &quiet);
    let lenses = read
        .session
        .camera
        .iter()
        .map(|camera| lenses::get(&run, camera))
        .collect::<Result<Vec<_>, DayError>>()
        .map_err(|e| e.to_string())?;
    let share = run.share(0);
    let Solved { scene, .. } = solve(&run, clips, &lenses, &share, part_s).map_err(|e| match e {
        DayError::Scene { reason } => reason,
        other => other.to_string(),
    })?;
    Ok((scene, lenses))
}

/// What `day` will find in the plumb clip of one camera: the whole of it is looked at, as there.
fn of_hung(
    read: &Read,
    set_up: &SetUpClips<'_>,
    footage: &dyn Footage,
    config: &DayConfig,
) -> Result<HungWands, String> {
    let (scene, _) = scene_of(read, set_up.scene, None, footage, config)?;
    scene.hung.ok_or_else(|| "its clips tell no plane".to_string())
}

/// Dip and angle.
fn of_one(
    read: &Read,
    set_up: &SetUpClips<'_>,
    footage: &dyn Footage,
    config: &DayConfig,
) -> Result<[f64; 2], String> {
    let session = &read.session;
    // a plumb says nothing about a dip
    let wand_only = SceneClips { wand: set_up.scene.wand.clone(), plumb: None, toss: None };
    let (scene, lenses) = scene_of(read, &wand_only, Some(LOOKED_AT_S), footage, config)?;
    let info = |name: &str| {
        let clip = wand_only.wand.iter().find(|(c, _)| c.as_str() == name).map(|(_, clip)| clip)?;
        let info = read.clips.get(clip)?;
        let slow_down = info.slow_down(session.capture_fps(name));
        Some([info.container_fps? * slow_down, info.duration_s? / slow_down])
    };
    let least =
        |k: usize| scene.cameras.iter().filter_map(|c| info(&c.name)).map(|i| i[k]).fold(f64::NAN, f64::min);
    let base = PlanConfig::default();
    let (fps, wand_s) = (least(0), least(1));
    let plan = PlanConfig {
        fps: if fps.is_finite() { fps } else { base.fps },
        wand_s: if wand_s.is_finite() { wand_s } else { base.wand_s },
        marker_m: session.marker.tip.diameter_mm.get() / 1000.0,
        wand_length_m: [session.wand.length_m.get(), base.wand_length_m[1]],
        ..base
    };
    let cameras: Vec<PlanCamera> = scene
        .cameras
        .iter()
        .enumerate()
        .filter_map(|(k, c)| {
            let lens = &lenses.iter().find(|l| l.camera == c.name)?.lens;
            Some(as_planned(c, scene.lens_of(k, lens), session.camera_named(&c.name)?, plan.middle_m))
        })
        .collect();
    let (expected, convergence_deg) = expected_in_the_middle(&cameras, &plan).map_err(|e| e.to_string())?;
    Ok([expected.dip_mm / 1000.0, convergence_deg])
}

/// The middle of what the wand was waved through is the scene's origin; a plan's stands over the ground.
fn as_planned(
    camera: &SceneCamera,
    lens: tipwright::model::Lens,
    own: &SessionCamera,
    middle_m: Point3<f64>,
) -> PlanCamera {
    let world_from_camera = camera.pose().camera_from_world.inverse();
    let position_m = world_from_camera * Point3::origin() + middle_m.coords;
    PlanCamera {
        name: camera.name.clone(),
        position_m,
        look_at_m: position_m + world_from_camera * Vector3::z(),
        lens,
        readout_s: own.readout_ms.map(|ms| ms.get() / 1000.0),
    }
}
