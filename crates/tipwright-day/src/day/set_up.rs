//! The set-up of a session: lenses and scene, written to lens/ and scene.toml, kept for the next run.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;
use std::time::Instant;

use rayon::prelude::*;

use super::clips::{self, coarse_offset, look_through};
use super::lenses::{self, LensSource};
use super::moved::{self, Stills};
use super::run_json::Watch;
use super::{DayConfig, DayError, Event, Progress, inputs, kept};
use crate::session::Clips;
use crate::session::Session;
use tipwright::model::footage::Footage;
use tipwright::model::results::LensSummary;
use tipwright::model::{ClipSpots, Colour, Lens, Measured, Picture, Scene, Severity, Warning};
use tipwright::scene::wand::{WandCamera, WandInput, solve_wand};
use tipwright_report::files::write_atomic;

/// Relative standard deviation of the wand's stated length: half a millimetre of tape on a metre (common practice).
const LENGTH_SD_RELATIVE: f64 = 5e-4;

/// Lenses and scene, ready for takes.
#[derive(Debug)]
pub struct SetUp {
    /// By camera, session order.
    pub lenses: Vec<LensSource>,
    /// Poses and clocks.
    pub scene: Scene,
    /// What a person should know.
    pub warnings: Vec<Warning>,
    /// What the wand clips show when nothing moves.
    pub(super) stills: Stills,
    /// Digests of everything the set-up rests on, by name.
    pub digests: BTreeMap<String, String>,
    /// Digest of the set-up as a whole.
    pub digest: String,
    /// Digests of takes, filled as they are done.
    pub(super) take_digests: Mutex<BTreeMap<String, String>>,
}

#[derive(serde::Serialize, serde::Deserialize)]
struct KeptScene {
    scene: Scene,
    /// Of the stills that lie beside it.
    #[serde(default)]
    pictures: BTreeMap<String, Picture>,
    warnings: Vec<Warning>,
}

impl SetUp {
    /// The lens of a camera.
    #[must_use]
    pub fn lens(&self, camera: &str) -> Option<&Lens> {
        self.lenses.iter().find(|l| l.camera == camera).map(|l| &l.lens)
    }

    pub(super) fn lens_summaries(&self) -> Vec<LensSummary> {
        self.lenses
            .iter()
            .map(|l| LensSummary {
                camera: l.camera.clone(),
                fx_px: l.lens.fx_px,
                fx_sd_px: l.lens.fx_sd_px,
                rms_px: l.lens.rms_px,
                views_used: l.lens.views_used,
                views_left_out: l.lens.views_left_out,
            })
            .collect()
    }

    /// Angle between the optical axes of the first two cameras, degrees.
    #[must_use]
    pub fn convergence_deg(&self) -> Option<f64> {
        let axis = |idx: usize| {
            self.scene
                .cameras
                .get(idx)
                .map(|c| c.pose().camera_from_world.rotation.inverse() * nalgebra::Vector3::z())
        };
        Some(axis(0)?.angle(&axis(1)?).to_degrees())
    }
}

