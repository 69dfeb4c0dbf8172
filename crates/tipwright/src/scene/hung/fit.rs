//! Least squares over what the two hung wands show: the camera's pose, the places, the lens.
//!
//! Eight places in the picture (two wands, two ends, two axes) tell of eight unknowns: the pose in the world that the wands make (six), how
//! far apart the places are and how much higher one is. What is known beforehand of the wand's length, of how plumb it hangs, of the lens
//! and of how people level phones enters as observations, so that the covariance owns it all.

use nalgebra::{
    DMatrix, DVector, Isometry3, Matrix3, Point3, Rotation3, Translation3, UnitQuaternion, Vector2, Vector3,
};

use super::stays::{Placement, Placements};
use super::{HungError, HungInput};
use crate::model::{
    CameraPose, HungWands, Lens, LensCorrection, Measured, Scene, SceneCamera, SceneQuality, UndistortedRay,
};
use crate::scene::wand::{WandConfig, readout_guess};

/// Unknowns: turn and translation of the pose, distance and rise, two tilts each, length, focal length, centre, k1.
const UNKNOWNS: usize = 17;
const OF_LENS: usize = 13;
/// Steps of the derivatives: their errors are some 1e-9 of what is derived.
const STEP: f64 = 1e-5;
/// A vertical farther from how people level phones than so many of its standard deviations hung aslant.
const ASLANT_SD: f64 = 3.5;
const MOST_STEPS: usize = 60;

/// Everything unknown.
#[derive(Debug, Clone)]
struct State {
    camera_from_world: Isometry3<f64>,
    apart_m: f64,
    rise_m: f64,
    /// Slopes along x and y of each wand.
    tilts: [f64; 4],
    length_log: f64,
    lens: LensCorrection,
}

impl State {
    /// The state with small changes, poses as [`Scene::set_up_covariance`] counts them.
    fn changed(&self, by: &DVector<f64>) -> Self {
        let mut out = self.clone();
        let turn = UnitQuaternion::from_scaled_axis(Vector3::new(by[0], by[1], by[2]));
        let pose = &self.camera_from_world;
        let translation = pose.translation.vector + Vector3::new(by[3], by[4], by[5]);
        out.camera_from_world = Isometry3::from_parts(Translation3::from(translation), turn * pose.rotation);
        out.apart_m += by[6];
        out.rise_m += by[7];
        for (tilt, by) in out.tilts.iter_mut().zip(by.iter().skip(8)) {
            *tilt += by;
        }
        out.length_log += by[12];
        out.lens.focal_log += by[OF_LENS];
        out.lens.centre_shift_px[0] += by[OF_LENS + 1];
        out.lens.centre_shift_px[1] += by[OF_LENS + 2];
        out.lens.k1_shift += by[OF_LENS + 3];
        out
    }

    /// Upper and lower end of a wand in the world.
    fn ends(&self, which: usize, length_m: f64) -> [Point3<f64>; 2] {
        let side = if which == 0 { -0.5 } else { 0.5 };
        let middle = Point3::new(side * self.apart_m, 0.0, side * self.rise_m);
        let up = Vector3::new(self.tilts[2 * which], self.tilts[2 * which + 1], 1.0).normalize();
        let half = up * (0.5 * length_m * self.length_log.exp());
        [middle + half, middle - half]
    }

    fn centre(&self) -> Point3<f64> {
        self.camera_from_world.inverse_transform_point(&Point3::origin())
    }

    /// Up as the camera sees it.
    fn up(&self) -> Vector3<f64> {
        self.camera_from_world.rotation * Vector3::z()
    }

    fn looks_at_rad(&self) -> f64 {
        let centre = self.centre();
        (centre.y.abs() / centre.coords.norm()).asin()
    }
}

/// What is held against a state.
struct Seen<'a> {
    input: &'a HungInput<'a>,
    /// Middle and half of each wand, pixels, with one standard deviation for both axes.
    observed: [[(Vector2<f64>, f64); 2]; 2],
    /// Standard deviations of what is known beforehand.
    plumb_sd: f64,
    lens_sd: [f64; 3],
    level_sd: [f64; 2],
}

