//! Stage `path`: from candidates in each picture to the 3D paths of the markers of one take.
//!
//! 1. `view`: candidates of each camera are linked over time ([`crate::tracks::tracklets`]).
//! 2. `clocks`: the offset of every clip, found anew for each take ([`crate::tracks::sync`]); sound and recording
//!    times only narrow the search.
//!    Of a camera much slower than another one the tracks are then made anew, along the other's
//!    ([`crate::tracks::follow`]).
//! 3. `chain`: tracks of two cameras that agree (epipolar distance at their own instants) become pieces of 3D track;
//!    the best chain of pieces (`jumps`) is the marker. The tip is what moves fastest; caps, walkers and glints disagree between
//!    cameras, have the wrong size, or are slow. Of several who cast, the take's is who stands where the wand was waved
//!    (`whose`).
//! 4. `joint`: one least squares over paths, clocks, readouts and small corrections of poses ([`crate::motion`]);
//!    sightings near the solution are taken in, others set aside, and it is solved again. It rests on what the scene
//!    knows (`known`), but for a vertical that the scene hardly knows (`upright`).
//! 5. `output`: samples, draws, clocks, spots and counts.
//!
//! 6. `one_view`: a take of which one camera alone has a clip lies in a plane that other takes tell, or two hung wands.
//!
//! A path is given at the first camera's frame times, and between those of a slow first camera in a faster one's step. One camera alone carries it for [`PathConfig::longest_bridge_s`]
//! with growing standard deviation; beyond that there is a gap.

mod chain;
mod clocks;
mod error;
mod joining;
mod joint;
mod jumps;
mod known;
pub mod one_view;
mod output;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_alone;
#[cfg(test)]
mod tests_mixed;
#[cfg(test)]
mod tests_moved;
#[cfg(test)]
mod tests_slow;
#[cfg(test)]
mod tests_upright;
mod upright;
mod view;
mod whose;

use crate::model::{
    ClipSpots, CoarseOffset, Colour, Lens, Measured, MovedCamera, RodPaths, Role, Scene, Severity,
    TakeCameraFit, TakeClock, Tally, Warning,
};
use crate::motion::MotionConfig;
use crate::tracks::sync::SyncConfig;
use crate::tracks::tracklets::LinkConfig;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use error::PathError;
use one_view::{HungPlaneConfig, PlanePrior};

/// What a marker looks like and where it sits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoleLook {
    /// Which marker.
    pub role: Role,
    /// Its colour.
    pub colour: Colour,
    /// Along the rod from the butt cap, metres (the tip: the rod's length).
    pub at_m: f64,
    /// Diameter, metres.
    pub diameter_m: f64,
}

/// One camera of a take.
#[derive(Debug, Clone, Copy)]
pub struct TakeCamera<'a> {
    /// Its lens.
    pub lens: &'a Lens,
    /// Its clip's candidates; `camera` names it.
    pub spots: &'a ClipSpots,
    /// Readout known from elsewhere (session.toml), seconds; the scene's when absent.
    pub readout_s: Option<Measured>,
    /// First guess of its offset to the first camera of the take.
    pub coarse_offset: Option<CoarseOffset>,
}

/// Everything a take's path rests on.
#[derive(Debug, Clone)]
pub struct TakeInput<'a> {
    /// Name of the take, for messages.
    pub take: &'a str,
    /// The set-up.
    pub scene: &'a Scene,
    /// Cameras in session order; the first one's clock is the take's.
    pub cameras: Vec<TakeCamera<'a>>,
    /// Markers to look for; the tip must be among them.
    pub roles: Vec<RoleLook>,
    /// The plane that they move about; used where there is one camera.
    pub plane: Option<&'a PlanePrior>,
}

impl<'a> TakeInput<'a> {
    /// The plane that holds the paths: of one camera alone.
    fn held(&self) -> Option<&'a PlanePrior> {
        self.plane.filter(|_| self.cameras.len() == 1)
    }
}

