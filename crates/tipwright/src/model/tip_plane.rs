//! The plane that a tip moves about in a take, and how it strays from it: what a take that one camera alone filmed is measured in.

use serde::{Deserialize, Serialize};

use super::spot::Role;

/// How far what lies off a plane at one instant goes with what lies off it some time later.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OffPlane {
    /// So much later, seconds.
    pub lag_s: f64,
    /// Mean product of both distances, square metres.
    pub covariance_m2: f64,
}

/// A butt marker beside the plane of the tip.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ButtBeside {
    /// Which one.
    pub role: Role,
    /// Mean distance from the plane while the tip is fast, metres, positive along the normal.
    pub mean_m: f64,
}

/// The plane nearest to a tip's fast movement; it leans as the rod does. World frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TipPlane {
    /// Middle of the fast movement, metres.
    pub middle_m: [f64; 3],
    /// Unit normal, to one side or the other.
    pub normal: [f64; 3],
    /// What the tip does off the plane.
    pub off_plane: Vec<OffPlane>,
    /// Butt markers that were followed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub butts: Vec<ButtBeside>,
}

/// A take that one camera alone measured.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OneView {
    /// The camera.
    pub camera: String,
    /// Why it was alone.
    pub why: String,
    /// Where the plane came from, as pages say it.
    pub plane_from: String,
}
