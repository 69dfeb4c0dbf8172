//! From a plan to clips, session.toml and truth.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use nalgebra::{Point3, Vector3};
use rand::RngExt;
use tipwright::model::session::{
    ButtMarker, Clips, Markers, ReportUnits, Rod, SceneClips, SessionCamera, Take, TipMarker, Wand,
};
use tipwright::model::{Clock, Session};
use tipwright_footage::encode::EncodeConfig;

use super::board::{BoardClip, film_board, frames as board_frames};
use super::place::{BALL_DIAMETER_M, HungWand, Toss, WavedWand};
use super::plan::{Fault, Plan};
use super::{SimulateError, casts, faults, truth};
use crate::day::scenery;
use crate::motion::RodMotion;
use crate::phone::backdrop::Backdrop;
use crate::phone::clip::{ClipSpec, SpotTruth, film_clip};
use crate::phone::noise::{between, stream};
use crate::phone::play::{Ball, Play};
use crate::phone::shutter::Shutter;
use crate::phone::sound::{Clap, Microphone};
use crate::physics::OutfitConfig;
use crate::truth_figures::{TruthConfig, strokes_json, true_strokes};

/// The camera whose files the faults are in.
const LAME: usize = 1;

/// Ticks per second of all clips.
const TICKS: i64 = 90_000;

#[derive(Clone)]
enum What {
    Wand(Arc<WavedWand>),
    Plumb(Arc<HungWand>),
    Toss(Arc<Toss>),
    Take(usize),
}

struct Item {
    name: String,
    what: What,
    clocks: Vec<Clock>,
    ticks: Vec<Vec<i64>>,
    files: Vec<PathBuf>,
    number: i64,
}

/// A planned day with its clocks and files fixed, ready to film.
pub struct Shoot<'a> {
    plan: &'a Plan,
    out_dir: PathBuf,
    items: Vec<Item>,
    backdrops: Vec<Backdrop>,
    motions: Vec<Arc<RodMotion>>,
    outfit: OutfitConfig,
    spots: Mutex<BTreeMap<(usize, usize), Vec<SpotTruth>>>,
}