/// Settings of [`solve_take`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PathConfig {
    /// Linking over time in one picture.
    pub link: LinkConfig,
    /// Search of the offset.
    pub sync: SyncConfig,
    /// The joint solution. Two knots a frame: two cameras' frames fall between each other, and what jerks a tip (a line that
    /// comes free, a stop) is over within a frame of 120 a second; with one knot the path is 2 mm off there.
    pub motion: MotionConfig,
    /// Epipolar distance up to which two sightings may be the same thing, pixels, on top of three standard
    /// deviations of theirs. 3 px: poses and lenses of a good scene agree to 1 px, the first readout is a guess.
    pub epipolar_px: f64,
    /// Fastest tip. 60 m/s: anything above is a tracking error (1.5 times the fastest distance casts).
    pub fastest_m_s: f64,
    /// What never goes faster is no tip of a rod that casts, metres per second. 2: a tip reaches 15 to 40 (published; see the
    /// figures), a hand that carries a rod about 1.5.
    pub slowest_tip_m_s: f64,
    /// Farthest a marker may be from a camera, metres. 40: beyond it no phone sees a 40 mm marker.
    pub farthest_m: f64,
    /// Area seen over area expected from diameter and distance: outside this range it is something else. Wide,
    /// because blur, glow and partial hiding change the area by several times.
    pub area_ratio: [f64; 2],
    /// Fewest sightings of a piece of 3D track. Four: a cubic and nothing to spare would be three.
    pub fewest_in_piece: usize,
    /// A gap up to this long is bridged. 0.15 s: a rod's quarter period; longer and the path is a guess.
    pub longest_bridge_s: f64,
    /// Weighted share of moving sightings that must agree between cameras for an offset to be believed. Chance
    /// agreement of a scan's best offset is below 0.2 in a wide picture; distractors take their share of the rest.
    pub least_agreement: f64,
    /// Less agreement than that is believed from the first of these on when the best other offset has at most the second's
    /// share of it. 0.1 and 0.6: chance maxima of a scan are within a tenth or two of each other.
    pub standing_out: [f64; 2],
    /// Distance from the predicted place up to which a sighting is taken in after the first solution, pixels.
    /// 3: three times a reprojection that would be warned of.
    pub gather_px: f64,
    /// Settling of a tripod between scene and take: turn, radians. 3e-5 is 0.05 px.
    pub settle_turn_rad: f64,
    /// Settling: translation, metres.
    pub settle_m: f64,
    /// Rate errors of phones' clocks: 20 ppm for most (Akhmetyanov et al. 2021), so one standard deviation of
    /// 30 ppm before any observation.
    pub drift_sd: f64,
    /// Reprojection above which a take has no path, pixels. Five: no lens, clock or knock that was allowed for leaves more.
    pub most_reprojection_px: f64,
    /// Reprojection above which a camera is suspected to have been moved, pixels.
    pub moved_px: f64,
    /// Pull on the scene's poses, lenses and readouts, beside what the sightings' lasting errors do to them, above which the same is suspected:
    /// standard deviations of a chi-square above its mean (the number of parameters). 4: takes in which nobody touched a tripod (careless
    /// seeds 9, 31 and 32, clinic seed 13) give a half of the mean at most, a turn of 0.08 degrees gives more.
    pub moved_pull_sd: f64,
    /// Share of the disagreement's cost that has to go when one camera may have moved, for that to be believed. 0.3: a wrong
    /// lens or a wrong marker leaves most of it.
    pub moved_gain: f64,
    /// Turn above which a moved camera's take is refused, degrees: beyond it the clip's marker cannot be told from others
    /// by the scene, and what it shows of heights is a guess.
    pub moved_most_deg: f64,
    /// How a cast may lie to the plane of two hung wands; used where a session has one camera only.
    pub hung_plane: HungPlaneConfig,
    /// Draws of the joint error, from which every standard deviation of a path and its figures is had. 200 give it to 5 %; fewer
    /// than 50 are not made.
    pub draws: usize,
    /// Seed of the draws.
    pub seed: u64,
}

