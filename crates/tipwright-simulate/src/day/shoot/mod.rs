//! From a plan to clips, session.toml and truth.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use nalgebra::Point3;
use tipwright::model::{Camera, Clock};
use tipwright_footage::encode::EncodeConfig;

use super::board::{BoardClip, film_board, frames as board_frames};
use super::place::{HungWand, Toss, TwiceHung, WavedWand};
use super::plan::Plan;
use super::planned::{Fault, Knock};
use super::sounds::{self, OfTake};
use super::{SimulateError, casts, faults, heap, long};
use crate::phone::backdrop::Backdrop;
use crate::phone::clip::{ClipSpec, SpotTruth, film_clip};
use crate::phone::noise::{between, stream};
use crate::phone::play::Play;
use crate::phone::shutter::Shutter;
use crate::phone::sound::Microphone;
use tipwright_physics::OutfitConfig;
use tipwright_physics::motion::RodMotion;

mod plays;
mod stamps;
mod texts;

use stamps::frame_ticks;

/// The camera whose files the faults are in.
const LAME: usize = 1;

/// A Saturday in June.
const STARTED_UNIX_S: i64 = 1_781_341_200;
/// Ticks per second of all clips.
const TICKS: i64 = 90_000;

#[derive(Clone)]
enum What {
    Wand(Arc<WavedWand>),
    Plumb(Arc<HungWand>),
    /// At two places, before one phone alone.
    TwiceHung(Arc<TwiceHung>),
    Toss(Arc<Toss>),
    Take(usize),
    /// All takes in one clip.
    Takes,
    /// Nothing of the day.
    Stray,
}

struct Item {
    name: String,
    what: What,
    clocks: Vec<Clock>,
    /// When each frame is exposed, and by how much its stamp is late.
    ticks: Vec<Vec<i64>>,
    late_ticks: Vec<Vec<i64>>,
    files: Vec<PathBuf>,
    /// When each phone was started, by true time, seconds since 1970.
    began_unix_s: Vec<i64>,
}

/// A planned day with its clocks and files fixed, ready to film.
pub struct Shoot<'a> {
    plan: &'a Plan,
    out_dir: PathBuf,
    items: Vec<Item>,
    backdrops: Vec<Backdrop>,
    /// Of each take; of a clip that holds them all the one of it.
    motions: Vec<Arc<RodMotion>>,
    /// What is heard in each beside claps.
    sounds: Vec<OfTake>,
    outfit: OutfitConfig,
    spots: Mutex<BTreeMap<(usize, usize), Vec<SpotTruth>>>,
}

impl<'a> Shoot<'a> {
    /// Draws clocks and names files; makes the folders; simulates the casts.
    ///
    /// # Errors
    /// Folders cannot be made, or a cast diverges.
    pub fn prepare(plan: &'a Plan, out_dir: &Path) -> Result<Self, SimulateError> {
        let mut shoot = Self::planned(plan, out_dir)?;
        shoot.cast()?;
        Ok(shoot)
    }

