//! A wand hung still at two places before one camera alone: they tell the plane of the cast.

use serde::{Deserialize, Serialize};

use super::measured::Measured;

/// The two places. In the scene's world they lie in the plane y = 0, the origin between them, +X from the first to the second.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HungWands {
    /// When both ends were still, from and to, seconds of the clip.
    pub still_s: [[f64; 2]; 2],
    /// Level distance between the places, metres.
    pub apart_m: Measured,
    /// Distance of the camera from the plane, metres.
    pub camera_off_m: Measured,
    /// Angle at which the camera sees the plane in its middle, degrees; 0 along it.
    pub looks_at_deg: Measured,
    /// Standard deviation of the vertical in the direction in which it is known least, degrees.
    pub vertical_sd_deg: f64,
}

impl HungWands {
    /// What was found, in words; \u{b1} is half of a 95 % interval.
    #[must_use]
    pub fn shown(&self) -> String {
        let [[a_from, a_to], [b_from, b_to]] = self.still_s;
        let metres = |m: &Measured| format!("{:.2} m (\u{b1} {:.2} m)", m.value, m.half_width_95());
        format!(
            "the wand hung still from {a_from:.1} to {a_to:.1} s and from {b_from:.1} to {b_to:.1} s, {} apart; the camera stands {} from the plane of both and sees it at {:.0} degrees (\u{b1} {:.1}); the vertical is known to \u{b1} {:.1} degrees",
            metres(&self.apart_m),
            metres(&self.camera_off_m),
            self.looks_at_deg.value,
            self.looks_at_deg.half_width_95(),
            1.96 * self.vertical_sd_deg
        )
    }
}
