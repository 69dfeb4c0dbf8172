//! Continuous-time least squares: paths of one or more markers and the set-up that sees them, solved together.
//!
//! Every sighting of every camera observes the path at its own instant, `t = offset + (1 + drift) pts + readout *
//! shutter fraction`, so clocks and readouts are unknowns like any other and no frame is ever paired with another.
//!
//! # Model
//! - **Path**: a uniform cubic B-spline in R3 per marker ([`spline`]), a knot or two per frame of the fastest camera, in
//!   separate pieces where nobody sees the marker. Its smoothness is a prior, jerk as white noise; the density is chosen by the
//!   data (marginal likelihood) and may vary over time, which is what puts resolution where the motion needs it.
//! - **Border**: per camera offset, drift, readout, pose (a turn about the camera's axes, `R <- exp(w) R`, and a
//!   translation, `T <- T + u`), focal factor; each fixed, free, or free with a prior ([`Freedom`]).
//! - **Noise**: a 2x2 covariance per sighting times one factor per camera and marker found from the residuals; Huber loss.
//! - **Streaks**: a streak is a segment over the exposure. Its centre, which is what is observed, stands for the middle of the
//!   exposure and is less sure along it than across, and its covariance says so; which marker of which frame it belongs to is
//!   told by its length and direction too ([`crate::tracks::tracklets`]). Its two ends are not observed as a velocity, for the frames beside
//!   it say that better: with ends of standard deviation s, exposure E and frame step T the streak knows the velocity to
//!   1.4 s / E, its neighbours' centres (s / 1.4 each) to s / 2T: at most E = T, where a shutter never closes, a streak
//!   adds an eighth to that information, at the E < T / 2 of an outdoor clip less than 1/32.
//! - **Lengths**: between markers (the wand) and between cameras (the unit).
//! - **Plane**: one camera alone sees no depth; all paths then lie in a given plane ([`PlaneHold`]).
//!
//! # Solution
//! Levenberg-Marquardt on a band with a border ([`band`]), cost linear in length. [`Solution`] holds the joint
//! covariance: [`Solution::kinematics`] gives position, velocity, acceleration and their 9x9 covariance (set-up
//! included) at any instant, [`Solution::draws`] joint draws of everything. [`Solution::fates`] tells what became of
//! every sighting, [`Solution::degeneracies`] what the data could not tell.
//!
//! # Use
//! ```
//! use nalgebra::{Isometry3, Point3, Rotation3, Translation3, UnitQuaternion, Vector3};
//! use tipwright::model::{Clock, Lens, Picture, RawPixel, Rotation};
//! use tipwright::motion::{CameraFreedom, CameraModel, Freedom, MotionConfig, Observation, Problem, solve};
//!
//! let lens = Lens {
//!     resolution_px: [1920, 1080], fx_px: 1500.0, fy_px: 1500.0, cx_px: 960.0, cy_px: 540.0, distortion: [0.0; 5],
//!     rms_px: None, fx_sd_px: None, fy_sd_px: None, cx_sd_px: None, cy_sd_px: None, distortion_sd: None,
//!     views_used: None, views_left_out: None,
//! };
//! // Two cameras 4 m apart look at a marker that circles 8 m away; the second one's clock is 10 ms late.
//! let pose = |x: f64, yaw: f64| {
//!     let rotation = UnitQuaternion::from_axis_angle(&Vector3::y_axis(), yaw);
//!     Isometry3::from_parts(Translation3::from(-(rotation * Vector3::new(x, 0.0, 0.0))), rotation)
//! };
//! let (west, east) = (pose(-2.0, -0.25), pose(2.0, 0.25));
//! let place = |t: f64| Point3::new((3.0 * t).sin(), (3.0 * t).cos(), 8.0);
//! let mut observations = Vec::new();
//! for (camera_idx, camera_from_world, late_s) in [(0, west, 0.0), (1, east, 0.010)] {
//!     for i in 0..120 {
//!         let pts_s = f64::from(i) / 60.0;
//!         let p = camera_from_world * place(pts_s + late_s);
//!         let pixel = RawPixel::new(1500.0 * p.x / p.z + 960.0, 1500.0 * p.y / p.z + 540.0);
//!         observations.push(Observation { camera_idx, marker_idx: 0, pts_s, pixel, cov_px2: [0.04, 0.0, 0.04] });
//!     }
//! }
//! let camera = |name: &str, camera_from_world, offset_s| CameraModel {
//!     name: name.into(), lens: lens.clone(), picture: Picture { stored_px: [1920, 1080], rotation: Rotation::R0 },
//!     camera_from_world, clock: Clock::default(), free: CameraFreedom { offset_s, ..Default::default() },
//! };
//! let cameras = vec![camera("west", west, Freedom::Fixed), camera("east", east, Freedom::Free)];
//! let problem = Problem::new(cameras, 1, observations);
//! let solution = solve(&problem, &MotionConfig::default())?;
//! assert!((solution.cameras()[1].clock.offset_s - 0.010).abs() < 1e-5);
//! let middle = solution.kinematics(0, 1.0).expect("inside the path");
//! assert!((middle.position_in_world - place(1.0)).norm() < 1e-4);
//! # Ok::<(), tipwright::motion::MotionError>(())
//! ```
//!
//! # Failure
//! [`MotionError`] when there is nothing to solve; anything weaker is a [`Degeneracy`].

mod assemble;
pub mod band;
mod correlation;
mod degeneracy;
mod draws;
mod error;
mod finish;
mod hyper;
mod initial;
mod linear;
mod misfit;
mod order;
mod outcome;
mod prior;
mod problem;
mod replicate;
pub mod rest;
mod shift;
mod solution;
mod solve;
pub mod spline;
mod state;
pub mod stretch;
mod sweep;
mod taken;
#[cfg(test)]
mod tests;
mod volume;

pub use assemble::Hyper;
pub use draws::Draw;
pub use error::MotionError;
pub use misfit::Misfit;
pub use outcome::{Degeneracy, Fate, SolveReport};
pub(crate) use prior::factored;
pub use problem::{
    Baseline, CameraFreedom, CameraModel, Distance, Freedom, Loss, MotionConfig, Noise, Observation,
    PlaneHold, Problem, SetUpPrior, Smoothness, Wander,
};
pub use replicate::Mix;
pub use shift::ClockShift;
pub use solution::{Kinematics, PathTerm, Solution};
pub use solve::{Start, solve, solve_from};
pub use state::{CameraSlots, CameraState, Layout, ShiftState, State, WanderState};