    /// The same without the casts.
    pub(super) fn planned(plan: &'a Plan, out_dir: &Path) -> Result<Self, SimulateError> {
        let mut rng = stream(plan.seed, "shoot");
        let mut todo = if plan.wand_s > 0.0 {
            let waved = WavedWand::new(plan.wand_length_m, &mut rng);
            let hung = HungWand::new(Point3::new(0.35, 0.1, 3.2), plan.wand_length_m, &mut rng);
            vec![
                ("wand".to_string(), What::Wand(Arc::new(waved)), plan.wand_s),
                ("plumb".to_string(), What::Plumb(Arc::new(hung)), plan.plumb_s),
            ]
        } else {
            let hung = TwiceHung::new(plan.wand_length_m, &mut rng);
            vec![("plumb".to_string(), What::TwiceHung(Arc::new(hung)), plan.plumb_s)]
        };
        if let Some(toss_s) = plan.toss_s {
            let toss = Toss::new(0.2, toss_s + 2.0, &mut stream(plan.seed, "toss"));
            todo.push(("toss".into(), What::Toss(Arc::new(toss)), toss_s));
        }
        let is_long = !plan.pauses_s.is_empty();
        for (take_idx, take) in plan.takes.iter().enumerate().filter(|_| !is_long) {
            todo.push((take.name.clone(), What::Take(take_idx), take.duration_s));
        }
        if is_long {
            todo.push((long::CLIP.into(), What::Takes, long::length_s(plan)));
        }
        todo.extend(others(plan, &todo));
        let mut items = Vec::new();
        for (number, (name, what, duration_s)) in todo.into_iter().enumerate() {
            let mut rng = stream(plan.seed, &format!("clocks {name}"));
            let (mut clocks, mut ticks, mut files) = (Vec::new(), Vec::new(), Vec::new());
            let (mut late_ticks, mut began_unix_s) = (Vec::new(), Vec::new());
            let filed = plan.heap.as_ref().and_then(|part| part.filed.get(&name));
            for (camera_idx, mode) in plan.modes.iter().enumerate() {
                let early = if matches!(what, What::Plumb(_) | What::Toss(_)) { -0.5 } else { -1.4 };
                let offset_s = if camera_idx == 0 { 0.0 } else { between(&mut rng, early, 0.8) };
                let drift = if camera_idx == 0 { 0.0 } else { mode.drift };
                let clock = Clock { offset_s, drift, readout_s: mode.readout_s };
                let end_s =
                    if camera_idx == 0 { duration_s } else { duration_s + between(&mut rng, -0.1, 0.4) };
                let (exposed, late) = frame_ticks(clock.pts_s(end_s), mode.fps, mode.jitter_s, &mut rng);
                ticks.push(exposed);
                late_ticks.push(late);
                clocks.push(clock);
                let camera = &plan.cameras[camera_idx].name;
                let file = match what {
                    What::Take(take_idx) => format!("{:04}", 3 + take_idx + 4 * camera_idx),
                    _ => name.clone(),
                };
                let usual = || PathBuf::from(camera).join(format!("{file}.{}", mode.extension));
                files.push(
                    filed.map_or_else(|| Some(usual()), |f| f.files[camera_idx].clone()).unwrap_or_default(),
                );
                // a clip every two minutes
                let usual_s = (started_unix_s(plan) + 120 * number as i64) as f64;
                began_unix_s.push(filed.map_or(usual_s, |f| f.began_unix_s + offset_s).floor() as i64);
            }
            for (k, of_phone) in ticks.iter_mut().enumerate() {
                if filed.is_some_and(|f| f.files[k].is_none()) {
                    of_phone.clear();
                }
            }
            match fault_of(plan, &what) {
                Some(Fault::OneCamera) => ticks[LAME].clear(),
                Some(Fault::OneFrame) => ticks[LAME].truncate(1),
                _ => {}
            }
            items.push(Item { name, what, clocks, ticks, late_ticks, files, began_unix_s });
        }
        let folders = items.iter().flat_map(|i| &i.files).filter_map(|f| f.parent());
        for folder in folders.map(|f| out_dir.join(f)).collect::<BTreeSet<_>>() {
            std::fs::create_dir_all(&folder)
                .map_err(|reason| SimulateError::Write { reason, path: folder })?;
        }
        let backdrops = plan.cameras.iter().map(|c| Backdrop::new(c, &plan.surroundings)).collect();
        Ok(Self {
            plan,
            out_dir: out_dir.to_path_buf(),
            items,
            backdrops,
            motions: Vec::new(),
            sounds: Vec::new(),
            outfit: casts::outfit(plan.tip.1),
            spots: Mutex::default(),
        })
    }

    /// Simulates the casts.
    pub(super) fn cast(&mut self) -> Result<(), SimulateError> {
        self.motions = casts::simulate(&self.plan.takes, &self.outfit)?;
        if !self.plan.pauses_s.is_empty() {
            self.motions = vec![Arc::new(long::joined(self.plan, &self.motions))];
        }
        self.sounds = sounds::of_motions(self.plan, &self.motions);
        Ok(())
    }

    /// Gives back the room that the casts take.
    pub(super) fn forget_casts(&mut self) {
        self.motions.clear();
        self.spots.get_mut().unwrap_or_else(PoisonError::into_inner).clear();
    }

