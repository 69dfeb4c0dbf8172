//! The equations of the real solution set up for movements that have not been filmed yet.

use nalgebra::{DMatrix, DVector, Point3, Vector3};
use rayon::prelude::*;
use serde::Serialize;

use super::model_cast::{TOUCHES_AT, duration_s, middle_s, passes_s, tip, wand_end};
use super::{PlanCamera, PlanConfig, PlanError};
use crate::model::{Camera, Clock, Measured, RawPixel};
use crate::motion::spline::Timeline;
use crate::motion::{
    CameraFreedom, CameraModel, Distance, Freedom, Loss, MotionConfig, Noise, Observation, PathTerm, Problem,
    Smoothness, Solution, Start, solve_from,
};

/// Expected standard deviations in one place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Expected {
    /// Along the cast.
    pub along_mm: f64,
    /// Across it.
    pub across_mm: f64,
    /// Up.
    pub up_mm: f64,
    /// All three together.
    pub position_mm: f64,
    /// Of the depth of a dip a metre long.
    pub dip_mm: f64,
    /// Of the clocks against each other.
    pub offset_ms: f64,
}

/// One place of a map.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cell {
    /// Middle of the stroke.
    pub at_m: [f64; 3],
    /// What can be expected; `None` where it is not seen.
    pub expected: Option<Expected>,
    /// Cameras that do not see it.
    pub unseen_by: Vec<String>,
}

/// A set-up with what the wand will leave unsure about it.
#[derive(Debug, Clone)]
pub struct SetUp {
    pub(super) cameras: Vec<Camera>,
    pub(super) clocks: Vec<Clock>,
    /// Joint covariance of the poses, 6N x 6N as in [`Problem::pose_covariance`]; the first camera is the reference.
    pub pose_covariance: DMatrix<f64>,
    /// Standard deviation of each camera's readout, seconds.
    pub readout_sd_s: Vec<f64>,
}

/// Knots of the wand's path: 60 a second, as when a scene is solved.
const WAND_HZ: f64 = 60.0;
/// Standard deviation of one length pseudo-observation, metres: the wand bends a little when waved.
const LENGTH_EACH_SD_M: f64 = 0.002;

impl SetUp {
    /// Poses, clocks and readouts as the wand will leave them.
    ///
    /// # Errors
    /// A camera that looks nowhere, or a wand that is not seen.
    pub fn expect(cameras: &[PlanCamera], config: &PlanConfig) -> Result<Self, PlanError> {
        let mut ready = Vec::new();
        for c in cameras {
            let looks = PlanError::LooksAtItself { camera: c.name.clone() };
            ready.push(c.camera().ok_or(looks)?);
        }
        let clocks: Vec<Clock> = cameras
            .iter()
            .enumerate()
            .map(|(k, c)| Clock {
                offset_s: if k == 0 { 0.0 } else { 0.37 / config.fps },
                drift: 0.0,
                readout_s: c.readout_s.unwrap_or(config.readout_share[0] / config.fps),
            })
            .collect();
        let readout_sd_s = cameras
            .iter()
            .map(|c| if c.readout_s.is_some() { 0.0 } else { config.readout_share[1] / config.fps })
            .collect();
        let n = 6 * cameras.len();
        let mut out = Self { cameras: ready, clocks, pose_covariance: DMatrix::zeros(n, n), readout_sd_s };
        let problem = out.wand_problem(config);
        let fixed = MotionConfig {
            knot_spacing_s: Some(1.0 / WAND_HZ),
            smoothness: Smoothness::Evidence,
            ..expecting()
        };
        let unseen = |e: crate::motion::MotionError| PlanError::Unseen {
            what: format!("the wand would not be seen by two cameras at once ({e})"),
        };
        let solution = solve_from(&problem, &fixed, None).map_err(unseen)?;
        out.take_over(&solution, config);
        Ok(out)
    }

