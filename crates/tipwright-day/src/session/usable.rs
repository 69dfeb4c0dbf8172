//! What of a session can be measured: its texts, then every file it names, opened and a first picture decoded. `check` and
//! `day` both ask here, so that what one calls usable the other starts.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::copies;
use super::likely::Clocks;
use super::opened::{Looks, first_picture, look_at_all};
use super::read::costs_a_take;
use super::{
    AloneInTake, CameraName, Clips, Finding, Parsed, Refused, Session, SessionCamera, SetUpClips, Subject,
    Take, parse, set_ups,
};
use tipwright::lens::read_lens;
use tipwright::model::Severity;
use tipwright::model::footage::{ClipInfo, Footage};

/// Limits of what is taken for likely.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct UsableConfig {
    /// Clips of one take whose lengths differ by more than this factor are probably not of the same take. Two people
    /// pressing buttons differ by some seconds, not by a factor.
    pub longest_length_ratio: f64,
    /// Below this rate the tip moves more than 0.3 m from frame to frame (20 m/s at 60 fps).
    pub slowest_fps: f64,
    /// Recording times of one take further apart than this, seconds, are a hint at a mixed-up file, once what the
    /// phones' clocks differ by all day is taken off (`likely`); hours are time zones and say nothing.
    pub latest_start_gap_s: f64,
    /// Fewest stills of a board in a folder: `lens` asks for as many.
    pub fewest_stills: usize,
}

impl Default for UsableConfig {
    fn default() -> Self {
        Self { longest_length_ratio: 3.0, slowest_fps: 59.0, latest_start_gap_s: 120.0, fewest_stills: 8 }
    }
}

/// A session with what of it can be measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Usable {
    /// The session with the takes that can be measured; none when nothing can.
    pub session: Option<Session>,
    /// Everything found, worst first.
    pub findings: Vec<Finding>,
    /// Takes that cannot be measured, in the order of the file.
    pub refused: Vec<Refused>,
    /// What the clips say of themselves, by clip as session.toml writes it.
    pub clips: BTreeMap<PathBuf, ClipInfo>,
    /// Clips looked at.
    pub looked_at: usize,
}

impl Usable {
    /// Takes that can be measured.
    #[must_use]
    pub fn takes(&self) -> usize {
        self.session.as_ref().map_or(0, |s| s.take.len())
    }

    /// More findings: problems of takes take these out, any other problem the session.
    pub(super) fn add(&mut self, findings: Vec<Finding>) {
        let places: BTreeSet<usize> = costs_a_take(&findings).collect();
        if let Some(session) = &mut self.session {
            for take in session.take.iter().filter(|t| places.contains(&t.take_idx)) {
                self.refused.push(Refused {
                    take_idx: take.take_idx,
                    name: Some(take.name.clone()),
                    shown: take.name.to_string(),
                    caster: take.caster.to_string(),
                    reasons: Vec::new(),
                });
            }
            session.take.retain(|t| !places.contains(&t.take_idx));
        }
        for finding in findings.iter().filter(|f| f.is_problem()) {
            match finding.subject.take_idx() {
                None => self.session = None,
                Some(take_idx) => {
                    for refused in self.refused.iter_mut().filter(|r| r.take_idx == take_idx) {
                        refused.reasons.push(finding.clone());
                    }
                }
            }
        }
        self.refused.sort_by_key(|r| r.take_idx);
        self.findings.extend(findings);
        self.findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
    }
}

/// Reads a session folder and opens every file it names. `progress` is told each clip.
#[must_use]
pub fn usable(
    folder: &Path,
    footage: &dyn Footage,
    config: &UsableConfig,
    progress: &(dyn Fn(&Path) + Sync),
) -> Usable {
    usable_of(folder, footage, config, &|_| true, progress)
}

