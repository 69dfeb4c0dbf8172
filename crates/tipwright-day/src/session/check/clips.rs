//! Looks at every file the session names: is it there, does it open, does a first picture come out, do the clips
//! of one take belong together.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::session::Clips;
use crate::session::Session;
use tipwright::model::footage::{ClipInfo, Footage, FootageError};
use tipwright::model::{Severity, Warning};

/// Limits of what is taken for likely.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClipsConfig {
    /// Clips of one take whose lengths differ by more than this factor are probably not of the same take. Two people
    /// pressing buttons differ by some seconds, not by a factor.
    pub longest_length_ratio: f64,
    /// Below this rate the tip moves more than 0.3 m from frame to frame (20 m/s at 60 fps).
    pub slowest_fps: f64,
    /// Recording times of one take further apart than this, seconds, are a hint at a mixed-up file. Phone clocks
    /// are usually within seconds of each other; hours are time zones and say nothing.
    pub latest_start_gap_s: f64,
}

impl Default for ClipsConfig {
    fn default() -> Self {
        Self { longest_length_ratio: 3.0, slowest_fps: 59.0, latest_start_gap_s: 120.0 }
    }
}

/// What was found.
pub(super) struct Looked {
    pub findings: Vec<Warning>,
    pub clips: usize,
}

struct Look {
    info: Option<ClipInfo>,
    error: Option<FootageError>,
    digest: Option<blake3::Hash>,
}

/// Opens every clip once, in parallel.
pub(super) fn check_clips(
    session: &Session,
    footage: &dyn Footage,
    config: &ClipsConfig,
    progress: &(dyn Fn(&str) + Sync),
) -> Looked {
    let mut findings = Vec::new();
    for camera in &session.camera {
        findings.extend(check_lens(session, &camera.name, &camera.lens, camera.capture_fps, footage));
    }
    let mut wanted: BTreeMap<PathBuf, Option<f64>> = BTreeMap::new();
    for clips in all_clips(session).into_iter().map(|(_, clips)| clips) {
        for (camera, clip) in clips {
            let capture_fps = session.camera.iter().find(|c| &c.name == camera).and_then(|c| c.capture_fps);
            wanted.insert(clip.clone(), capture_fps);
        }
    }
    let looks: BTreeMap<PathBuf, Look> = wanted
        .into_par_iter()
        .map(|(clip, capture_fps)| {
            progress(&clip.display().to_string());
            let look = look_at(&session.resolve(&clip), capture_fps, footage);
            (clip, look)
        })
        .collect();
    for (about, clips) in all_clips(session) {
        let weight = if about.contains("plumb") || about.contains("toss") {
            Severity::Warning
        } else {
            Severity::Problem
        };
        check_group(session, &about, clips, &looks, config, weight, &mut findings);
    }
    findings.extend(same_content(&looks));
    Looked { findings, clips: looks.len() }
}

fn all_clips(session: &Session) -> Vec<(String, &Clips)> {
    let mut out = vec![("[scene] wand".to_string(), &session.scene.wand)];
    out.extend(session.scene.plumb.as_ref().map(|c| ("[scene] plumb".to_string(), c)));
    out.extend(session.scene.toss.as_ref().map(|c| ("[scene] toss".to_string(), c)));
    out.extend(session.take.iter().map(|t| (format!("take {}", t.name), &t.clips)));
    out
}

fn look_at(path: &Path, capture_fps: Option<f64>, footage: &dyn Footage) -> Look {
    let mut look = Look { info: None, error: None, digest: None };
    match footage.open_clip(path, capture_fps) {
        Ok(mut source) => {
            look.info = Some(source.info().clone());
            match source.next_frame() {
                Ok(Some(_)) => {}
                Ok(None) => {
                    look.error =
                        Some(FootageError::NoPicture { reason: "no frame".into(), path: path.to_path_buf() });
                }
                Err(error) => look.error = Some(error),
            }
        }
        Err(error) => look.error = Some(error),
    }
    if look.error.is_none() {
        let mut hasher = blake3::Hasher::new();
        if hasher.update_mmap_or_read(path).is_ok() {
            look.digest = Some(hasher.finalize());
        }
    }
    look
}

trait UpdateFromFile {
    fn update_mmap_or_read(&mut self, path: &Path) -> std::io::Result<()>;
}

impl UpdateFromFile for blake3::Hasher {
    fn update_mmap_or_read(&mut self, path: &Path) -> std::io::Result<()> {
        self.update_reader(std::fs::File::open(path)?).map(|_| ())
    }
}

