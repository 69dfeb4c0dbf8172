//! Where something that hangs still or swings a little is at rest in a picture.

use nalgebra::{Matrix3, Vector3};

/// What is wrong about a centroid everywhere alike: a good one keeps below 0.05 px (Hechenblaikner, arXiv 2307.09557, sub-pixel bias).
pub(super) const CENTROID_FLOOR_PX: f64 = 0.05;

/// Cosine of the largest angle between a hung wand and what the phones call up, 40 degrees, whatever else has its length.
pub(super) const LEAST_UPRIGHT: f64 = 0.77;

/// Share of the best couple's worth from which another one that says otherwise makes both doubtful: seconds seen and likeness.
pub(super) const RIVAL_SHARE: f64 = 0.5;

/// A resting thing in one picture: undistorted ray and standard deviation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rest {
    pub ray: [f64; 2],
    pub sd: f64,
    pub seconds: f64,
}

/// Rest point of a swing: constant and one sinusoid per axis, the frequency scanned from 0.2 to 2 Hz (a wand of half a
/// metre to three metres swings between 0.3 and 0.9 Hz about one end, a pendulum about its end).
pub(super) fn rest_point(samples: &[(f64, [f64; 2])], seconds: f64, focal_px: f64) -> Rest {
    let n = samples.len() as f64;
    let mean = |axis: usize| samples.iter().map(|s| s.1[axis]).sum::<f64>() / n;
    let mut ray = [mean(0), mean(1)];
    let spread: f64 =
        samples.iter().map(|s| (s.1[0] - ray[0]).powi(2) + (s.1[1] - ray[1]).powi(2)).sum::<f64>();
    let mut left = spread;
    for i in 0..60 {
        let hz = 0.2 + 0.03 * f64::from(i);
        // less than three quarters of a period tells a swing from a drift badly
        if hz * seconds < 0.75 {
            continue;
        }
        let mut normal = Matrix3::zeros();
        let mut right = [Vector3::zeros(), Vector3::zeros()];
        for (t_s, r) in samples {
            let phase = std::f64::consts::TAU * hz * t_s;
            let row = Vector3::new(1.0, phase.cos(), phase.sin());
            normal += row * row.transpose();
            for axis in 0..2 {
                right[axis] += row * r[axis];
            }
        }
        let Some(inverse) = normal.try_inverse() else { continue };
        let fits = [inverse * right[0], inverse * right[1]];
        let residual: f64 = samples
            .iter()
            .map(|(t_s, r)| {
                let phase = std::f64::consts::TAU * hz * t_s;
                let row = Vector3::new(1.0, phase.cos(), phase.sin());
                (0..2).map(|axis| (r[axis] - row.dot(&fits[axis])).powi(2)).sum::<f64>()
            })
            .sum();
        if residual < left {
            left = residual;
            ray = [fits[0].x, fits[1].x];
        }
    }
    // what the swing leaves lasts: it counts as one sample per quarter second, not per frame
    let independent = (4.0 * seconds).max(1.0);
    let sd = (0.5 * left / n).sqrt() / independent.sqrt();
    Rest { ray, sd: sd.max(0.01 / focal_px), seconds }
}
