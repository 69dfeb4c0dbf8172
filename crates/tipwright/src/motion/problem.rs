//! What the solver is given: cameras and how free they are, observations, lengths, settings.

use nalgebra::{DMatrix, Isometry3, Vector3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::shift::ClockShift;
use super::spline::Timeline;
use crate::model::{Clock, Lens, Measured, Picture, RawPixel};

/// How free a scalar of the set-up is.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Freedom {
    /// Known: stays at the value given.
    #[default]
    Fixed,
    /// Found from the observations alone.
    Free,
    /// Found from the observations and a normal prior.
    Prior {
        /// Centre of the prior, in the unit of the parameter.
        mean: f64,
        /// Its standard deviation.
        sd: f64,
    },
}

impl Freedom {
    /// Anything but fixed.
    #[must_use]
    pub fn is_free(&self) -> bool {
        !matches!(self, Self::Fixed)
    }

    /// What is known to a standard deviation; without one it stays as it is.
    #[must_use]
    pub fn known(m: Measured) -> Self {
        if m.sd > 0.0 { Self::Prior { mean: m.value, sd: m.sd } } else { Self::Fixed }
    }
}

/// Which parameters of a camera the solver may change.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CameraFreedom {
    /// Clock offset, seconds.
    pub offset_s: Freedom,
    /// Clock rate error, seconds per second.
    pub drift: Freedom,
    /// Rolling-shutter readout, seconds.
    pub readout_s: Freedom,
    /// Least and greatest readout possible, a prior with soft edges ([`super::CameraState::beyond_readout`]); `None`: 0 and any. A picture that was turned over by 180 degrees without a mark
    /// has a negative one: its last row was read first.
    pub readout_within_s: Option<[f64; 2]>,
    /// Rotation and translation (six parameters). Its prior, if any, is [`Problem::pose_covariance`].
    pub pose: bool,
    /// Natural logarithm of a factor on both focal lengths (0 = as in the lens file).
    pub focal_log: Freedom,
    /// Shift of the principal point along x and y, pixels (0 = as in the lens file).
    pub centre_shift_px: Freedom,
    /// Addition to the first radial coefficient k1 (0 = as in the lens file).
    pub k1_shift: Freedom,
    /// By how many of their priors' standard deviations focal length, principal point and k1 err; `None`: by one. Where sightings can't
    /// tell a lens from a path, holding it closer to its file than it is gives the better path, and intervals must own what that hides.
    pub lens_errs: Option<[f64; 3]>,
    /// Slow wander of the clock about offset and drift: `None` for a steady clock.
    pub wander: Option<Wander>,
}

impl CameraFreedom {
    /// A clock to be found against the session's: the first camera's is that one and stays, every other has a free offset
    /// and this drift. All else is fixed.
    #[must_use]
    pub fn of_clock(camera_idx: usize, drift: Freedom) -> Self {
        if camera_idx == 0 {
            return Self::default();
        }
        Self { offset_s: Freedom::Free, drift, ..Self::default() }
    }

    /// Where a readout may lie: up to a frame's step, on the side of zero where it is thought to be.
    #[must_use]
    pub fn readout_range_s(readout_s: f64, step_s: f64) -> [f64; 2] {
        if readout_s < 0.0 { [-step_s, 0.0] } else { [0.0, step_s] }
    }
}

/// A clock whose rate wanders: piecewise linear corrections with the given node spacing, a random walk that is zero at both
/// ends of the camera's sightings (what is left of it is in offset and drift).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wander {
    /// Distance between nodes, seconds of the camera's own time.
    pub node_spacing_s: f64,
    /// Standard deviation of the step from one node to the next, seconds.
    pub step_sd_s: f64,
}

/// A camera as the solver sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct CameraModel {
    /// Name, for messages.
    pub name: String,
    /// Intrinsics.
    pub lens: Lens,
    /// Picture size and rotation (for the shutter's direction).
    pub picture: Picture,
    /// Pose: start value, and centre of the prior on it.
    pub camera_from_world: Isometry3<f64>,
    /// Clock: start value.
    pub clock: Clock,
    /// What may change.
    pub free: CameraFreedom,
}

/// One marker seen in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// Which camera.
    pub camera_idx: usize,
    /// Which marker.
    pub marker_idx: usize,
    /// Presentation time of the frame by the camera's own clock, seconds.
    pub pts_s: f64,
    /// Upright, distorted pixel.
    pub pixel: RawPixel,
    /// Covariance of the pixel: xx, xy, yy.
    pub cov_px2: [f64; 3],
}

/// A known distance between two markers at one instant (the wand).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Distance {
    /// One marker.
    pub marker_a_idx: usize,
    /// The other.
    pub marker_b_idx: usize,
    /// Session time.
    pub t_s: f64,
    /// Known distance, metres.
    pub length_m: f64,
    /// Standard deviation of one such pseudo-observation, metres.
    pub sd_m: f64,
}