fn check_lens(
    session: &Session,
    name: &str,
    lens: &Path,
    capture_fps: Option<f64>,
    footage: &dyn Footage,
) -> Option<Warning> {
    let path = session.resolve(lens);
    let about = format!("camera {name}");
    let problem = |what: String, remedy: &str| Some(Warning::new(Severity::Problem, &about, what, remedy));
    if lens.extension().is_some_and(|e| e == "toml") {
        return match tipwright::lens::read_lens(&path) {
            Ok(_) => None,
            Err(error) => problem(error.to_string(), "make a lens file with `tipwright lens`"),
        };
    }
    if path.is_dir() {
        let count = std::fs::read_dir(&path).map_or(0, Iterator::count);
        return if count < 8 {
            problem(
                format!(
                    "the folder {} holds {count} files, at least 8 pictures of the board are needed",
                    lens.display()
                ),
                "film or photograph the board from more sides",
            )
        } else {
            None
        };
    }
    look_at(&path, capture_fps, footage)
        .error
        .and_then(|e| problem(e.to_string(), "film the board again, or point `lens` at a lens file"))
}

#[allow(clippy::too_many_arguments, reason = "one call site; the arguments are the group's whole context")]
fn check_group(
    session: &Session,
    about: &str,
    clips: &Clips,
    looks: &BTreeMap<PathBuf, Look>,
    config: &ClipsConfig,
    weight: Severity,
    findings: &mut Vec<Warning>,
) {
    let mut infos: Vec<(&str, &ClipInfo)> = Vec::new();
    let good = clips.values().filter(|c| looks.get(*c).is_some_and(|l| l.error.is_none())).count();
    for (camera, clip) in clips {
        let Some(look) = looks.get(clip) else { continue };
        if let Some(error) = &look.error {
            // With two good clips left the take can still be measured.
            let weight = if good >= 2 { Severity::Warning } else { weight };
            findings.push(Warning::new(weight, format!("{about}, camera {camera}"), error.to_string(), ""));
        } else if let Some(info) = &look.info {
            infos.push((camera, info));
        }
    }
    let warn = |about: String, what: String, remedy: &str| {
        Warning::new(Severity::Warning, about, what, remedy.to_string())
    };
    for (camera, info) in &infos {
        let configured = session.camera.iter().find(|c| c.name == *camera).and_then(|c| c.capture_fps);
        let fps = configured.or(info.capture_fps_tag).or(info.container_fps);
        if let Some(fps) = fps.filter(|f| *f < config.slowest_fps) {
            findings.push(warn(
                format!("{about}, camera {camera}"),
                format!("{fps:.2} frames a second: at 20 m/s the tip moves {:.2} m from frame to frame", 20.0 / fps),
                "film at 120 or 240; if this is slow motion, copy the ORIGINAL file from the phone, or set capture_fps",
            ));
        }
        if !info.has_sound {
            findings.push(Warning::new(
                Severity::Note,
                format!("{about}, camera {camera}"),
                "no sound track, so clocks start from recording times or a search",
                "leave the phone's sound on",
            ));
        }
    }
    // by the clock of capture: slow motion lasts longer in the file
    let captured_s = |(camera, info): &(&str, &ClipInfo)| {
        let configured = session.camera.iter().find(|c| c.name == *camera).and_then(|c| c.capture_fps);
        Some(info.duration_s? / info.slow_down(configured))
    };
    let lengths: Vec<f64> = infos.iter().filter_map(captured_s).collect();
    let (shortest, longest) =
        lengths.iter().fold((f64::INFINITY, 0.0_f64), |(a, b), l| (a.min(*l), b.max(*l)));
    if lengths.len() > 1 && longest > config.longest_length_ratio * shortest {
        findings.push(warn(
            about.to_string(),
            format!("its clips last {shortest:.1} s and {longest:.1} s"),
            "is one of them of another take, cut short, or slow motion at another rate?",
        ));
    }
    let starts: Vec<f64> = infos.iter().filter_map(|(_, i)| i.recorded_unix_s).collect();
    if let (Some(first), Some(last)) =
        (starts.iter().copied().reduce(f64::min), starts.iter().copied().reduce(f64::max))
    {
        let gap_s = (last - first) % 1800.0;
        let gap_s = gap_s.min(1800.0 - gap_s);
        if gap_s > config.latest_start_gap_s {
            findings.push(warn(
                about.to_string(),
                format!("its clips say they were started {:.0} s apart", last - first),
                "is one of them of another take? (A wrong phone clock does no harm.)",
            ));
        }
    }
}

fn same_content(looks: &BTreeMap<PathBuf, Look>) -> Vec<Warning> {
    let mut by_digest: BTreeMap<[u8; 32], Vec<&PathBuf>> = BTreeMap::new();
    for (clip, look) in looks {
        if let Some(digest) = look.digest {
            by_digest.entry(*digest.as_bytes()).or_default().push(clip);
        }
    }
    by_digest
        .into_values()
        .filter(|clips| clips.len() > 1)
        .map(|clips| {
            let names: Vec<String> = clips.iter().map(|c| c.display().to_string()).collect();
            Warning::new(
                Severity::Warning,
                "clips",
                format!("{} have the same content", names.join(" and ")),
                "one of them is a wrong copy; copy it from the phone again",
            )
        })
        .collect()
}