    /// Which motion is seen in an item.
    fn motion_of(&self, item: &Item) -> Option<usize> {
        match item.what {
            What::Take(take_idx) => Some(take_idx),
            What::Takes => Some(0),
            _ => None,
        }
    }

    fn cameras(&self) -> usize {
        self.plan.cameras.len()
    }

    /// Clips to film.
    #[must_use]
    pub fn clips(&self) -> usize {
        (self.items.len() + usize::from(self.plan.board.is_some())) * self.cameras()
    }

    /// Clips that have a frame.
    #[must_use]
    pub fn filmed(&self) -> usize {
        (0..self.clips()).filter(|i| self.frames_of(*i) > 0).count()
    }

    /// Frames of a clip.
    #[must_use]
    pub fn frames_of(&self, clip_idx: usize) -> u64 {
        let (item_idx, camera_idx) = (clip_idx / self.cameras(), clip_idx % self.cameras());
        match self.items.get(item_idx) {
            Some(item) => item.ticks[camera_idx].len() as u64,
            None => self.board_clip(camera_idx, Path::new("")).map_or(0, |b| board_frames(&b) as u64),
        }
    }

    /// Frames of the day.
    #[must_use]
    pub fn frames(&self) -> u64 {
        (0..self.clips()).map(|i| self.frames_of(i)).sum()
    }

    fn encode_config(&self, camera_idx: usize, began_unix_s: i64) -> EncodeConfig {
        let (camera, mode) = (&self.plan.cameras[camera_idx], &self.plan.modes[camera_idx]);
        let usual = EncodeConfig::new(camera.picture.stored_px);
        EncodeConfig {
            codec: mode.codec,
            depth: mode.depth,
            rotation: camera.picture.rotation,
            ticks_per_s: TICKS as u32,
            spend: mode.spend,
            capture_fps: (mode.slowed_by > 1 && mode.slow_tag).then_some(mode.fps as f32),
            recorded_unix_s: mode.calendar_error_s.map(|e| began_unix_s + e),
            maker: mode.maker.clone(),
            repeatable: if self.plan.idle_s == 0 { 0 } else { long::IDLE_S * mode.fps },
            // a picture that stands alone once a second
            key_every: if self.plan.pauses_s.is_empty() { usual.key_every } else { mode.fps },
            ..usual
        }
    }

    fn board_clip<'b>(&'b self, camera_idx: usize, path: &'b Path) -> Option<BoardClip<'b>> {
        let mode = &self.plan.modes[camera_idx];
        let [hold_frames, move_frames, poses] = self.plan.board_frames;
        let mut encode = self.encode_config(camera_idx, started_unix_s(self.plan) - 1200);
        encode.capture_fps = None;
        Some(BoardClip {
            path,
            camera: &self.plan.cameras[camera_idx],
            board: self.plan.board?,
            poses,
            hold_frames,
            move_frames,
            encode,
            frame_ticks: TICKS / 30,
            noise: mode.noise,
            seed: self.plan.seed,
        })
    }

    fn lens_file(&self, camera_idx: usize) -> PathBuf {
        let extension =
            if self.plan.board.is_some() { self.plan.modes[camera_idx].extension } else { "toml" };
        PathBuf::from(&self.plan.cameras[camera_idx].name).join(format!("lens.{extension}"))
    }