impl<'a> Shoot<'a> {
    /// Draws clocks and names files; makes the folders; simulates the casts.
    ///
    /// # Errors
    /// Folders cannot be made, or a cast diverges.
    pub fn prepare(plan: &'a Plan, out_dir: &Path) -> Result<Self, SimulateError> {
        let mut rng = stream(plan.seed, "shoot");
        let mut todo = vec![
            (
                "wand".to_string(),
                What::Wand(Arc::new(WavedWand::new(plan.wand_length_m, &mut rng))),
                plan.wand_s,
            ),
            (
                "plumb".to_string(),
                What::Plumb(Arc::new(HungWand::new(
                    Point3::new(0.35, 0.1, 3.2),
                    plan.wand_length_m,
                    &mut rng,
                ))),
                plan.plumb_s,
            ),
        ];
        if let Some(toss_s) = plan.toss_s {
            let toss = Toss::new(0.2, toss_s + 2.0, &mut stream(plan.seed, "toss"));
            todo.push(("toss".into(), What::Toss(Arc::new(toss)), toss_s));
        }
        for (take_idx, take) in plan.takes.iter().enumerate() {
            todo.push((take.name.clone(), What::Take(take_idx), take.duration_s));
        }
        let mut items = Vec::new();
        for (number, (name, what, duration_s)) in todo.into_iter().enumerate() {
            let mut rng = stream(plan.seed, &format!("clocks {name}"));
            let (mut clocks, mut ticks, mut files) = (Vec::new(), Vec::new(), Vec::new());
            for (camera_idx, mode) in plan.modes.iter().enumerate() {
                let early = if matches!(what, What::Plumb(_) | What::Toss(_)) { -0.5 } else { -1.4 };
                let offset_s = if camera_idx == 0 { 0.0 } else { between(&mut rng, early, 0.8) };
                let drift = if camera_idx == 0 { 0.0 } else { mode.drift };
                let clock = Clock { offset_s, drift, readout_s: mode.readout_s };
                let end_s =
                    if camera_idx == 0 { duration_s } else { duration_s + between(&mut rng, -0.1, 0.4) };
                ticks.push(frame_ticks(clock.pts_s(end_s), mode.fps, mode.jitter_s, &mut rng));
                clocks.push(clock);
                let camera = &plan.cameras[camera_idx].name;
                let file = match what {
                    What::Take(take_idx) => format!("{:04}", 3 + take_idx + 4 * camera_idx),
                    _ => name.clone(),
                };
                files.push(PathBuf::from(camera).join(format!("{file}.{}", mode.extension)));
            }
            let fault = match what {
                What::Take(take_idx) => plan.takes[take_idx].fault,
                _ => None,
            };
            match fault {
                Some(Fault::OneCamera) => ticks[LAME].clear(),
                Some(Fault::OneFrame) => ticks[LAME].truncate(1),
                _ => {}
            }
            items.push(Item { name, what, clocks, ticks, files, number: number as i64 });
        }
        for camera in &plan.cameras {
            let folder = out_dir.join(&camera.name);
            std::fs::create_dir_all(&folder)
                .map_err(|reason| SimulateError::Write { reason, path: folder })?;
        }
        let backdrops = plan.cameras.iter().map(|c| Backdrop::new(c, &plan.surroundings)).collect();
        let outfit = casts::outfit(plan.tip.1);
        let motions = casts::simulate(&plan.takes, &outfit)?;
        Ok(Self {
            plan,
            out_dir: out_dir.to_path_buf(),
            items,
            backdrops,
            motions,
            outfit,
            spots: Mutex::default(),
        })
    }

    fn cameras(&self) -> usize {
        self.plan.cameras.len()
    }

    /// Clips to film.
    #[must_use]
    pub fn clips(&self) -> usize {
        (self.items.len() + usize::from(self.plan.board.is_some())) * self.cameras()
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

    fn encode_config(&self, camera_idx: usize, number: i64) -> EncodeConfig {
        let (camera, mode) = (&self.plan.cameras[camera_idx], &self.plan.modes[camera_idx]);
        // a Saturday in June, a clip every two minutes
        let started = 1_781_341_200 + 60 * (self.plan.seed % 30) as i64 + 120 * number;
        EncodeConfig {
            codec: mode.codec,
            depth: mode.depth,
            rotation: camera.picture.rotation,
            ticks_per_s: TICKS as u32,
            spend: mode.spend,
            capture_fps: (mode.slowed_by > 1 && mode.slow_tag).then_some(mode.fps as f32),
            recorded_unix_s: mode.calendar_error_s.map(|e| started + e),
            ..EncodeConfig::new(camera.picture.stored_px)
        }
    }

    fn board_clip<'b>(&'b self, camera_idx: usize, path: &'b Path) -> Option<BoardClip<'b>> {
        let mode = &self.plan.modes[camera_idx];
        let [hold_frames, move_frames, poses] = self.plan.board_frames;
        let mut encode = self.encode_config(camera_idx, -10);
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
        let (camera, mode) = (&self.plan.cameras[camera_idx], &self.plan.modes[camera_idx]);
        let eye = camera.pose.camera_from_world.inverse() * Point3::origin();
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
            slowed_by: i64::from(mode.slowed_by),
            encode: self.encode_config(camera_idx, item.number),
            noise: mode.noise,
            exposure_swing: mode.exposure_swing,
            microphone: mode.sound_lag_s.map(|lag_s| Microphone {
                at_in_world: eye,
                rate_hz: 48_000,
                speed_of_sound_m_s: 331.3 + 0.606 * self.plan.air_c,
                lag_s,
                background: 0.004,
            }),
            seed: self.plan.seed,
        };
        let play = self.play(item);
        let spots = film_clip(&spec, &self.backdrops[camera_idx], &play, tick)?;
        if let (What::Take(take_idx), LAME) = (&item.what, camera_idx) {
            if let Some(fault) = self.plan.takes[*take_idx].fault {
                faults::spoil(&spec.path, fault)?;
            }
        }
        self.spots.lock().unwrap_or_else(PoisonError::into_inner).insert((item_idx, camera_idx), spots);
        Ok(())
    }