impl Default for PathConfig {
    fn default() -> Self {
        Self {
            link: LinkConfig::default(),
            sync: SyncConfig::default(),
            motion: MotionConfig {
                longest_bridge_s: 0.15,
                knots_per_frame: 2.0,
                // 60 beside 240 frames a second is solved at 1/120 and not at 1/60 (path/tests_slow.rs)
                lively_s: Some(1.0 / 240.0),
                ..MotionConfig::default()
            },
            epipolar_px: 3.0,
            fastest_m_s: 60.0,
            slowest_tip_m_s: 2.0,
            farthest_m: 40.0,
            area_ratio: [0.1, 10.0],
            fewest_in_piece: 4,
            longest_bridge_s: 0.15,
            least_agreement: 0.3,
            standing_out: [0.1, 0.6],
            gather_px: 3.0,
            settle_turn_rad: 3e-5,
            settle_m: 2e-4,
            drift_sd: 3e-5,
            most_reprojection_px: 5.0,
            moved_px: 1.5,
            moved_pull_sd: 4.0,
            moved_gain: 0.3,
            moved_most_deg: 3.0,
            hung_plane: HungPlaneConfig::default(),
            draws: 200,
            seed: 20_240_229,
        }
    }
}

/// A candidate that was taken for a marker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AssignedSpot {
    /// Position in `ClipSpots::frames`.
    pub frame_pos: usize,
    /// Position in the frame's candidates.
    pub candidate_idx: usize,
    /// As which marker.
    pub role: Role,
}

/// Spots of one camera that carry the path.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClipAssignment {
    /// Camera.
    pub camera: String,
    /// In order of time.
    pub spots: Vec<AssignedSpot>,
    /// Candidates offered, accepted and rejected by reason.
    pub tally: Tally,
}

/// Paths of a take.
#[derive(Debug, Clone, PartialEq)]
pub struct TakePaths {
    /// Tip and butt markers.
    pub rod: RodPaths,
    /// Clock of each camera that was used, in input order.
    pub clocks: Vec<TakeClock>,
    /// Cameras with the corrections of this take, in input order.
    pub cameras: Vec<TakeCameraFit>,
    /// Spots of each camera that was used, in input order.
    pub assignments: Vec<ClipAssignment>,
    /// Candidates of all cameras together.
    pub tally: Tally,
    /// Root mean square distance between observed and predicted pixels.
    pub reprojection_rms_px: f64,
    /// Distance of the butt markers over the take, median and spread: rigid, so a check of the whole chain.
    pub butts_apart_m: Option<Measured>,
    /// A camera that stands otherwise than in the scene.
    pub moved: Vec<MovedCamera>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// The take with a camera whose clock the path of the others tells; `None` when it does not.
fn with_joined(input: &TakeInput, config: &PathConfig, camera: &str, out: &TakePaths) -> Option<TakePaths> {
    let views = view::views(input, config).ok()?;
    // the others' path is in the first camera's clock
    let at = views.iter().position(|v| v.name == camera).filter(|at| *at > 0)?;
    let tip = input.roles.iter().find(|r| r.role == Role::Tip)?;
    let offset_s = joining::offset_on_path(&views[at], tip.colour, &out.rod.tip)?;
    // a camera that is left out again, or only pulls the others apart, is better left out
    let fits = |all: &TakePaths| {
        all.clocks.iter().any(|c| c.camera == camera)
            && all.reprojection_rms_px < config.moved_px
            && all.moved.is_empty()
    };
    let mut all = solve(input, config, Some((at, offset_s))).ok().filter(fits)?;
    all.warnings.push(Warning::new(
        Severity::Note,
        format!("{}, {camera}", input.take),
        "too little of what moves in it is the tip to find its clock by itself; the path of the others told it",
        "Nothing to do; a larger marker, or no glints behind it, is seen better",
    ));
    Some(all)
}

/// Solves one take, without a camera that keeps the others from it where at least two are left: at most n^2 solutions.
///
/// # Errors
/// See [`PathError`].
pub fn solve_take(input: &TakeInput, config: &PathConfig) -> Result<TakePaths, PathError> {
    let mut left = input.clone();
    let mut left_out: Vec<(String, PathError)> = Vec::new();
    loop {
        let failure = match solve(&left, config, None) {
            Ok(out) => return Ok(told(input, out, left_out)),
            Err(failure) => failure,
        };
        let suspects = suspects(&left, &failure);
        if left.cameras.len() < 3 || suspects.is_empty() {
            return Err(left_out.into_iter().next().map_or(failure, |(_, first)| first));
        }
        let without = |k: &usize| Some((*k, solve(&without_camera(&left, *k), config, None).ok()?));
        if let Some((k, out)) = suspects.iter().find_map(without) {
            let camera = left.cameras[k].spots.camera.clone();
            if let Some(all) = with_joined(&left, config, &camera, &out) {
                return Ok(told(input, all, left_out));
            }
            left_out.push((camera, failure));
            return Ok(told(input, out, left_out));
        }
        // none alone: one less, and again
        left_out.push((left.cameras[suspects[0]].spots.camera.clone(), failure));
        left = without_camera(&left, suspects[0]);
    }
}

/// Says which cameras were left out.
fn told(input: &TakeInput, mut out: TakePaths, left_out: Vec<(String, PathError)>) -> TakePaths {
    out.warnings.extend(left_out.into_iter().map(|(camera, failure)| {
        let about = format!("{}, {camera}", input.take);
        Warning::new(Severity::Warning, about, failure.to_string(), "measured without this camera")
    }));
    out
}

/// Cameras that may have caused a failure, the likeliest first: the one it names, then the one that it was held against; where
/// it names none, all.
fn suspects(input: &TakeInput, failure: &PathError) -> Vec<usize> {
    let at = |name: &str| input.cameras.iter().position(|c| c.spots.camera == name);
    match failure {
        PathError::NoAgreement { camera, first, .. } => {
            [at(camera), at(first)].into_iter().flatten().collect()
        }
        PathError::NoTrack { camera, .. } | PathError::StampsJump { camera, .. } => {
            at(camera).into_iter().collect()
        }
        PathError::Unsolved { .. }
        | PathError::Disagree { .. }
        | PathError::NoCast { .. }
        | PathError::NoChain { .. } => (0..input.cameras.len()).rev().collect(),
        _ => Vec::new(),
    }
}

/// The take without one camera. First guesses of offsets are against the first that is left.
fn without_camera<'a>(input: &TakeInput<'a>, k: usize) -> TakeInput<'a> {
    let mut out = input.clone();
    out.cameras.remove(k);
    if k == 0 {
        let base = out.cameras[0].coarse_offset.take();
        for camera in &mut out.cameras[1..] {
            camera.coarse_offset = camera.coarse_offset.zip(base).map(|(own, base)| CoarseOffset {
                value_s: own.value_s - base.value_s,
                sd_s: own.sd_s.hypot(base.sd_s),
                source: own.source,
            });
        }
    }
    out
}

