//! The plane of a take as two hung wands tell it, where no other take tells one.

use nalgebra::{Point3, Vector3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::prior::{BUTTS_UNKNOWN_SD_M, LASTS_S, PlaneFrom, PlanePrior, Strays, StraysLike};
use crate::model::HungWands;

/// How a cast may lie to the plane of two hung wands, standard deviations. No source gives any of these: they are what stepping up to a
/// mark and casting at a target leave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HungPlaneConfig {
    /// Where each wand hung beside the plane that was meant, metres. 0.05: a hand held up over a mark.
    pub placed_m: f64,
    /// How far beside the plane a caster stands, metres. 0.25: as casters in one set-up differ where two cameras see them.
    pub aside_m: f64,
    /// How far from along it a caster casts, as a slope. 0.14, eight degrees: the same.
    pub turned: f64,
    /// How far the plane of a tip leans from the vertical, as a slope. 0.15: a rod is held 0 to 20 degrees aside (common practice).
    pub leaning: f64,
    /// How far a tip strays from its plane, metres. 0.06: what casters in takes of two cameras do.
    pub strays_m: f64,
}

impl Default for HungPlaneConfig {
    fn default() -> Self {
        Self { placed_m: 0.05, aside_m: 0.25, turned: 0.14, leaning: 0.15, strays_m: 0.06 }
    }
}

/// Degrees of freedom of what is stated and not told by takes: as good as a normal error.
const STATED_DOF: f64 = 100.0;

impl PlanePrior {
    /// From two hung wands, in the world that they make.
    #[must_use]
    pub fn of_hung(wands: &HungWands, config: &HungPlaneConfig) -> Self {
        // the mean of both places, and their difference over their distance
        let placed_aside_m = config.placed_m / 2.0_f64.sqrt();
        let placed_turned = config.placed_m * 2.0_f64.sqrt() / wands.apart_m.value;
        let variance_m2 = config.strays_m * config.strays_m / LASTS_S.len() as f64;
        let strays = LASTS_S.map(|lasts_s| Strays { lasts_s, variance_m2 }).to_vec();
        Self {
            origin: Point3::origin(),
            along: Vector3::x(),
            mean: [0.0; 3],
            sd: [config.aside_m.hypot(placed_aside_m), config.turned.hypot(placed_turned), config.leaning],
            dof: STATED_DOF,
            strays: StraysLike::or_bowed(vec![strays]),
            butts: Vec::new(),
            butts_sd_m: BUTTS_UNKNOWN_SD_M,
            from: PlaneFrom::HungWands,
        }
    }
}
