//! A look into every clip, some dozens of pictures spread over it: are the wand and the tip marker seen by both cameras, is each
//! clip of its own camera, do the clips of a take go together. What is found wrong here for certain takes minutes to fail later;
//! `check` looks at everything, `day` at what it has not kept.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{
    CameraName, Clips, Finding, Heard, Places, SceneClips, Session, SessionCamera, Subject, Take, Usable,
    heard, heard_together, set_ups, span_s,
};
use tipwright::model::footage::Footage;
use tipwright::model::{Colour, Severity, Still};
use tipwright::scene::sound::SoundError;
use tipwright::spots::{MarkerLook, SpotsConfig, find_clip};

/// How much is looked at and what is believed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LookConfig {
    /// Places in a clip. 8: what moves is gone from the mean of one picture of each.
    pub places: u32,
    /// Pictures in a row at each place: a marker is known by how it moves over three.
    pub pictures: u32,
    /// Score from which a candidate is a marker likely.
    pub least_score: f64,
    /// Below this share of pictures with a marker a person is told. A cast is a third of most clips (common practice).
    pub least_share: f64,
    /// Things that stand still in two stills of one tripod at the least; of 240 that are looked for, chance finds few.
    pub least_landmarks: usize,
    /// Another camera's wand clip must show this many times more of them than the own one.
    pub swapped_ratio: usize,
    /// Landmarks within this are where they were, pixels: the search finds chance likeness anywhere within 36.
    pub still_px: f64,
}

impl Default for LookConfig {
    fn default() -> Self {
        Self {
            places: 8,
            pictures: 8,
            least_score: 0.3,
            least_share: 0.1,
            least_landmarks: 24,
            swapped_ratio: 4,
            still_px: 4.0,
        }
    }
}

/// What some dozens of pictures of a clip show.
struct Seen {
    pictures: usize,
    /// Pictures with one marker likely, and with two.
    with_one: usize,
    with_two: usize,
    /// What stands still.
    still: Option<Still>,
}

/// Looks into the clips of a session's scene and of the takes that are `wanted`, and adds what is found. `progress` is told each
/// clip.
pub fn look(
    usable: &mut Usable,
    footage: &dyn Footage,
    config: &LookConfig,
    wanted: &(dyn Fn(&Take) -> bool + Sync),
    progress: &(dyn Fn(&Path) + Sync),
) {
    let Some(session) = &usable.session else { return };
    if !session.take.is_empty() && !session.take.iter().any(wanted) {
        return;
    }
    let set_ups = session.set_ups();
    let mut findings = Vec::new();
    for (idx, set_up) in set_ups.iter().enumerate() {
        let own = session.take.iter().filter(|t| t.set_up_idx.unwrap_or(0) == idx);
        if set_ups.len() > 1 && !own.clone().any(wanted) {
            continue;
        }
        let (found, stills) = look_at_scene(session, set_up.scene, footage, config, progress);
        findings.extend(match set_ups.len() {
            1 => found,
            _ => set_ups::costs_takes(found, &set_up.shown(), own.clone()),
        });
        let own: Vec<&Take> = own.filter(|take| wanted(take)).collect();
        let of_takes: Vec<Vec<Finding>> = own
            .par_iter()
            .map(|take| look_at_take(session, take, &stills, footage, config, progress))
            .collect();
        findings.extend(of_takes.into_iter().flatten());
    }
    usable.add(findings);
}

/// What stands still in the wand clips, by camera.
pub type Stills = BTreeMap<CameraName, Still>;