/// One solution of all cameras given; `joined` is a camera and its offset as a path of the others tells it: it is not looked
/// for again.
fn solve(
    input: &TakeInput,
    config: &PathConfig,
    joined: Option<(usize, f64)>,
) -> Result<TakePaths, PathError> {
    let take = || input.take.to_string();
    if input.cameras.len() < 2 && input.held().is_none() {
        return Err(PathError::TooFewCameras { got: input.cameras.len(), take: take() });
    }
    let tip = *input
        .roles
        .iter()
        .find(|r| r.role == Role::Tip)
        .ok_or_else(|| PathError::NoTipRole { take: take() })?;
    let mut views = view::views(input, config)?;
    if let Some((at, offset_s)) = joined {
        views[at].offset_on_path_s = Some(offset_s);
    }
    if let (Some(plane), [alone]) = (input.held(), views.as_slice()) {
        one_view::sees(plane, alone, input.take)?;
    }
    let mut warnings = Vec::new();
    clocks::find_clocks(input, config, &tip, &mut views, &mut warnings)?;
    view::lead_slow(input, config, &mut views);
    let chains = chain::find_chains(input, config, &views, &mut warnings)?;
    let joint = joint::solve_joint(input, config, &views, &chains, &mut warnings)?;
    let paths = output::write_out(input, config, &views, &joint, warnings);
    if !(paths.reprojection_rms_px <= config.most_reprojection_px) {
        let (rms_px, most_px) = (paths.reprojection_rms_px, config.most_reprojection_px);
        return Err(PathError::Disagree { rms_px, most_px, take: take() });
    }
    let speeds = paths.rod.tip.samples.iter().map(|s| s.velocity_in_world_m_s.norm());
    let fastest_m_s = speeds.fold(0.0, f64::max);
    if fastest_m_s < config.slowest_tip_m_s {
        return Err(PathError::NoCast { fastest_m_s, take: take() });
    }
    Ok(paths)
}