    fn end_s(&self, item: &Item) -> f64 {
        item.ticks
            .iter()
            .zip(&item.clocks)
            .filter(|(ticks, _)| ticks.len() > 1)
            .map(|(ticks, clock)| {
                ticks.last().map_or(0.0, |t| clock.session_s(*t as f64 / TICKS as f64, 0.0))
            })
            .fold(f64::INFINITY, f64::min)
    }

    fn play(&self, item: &Item) -> Play {
        let plan = self.plan;
        let mut play = Play { glints_per_s: plan.glints_per_s, ..Play::default() };
        for walker_idx in 0..plan.walkers {
            let mut rng = stream(plan.seed, &format!("{} walker {walker_idx}", item.name));
            play.people.push(scenery::stroller(&mut rng));
        }
        let clap = |t_s: f64| Clap { t_s, at_in_world: Point3::new(0.25, -0.8, 1.3) };
        play.claps = vec![clap(1.0), clap(self.end_s(item) - 0.4)];
        let tip = scenery::light_of(plan.tip.0);
        match &item.what {
            What::Wand(wand) => {
                scenery::wand_bearer(&mut play, Arc::clone(wand));
                for end in 0..2 {
                    let wand = Arc::clone(wand);
                    play.balls.push(Ball {
                        role: format!("wand{}", end + 1),
                        diameter_m: plan.tip.1 / 1000.0,
                        light: tip,
                        at: Box::new(move |t_s| wand.end_at(end, t_s)),
                    });
                }
            }
            What::Plumb(wand) => {
                scenery::wand_stand(&mut play, Arc::clone(wand));
                for end in 0..2 {
                    let wand = Arc::clone(wand);
                    play.balls.push(Ball {
                        role: format!("wand{}", end + 1),
                        diameter_m: plan.tip.1 / 1000.0,
                        light: tip,
                        at: Box::new(move |t_s| wand.end_at(end, t_s)),
                    });
                }
            }
            What::Toss(toss) => {
                scenery::thrower(&mut play);
                let toss = Arc::clone(toss);
                play.balls.push(Ball {
                    role: "ball".into(),
                    diameter_m: BALL_DIAMETER_M,
                    light: tip,
                    at: Box::new(move |t_s| toss.at(t_s)),
                });
            }
            What::Take(take_idx) => self.cast(&mut play, *take_idx),
        }
        play
    }

    fn cast(&self, play: &mut Play, take_idx: usize) {
        let plan = self.plan;
        let take = &plan.takes[take_idx];
        let hand = plan.casters.iter().find(|c| c.id == take.caster).map_or("right", |c| c.hand.as_str());
        let motion = &self.motions[take_idx];
        scenery::caster(play, motion, hand, plan.white_cap, take_idx);
        if take.passer_by {
            let mut rng = stream(plan.seed, &format!("{} passer-by", take.name));
            for camera in &plan.cameras {
                let eye = camera.pose.camera_from_world.inverse() * Point3::origin();
                play.people.push(scenery::passer_by(eye, &mut rng));
            }
        }
        scenery::rod_curves(play, motion, &self.outfit.rod);
        if let Some(line) = &self.outfit.line {
            scenery::line_curves(play, motion, line);
        }
        if take.fault == Some(Fault::NoMarkers) {
            return;
        }
        for (k, (at_m, colour, diameter_mm)) in plan.butts.iter().enumerate() {
            let (motion, at_m) = (Arc::clone(motion), *at_m);
            play.balls.push(Ball {
                role: format!("butt{}", k + 1),
                diameter_m: diameter_mm / 1000.0,
                light: scenery::light_of(*colour),
                at: Box::new(move |t_s| motion.rod_point_at(t_s, at_m)),
            });
        }
        let motion = Arc::clone(motion);
        play.balls.push(Ball {
            role: "tip".into(),
            diameter_m: plan.tip.1 / 1000.0,
            light: scenery::light_of(plan.tip.0),
            at: Box::new(move |t_s| motion.tip_at(t_s)),
        });
    }

