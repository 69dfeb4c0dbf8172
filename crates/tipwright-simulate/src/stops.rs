//! The stops of a cast, filmed for the finder of the line and for nobody else: the second after every stop at the rate at
//! which the finder looks. A stroke takes two seconds of one core this way, not the minutes of a whole day.
//!
//! Lens, shutter, exposure, noise, trees and people are those of the clinic; the pictures are not compressed.

use std::sync::Arc;

use nalgebra::{Point3, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use tipwright::line::{GatherConfig, Gatherer, LineView, LoopSettings, Loops, measure_loops};
use tipwright::model::footage::FrameView;
use tipwright::model::line::ClipRidges;
use tipwright::model::{Clock, FigureId, MarkerPath, PathSample, RodPaths, Stroke};
use tipwright::strokes::{StrokesConfig, StrokesError, measure};
use tipwright_footage::encode::{EncodeConfig, EncodeError};

use crate::casters::take_outfit;
use crate::day::plan::Plan;
use crate::day::scenery;
use crate::phone::backdrop::Backdrop;
use crate::phone::clip::{ClipSpec, expose};
use crate::phone::play::Play;
use crate::phone::shutter::Shutter;
use crate::truth_figures::loops::{TrueLoop, true_loop};
use crate::{DayKind, SimulateConfig};
use tipwright_day::session::Hand;
use tipwright_physics::motion::RodMotion;

const TICKS_PER_S: i64 = 90_000;
/// Frames at which the finder looks, of clips of 120 frames a second.
const LOOK_TICKS: i64 = TICKS_PER_S / 40;
/// The background settles so long before the stop.
const BEFORE_S: f64 = 0.3;
/// Looks from there on.
const LOOKS: i64 = 40;

/// Why the stops of a cast have no figures.
#[derive(Debug, thiserror::Error)]
pub enum StopsError {
    /// The tip path has no strokes.
    #[error("the strokes cannot be measured: {0}")]
    Strokes(#[from] StrokesError),
    /// A picture could not be taken.
    #[error("the stops cannot be filmed: {0}")]
    Film(#[from] EncodeError),
}

/// A stroke with its loop as measured and as it was.
#[derive(Debug, Clone)]
pub struct StopSeen {
    /// Figures, the loop's among them.
    pub stroke: Stroke,
    /// Why the loop was not measured.
    pub reason: Option<String>,
    /// Probability of a tail where the legs could be followed.
    pub tail_probability: Option<f64>,
    /// The loop as it was.
    pub truth: TrueLoop,
}

/// Place and phones of the clinic.
pub struct Stops {
    plan: Plan,
    backdrops: Vec<Backdrop>,
}

impl Default for Stops {
    fn default() -> Self {
        let plan = Plan::new(&SimulateConfig { kind: DayKind::Clinic, seed: 1, ..SimulateConfig::default() });
        let backdrops = plan.cameras.iter().map(|c| Backdrop::new(c, &plan.surroundings)).collect();
        Self { plan, backdrops }
    }
}

impl Stops {
    /// Films the stops of a cast and measures its loops; strokes whose loop never came to the standard moment are left
    /// out. Tip path and cameras are those of the truth.
    ///
    /// # Errors
    /// No strokes, or a picture that cannot be taken.
    pub fn see(&self, motion: &Arc<RodMotion>, seed: u64) -> Result<Vec<StopSeen>, StopsError> {
        let rod = RodPaths { tip: tip_path(motion), butts: Vec::new() };
        let mut strokes = measure(&rod, &StrokesConfig::default())?.strokes;
        let stop_s = |s: &Stroke| s.figures.get(FigureId::TRsp).map_or(0.0, |m| m.value);
        let stops: Vec<f64> = strokes.iter().map(stop_s).collect();
        let ridges: Vec<ClipRidges> = (0..self.plan.cameras.len())
            .into_par_iter()
            .map(|k| self.film(k, motion, &stops, seed))
            .collect::<Result<_, _>>()?;
        let views: Vec<LineView<'_>> = self
            .plan
            .cameras
            .iter()
            .zip(&ridges)
            .enumerate()
            .map(|(k, (camera, ridges))| LineView { camera: camera.clone(), clock: self.clock(k), ridges })
            .collect();
        let Loops { measured, not_seen } =
            measure_loops(&views, &rod.tip, &mut strokes, &LoopSettings::default());
        let seen = strokes.into_iter().filter_map(|stroke| {
            let world_from_cast = stroke.cast_from_world.inverse();
            let [a, b] = stroke.chord_in_cast.map(|p| world_from_cast * p);
            let truth = true_loop(motion, &(b - a), stop_s(&stroke))?;
            let of = measured.iter().find(|l| l.stroke == stroke.stroke);
            let tail_probability = of.and_then(|l| l.tail_probability);
            let reason = not_seen.iter().find(|n| n.0 == stroke.stroke).map(|n| n.1.clone());
            Some(StopSeen { stroke, reason, tail_probability, truth })
        });
        Ok(seen.collect())
    }

    fn clock(&self, k: usize) -> Clock {
        Clock { readout_s: self.plan.modes[k].readout_s, ..Clock::default() }
    }

    /// What one phone's pictures of the stops leave with the finder.
    fn film(
        &self,
        k: usize,
        motion: &Arc<RodMotion>,
        stops: &[f64],
        seed: u64,
    ) -> Result<ClipRidges, EncodeError> {
        let (plan, camera, mode) = (&self.plan, &self.plan.cameras[k], &self.plan.modes[k]);
        let outfit = take_outfit(plan.tip.1 / 1000.0);
        let mut play = Play { sun: plan.sun, glints_per_s: plan.glints_per_s, ..Play::default() };
        play.people.push(scenery::stroller(&mut ChaCha8Rng::seed_from_u64(seed)));
        scenery::caster(&mut play, motion, Hand::Right, plan.white_cap, 0);
        scenery::rod_curves(&mut play, motion, &outfit.rod);
        if let Some(line) = &outfit.line {
            scenery::line_curves(&mut play, motion, line);
        }
        let mut all = ClipRidges {
            camera: camera.name.clone(),
            picture: camera.picture,
            frames: Vec::new(),
            cut_short: false,
        };
        for stop_s in stops {
            let first = ((stop_s - BEFORE_S) * TICKS_PER_S as f64) as i64 / LOOK_TICKS;
            let spec = ClipSpec {
                path: "stops".into(),
                name: format!("{} {seed} {stop_s:.3}", camera.name),
                camera: camera.clone(),
                shutter: Shutter {
                    clock: self.clock(k),
                    exposure_s: mode.exposure_s,
                    rows: f64::from(camera.picture.stored_px[1]),
                },
                captured_ticks: (first..first + LOOKS).map(|i| i * LOOK_TICKS).collect(),
                late_ticks: Vec::new(),
                slowed_by: 1,
                idle: Vec::new(),
                encode: EncodeConfig {
                    ticks_per_s: TICKS_PER_S as u32,
                    ..EncodeConfig::new(camera.picture.stored_px)
                },
                noise: mode.noise,
                exposure_swing: None,
                sharpening: 0.0,
                microphone: None,
                seed: plan.seed,
            };
            let mut gatherer = Gatherer::new(camera.picture, &GatherConfig::default());
            expose(&spec, &self.backdrops[k], &play, &mut |planes, frame_idx| {
                let pts_s = spec.pts_s(frame_idx);
                let frame_idx = frame_idx as u32;
                gatherer.look_at(&FrameView { frame_idx, pts_s, now: *planes, before: None });
                Ok(())
            })?;
            all.frames.extend(gatherer.finish(&camera.name).frames);
        }
        Ok(all)
    }
}

/// The same cast with a wave in every fly leg, that travels with the nose: down by `depth_m` at `middle_m` behind its front.
#[must_use]
pub fn waved(plain: &RodMotion, depth_m: f64, middle_m: f64) -> RodMotion {
    let mut out = plain.clone();
    for frame in &mut out.frames {
        let line = &mut frame.line_in_world;
        let Some(tip_x) = line.first().map(|p| p.x) else { continue };
        let last = line.len() - 1;
        for sign in [1.0, -1.0] {
            let foremost = line.iter().enumerate().max_by(|a, b| (sign * a.1.x).total_cmp(&(sign * b.1.x)));
            let Some((i, front)) = foremost.map(|(i, p)| (i, p.x)) else { continue };
            if i == 0 || i == last || sign * (front - tip_x) < 0.3 {
                continue;
            }
            for p in &mut line[i..] {
                let behind_m = sign * (front - p.x);
                p.z -= depth_m * (-((behind_m - middle_m) / 0.3).powi(2)).exp();
            }
        }
    }
    out
}

/// The tip of a motion as a path of 240 places a second.
#[must_use]
pub fn tip_path(motion: &RodMotion) -> MarkerPath {
    let end = ((motion.end_s() - motion.start_s()) * 240.0) as u32;
    let samples = (0..end)
        .map(|i| {
            let t_s = motion.start_s() + f64::from(i) / 240.0;
            let position_in_world: Point3<f64> = motion.tip_at(t_s);
            PathSample {
                t_s,
                position_in_world,
                velocity_in_world_m_s: motion.tip_velocity_at(t_s),
                position_sd_m: Vector3::repeat(0.002),
                views: 2,
            }
        })
        .collect();
    MarkerPath { samples, ..MarkerPath::default() }
}