/// Looks into the wand clips of a set-up.
pub fn look_at_scene(
    session: &Session,
    scene: &SceneClips,
    footage: &dyn Footage,
    config: &LookConfig,
    progress: &(dyn Fn(&Path) + Sync),
) -> (Vec<Finding>, Stills) {
    let colours = session.wand_colours();
    let diameter_m = session.wand.diameter_mm.unwrap_or(session.marker.tip.diameter_mm).get() / 1000.0;
    let looks = |colours: &[Colour]| -> Vec<MarkerLook> {
        colours.iter().map(|colour| MarkerLook { colour: *colour, diameter_m }).collect()
    };
    let (group, clips) = scene.standing();
    let seen: Vec<_> = known(session, clips)
        .into_par_iter()
        .map(|(camera, clip)| {
            progress(clip);
            let first = see(session, camera, (clip, None), &looks(&colours[..1]), footage, config);
            let found = match first {
                Ok(seen) if seen.with_one == 0 && colours.len() > 1 => {
                    see(session, camera, (clip, None), &looks(&colours), footage, config)
                }
                other => other,
            };
            (&camera.name, clip, found)
        })
        .collect();
    let mut out = Report { session, subject: Subject::Scene, findings: Vec::new() };
    let mut stills = Stills::new();
    let good = seen.iter().filter(|(_, _, s)| s.as_ref().is_ok_and(|s| s.with_one > 0)).count();
    let weight = if good >= session.fewest_cameras() { Severity::Warning } else { Severity::Problem };
    for (camera, clip, seen) in seen {
        let Ok(seen) = seen.map_err(|what| out.say(weight, what, clip, "")) else { continue };
        if seen.with_one == 0 {
            let what = format!(
                "{group}: the wand's markers are in none of {} pictures of camera {camera}",
                seen.pictures
            );
            let remedy =
                "is this the clip of the wand, and is [wand] colour right? Film it again in the light";
            out.say(weight, what, clip, remedy);
        } else if (seen.with_two as f64) < config.least_share * seen.pictures as f64 {
            let what = format!(
                "{group}: both the wand's markers are in only {} of {} pictures of camera {camera}",
                seen.with_two, seen.pictures
            );
            out.say(Severity::Warning, what, clip, "hold it where every camera sees both ends");
        }
        stills.extend(seen.still.map(|s| (camera.clone(), s)));
    }
    let named: Vec<(&CameraName, &Still)> = stills.iter().collect();
    for (i, (camera, still)) in named.iter().enumerate() {
        for (other, other_still) in &named[..i] {
            if standing(footage, other_still, still, config) >= config.least_landmarks {
                let what = format!("wand: the clips of cameras {other} and {camera} show the same picture");
                out.say(Severity::Problem, what, &clips[*camera], "give each camera its own clip");
            }
        }
    }
    (out.findings, stills)
}

/// Looks into the clips of a take. `stills` are those of the wand clips.
pub fn look_at_take(
    session: &Session,
    take: &Take,
    stills: &Stills,
    footage: &dyn Footage,
    config: &LookConfig,
    progress: &(dyn Fn(&Path) + Sync),
) -> Vec<Finding> {
    let tip = &session.marker.tip;
    let looks = [MarkerLook { colour: tip.colour, diameter_m: tip.diameter_mm.get() / 1000.0 }];
    let first =
        session.camera.iter().find(|c| take.clips.contains_key(&c.name)).map_or("", |c| c.name.as_str());
    let seen: Vec<_> = known(session, &take.clips)
        .into_par_iter()
        .map(|(camera, clip)| {
            progress(clip);
            let part_s = span_s(session, take, [first, &camera.name], footage);
            (&camera.name, clip, see(session, camera, (clip, part_s), &looks, footage, config))
        })
        .collect();
    let mut out = Report { session, subject: take.subject(), findings: Vec::new() };
    let good = seen.iter().filter(|(_, _, s)| s.as_ref().is_ok_and(|s| s.with_one > 0)).count();
    let needed = if set_ups::plane_is_told(session, take, |t| t.clips.len()) { 1 } else { 2 };
    let weight = if good >= needed { Severity::Warning } else { Severity::Problem };
    let mut own: Vec<(&CameraName, &PathBuf, Still)> = Vec::new();
    for (camera, clip, seen) in seen {
        let Ok(seen) = seen.map_err(|what| out.say(weight, what, clip, "")) else { continue };
        if (seen.with_one as f64) < config.least_share * seen.pictures as f64 {
            let what = format!(
                "the tip marker is in {} of {} pictures of camera {camera}",
                seen.with_one, seen.pictures
            );
            let weight = if seen.with_one == 0 { weight } else { Severity::Warning };
            let remedy = if seen.with_one == 0 && good == 1 && needed == 1 {
                "the take is measured by the other camera alone, in the plane that other takes tell (views = 1); check [marker.tip] colour, and that it is in the picture and in the light"
            } else {
                "check [marker.tip] colour, and that it is in the picture and in the light"
            };
            out.say(weight, what, clip, remedy);
        }
        own.extend(seen.still.map(|s| (camera, clip, s)));
    }
    for (i, (camera, clip, still)) in own.iter().enumerate() {
        for (other, _, other_still) in &own[..i] {
            if standing(footage, other_still, still, config) >= config.least_landmarks {
                let what = format!("the clips of cameras {other} and {camera} show the same picture");
                out.say(Severity::Problem, what, clip, "give each camera its own clip");
            }
        }
        let likeness =
            |camera: &CameraName| stills.get(camera).map_or(0, |wand| standing(footage, wand, still, config));
        let here = likeness(camera);
        for other in stills.keys().filter(|o| o != camera) {
            let there = likeness(other);
            if there >= config.least_landmarks && there >= config.swapped_ratio * here {
                let what = format!(
                    "the clip given for camera {camera} shows what camera {other} sees: {there} things stand where they stand in its wand clip, {here} in that of {camera}"
                );
                out.say(
                    Severity::Problem,
                    what,
                    clip,
                    "the clips of two cameras are exchanged: exchange them back",
                );
            }
        }
    }
    sounds(session, take, footage, &mut out);
    out.findings
}