    /// The session as its file says it.
    #[must_use]
    pub fn session(&self) -> Session {
        let plan = self.plan;
        let clips = |item: &Item| -> Clips {
            let filmed = item.ticks.iter().map(|t| !t.is_empty());
            plan.cameras
                .iter()
                .zip(&item.files)
                .zip(filmed)
                .filter(|(_, filmed)| *filmed)
                .map(|((c, f), _)| (c.name.clone(), f.clone()))
                .collect()
        };
        let find = |name: &str| self.items.iter().find(|i| i.name == name).map(clips);
        Session {
            schema: tipwright::model::session::SCHEMA,
            title: plan.title.clone(),
            report_units: ReportUnits::Ft,
            air_temperature_c: plan.air_c,
            wand: Wand { length_m: plan.wand_length_m, colour: None, diameter_mm: None },
            rod: Rod { length_m: plan.rod_length_m },
            marker: Markers {
                tip: TipMarker { colour: plan.tip.0, diameter_mm: plan.tip.1 },
                butt: plan
                    .butts
                    .iter()
                    .map(|(at_m, colour, diameter_mm)| ButtMarker {
                        at_m: *at_m,
                        colour: *colour,
                        diameter_mm: *diameter_mm,
                    })
                    .collect(),
            },
            camera: (0..self.cameras())
                .map(|k| SessionCamera {
                    name: plan.cameras[k].name.clone(),
                    lens: self.lens_file(k),
                    board: plan.board,
                    readout_ms: None,
                    capture_fps: (plan.modes[k].slowed_by > 1 && !plan.modes[k].slow_tag)
                        .then(|| f64::from(plan.modes[k].fps)),
                    rough_position_m: None,
                    rough_look_at_m: None,
                })
                .collect(),
            scene: SceneClips {
                wand: find("wand").unwrap_or_default(),
                plumb: find("plumb"),
                toss: find("toss"),
            },
            take: plan
                .takes
                .iter()
                .map(|take| Take {
                    name: take.name.clone(),
                    caster: take.caster.clone(),
                    phase: take.phase.clone(),
                    clips: find(&take.name).unwrap_or_default(),
                })
                .collect(),
            folder: self.out_dir.clone(),
            casters: plan.casters.clone(),
        }
    }