    fn take_over(&mut self, solution: &Solution, config: &PlanConfig) {
        let n = 6 * self.cameras.len();
        let mut by_border = DMatrix::zeros(n, solution.layout.size);
        let mut by_scale = DVector::zeros(n);
        for (k, slots) in solution.layout.cameras.iter().enumerate() {
            if let Some(at) = slots.pose {
                for axis in 0..6 {
                    by_border[(6 * k + axis, at + axis)] = 1.0;
                }
            }
            self.readout_sd_s[k] = solution.border_sd(slots.readout);
            // a wand longer than stated moves the cameras away from the middle, whose place is nobody's to know
            let apart = self.cameras[k].centre_in_world() - config.middle_m;
            let shift = -(self.cameras[k].pose.camera_from_world.rotation * apart);
            by_scale.rows_mut(6 * k + 3, 3).copy_from(&shift);
        }
        let scale_sd = config.wand_length_m[1] / config.wand_length_m[0];
        self.pose_covariance = &by_border * &solution.border_covariance * by_border.transpose()
            + &by_scale * by_scale.transpose() * (scale_sd * scale_sd);
        for i in 0..n {
            let settle = config.settle[usize::from(i % 6 >= 3)];
            self.pose_covariance[(i, i)] += settle * settle;
        }
    }

    /// Problem of a waved wand: second camera's pose, clocks and readouts free.
    pub(super) fn wand_problem(&self, config: &PlanConfig) -> Problem {
        let mut observations = Vec::new();
        let [length_m, _] = config.wand_length_m;
        let end = |t: f64, sign: f64| wand_end(t, sign, length_m, config.middle_m, config.half_size_m);
        for (marker_idx, sign) in [(0, -1.0), (1, 1.0)] {
            self.see(&mut observations, config, marker_idx, WAND_HZ, config.wand_s, &|t| end(t, sign));
        }
        let mut distances = Vec::new();
        let step_s = 2.0 / WAND_HZ;
        let mut t_s = step_s;
        while t_s < config.wand_s - step_s {
            distances.push(Distance {
                marker_a_idx: 0,
                marker_b_idx: 1,
                t_s,
                length_m,
                sd_m: LENGTH_EACH_SD_M,
            });
            t_s += step_s;
        }
        let mut problem = self.problem(config, 2, observations);
        problem.distances = distances;
        for (k, camera) in problem.cameras.iter_mut().enumerate() {
            camera.free.pose = k > 0;
        }
        problem
    }

    /// Problem of a take whose strokes have this middle.
    pub(super) fn take_problem(&self, config: &PlanConfig, middle_m: Point3<f64>) -> Problem {
        let mut observations = Vec::new();
        let seconds = duration_s(config.strokes);
        self.see(&mut observations, config, 0, config.fps, seconds, &|t| tip(t, middle_m, config.strokes));
        let mut problem = self.problem(config, 1, observations);
        // the same knots wherever the strokes are, so that one place can start from another's solution
        problem.timeline = Some(Timeline::new(1.0 / config.fps, &[(-0.02, seconds + 0.02)]));
        problem.pose_covariance = Some(self.pose_covariance.clone());
        for camera in &mut problem.cameras {
            camera.free.pose = true;
        }
        problem
    }

    fn problem(&self, config: &PlanConfig, markers: usize, observations: Vec<Observation>) -> Problem {
        let cameras = self
            .cameras
            .iter()
            .enumerate()
            .map(|(k, c)| CameraModel {
                name: c.name.clone(),
                lens: c.lens.clone(),
                picture: c.picture,
                camera_from_world: c.pose.camera_from_world,
                clock: self.clocks[k],
                free: CameraFreedom {
                    readout_s: Freedom::known(Measured::new(self.clocks[k].readout_s, self.readout_sd_s[k])),
                    readout_within_s: Some(CameraFreedom::readout_range_s(
                        self.clocks[k].readout_s,
                        1.0 / config.fps,
                    )),
                    ..CameraFreedom::of_clock(k, Freedom::Prior { mean: 0.0, sd: config.drift_sd })
                },
            })
            .collect();
        Problem::new(cameras, markers, observations)
    }