/// Clips with their cameras.
fn known<'a>(session: &'a Session, clips: &'a Clips) -> Vec<(&'a SessionCamera, &'a PathBuf)> {
    clips.iter().filter_map(|(name, clip)| Some((session.camera_named(name)?, clip))).collect()
}

struct Report<'a> {
    session: &'a Session,
    subject: Subject,
    findings: Vec<Finding>,
}

impl Report<'_> {
    fn say(&mut self, severity: Severity, what: String, clip: &Path, remedy: &str) {
        let finding = Finding::new(self.subject.clone(), severity, what, remedy);
        self.findings.push(finding.in_file(self.session.resolve(clip)));
    }
}

/// Things that stand in one still where they stand in the other.
fn standing(footage: &dyn Footage, before: &Still, now: &Still, config: &LookConfig) -> usize {
    let found = footage.landmarks(before, now);
    found
        .iter()
        .filter(|l| (l.before.x_px - l.now.x_px).hypot(l.before.y_px - l.now.y_px) <= config.still_px)
        .count()
}

fn see(
    session: &Session,
    camera: &SessionCamera,
    (clip, span_s): (&Path, Option<[f64; 2]>),
    looks: &[MarkerLook],
    footage: &dyn Footage,
    config: &LookConfig,
) -> Result<Seen, String> {
    let source =
        footage.open_clip(&session.resolve(clip), camera.capture_fps()).map_err(|e| e.to_string())?;
    let mut places = Places::new(source, camera.capture_fps(), span_s, config);
    let settings = SpotsConfig { capture_fps: camera.capture_fps(), ..SpotsConfig::default() };
    let found =
        find_clip(&camera.name, &mut places, looks, &settings, &mut |_| {}).map_err(|e| e.to_string())?;
    let likely = |least: usize| {
        let is_likely = |f: &&tipwright::model::FrameSpots| {
            f.candidates.iter().filter(|c| c.score > config.least_score).count() >= least
        };
        found.spots.frames.iter().filter(is_likely).count()
    };
    Ok(Seen {
        pictures: found.spots.frames.len(),
        with_one: likely(1),
        with_two: likely(2),
        still: found.stills.map(|[first, _]| first),
    })
}

/// Whether the clips of a take were heard together; when not, whether another take's clip fits.
fn sounds(session: &Session, take: &Take, footage: &dyn Footage, out: &mut Report<'_>) {
    let hear = |take: &Take, camera: &CameraName| {
        let is_part = take.from_s.is_some() || take.to_s.is_some();
        heard(session, &take.clips, camera, is_part, footage).filter(|h| h.sound.is_some())
    };
    let all: Vec<(&SessionCamera, &PathBuf, Heard)> = known(session, &take.clips)
        .into_iter()
        .filter_map(|(c, clip)| Some((c, clip, hear(take, &c.name)?)))
        .collect();
    let Some(((first, first_clip, first_heard), others)) = all.split_first() else { return };
    for (camera, clip, own) in others {
        let Some(Err(SoundError::NoClearPeak { .. })) = heard_together(first_heard, own) else {
            continue;
        };
        let fits = |other: &&Take| {
            let theirs = other.clips.get(&camera.name).filter(|c| c != clip);
            let theirs = theirs.and_then(|_| hear(other, &camera.name));
            theirs.is_some_and(|theirs| matches!(heard_together(first_heard, &theirs), Some(Ok(_))))
        };
        match session.take.iter().filter(|t| t.take_idx != take.take_idx).find(fits) {
            Some(other) => out.say(
                Severity::Problem,
                format!(
                    "the sound of camera {} does not go with that of camera {} ({}), but that of take {} does",
                    camera.name,
                    first.name,
                    first_clip.display(),
                    other.name
                ),
                clip,
                "clips of different takes are paired: exchange them",
            ),
            None => out.say(
                Severity::Warning,
                format!("cameras {} and {} did not hear the same clap", first.name, camera.name),
                clip,
                "are both clips of this take? Clap once, where both phones can hear it, at the start of each take",
            ),
        }
    }
}