    /// Files of true strokes and the butt markers their figures stand on: as worn, and by the tip alone, for results
    /// that could not follow the butt markers.
    fn truths(&self) -> [(&'static str, Vec<f64>); 2] {
        let worn = self.plan.butts.iter().map(|(at_m, ..)| *at_m).collect();
        [("strokes.json", worn), ("strokes_by_tip.json", Vec::new())]
    }

    /// Writes session.toml, casters.csv, lens files where there is no board clip, and the truth.
    ///
    /// # Errors
    /// A file cannot be written.
    pub fn write_texts(&self) -> Result<(), SimulateError> {
        let plan = self.plan;
        let out = &self.out_dir;
        truth::write(&out.join("session.toml"), &toml::to_string(&self.session())?)?;
        let mut casters = String::from("id,alias,hand,rod_length_m,note\n");
        for c in &plan.casters {
            casters.push_str(&format!("{},{},{},,\"{}\"\n", c.id, c.alias, c.hand, c.note));
        }
        truth::write(&out.join("casters.csv"), &casters)?;
        let truth_dir = out.join("truth");
        for (k, camera) in plan.cameras.iter().enumerate() {
            let lens = toml::to_string(&camera.lens)?;
            truth::write(&truth_dir.join("lens").join(format!("{}.toml", camera.name)), &lens)?;
            if plan.board.is_none() {
                truth::write(&out.join(self.lens_file(k)), &lens)?;
            }
        }
        let spots = self.spots.lock().unwrap_or_else(PoisonError::into_inner);
        if plan.strays {
            faults::write_strays(out)?;
        }
        if let Some(list) = faults::list(&plan.takes, &plan.cameras[LAME].name) {
            truth::write(&truth_dir.join("faults.csv"), &list)?;
        }
        for (item_idx, item) in self.items.iter().enumerate() {
            // what cannot be measured has no truth
            if matches!(&item.what, What::Take(take_idx) if plan.takes[*take_idx].fault.is_some()) {
                continue;
            }
            let folder = match item.what {
                What::Take(_) => truth_dir.join("takes").join(&item.name),
                _ => truth_dir.join("scene").join(&item.name),
            };
            truth::write(&folder.join("clocks.toml"), &truth::clocks_toml(&plan.cameras, &item.clocks)?)?;
            for (k, camera) in plan.cameras.iter().enumerate() {
                if let Some(spots) = spots.get(&(item_idx, k)) {
                    let name = format!("spots_{}.csv", camera.name);
                    truth::write(&folder.join(name), &truth::spots_csv(spots))?;
                }
            }
            match &item.what {
                What::Wand(_) => {
                    let scene = truth::scene(&plan.cameras, &item.clocks);
                    truth::write(&truth_dir.join("scene.toml"), &toml::to_string(&scene)?)?;
                }
                What::Take(take_idx) => {
                    let motion = &self.motions[*take_idx];
                    let end_s = self.end_s(item);
                    let path = truth::path_csv(motion, 0.0, end_s, self.cameras());
                    truth::write(&folder.join("path.csv"), &path)?;
                    let rod = truth::rod_csv(motion, &Vector3::x(), 0.0, end_s);
                    truth::write(&folder.join("rod.csv"), &rod)?;
                    truth::write(&folder.join("line.csv"), &truth::line_csv(motion, 0.0, end_s))?;
                    for (file, butts_at_m) in self.truths() {
                        let config = TruthConfig { butts_at_m, ..TruthConfig::default() };
                        let mut seen = true_strokes(motion, Vector3::x(), &config);
                        seen.retain(|s| s.is_within(0.0, end_s));
                        let take = &plan.takes[*take_idx];
                        let phase = take.phase.as_deref();
                        let text = strokes_json(&plan.title, &take.name, &take.caster, phase, &seen)?;
                        truth::write(&folder.join(file), &text)?;
                    }
                }
                _ => {}
            }
        }
        Ok(())
    }
}

/// Time stamps of a clip that ends at `end_s`: even, or wandering with a frame missing now and then.
fn frame_ticks(end_s: f64, fps: u32, jitter_s: f64, rng: &mut impl rand::Rng) -> Vec<i64> {
    let step = TICKS / i64::from(fps);
    let count = (end_s * f64::from(fps)).floor() as i64;
    let mut out: Vec<i64> = Vec::new();
    for n in 0..count {
        if jitter_s == 0.0 {
            out.push(n * step);
            continue;
        }
        if n > 0 && rng.random::<f64>() < 0.006 {
            continue;
        }
        let wander = if n == 0 { 0.0 } else { between(rng, -1.73, 1.73) * jitter_s * TICKS as f64 };
        let ticks = n * step + wander.round() as i64;
        if out.last().is_none_or(|before| ticks > *before) {
            out.push(ticks);
        }
    }
    out
}