    /// Sightings of a moving marker in every picture of every camera.
    fn see(
        &self,
        out: &mut Vec<Observation>,
        config: &PlanConfig,
        marker_idx: usize,
        fps: f64,
        seconds: f64,
        place: &dyn Fn(f64) -> Point3<f64>,
    ) {
        let variance = config.sigma_px * config.sigma_px;
        for (camera_idx, camera) in self.cameras.iter().enumerate() {
            let clock = &self.clocks[camera_idx];
            let mut frame = 0_u32;
            while f64::from(frame) / fps <= seconds {
                let pts_s = f64::from(frame) / fps;
                frame += 1;
                if let Some(pixel) =
                    rolling(camera, clock, pts_s, place).filter(|p| inside(camera, *p, config))
                {
                    let cov_px2 = [variance, 0.0, variance];
                    out.push(Observation { camera_idx, marker_idx, pts_s, pixel, cov_px2 });
                }
            }
        }
    }

    /// Expectation in the middle of the volume, and the solution's start for places nearby.
    pub(super) fn middle(&self, config: &PlanConfig) -> Result<(Expected, Start), PlanError> {
        let unseen_by = self.unseen_by(config, config.middle_m);
        if !unseen_by.is_empty() {
            let what = format!("{} would not see the middle of the stroke", unseen_by.join(" and "));
            return Err(PlanError::Unseen { what });
        }
        let problem = self.take_problem(config, config.middle_m);
        let unseen = |e: crate::motion::MotionError| PlanError::Unseen { what: e.to_string() };
        let solution = solve_from(&problem, &expecting(), None).map_err(unseen)?;
        let expected = expected(&solution, config).ok_or_else(|| PlanError::Unseen {
            what: "the middle of the stroke would not be seen by two cameras".into(),
        })?;
        Ok((expected, Start { state: solution.state.clone(), hyper: solution.hyper.clone() }))
    }

    /// Maps seen from above and from the side.
    pub(super) fn maps(&self, config: &PlanConfig, start: &Start) -> (Vec<Cell>, Vec<Cell>) {
        let [above, beside] = places(config);
        let cells = |places: Vec<Vector3<f64>>| -> Vec<Cell> {
            places.into_par_iter().map(|shift| self.cell(config, config.middle_m + shift, start)).collect()
        };
        (cells(above), cells(beside))
    }

    /// Share of the maps' places that every camera sees.
    pub(super) fn seen_share(&self, config: &PlanConfig) -> f64 {
        let all = places(config).concat();
        let seen = all.iter().filter(|shift| self.unseen_by(config, config.middle_m + **shift).is_empty());
        seen.count() as f64 / all.len().max(1) as f64
    }

    /// One place; smoothness as in the middle, so that one step of the iteration is enough.
    pub(super) fn cell(&self, config: &PlanConfig, middle_m: Point3<f64>, start: &Start) -> Cell {
        let unseen_by = self.unseen_by(config, middle_m);
        let mut out = Cell { at_m: middle_m.coords.into(), expected: None, unseen_by };
        if !out.unseen_by.is_empty() {
            return out;
        }
        let problem = self.take_problem(config, middle_m);
        let fixed = MotionConfig {
            smoothness: Smoothness::Fixed { jerk_density_m2_s5: first_density(start) },
            ..expecting()
        };
        // the same movement elsewhere: the coefficients of a spline move with it
        let mut moved = start.clone();
        let shift = middle_m - config.middle_m;
        for (i, c) in moved.state.coefficients_m.iter_mut().enumerate() {
            *c += shift[i % 3];
        }
        moved.hyper.rejected = vec![false; problem.observations.len()];
        out.expected =
            solve_from(&problem, &fixed, Some(moved)).ok().and_then(|solution| expected(&solution, config));
        out
    }

    fn unseen_by(&self, config: &PlanConfig, middle_m: Point3<f64>) -> Vec<String> {
        let t_s = middle_s(last_forward(config));
        let seen = |c: &Camera| {
            [-TOUCHES_AT, 0.0, TOUCHES_AT].iter().all(|share| {
                let p = tip(passes_s(last_forward(config), *share), middle_m, config.strokes);
                c.project(&p).is_some_and(|p| inside(c, p, config))
            }) && c.project(&tip(t_s, middle_m, config.strokes)).is_some()
        };
        self.cameras.iter().filter(|c| !seen(c)).map(|c| c.name.clone()).collect()
    }

