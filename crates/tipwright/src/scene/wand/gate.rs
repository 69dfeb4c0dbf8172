//! Whether a solved scene has evidence enough of its own. Chance agreement, and a wrong solution of good clips, fail here.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::joint::WandJoint;
use super::{WandConfig, WandError, WandInput};

/// What a scene must show.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GateConfig {
    /// Share of the wand's possible sightings (two ends, every frame looked at) that fit. A tenth: people wave for a third of a
    /// clip and more; agreement by chance, or of the wrong moments, takes in one to four per cent.
    pub least_share: f64,
    /// Root mean square departure of the wand's length from crossing rays, as a share of it. Two per cent: good clips have 0.1
    /// to 0.5, and depth is then worse than any figure bears.
    pub most_length_spread: f64,
    /// Standard deviation of a camera's turn against the first, radians. Half a degree: 7 cm at eight metres; good clips have
    /// a hundredth of that.
    pub most_turn_sd_rad: f64,
    /// Standard deviation of a clock's offset in the middle of its clip, seconds. 5 ms: 10 cm at 20 m/s.
    pub most_offset_sd_s: f64,
    /// Distances of two tripods, metres: they are people's arms apart at least, and no phone sees a wand from farther than 40 m.
    pub baseline_m: [f64; 2],
    /// Distance between observed and predicted pixels, root mean square: beyond five no lens or clock explains it.
    pub most_reprojection_px: f64,
}

impl Default for GateConfig {
    fn default() -> Self {
        Self {
            least_share: 0.1,
            most_length_spread: 0.02,
            most_turn_sd_rad: 0.5_f64.to_radians(),
            most_offset_sd_s: 5e-3,
            baseline_m: [0.5, 80.0],
            most_reprojection_px: 5.0,
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
    if !(rms_px <= gate.most_reprojection_px) {
        missing.push(format!(
            "the cameras agree to {rms_px:.1} px only ({:.0} allowed)",
            gate.most_reprojection_px
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