/// The same without the takes that are not `wanted`: their clips are not opened.
#[must_use]
pub fn usable_of(
    folder: &Path,
    footage: &dyn Footage,
    config: &UsableConfig,
    wanted: &dyn Fn(&Take) -> bool,
    progress: &(dyn Fn(&Path) + Sync),
) -> Usable {
    let Parsed { mut session, findings, refused, mut doubtful } = parse(folder);
    if let Some(session) = &mut session {
        session.take.retain(wanted);
    }
    doubtful.retain(wanted);
    let mut out =
        Usable { session: None, findings: Vec::new(), refused, clips: BTreeMap::new(), looked_at: 0 };
    let Some(mut session) = session else {
        out.findings = findings;
        out.findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
        return out;
    };
    let looks = look_at_all(&session, &doubtful, footage, progress);
    out.looked_at = looks.len();
    let recorded_unix_s = |clip: &PathBuf| looks.get(clip)?.as_ref().ok()?.info.recorded_unix_s;
    let mut takes = std::mem::take(&mut session.take);
    let in_no_set_up: Vec<Finding> = takes
        .iter_mut()
        .chain(&mut doubtful)
        .filter_map(|take| {
            take.set_up_idx = set_ups::by_time(&session, take, recorded_unix_s);
            let is_told = take.set_up.is_some();
            (take.set_up_idx.is_none() && !is_told).then(|| set_ups::of_none(&session, take))
        })
        .collect();
    session.take = takes;
    let moments = session.set_ups().into_iter().flat_map(|s| s.scene.groups()).map(|(_, clips)| clips);
    let moments: Vec<&Clips> = moments.chain(session.take.iter().map(|t| &t.clips)).collect();
    let reference = session.camera.iter().map(|c| &c.name).min();
    let clocks =
        reference.map_or_else(Clocks::default, |r| Clocks::read(r, moments.iter().copied(), recorded_unix_s));
    let mut files =
        Files { session: &session, looks: &looks, lens_px: BTreeMap::new(), clocks, config, out: Vec::new() };
    files.tell_clocks();
    for camera in &session.camera {
        files.lens(camera, footage);
    }
    files.out.extend(in_no_set_up);
    let set_ups = session.set_ups();
    let mut in_scenes: Vec<Vec<CameraName>> = Vec::new();
    for (idx, set_up) in set_ups.iter().enumerate() {
        let own = session.take.iter().chain(&doubtful).filter(|t| t.set_up_idx == Some(idx));
        files.set_up(set_up, own, set_ups.len() > 1);
        let (_, wand) = set_up.scene.standing();
        in_scenes
            .push(wand.iter().filter(|(c, clip)| files.is_good(c, clip)).map(|(c, _)| c.clone()).collect());
    }
    let mut alone = BTreeMap::new();
    for take in session.take.iter().chain(&doubtful) {
        let in_scene = take.set_up_idx.and_then(|i| in_scenes.get(i)).map_or(&[][..], Vec::as_slice);
        let good = |take: &Take| {
            let useful = take.set_up_idx.and_then(|i| in_scenes.get(i)).map_or(&[][..], Vec::as_slice);
            take.clips.iter().filter(|(c, clip)| useful.contains(c) && files.is_good(c, clip)).count()
        };
        let one_is_enough = set_ups::plane_is_told(&session, take, good);
        let found =
            files.group(&take.subject(), "", &take.clips, in_scene, (Severity::Problem, one_is_enough));
        alone.extend(found.map(|f| (take.take_idx, f)));
    }
    let found = files.out;
    for take in &mut session.take {
        take.alone = alone.remove(&take.take_idx);
    }
    out.clips = looks.into_iter().filter_map(|(clip, look)| Some((clip, look.ok()?.info))).collect();
    out.session = Some(session);
    out.findings = findings;
    out.add(found);
    out
}

pub(super) struct Files<'a> {
    pub(super) session: &'a Session,
    looks: &'a Looks,
    /// Picture each lens is for, upright.
    lens_px: BTreeMap<CameraName, [u32; 2]>,
    pub(super) clocks: Clocks,
    pub(super) config: &'a UsableConfig,
    out: Vec<Finding>,
}