/// Solves the set-up or takes it from an earlier run.
pub(super) fn get(
    session: &Session,
    out: &Path,
    footage: &dyn Footage,
    config: &DayConfig,
    watch: &Watch,
    progress: Progress<'_>,
) -> Result<SetUp, DayError> {
    let lenses: Vec<LensSource> = session
        .camera
        .par_iter()
        .map(|camera| lenses::get(session, camera, out, footage, config, watch, progress))
        .collect::<Result<_, _>>()?;
    let mut digests = BTreeMap::new();
    for lens in &lenses {
        digests.insert(format!("lens {}", lens.camera), lens.digest.clone());
    }
    let groups = [
        ("wand", Some(&session.scene.wand)),
        ("plumb", session.scene.plumb.as_ref()),
        ("toss", session.scene.toss.as_ref()),
    ];
    for (name, clips) in groups.iter().filter_map(|(n, c)| c.map(|c| (n, c))) {
        for (camera, digest) in inputs::clips_digests(session, clips) {
            digests.insert(format!("{name} {camera}"), digest);
        }
    }
    let settings = format!(
        "{:?} {:?} {:?} {:?} {:?}",
        session.wand, session.marker.tip, session.camera, config.spots, config.wand
    );
    let digest = inputs::joint_digest(
        digests
            .iter()
            .map(|(k, v)| (k.as_str(), v.clone()))
            .chain([("settings", settings), ("air", session.air_temperature_c.get().to_string())]),
    );
    let mut warnings: Vec<Warning> = lenses.iter().flat_map(|l| l.warnings.clone()).collect();
    let file = out.join("scene.toml");
    let found = if config.anew { None } else { kept::read::<KeptScene>(out, "scene", &digest) };
    let (scene, stills) = if let Some(found) = found {
        progress(Event::Kept("scene"));
        warnings.extend(found.warnings);
        (found.scene, moved::kept(out, &found.pictures))
    } else {
        progress(Event::Began("scene"));
        let Solved { scene, stills, warnings: said } =
            solve(session, &lenses, footage, config, watch, progress)?;
        moved::keep(out, &stills)?;
        let pictures = stills.iter().map(|(camera, still)| (camera.clone(), still.picture)).collect();
        kept::write(
            out,
            "scene",
            &digest,
            &KeptScene { scene: scene.clone(), pictures, warnings: said.clone() },
        )?;
        let line = format!(
            "wand rms {} mm, reprojection {} px",
            scene.quality.wand_rms_mm.map_or("-".into(), |v| format!("{v:.2}")),
            scene.quality.reprojection_rms_px.map_or("-".into(), |v| format!("{v:.2}")),
        );
        progress(Event::Done("scene", &line));
        warnings.extend(said);
        (scene, stills)
    };
    let text = toml::to_string(&scene).map_err(|e| DayError::Scene { reason: e.to_string() })?;
    write_atomic(&file, text.as_bytes())?;
    for warning in &warnings {
        progress(Event::Warned(warning));
    }
    Ok(SetUp { lenses, scene, warnings, stills, digests, digest, take_digests: Mutex::default() })
}

/// A scene with what was seen and said on the way.
struct Solved {
    scene: Scene,
    stills: Stills,
    warnings: Vec<Warning>,
}

/// Solves the scene with the wand in its likely colour; only when that fails are its clips read once more for all
/// colours. Looking for seven colours at once costs several times as much, and is hardly ever needed.
fn solve(
    session: &Session,
    lenses: &[LensSource],
    footage: &dyn Footage,
    config: &DayConfig,
    watch: &Watch,
    progress: Progress<'_>,
) -> Result<Solved, DayError> {
    let colours = session.wand_colours();
    let first = solve_in(&colours[..1], session, lenses, footage, config, watch, progress);
    match first {
        Err(DayError::Scene { .. }) if colours.len() > 1 => {
            solve_in(&colours, session, lenses, footage, config, watch, progress)
        }
        first => first,
    }
}