    /// How a camera films an item (wand, plumb, toss when there is one, takes), and what is before it.
    ///
    /// # Panics
    /// There is no such item or camera.
    #[must_use]
    pub fn scene_of(&self, item_idx: usize, camera_idx: usize) -> (ClipSpec, Play) {
        let item = &self.items[item_idx];
        let mode = &self.plan.modes[camera_idx];
        let camera = &self.camera_in(item, camera_idx);
        let eye = camera.pose.camera_from_world.inverse() * Point3::origin();
        let mut encode = self.encode_config(camera_idx, item.began_unix_s[camera_idx]);
        if camera_idx == LAME && fault_of(self.plan, &item.what) == Some(Fault::Cropped) {
            encode.stored_px = encode.stored_px.map(|px| px * 3 / 8 * 2);
        }
        let spec = ClipSpec {
            path: self.out_dir.join(&item.files[camera_idx]),
            name: format!("{} {}", item.name, camera.name),
            camera: camera.clone(),
            shutter: Shutter {
                clock: item.clocks[camera_idx],
                exposure_s: mode.exposure_s,
                rows: f64::from(camera.picture.stored_px[1]),
            },
            captured_ticks: item.ticks[camera_idx].clone(),
            late_ticks: item.late_ticks[camera_idx].clone(),
            slowed_by: i64::from(mode.slowed_by),
            idle: match item.what {
                What::Takes => long::idle(self.plan, &item.clocks[camera_idx], mode.fps, TICKS),
                _ => Vec::new(),
            },
            encode,
            noise: mode.noise,
            exposure_swing: mode.exposure_swing,
            sharpening: mode.sharpening,
            microphone: mode.sound_lag_s.map(|lag_s| Microphone {
                at_in_world: eye,
                rate_hz: 48_000,
                speed_of_sound_m_s: 331.3 + 0.606 * self.plan.air_c,
                lag_s,
                background: sounds::BACKGROUND,
                gusts: if self.plan.sounds.wind { sounds::GUSTS } else { 0.0 },
            }),
            seed: self.plan.seed,
        };
        (spec, self.play(item))
    }

    fn knock_of(&self, item: &Item, camera_idx: usize) -> Option<Knock> {
        let What::Take(take_idx) = item.what else { return None };
        self.plan.takes[take_idx].knock.filter(|k| k.camera_idx == camera_idx)
    }

    /// A camera as it stands when an item is filmed.
    fn camera_in(&self, item: &Item, camera_idx: usize) -> Camera {
        let camera = &self.plan.cameras[camera_idx];
        self.knock_of(item, camera_idx).map_or_else(|| camera.clone(), |k| k.after(camera))
    }

    /// Films one clip.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn film(&self, clip_idx: usize, tick: &dyn Fn()) -> Result<(), SimulateError> {
        let (item_idx, camera_idx) = (clip_idx / self.cameras(), clip_idx % self.cameras());
        let Some(item) = self.items.get(item_idx) else {
            let path = self.out_dir.join(self.lens_file(camera_idx));
            if let Some(clip) = self.board_clip(camera_idx, &path) {
                film_board(&clip, &self.backdrops[camera_idx], tick)?;
            }
            return Ok(());
        };
        if item.ticks[camera_idx].is_empty() {
            return Ok(());
        }
        let (spec, play) = self.scene_of(item_idx, camera_idx);
        let knocked =
            self.knock_of(item, camera_idx).map(|_| Backdrop::new(&spec.camera, &self.plan.surroundings));
        let backdrop = knocked.as_ref().unwrap_or(&self.backdrops[camera_idx]);
        let spots = film_clip(&spec, backdrop, &play, tick)?;
        if camera_idx == LAME
            && let Some(fault) = fault_of(self.plan, &item.what)
        {
            faults::spoil(&spec.path, fault)?;
        }
        self.spots.lock().unwrap_or_else(PoisonError::into_inner).insert((item_idx, camera_idx), spots);
        Ok(())
    }
}

/// What is wrong with the clips of an item.
fn fault_of(plan: &Plan, what: &What) -> Option<Fault> {
    match what {
        What::Take(take_idx) => plan.takes[*take_idx].fault,
        _ => None,
    }
}

/// When a day's first clip begins.
fn started_unix_s(plan: &Plan) -> i64 {
    STARTED_UNIX_S + 60 * (plan.seed % 30) as i64
}

/// What is filmed beside wand, plumb and takes of a set-up.
fn others(plan: &Plan, todo: &[(String, What, f64)]) -> Vec<(String, What, f64)> {
    let others = plan.heap.as_ref().map_or_else(Vec::new, heap::Part::others);
    let what = |name: &str| match (name, todo.first()) {
        (heap::FALSE_START, Some((_, wand, _))) => wand.clone(),
        _ => What::Stray,
    };
    others.into_iter().map(|(name, lasts_s)| (name.to_string(), what(name), lasts_s)).collect()
}