    /// Widest angle between two cameras' rays to the middle, degrees.
    pub(super) fn convergence_deg(&self, config: &PlanConfig) -> f64 {
        let mut widest: f64 = 0.0;
        for (i, a) in self.cameras.iter().enumerate() {
            for b in &self.cameras[..i] {
                let ray = |c: &Camera| config.middle_m - c.centre_in_world();
                widest = widest.max(ray(a).angle(&ray(b)).to_degrees());
            }
        }
        widest
    }
}

/// Places of the maps, from above and from the side, about the middle.
fn places(config: &PlanConfig) -> [Vec<Vector3<f64>>; 2] {
    let half = config.half_size_m;
    let steps = |half_m: f64| {
        let n = (half_m / config.cell_m).round() as i32;
        (-n..=n).map(|i| f64::from(i) * config.cell_m)
    };
    let above = steps(half.y).flat_map(|y| steps(half.x).map(move |x| Vector3::new(x, y, 0.0)));
    let beside = steps(half.z).flat_map(|z| steps(half.x).map(move |x| Vector3::new(x, 0.0, z)));
    [above.collect(), beside.collect()]
}

/// The stroke the expectations are about: the last one but the last, in the midst of the take.
pub(super) fn last_forward(config: &PlanConfig) -> u32 {
    config.strokes.saturating_sub(2)
}

fn first_density(start: &Start) -> f64 {
    start.hyper.jerk_density_m2_s5.iter().copied().find(|q| *q > 0.0).unwrap_or(1.0)
}

/// Solver settings for sightings without error: their covariances are believed.
pub(super) fn expecting() -> MotionConfig {
    MotionConfig {
        noise: Noise::AsGiven,
        rest_px: 0.0,
        widen_for_correlation: false,
        loss: Loss::Squares,
        reject_at: f64::INFINITY,
        ..MotionConfig::default()
    }
}

/// The terms whose sum is the depth of a dip half a metre to either side, upward.
pub(super) fn dip_terms(config: &PlanConfig) -> [PathTerm; 3] {
    let stroke = last_forward(config);
    let term = |share: f64, f: f64| PathTerm {
        marker_idx: 0,
        t_s: passes_s(stroke, share),
        direction: Vector3::z() * f,
    };
    [term(-TOUCHES_AT, 0.5), term(0.0, -1.0), term(TOUCHES_AT, 0.5)]
}

pub(super) fn expected(solution: &Solution, config: &PlanConfig) -> Option<Expected> {
    let t_s = middle_s(last_forward(config));
    let axis_mm = |direction: Vector3<f64>| {
        solution.form_sd(&[PathTerm { marker_idx: 0, t_s, direction }]).map(|sd| 1e3 * sd)
    };
    let (along_mm, across_mm, up_mm) =
        (axis_mm(Vector3::x())?, axis_mm(Vector3::y())?, axis_mm(Vector3::z())?);
    let offset_s =
        solution.layout.cameras.iter().map(|slots| solution.border_sd(slots.offset)).fold(0.0, f64::max);
    let out = Expected {
        along_mm,
        across_mm,
        up_mm,
        position_mm: Vector3::new(along_mm, across_mm, up_mm).norm(),
        dip_mm: 1e3 * solution.form_sd(&dip_terms(config))?,
        offset_ms: 1e3 * offset_s,
    };
    (out.position_mm.is_finite() && out.dip_mm.is_finite()).then_some(out)
}

/// Where a rolling shutter sees a moving point in the picture of `pts_s`.
fn rolling(
    camera: &Camera,
    clock: &Clock,
    pts_s: f64,
    place: &dyn Fn(f64) -> Point3<f64>,
) -> Option<RawPixel> {
    let mut fraction = 0.0;
    let mut pixel = None;
    for _ in 0..8 {
        let p = camera.project(&place(clock.session_s(pts_s, fraction)))?;
        fraction = camera.picture.shutter_fraction(p);
        pixel = Some(p);
    }
    pixel
}

fn inside(camera: &Camera, p: RawPixel, config: &PlanConfig) -> bool {
    let [w, h] = camera.lens.resolution_px.map(f64::from);
    let m = config.margin_px;
    p.x_px > m && p.y_px > m && p.x_px < w - 1.0 - m && p.y_px < h - 1.0 - m
}