impl Files<'_> {
    pub(super) fn say(
        &mut self,
        subject: &Subject,
        severity: Severity,
        what: String,
        file: Option<&Path>,
        remedy: &str,
    ) {
        let mut finding = Finding::new(subject.clone(), severity, what, remedy);
        finding.file = file.map(|f| self.session.resolve(f));
        self.out.push(finding);
    }

    fn lens(&mut self, camera: &SessionCamera, footage: &dyn Footage) {
        let path = self.session.resolve(&camera.lens);
        let subject = Subject::Lens { camera: camera.name.clone() };
        let found = if camera.has_lens_file() {
            read_lens(&path)
                .map(|lens| Some(lens.resolution_px))
                .map_err(|e| (e.to_string(), "make a lens file with `tipwright lens`"))
        } else if path.is_dir() {
            let count = std::fs::read_dir(&path).map_or(0, Iterator::count);
            if count < self.config.fewest_stills {
                let what =
                    format!("the folder holds {count} files, at least 8 pictures of the board are needed");
                Err((what, "film or photograph the board from more sides"))
            } else {
                Ok(None)
            }
        } else {
            first_picture(&path, camera.capture_fps(), footage)
                .map(|info| Some(info.picture.upright_px()))
                .map_err(|e| (e.to_string(), "film the board again, or point `lens` at a lens file"))
        };
        match found {
            Ok(Some(size_px)) => {
                self.lens_px.insert(camera.name.clone(), size_px);
            }
            Ok(None) => {}
            Err((what, remedy)) => self.say(&subject, Severity::Problem, what, Some(&camera.lens), remedy),
        }
    }

    /// Why a clip cannot be used with its camera.
    fn fault(&self, camera: &CameraName, clip: &PathBuf) -> Option<(String, &'static str)> {
        let info = match self.looks.get(clip)? {
            Ok(look) => &look.info,
            Err(error) => return Some((error.clone(), "")),
        };
        let [w, h] = info.picture.upright_px();
        let [lens_w, lens_h] = *self.lens_px.get(camera)?;
        if [w, h] == [lens_w, lens_h] {
            return None;
        }
        let remedy = if [w, h] == [lens_h, lens_w] {
            "the phone was held upright for one and lying for the other: film both the same way round"
        } else if self.another_fits(camera, [lens_w, lens_h]) {
            "other clips of this phone fit its lens: this one was cropped in the phone's gallery, or filmed in another mode; copy the clip as it was filmed"
        } else {
            "film the board in the mode of the day: another mode may crop the picture, so a lens is for one size only"
        };
        let what = format!(
            "camera {camera}: the clip is {w} x {h} px, the camera's lens is for {lens_w} x {lens_h}"
        );
        Some((what, remedy))
    }

    /// Another clip of a camera has the size that its lens is for.
    fn another_fits(&self, camera: &CameraName, lens_px: [u32; 2]) -> bool {
        let moments = self.session.set_ups().into_iter().flat_map(|s| s.scene.groups());
        let of_takes = self.session.take.iter().map(|t| &t.clips);
        let mut clips = moments.map(|(_, clips)| clips).chain(of_takes).filter_map(|c| c.get(camera));
        clips.any(|clip| {
            let look = self.looks.get(clip).and_then(|look| look.as_ref().ok());
            look.is_some_and(|look| look.info.picture.upright_px() == lens_px)
        })
    }

    fn is_good(&self, camera: &CameraName, clip: &PathBuf) -> bool {
        self.looks.contains_key(clip) && self.fault(camera, clip).is_none()
    }

    /// The clips of a set-up; of one of several they cost its takes `own`.
    fn set_up<'t>(
        &mut self,
        set_up: &SetUpClips<'_>,
        own: impl Iterator<Item = &'t Take> + Clone,
        is_of_several: bool,
    ) {
        let cameras: Vec<CameraName> = self.session.camera.iter().map(|c| c.name.clone()).collect();
        let before = std::mem::take(&mut self.out);
        let label = if is_of_several { format!("set-up {}: ", set_up.shown()) } else { String::new() };
        for (name, clips) in set_up.scene.groups() {
            let tells = name == set_up.scene.standing().0;
            let weight = if tells { Severity::Problem } else { Severity::Warning };
            let one_is_enough = self.session.has_one_camera();
            self.group(
                &Subject::Scene,
                &format!("{label}{name}: "),
                clips,
                &cameras,
                (weight, one_is_enough),
            );
        }
        let mut found = std::mem::replace(&mut self.out, before);
        if is_of_several {
            found = set_ups::costs_takes(found, &set_up.shown(), own);
        }
        self.out.extend(found);
    }

    /// Clips of one moment: two good ones of `useful` cameras must be there, or one where that is enough.
    fn group(
        &mut self,
        subject: &Subject,
        group: &str,
        clips: &Clips,
        useful: &[CameraName],
        (weight, one_is_enough): (Severity, bool),
    ) -> Option<AloneInTake> {
        let mut infos: Vec<(&CameraName, &PathBuf, &ClipInfo)> = Vec::new();
        let mut faults = Vec::new();
        let looks = self.looks;
        for (camera, clip) in clips.iter().filter(|(camera, _)| self.session.camera_named(camera).is_some()) {
            match (self.fault(camera, clip), looks.get(clip)) {
                (Some((what, remedy)), _) => faults.push((clip, what, remedy)),
                (None, Some(Ok(look))) if useful.contains(camera) => {
                    infos.push((camera, clip, &look.info));
                    if let Some(share) = look.cut_to {
                        let what = format!(
                            "{group}the file is cut short: {:.0} % of its pictures are there",
                            100.0 * share
                        );
                        let remedy = "copy the clip from the phone again";
                        self.say(subject, Severity::Warning, what, Some(clip), remedy);
                    }
                }
                _ => {}
            }
        }
        let copies = copies::of(self.session, &infos);
        for (other, clip) in &copies {
            let what = format!("{group}{} has the same content as {}", clip.display(), other.display());
            self.say(
                subject,
                weight,
                what,
                Some(clip),
                "one of them is a wrong copy; copy it from the phone again",
            );
        }
        let has_two = infos.len() >= 2 + copies.len();
        let is_alone = one_is_enough && infos.len() == 1 && copies.is_empty();
        let weight_of_faults = if has_two || is_alone { Severity::Warning.min(weight) } else { weight };
        let whys: Vec<String> = faults.iter().map(|(_, what, _)| what.clone()).collect();
        for (clip, what, remedy) in faults {
            self.say(subject, weight_of_faults, format!("{group}{what}"), Some(clip), remedy);
        }
        let mut alone = None;
        if self.session.has_one_camera() {
            let is_told = |f: &Finding| f.is_problem() && f.subject == *subject;
            if infos.is_empty() && weight == Severity::Problem && !self.out.iter().any(is_told) {
                let what = format!("{group}no usable clip");
                self.say(subject, weight, what, None, "the session has one camera: its clip is needed");
            }
        } else if let (true, Some((camera, ..))) = (is_alone, infos.first()) {
            let why = if whys.is_empty() { "no clip of another camera".to_string() } else { whys.join("; ") };
            alone = Some(AloneInTake { camera: (*camera).clone(), why });
            let what = format!(
                "camera {camera} alone has a usable clip: it is measured in the plane that other takes tell (views = 1)"
            );
            let remedy = "its figures are less sure and left out of comparisons; add the other camera's clip where there is one";
            self.say(subject, Severity::Warning, what, None, remedy);
        } else if !has_two
            && weight == Severity::Problem
            && !self.out.iter().any(|f| f.is_problem() && f.subject == *subject)
        {
            let what = format!("{group}{} usable clip(s), two are needed", infos.len());
            self.say(
                subject,
                weight,
                what,
                None,
                "a camera whose wand clip cannot be used cannot measure either",
            );
        }
        self.likely(subject, group, &infos);
        alone
    }
}
