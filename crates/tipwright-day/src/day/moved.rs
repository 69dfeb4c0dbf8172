//! Cameras that were touched after the scene was filmed: seen in what stands still in their pictures, told, and allowed for.

use std::collections::{BTreeMap, BTreeSet};

use super::SetUp;
use crate::session::{CameraName, SetUpName};
use crate::store::{Files, Place, Store, StoreError};
use tipwright::model::footage::Footage;
use tipwright::model::{MovedCamera, Picture, Scene, Severity, Still, TakeResults, Warning};
use tipwright::scene::landmarks::{LandmarkConfig, NoTurn, Turn, turn_between, turned};

/// A turn is one when it is this many standard deviations from none.
const SURE_SD: f64 = 4.0;
/// Largest turn of the picture within a clip that a still tripod shows, pixels: what leaves and clouds feign.
const STEADY_PX: f64 = 0.7;
/// Turn above which a take is refused, degrees. Landmarks are still found, but what a tripod did that was turned so far is
/// anybody's guess: another place, another height.
const MOST_DEG: f64 = 5.0;

/// What the scene's clips show when nothing moves, by camera.
pub(super) type Stills = BTreeMap<CameraName, Still>;

/// Keeps the scene's stills for the next run.
pub(super) fn keep(
    store: &Store,
    set_up: Option<&SetUpName>,
    stills: &Stills,
    files: &mut Files,
) -> Result<(), StoreError> {
    stills
        .iter()
        .try_for_each(|(camera, still)| store.put(&Place::still(set_up, camera), &still.to_pgm(), files))
}

/// The scene's stills of an earlier run; a camera without one is left out.
pub(super) fn kept(
    store: &Store,
    set_up: Option<&SetUpName>,
    pictures: &BTreeMap<CameraName, Picture>,
) -> Stills {
    let read = |(camera, picture): (&CameraName, &Picture)| {
        let bytes = std::fs::read(Place::still(set_up, camera).below(store.root())).ok()?;
        Some((camera.clone(), Still::from_pgm(&bytes, *picture)?))
    };
    pictures.iter().filter_map(read).collect()
}

/// The set-up as it stood in a take.
pub(super) struct Since {
    pub scene: Scene,
    pub moved: Vec<MovedCamera>,
    pub warnings: Vec<Warning>,
}

/// Compares the take's stills with the scene's.
///
/// # Errors
/// A camera turned too far: the reason, for the take.
pub(super) fn since_scene(
    take: &str,
    set_up: &SetUp,
    stills: &[(&str, [Still; 2])],
    footage: &dyn Footage,
) -> Result<Since, String> {
    let config = LandmarkConfig::default();
    let mut since = Since { scene: set_up.scene.clone(), moved: Vec::new(), warnings: Vec::new() };
    for (camera, [first, last]) in stills {
        let about = format!("take {take}, camera {camera}");
        let Some(lens) = set_up.lens(camera) else { continue };
        let turn = |before: &Still, now: &Still| turn_between(lens, &footage.landmarks(before, now), &config);
        if let Ok(within) = turn(first, last) {
            let px = lens.fx_px * within.now_from_before.angle();
            if px > STEADY_PX && is_turn(&within) {
                since.warnings.push(Warning::new(
                    Severity::Warning,
                    &about,
                    format!("the whole picture moved by {px:.1} px during the clip"),
                    "Turn stabilisation off; weigh the tripod down and don't touch it while filming",
                ));
            }
        }
        let Some(then) = set_up.stills.get(*camera) else { continue };
        match turn(then, first) {
            Ok(found) if is_turn(&found) => {
                let turn_deg = found.now_from_before.angle().to_degrees();
                if turn_deg > MOST_DEG {
                    return Err(format!(
                        "camera {camera} has been turned by {turn_deg:.1} degrees since the wand was filmed; film the wand again where the phones stand now, as a [[set_up]] of its own for the takes from here on"
                    ));
                }
                let Some(idx) = since.scene.cameras.iter().position(|c| c.name == *camera) else { continue };
                since.scene = turned(&since.scene, idx, &found);
                since.moved.push(MovedCamera { camera: (*camera).to_string(), turn_deg, shift_m: None });
                since.warnings.push(Warning::new(
                    if turn_deg < 0.05 { Severity::Note } else { Severity::Warning },
                    about,
                    format!(
                        "it has been turned by {turn_deg:.2} degrees since the wand was filmed ({} of {} things that stand still say so); the take is solved with that",
                        found.agree, found.landmarks
                    ),
                    "Film the wand again after a tripod was touched; how far it was shifted is not known, and the standard deviations say so",
                ));
            }
            Ok(_) | Err(NoTurn::TooFew { .. }) => {}
            Err(NoTurn::NoAgreement { agree, found }) => since.warnings.push(Warning::new(
                Severity::Note,
                about,
                format!("only {agree} of {found} things that stand still are where they were when the wand was filmed"),
                "Nothing to do if people or water fill the picture; otherwise check that zoom, mode and place of this phone are those of the wand clip",
            )),
        }
    }
    Ok(since)
}

/// It is more than chance.
fn is_turn(turn: &Turn) -> bool {
    // three components: the root of their sum
    turn.now_from_before.angle() > SURE_SD * 3f64.sqrt() * turn.sd_rad
}

/// Cameras that stood otherwise than in the scene, with the take from which on (takes are in the order of the session).
pub(super) fn told(takes: &[TakeResults]) -> Vec<Warning> {
    let mut by_set_up: BTreeMap<Option<&str>, Vec<&TakeResults>> = BTreeMap::new();
    for take in takes {
        by_set_up.entry(take.set_up.as_deref()).or_default().push(take);
    }
    by_set_up.into_values().flat_map(|takes| told_of(&takes)).collect()
}

/// The same of the takes of one set-up.
fn told_of(takes: &[&TakeResults]) -> Vec<Warning> {
    // both ways of seeing it may name the same camera
    let mut by_camera: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
    for (i, take) in takes.iter().enumerate() {
        for moved in &take.moved {
            by_camera.entry(moved.camera.as_str()).or_default().insert(i);
        }
    }
    by_camera
        .into_iter()
        .filter_map(|(camera, at)| {
            let first = *at.first()?;
            let before = first
                .checked_sub(1)
                .map_or_else(|| "before the first take".to_string(), |i| format!("after {}", takes[i].take));
            let names: Vec<&str> = at.iter().map(|i| takes[*i].take.as_str()).collect();
            let stayed = at.len() == takes.len() - first;
            Some(Warning::new(
                Severity::Warning,
                camera,
                format!(
                    "it was moved {before}{}: {} solved with its pose freed",
                    if stayed { "" } else { ", and not for good" },
                    names.join(", ")
                ),
                "Film the wand again after a tripod was touched; heights and angles of these takes are less sure",
            ))
        })
        .collect()
}