impl Seen<'_> {
    /// Differences from everything known, in standard deviations; `None` behind the camera.
    fn residuals(&self, state: &State) -> Option<DVector<f64>> {
        let lens = state.lens.applied(self.input.lens);
        let mut out = Vec::with_capacity(21);
        for (which, observed) in self.observed.iter().enumerate() {
            let [upper, lower] = state.ends(which, self.input.length_m.value);
            let pixel = |p: &Point3<f64>| -> Option<Vector2<f64>> {
                let seen = lens.project(&(state.camera_from_world * p))?;
                Some(Vector2::new(seen.x_px, seen.y_px))
            };
            let (upper, lower) = (pixel(&upper)?, pixel(&lower)?);
            for (is, (seen, sd)) in [(upper + lower) * 0.5, (upper - lower) * 0.5].iter().zip(observed) {
                out.extend(((is - seen) / *sd).iter());
            }
        }
        out.extend(state.tilts.iter().map(|t| t / self.plumb_sd));
        out.push(state.length_log / (self.input.length_m.sd / self.input.length_m.value).max(1e-9));
        let [focal_sd, centre_sd, k1_sd] = self.lens_sd;
        out.push(state.lens.focal_log / focal_sd);
        out.extend(state.lens.centre_shift_px.iter().map(|c| c / centre_sd));
        out.push(state.lens.k1_shift / k1_sd);
        let up = state.up();
        out.extend([up.x / self.level_sd[0], up.z / self.level_sd[1]]);
        Some(DVector::from_vec(out))
    }

    /// Derivatives of the residuals, by differences.
    fn slopes(&self, state: &State) -> Option<DMatrix<f64>> {
        let columns: Option<Vec<DVector<f64>>> = (0..UNKNOWNS)
            .map(|k| {
                let mut by = DVector::zeros(UNKNOWNS);
                by[k] = STEP;
                let (more, less) = (state.changed(&by), state.changed(&-by));
                Some((self.residuals(&more)? - self.residuals(&less)?) / (2.0 * STEP))
            })
            .collect();
        Some(DMatrix::from_columns(&columns?))
    }

    /// Least squares by damped steps (Levenberg and Marquardt); state and covariance.
    fn solve(&self, mut state: State) -> Option<(State, DMatrix<f64>)> {
        let mut now = self.residuals(&state)?;
        let mut damping = 1e-3;
        for _ in 0..MOST_STEPS {
            let slopes = self.slopes(&state)?;
            let normal = slopes.tr_mul(&slopes);
            let mut damped = normal.clone();
            for i in 0..UNKNOWNS {
                damped[(i, i)] *= 1.0 + damping;
            }
            let by = -damped.cholesky()?.solve(&slopes.tr_mul(&now));
            let next = state.changed(&by);
            match self.residuals(&next).filter(|r| r.norm_squared() <= now.norm_squared()) {
                Some(better) => {
                    // a thousandth of a standard deviation in all
                    let is_there = (&slopes * &by).norm() < 1e-3;
                    (state, now) = (next, better);
                    damping *= 0.1;
                    if is_there {
                        let slopes = self.slopes(&state)?;
                        return Some((state, slopes.tr_mul(&slopes).cholesky()?.inverse()));
                    }
                }
                None => damping *= 10.0,
            }
        }
        None
    }
}

/// The scene of the two placements.
pub(super) fn scene(input: &HungInput, config: &WandConfig, found: &Placements) -> Result<Scene, HungError> {
    let camera = || input.clip.camera.clone();
    let apart = |apart_m: f64| HungError::Apart {
        camera: camera(),
        apart_m,
        least_m: config.hung.least_apart_m,
        most_m: config.hung.most_apart_m,
    };
    let begun = begin(input, &found.both);
    if !(begun.apart_m > 0.1 * config.hung.least_apart_m) {
        return Err(apart(begun.apart_m));
    }
    let lens = input.lens;
    let centre_sd = lens.cx_sd_px.zip(lens.cy_sd_px).map(|(x, y)| x.hypot(y) / 2.0_f64.sqrt());
    let stated = [lens.fx_sd_px.map(|sd| sd / lens.fx_px), centre_sd, lens.distortion_sd.map(|sd| sd[0])];
    let seen = Seen {
        input,
        observed: found.both.map(|p| in_pixels(lens, &p)),
        plumb_sd: config.hung.plumb_sd_rad,
        lens_sd: std::array::from_fn(|i| stated[i].unwrap_or(config.lens_sd[i]).max(1e-9)),
        level_sd: [config.vertical_guess_rad, config.pitch_guess_rad],
    };
    let (state, covariance) = seen.solve(begun).ok_or_else(|| HungError::Unsolved { camera: camera() })?;
    let up = state.up();
    let (roll, pitch) = (up.x.asin(), up.z.asin());
    if !(roll.abs() < ASLANT_SD * seen.level_sd[0] && pitch.abs() < ASLANT_SD * seen.level_sd[1]) {
        let (roll_deg, pitch_deg) = (roll.abs().to_degrees(), pitch.abs().to_degrees());
        return Err(HungError::Aslant { camera: camera(), roll_deg, pitch_deg });
    }
    if !(config.hung.least_apart_m..=config.hung.most_apart_m).contains(&state.apart_m) {
        return Err(apart(state.apart_m));
    }
    Ok(written(input, config, found, &state, &covariance))
}

/// A wand as it is in the distorted picture: its middle and the half of it.
fn in_pixels(lens: &Lens, placement: &Placement) -> [(Vector2<f64>, f64); 2] {
    let end = |sign: f64| {
        let ray = [0, 1].map(|i| placement.middle.ray[i] + sign * placement.half.ray[i]);
        let pixel = lens.distort(UndistortedRay { x: ray[0], y: ray[1] });
        Vector2::new(pixel.x_px, pixel.y_px)
    };
    let (upper, lower) = (end(1.0), end(-1.0));
    [
        ((upper + lower) * 0.5, placement.middle.sd * lens.fx_px),
        ((upper - lower) * 0.5, placement.half.sd * lens.fx_px),
    ]
}