/// A known distance between the centres of two cameras: fixes the scale when nothing else does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Baseline {
    /// One camera.
    pub camera_a_idx: usize,
    /// The other.
    pub camera_b_idx: usize,
    /// Distance, metres (or the unit of length).
    pub length_m: f64,
    /// Its standard deviation; small (say 1e-6 of the length) when it defines the unit.
    pub sd_m: f64,
}

/// What is known of a set-up as a whole: one joint normal prior, so that what was found together stays together.
#[derive(Debug, Clone, PartialEq)]
pub struct SetUpPrior {
    /// Centre of each camera's readout, seconds; poses and lenses have theirs in the problem.
    pub readouts_s: Vec<f64>,
    /// 11N x 11N, camera by camera: turn, translation, readout, focal logarithm, principal point x, y, k1 (see
    /// [`crate::model::Scene::set_up_covariance`]). Rows of parameters that are fixed are ignored; those that are in here
    /// are to be [`Freedom::Free`], for a second prior would count twice.
    pub covariance: DMatrix<f64>,
}

/// A plane that all paths lie in: what one camera alone needs. It is held exactly; by how much paths stray from it is for who knows
/// the plane to say.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaneHold {
    /// Unit normal in the world.
    pub normal: Vector3<f64>,
    /// Distance from the origin along it, marker by marker, metres.
    pub offsets_m: Vec<f64>,
}

impl PlaneHold {
    /// Standard deviation that it is held with, metres: far below what any sighting tells, far above rounding.
    pub const SD_M: f64 = 1e-5;
}

/// Everything one estimate rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Problem {
    /// The cameras. The first one's clock is the session's: leave its offset and drift fixed.
    pub cameras: Vec<CameraModel>,
    /// Number of markers; each has its own path on the common timeline.
    pub markers: usize,
    /// Sightings, any order (an output refers to them by position).
    pub observations: Vec<Observation>,
    /// What of each sighting's error all sightings of its camera and marker share, pixels: one standard deviation along a vector. It widens
    /// what is stated, it moves no path. Empty: nothing.
    pub steady_px: Vec<[f64; 2]>,
    /// What of each sighting's error changes as its marker turns, slowly, each camera's and marker's by itself: one standard deviation along
    /// either axis, pixels. It too widens and moves nothing. Empty: nothing.
    pub uneven_px: Vec<f64>,
    /// Known lengths between markers.
    pub distances: Vec<Distance>,
    /// Known lengths between cameras.
    pub baselines: Vec<Baseline>,
    /// Runs of frames that may be shifted in time.
    pub shifts: Vec<ClockShift>,
    /// Joint prior covariance of pose errors about the poses given, 6N x 6N for all cameras in order: turn about the
    /// camera's axes (radians), then translation of `camera_from_world`. Rows of cameras whose pose is fixed are ignored.
    pub pose_covariance: Option<DMatrix<f64>>,
    /// Instead of `pose_covariance`, when more than the poses hangs together.
    pub set_up: Option<SetUpPrior>,
    /// The plane of all paths, where one camera alone sees them.
    pub plane: Option<PlaneHold>,
    /// Knots. `None`: laid out from the observations by [`super::stretch::lay_out`].
    pub timeline: Option<Timeline>,
}

impl Problem {
    /// Position of a sighting's camera and marker among all pairs of them: camera by camera.
    #[must_use]
    pub fn series_idx(&self, observation: &Observation) -> usize {
        observation.camera_idx * self.markers + observation.marker_idx
    }

    /// Sightings and nothing else: no known lengths, no joint prior, knots laid out from the observations.
    #[must_use]
    pub fn new(cameras: Vec<CameraModel>, markers: usize, observations: Vec<Observation>) -> Self {
        Self {
            cameras,
            markers,
            observations,
            steady_px: Vec::new(),
            uneven_px: Vec::new(),
            distances: Vec::new(),
            baselines: Vec::new(),
            shifts: Vec::new(),
            pose_covariance: None,
            set_up: None,
            plane: None,
            timeline: None,
        }
    }
}

/// Robust loss on the whitened length `s` of a pixel residual (two degrees of freedom).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Loss {
    /// Least squares.
    Squares,
    /// Huber: quadratic up to the scale, linear beyond.
    Huber {
        /// In standard deviations.
        scale: f64,
    },
    /// Cauchy: logarithmic growth.
    Cauchy {
        /// In standard deviations.
        scale: f64,
    },
}

impl Loss {
    /// Loss of the squared whitened residual (least squares gives the argument back).
    #[must_use]
    pub fn rho(&self, s2: f64) -> f64 {
        match *self {
            Self::Squares => s2,
            Self::Huber { scale } if s2 <= scale * scale => s2,
            Self::Huber { scale } => 2.0 * scale * s2.sqrt() - scale * scale,
            Self::Cauchy { scale } => scale * scale * (s2 / (scale * scale)).ln_1p(),
        }
    }