fn solve_in(
    colours: &[Colour],
    session: &Session,
    lenses: &[LensSource],
    footage: &dyn Footage,
    config: &DayConfig,
    watch: &Watch,
    progress: Progress<'_>,
) -> Result<Solved, DayError> {
    let diameter_m = session.wand.diameter_mm.unwrap_or(session.marker.tip.diameter_mm).get() / 1000.0;
    let ball_m = session.marker.tip.diameter_mm.get() / 1000.0;
    let mut warnings = Vec::new();
    let mut failures: Vec<String> = Vec::new();
    let jobs: Vec<(&str, &str)> = session
        .camera
        .iter()
        .flat_map(|c| ["wand", "plumb", "toss"].map(|group| (group, c.name.as_str())))
        .filter(|(group, name)| clips_of(session, group).is_some_and(|c| c.contains_key(*name)))
        .collect();
    let find = |group: &str, camera: &str| {
        let looks: Vec<_> = colours
            .iter()
            .map(|c| clips::look(*c, if group == "toss" { ball_m } else { diameter_m }))
            .collect();
        let clip = &clips_of(session, group).expect("filtered above")[camera];
        let focal_px = lenses.iter().find(|l| l.camera == camera).map(|l| l.lens.fx_px);
        look_through(session, camera, clip, &looks, focal_px, None, footage, config, watch, progress)
            .map(|l| (l.spots, l.stills, l.warnings))
    };
    let found: Vec<_> =
        jobs.par_iter().map(|(group, camera)| (*group, *camera, find(group, camera))).collect();
    let mut spots: BTreeMap<(&str, &str), ClipSpots> = BTreeMap::new();
    let mut stills = Stills::new();
    for (group, camera, outcome) in found {
        match outcome {
            Ok((clip, seen, said)) => {
                warnings.extend(said);
                if let (true, Some([first, _])) = (group == "wand", seen) {
                    stills.insert(camera.to_string(), first);
                }
                spots.insert((group, camera), clip);
            }
            Err(reason) if group == "wand" => failures.push(reason),
            Err(reason) => warnings.push(Warning::new(
                Severity::Warning,
                format!("{group} clip of camera {camera}"),
                reason,
                "the set-up is solved without it",
            )),
        }
    }
    let first = session.camera.first().map(|c| c.name.as_str()).unwrap_or_default();
    let cameras: Vec<WandCamera<'_>> = session
        .camera
        .iter()
        .zip(lenses)
        .filter_map(|(camera, lens)| {
            let offset_in =
                |clips: &Clips| coarse_offset(session, clips, [first, &camera.name], None, footage);
            Some(WandCamera {
                lens: &lens.lens,
                wand: spots.get(&("wand", camera.name.as_str()))?,
                plumb: spots.get(&("plumb", camera.name.as_str())),
                toss: spots.get(&("toss", camera.name.as_str())),
                readout_s: clips::readout_prior(camera),
                wand_offset: offset_in(&session.scene.wand),
                plumb_offset: session.scene.plumb.as_ref().and_then(offset_in),
                toss_offset: session.scene.toss.as_ref().and_then(offset_in),
            })
        })
        .collect();
    if cameras.len() < 2 {
        return Err(DayError::Scene {
            reason: format!(
                "the wand clip is usable in {} camera(s), two are needed. {}",
                cameras.len(),
                failures.join("; ")
            ),
        });
    }
    for reason in failures {
        warnings.push(Warning::new(Severity::Warning, "wand clip", reason, "its camera is left out"));
    }
    let began = Instant::now();
    let mut input = WandInput {
        cameras,
        length_m: Measured::new(
            session.wand.length_m.get(),
            LENGTH_SD_RELATIVE * session.wand.length_m.get(),
        ),
        colours: colours.to_vec(),
    };
    let solved = loop {
        let failure = match solve_wand(&input, &config.wand) {
            Ok(solved) => break solved,
            Err(failure) => failure,
        };
        // one camera of several that does not fit is left out; the others are enough
        let unfit = failure.camera().filter(|name| input.cameras[0].name() != *name).map(str::to_owned);
        match unfit {
            Some(name) if input.cameras.len() > 2 => {
                input.cameras.retain(|c| c.name() != name);
                warnings.push(Warning::new(
                    Severity::Warning,
                    format!("camera {name}"),
                    failure.to_string(),
                    "the set-up is solved without this camera",
                ));
            }
            _ => return Err(DayError::Scene { reason: failure.to_string() }),
        }
    };
    watch.add("scene", began.elapsed());
    warnings.extend(solved.warnings);
    Ok(Solved { scene: solved.scene, stills, warnings })
}

fn clips_of<'a>(session: &'a Session, group: &str) -> Option<&'a Clips> {
    match group {
        "wand" => Some(&session.scene.wand),
        "plumb" => session.scene.plumb.as_ref(),
        _ => session.scene.toss.as_ref(),
    }
}
