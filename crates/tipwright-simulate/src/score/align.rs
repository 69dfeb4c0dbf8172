//! Laying the results' world onto the truth's: a turn about +Z and a shift.
//!
//! Least squares over pairs of points, closed form in the plane (Horn, J. Opt. Soc. Am. A 4 (1987) 629, restricted to a
//! turn about the vertical; from memory).

use nalgebra::{Point3, Rotation3, Vector3};
use serde::Serialize;

use super::ScoreConfig;
use super::read::{Folder, at};

/// The results' world in the truth's.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WorldFit {
    /// `paths`, `cameras` or `none`.
    pub from: &'static str,
    /// Pairs of points used.
    pub pairs: usize,
    /// Turn about +Z, degrees.
    pub yaw_deg: f64,
    /// Shift after the turn, metres.
    pub shift_m: [f64; 3],
    /// Size of the results relative to the truth, 1 when right; not taken out.
    pub scale: Option<f64>,
    /// Root mean square distance left, millimetres.
    pub rest_mm: f64,
}

impl WorldFit {
    /// The turn.
    #[must_use]
    pub fn turn(&self) -> Rotation3<f64> {
        Rotation3::from_axis_angle(&Vector3::z_axis(), self.yaw_deg.to_radians())
    }

    /// A point of the results in the truth's world.
    #[must_use]
    pub fn point(&self, p: &Point3<f64>) -> Point3<f64> {
        self.turn() * p + Vector3::from(self.shift_m)
    }
}

/// The same instant in both paths, at the results' rows.
pub fn common(results: &Folder, truth: &Folder) -> Vec<(Point3<f64>, Point3<f64>)> {
    let mut pairs = Vec::new();
    for (name, take) in &results.takes {
        let Some(true_take) = truth.takes.get(name) else { continue };
        for row in &take.path {
            if let Some(there) = at(&true_take.path, row.t_s, 0.05) {
                pairs.push((row.position_m, there));
            }
        }
    }
    pairs
}

/// Fits turn and shift; also the scale, for the report.
pub fn fit_pairs(pairs: &[(Point3<f64>, Point3<f64>)], from: &'static str) -> WorldFit {
    let n = pairs.len().max(1) as f64;
    let mean_a = pairs.iter().map(|p| p.0.coords).sum::<Vector3<f64>>() / n;
    let mean_b = pairs.iter().map(|p| p.1.coords).sum::<Vector3<f64>>() / n;
    let (mut sine, mut cosine) = (0.0, 0.0);
    for (a, b) in pairs {
        let (a, b) = (a.coords - mean_a, b.coords - mean_b);
        cosine += a.x * b.x + a.y * b.y;
        sine += a.x * b.y - a.y * b.x;
    }
    let yaw = if sine == 0.0 && cosine == 0.0 { 0.0 } else { sine.atan2(cosine) };
    let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), yaw);
    let (mut aa, mut ab) = (0.0, 0.0);
    for (a, b) in pairs {
        let a = turn * (a.coords - mean_a);
        aa += a.norm_squared();
        ab += a.dot(&(b.coords - mean_b));
    }
    let mut fit = WorldFit {
        from,
        pairs: pairs.len(),
        yaw_deg: yaw.to_degrees(),
        shift_m: (mean_b - turn * mean_a).into(),
        scale: (ab > 0.0).then(|| aa / ab),
        rest_mm: 0.0,
    };
    let square: f64 = pairs.iter().map(|(a, b)| (fit.point(a) - b).norm_squared()).sum();
    fit.rest_mm = 1e3 * (square / n).sqrt();
    fit
}

/// From the tip paths when they share enough instants, else from the camera centres.
pub fn fit(results: &Folder, truth: &Folder, config: &ScoreConfig, notes: &mut Vec<String>) -> WorldFit {
    let pairs = common(results, truth);
    if pairs.len() >= config.least_common {
        return fit_pairs(&pairs, "paths");
    }
    let mut pairs = Vec::new();
    if let (Some(results), Some(truth)) = (&results.scene, &truth.scene) {
        for camera in &results.cameras {
            if let Some(there) = truth.cameras.iter().find(|c| c.name == camera.name) {
                let centre = |c: &tipwright::model::SceneCamera| {
                    c.pose().camera_from_world.inverse_transform_point(&Point3::origin())
                };
                pairs.push((centre(camera), centre(there)));
            }
        }
    }
    if pairs.len() >= 2 {
        notes.push("paths share too few instants: worlds are laid onto each other by camera centres".into());
        return fit_pairs(&pairs, "cameras");
    }
    notes.push("neither paths nor cameras are shared: worlds are compared as they are".into());
    fit_pairs(&[], "none")
}