    /// Derivative of [`Self::rho`]: the weight of the observation.
    #[must_use]
    pub fn weight(&self, s2: f64) -> f64 {
        match *self {
            Self::Squares => 1.0,
            Self::Huber { scale } if s2 <= scale * scale => 1.0,
            Self::Huber { scale } => scale / s2.sqrt(),
            Self::Cauchy { scale } => 1.0 / (1.0 + s2 / (scale * scale)),
        }
    }
}

/// Smoothness prior: jerk as white noise of this spectral density (metres squared per second to the fifth).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Smoothness {
    /// One stated density for all markers and times.
    Fixed {
        /// Density of one axis, m^2/s^5.
        jerk_density_m2_s5: f64,
    },
    /// Density found from the data by marginal likelihood, one per marker.
    Evidence,
    /// The same, varying over time: each span's density from the neighbourhood that holds
    /// [`MotionConfig::neighbourhood_dof`] degrees of freedom, so a stop stays sharp and a pause smooth.
    LocalEvidence,
}

impl Smoothness {
    /// The data chooses the densities.
    #[must_use]
    pub fn is_chosen(self) -> bool {
        !matches!(self, Self::Fixed { .. })
    }
}

/// Whether the covariances given with the observations are believed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Noise {
    /// Taken as they are.
    AsGiven,
    /// Multiplied by one factor per camera, found from the residuals.
    Estimate,
}

/// Settings of [`super::solve`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MotionConfig {
    /// Distance of the knots, seconds. `None`: from the median frame step of the fastest camera; smoothness comes from the
    /// prior, not from sparse knots.
    pub knot_spacing_s: Option<f64>,
    /// Knots in that frame step. 1: finer than what moves smoothly needs.
    pub knots_per_frame: f64,
    /// Step, seconds, in which lively motion shows: the first path is smoothed over three of these, or three frames of the fastest camera
    /// where those are longer, not over three of the slowest camera.
    /// `None`: the motion is smooth as any camera sees it (a drone's), and a smoother first path ties cameras together better.
    pub lively_s: Option<f64>,
    /// Prior on the path. Local evidence: casts have pauses and stops whose jerk differs by orders of magnitude.
    pub smoothness: Smoothness,
    /// Degrees of freedom of the jerk a local density rests on. 12 gives a relative sd of sqrt(2/12) = 40 % of the
    /// density, which moves the smoothing time by its sixth root: 7 %.
    pub neighbourhood_dof: f64,
    /// Pixel noise. Estimated by default: a detector's own sigma is seldom right to better than a factor of two.
    pub noise: Noise,
    /// Least factor of estimated noise on the standard deviations given: 1 where those are what a picture or a label can give
    /// at best (Cramer and Rao's bound, a label's own pixel), so that smooth errors never pass for knowledge.
    pub least_noise: f64,
    /// A marker that stays within this of where it was stands still, pixels ([`super::rest`]). 0.5: the error of a spot's
    /// centre repeats with its place between pixels.
    pub rest_px: f64,
    /// Loss at the end. Huber at 3 sd touches 1 % of clean observations (exp(-9/2), two degrees of freedom).
    pub loss: Loss,
    /// Whitened length beyond which an observation is set aside. 5 sd: exp(-25/2), 4 in a million clean ones.
    /// Infinity switches rejection off.
    pub reject_at: f64,
    /// Longest time fewer than two cameras see a marker before the path is cut, seconds. 0.4 s: by then the sd of a
    /// cast's path has grown past any use. Only for timelines laid out here.
    pub longest_bridge_s: f64,
    /// Widen all standard deviations by the correlation of residuals in time (an error that lasts n frames counts
    /// once, not n times).
    pub widen_for_correlation: bool,
    /// Most iterations.
    pub max_iterations: usize,
    /// Fall of the cost at which the iteration ends. A step of s standard deviations lowers it by s^2 / 2: 5e-5 is a hundredth.
    pub tolerance: f64,
}

impl Default for MotionConfig {
    fn default() -> Self {
        Self {
            knot_spacing_s: None,
            knots_per_frame: 1.0,
            lively_s: None,
            smoothness: Smoothness::LocalEvidence,
            neighbourhood_dof: 12.0,
            noise: Noise::Estimate,
            least_noise: 0.5,
            rest_px: 0.5,
            loss: Loss::Huber { scale: 3.0 },
            reject_at: 5.0,
            longest_bridge_s: 0.4,
            widen_for_correlation: true,
            // Gauss-Newton needs about ten, the smoothness adds about ten more; what creeps gets its time.
            max_iterations: 150,
            tolerance: 5e-5,
        }
    }
}
