//! Whether a solved scene has evidence enough of its own. Chance agreement, and a wrong solution of good clips, fail here.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::joint::WandJoint;
use super::{WandConfig, WandError, WandInput};
use crate::math::median;
use crate::model::ball_area_px2;
use crate::tracks::gather::Source;

/// What a scene must show.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GateConfig {
    /// Share of the wand's possible sightings (two ends, every frame looked at) that fit. A tenth: people wave for a third of a
    /// clip and more; agreement by chance, or of the wrong moments, takes in one to four per cent.
    pub least_share: f64,
    /// Root mean square departure of the wand's length from crossing rays, as a share of it. One per cent: good clips have 0.1
    /// to 0.5; two people who walk side by side come to two. This and the two below were set on pairs of clips without a wand, seeds 0 to 19
    /// and 1000 to 1199 (`tests/studies/set_ups.sh`), and checked on 2000 to 2119: 1 scene of 120, a caster's markers.
    pub most_length_spread: f64,
    /// Standard deviation of a camera's turn against the first, radians. Half a degree: 7 cm at eight metres; good clips have
    /// a hundredth of that.
    pub most_turn_sd_rad: f64,
    /// Standard deviation of a clock's offset in the middle of its clip, seconds. 5 ms: 10 cm at 20 m/s.
    pub most_offset_sd_s: f64,
    /// Distances of two tripods, metres: they are people's arms apart at least, and no phone sees a wand from farther than 40 m.
    pub baseline_m: [f64; 2],
    /// Distance between observed and predicted places, root mean square, as a share of [`WandConfig::gather_px`]. A half: what lies
    /// anywhere within that distance by chance comes to 0.71 of it (a disc filled evenly), wands of good clips to 0.03 to 0.2.
    pub most_reprojection: f64,
    /// How many times larger or smaller than they are the wand's markers may look, at the distance found. Two and a half: what is seen of
    /// a ball is half again as large where it is blurred or glows; the butt markers of a rod, taken for a wand, come to three and four.
    pub most_size_ratio: f64,
}

impl Default for GateConfig {
    fn default() -> Self {
        Self {
            least_share: 0.1,
            most_length_spread: 0.01,
            most_turn_sd_rad: 0.5_f64.to_radians(),
            most_offset_sd_s: 5e-3,
            baseline_m: [0.5, 80.0],
            most_reprojection: 0.5,
            most_size_ratio: 2.5,
        }
    }
}

/// Refuses a scene whose own evidence is not enough, with everything that was missing.
pub(super) fn pass(
    input: &WandInput,
    config: &WandConfig,
    joint: &WandJoint,
    wand_rms_m: Option<f64>,
) -> Result<(), WandError> {
    let gate = &config.gate;
    let solution = &joint.solution;
    let mut missing = Vec::new();
    let share = solution.used() as f64 / joint.possible.max(1) as f64;
    if !(share >= gate.least_share) {
        missing.push(format!(
            "{} of {} possible sightings of the wand's ends fit ({:.0} % needed)",
            solution.used(),
            joint.possible,
            100.0 * gate.least_share
        ));
    }
    match wand_rms_m {
        None => missing.push("no moment shows the wand's length by crossing rays".into()),
        Some(rms_m) if !(rms_m <= gate.most_length_spread * input.length_m.value) => missing.push(format!(
            "the wand's length comes out {:.0} mm rms off ({:.0} allowed)",
            1e3 * rms_m,
            1e3 * gate.most_length_spread * input.length_m.value
        )),
        Some(_) => {}
    }
    let rms_px = solution.reprojection_rms_px();
    let most_px = gate.most_reprojection * config.gather_px;
    if !(rms_px <= most_px) {
        missing.push(format!("the cameras agree to {rms_px:.1} px only ({most_px:.1} allowed)"));
    }
    if let (Some(diameter_m), Some(ratio)) = (input.diameter_m, size_ratio(input, joint))
        && !(ratio.max(1.0 / ratio) <= gate.most_size_ratio)
    {
        missing.push(format!(
            "its markers look as large as balls of {:.0} mm would at the distance found, not of {:.0} mm: this is no wand of {:.3} m (set \
             [wand] length_m and diameter_mm)",
            1e3 * ratio * diameter_m,
            1e3 * diameter_m,
            input.length_m.value
        ));
    }
    for (k, slots) in solution.layout.cameras.iter().enumerate().skip(1) {
        let name = input.cameras[k].name();
        let turn_rad = (0..3).map(|i| solution.border_sd(slots.pose.map(|p| p + i))).fold(0.0, f64::max);
        if !(turn_rad <= gate.most_turn_sd_rad) {
            missing.push(format!(
                "the direction of {name} is known to {:.1} degrees only ({:.1} allowed)",
                turn_rad.to_degrees(),
                gate.most_turn_sd_rad.to_degrees()
            ));
        }
        let offset_s = solution.offset_sd_s[k];
        if !(offset_s <= gate.most_offset_sd_s) {
            missing.push(format!(
                "the clock of {name} is known to {:.0} ms only ({:.0} allowed)",
                1e3 * offset_s,
                1e3 * gate.most_offset_sd_s
            ));
        }
        let apart_m = (solution.state.centre_m(k) - solution.state.centre_m(0)).norm();
        if !(apart_m >= gate.baseline_m[0] && apart_m <= gate.baseline_m[1]) {
            missing.push(format!("{name} comes out {apart_m:.1} m from {}", input.cameras[0].name()));
        }
    }
    if !solution.report.converged {
        missing.push(format!("the solution still moved after {} steps", solution.report.iterations));
    }
    if missing.is_empty() { Ok(()) } else { Err(WandError::NotEnough { missing: missing.join("; ") }) }
}

/// How many times larger than its diameter says a marker looks at the distance found: the median over all sightings in use.
fn size_ratio(input: &WandInput, joint: &WandJoint) -> Option<f64> {
    let (solution, diameter_m) = (&joint.solution, input.diameter_m?);
    let ratio = |(source, t_s): (&Source, &f64)| {
        let camera = &input.cameras[source.view_idx];
        let candidate = &camera.wand.frames[source.frame_pos].candidates[source.candidate_idx];
        let place = solution.position(source.marker_idx, *t_s)?;
        let depth_m = (solution.cameras()[source.view_idx].camera_from_world * place).z;
        let across_px = diameter_m / depth_m * camera.lens.fx_px;
        let streak_px = candidate.streak.map_or(0.0, |s| s.length_px);
        let ratio = (candidate.area_px2 / ball_area_px2(across_px, streak_px)).sqrt();
        ratio.is_finite().then_some(ratio)
    };
    median(joint.sources.iter().zip(&solution.observation_times_s).filter_map(ratio).collect::<Vec<_>>())
}