/// A first state: wands across the line of sight, as far away as they look long.
fn begin(input: &HungInput, both: &[Placement; 2]) -> State {
    let vectors = both.map(|p| {
        let half = Vector3::new(p.half.ray[0], p.half.ray[1], 0.0);
        let away_m = 0.5 * input.length_m.value / half.norm();
        (Vector3::new(p.middle.ray[0], p.middle.ray[1], 1.0) * away_m, half.normalize())
    });
    let up = (vectors[0].1 + vectors[1].1).normalize();
    let between = vectors[1].0 - vectors[0].0;
    let rise_m = between.dot(&up);
    let level = between - up * rise_m;
    let x = level.try_normalize(1e-9).unwrap_or_else(|| up.cross(&Vector3::z()));
    let axes = Matrix3::from_columns(&[x, up.cross(&x), up]);
    let rotation = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(axes));
    let middle = Translation3::from((vectors[0].0 + vectors[1].0) * 0.5);
    State {
        camera_from_world: Isometry3::from_parts(middle, rotation),
        apart_m: level.norm(),
        rise_m,
        tilts: [0.0; 4],
        length_log: 0.0,
        lens: LensCorrection::default(),
    }
}

/// A figure of the state with its standard deviation, by differences.
fn measured(state: &State, covariance: &DMatrix<f64>, figure: &dyn Fn(&State) -> f64) -> Measured {
    let slopes = DVector::from_fn(UNKNOWNS, |k, _| {
        let mut by = DVector::zeros(UNKNOWNS);
        by[k] = STEP;
        (figure(&state.changed(&by)) - figure(&state.changed(&-by))) / (2.0 * STEP)
    });
    Measured::new(figure(state), (covariance * &slopes).dot(&slopes).max(0.0).sqrt())
}

fn written(
    input: &HungInput,
    config: &WandConfig,
    found: &Placements,
    state: &State,
    covariance: &DMatrix<f64>,
) -> Scene {
    let readout = input.readout_s.unwrap_or_else(|| readout_guess(input.clip));
    let mut set_up = DMatrix::zeros(Scene::PARAMETERS, Scene::PARAMETERS);
    // pose, then readout by itself, then the lens
    let at: [Option<usize>; Scene::PARAMETERS] = std::array::from_fn(|i| match i {
        0..6 => Some(i),
        6 => None,
        _ => Some(OF_LENS + i - 7),
    });
    for (i, a) in at.iter().enumerate() {
        for (j, b) in at.iter().enumerate() {
            if let (Some(a), Some(b)) = (a, b) {
                set_up[(i, j)] = 0.5 * (covariance[(*a, *b)] + covariance[(*b, *a)]);
            }
        }
    }
    set_up[(6, 6)] = readout.sd.powi(2) + config.readout_floor_s.powi(2);
    let sd = |i: usize| set_up[(i, i)].max(0.0).sqrt();
    let mut camera = SceneCamera {
        name: input.clip.camera.clone(),
        rotation_wxyz: [1.0, 0.0, 0.0, 0.0],
        rotation_sd_deg: std::array::from_fn(|i| sd(i).to_degrees()),
        translation_m: [0.0; 3],
        translation_sd_m: std::array::from_fn(|i| sd(3 + i)),
        offset_s: 0.0,
        offset_sd_s: 0.0,
        drift: 0.0,
        drift_sd: 0.0,
        readout_s: readout.value,
        readout_sd_s: sd(6),
    };
    camera.set_pose(&CameraPose { camera_from_world: state.camera_from_world });
    let figure = |of: &dyn Fn(&State) -> f64| measured(state, covariance, of);
    let away_m = figure(&|s| s.centre().coords.norm());
    let turned = covariance.fixed_view::<3, 3>(0, 0);
    let lever = state.up().cross_matrix();
    let vertical = lever * turned * lever.transpose();
    let hung = HungWands {
        still_s: found.both.map(|p| p.still_s),
        apart_m: figure(&|s| s.apart_m),
        camera_off_m: figure(&|s| s.centre().y.abs()),
        looks_at_deg: figure(&|s| s.looks_at_rad().to_degrees()),
        vertical_sd_deg: vertical.symmetric_eigenvalues().max().max(0.0).sqrt().to_degrees(),
    };
    Scene {
        schema: 1,
        length_unit: "m".into(),
        cameras: vec![camera],
        wand_reach_m: Some(0.5 * state.apart_m),
        hung: Some(hung),
        quality: SceneQuality {
            scale_sd_relative: Some(away_m.sd / away_m.value),
            observations_accepted: found.both.iter().map(|p| p.sightings).sum(),
            ..SceneQuality::default()
        },
        pose_covariance: set_up.view((0, 0), (6, 6)).clone_owned().as_slice().to_vec(),
        lens_correction: vec![state.lens],
        set_up_covariance: set_up.as_slice().to_vec(),
    }
}
