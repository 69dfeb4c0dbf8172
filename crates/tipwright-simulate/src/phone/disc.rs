//! A disc through the lens.

use super::sprite::erf;

/// Coverage of a blurred disc by distance from its centre.
#[derive(Debug, Clone)]
pub struct DiscProfile {
    values: Vec<f32>,
    pub(super) reach_px: f64,
}

const PROFILE_PER_PX: f64 = 20.0;

impl DiscProfile {
    /// Disc of `radius_px` convolved with a Gaussian of `sigma_px`: the integral over the disc's columns of the
    /// Gaussian along them times its integral across them.
    #[must_use]
    pub fn new(radius_px: f64, sigma_px: f64) -> Self {
        let reach_px = radius_px + 4.5 * sigma_px;
        let slices = ((radius_px / sigma_px * 24.0).ceil() as usize).clamp(32, 400);
        let across: Vec<(f64, f64)> = (0..slices)
            .map(|k| {
                // midpoints in angle: the end slices, where the chord changes fast, are thin
                let angle = std::f64::consts::PI * ((k as f64 + 0.5) / slices as f64);
                let x = -radius_px * angle.cos();
                let dx = radius_px * angle.sin() * std::f64::consts::PI / slices as f64;
                let half = radius_px * angle.sin();
                (x, dx * erf(half / (std::f64::consts::SQRT_2 * sigma_px)))
            })
            .collect();
        let norm = 1.0 / (sigma_px * (2.0 * std::f64::consts::PI).sqrt());
        let cells = (reach_px * PROFILE_PER_PX).ceil() as usize + 2;
        let values = (0..cells)
            .map(|i| {
                let r = i as f64 / PROFILE_PER_PX;
                let sum: f64 =
                    across.iter().map(|(x, w)| w * (-0.5 * ((x - r) / sigma_px).powi(2)).exp()).sum();
                (sum * norm) as f32
            })
            .collect();
        Self { values, reach_px }
    }

    #[inline]
    pub(super) fn at(&self, r_px: f64) -> f32 {
        let x = r_px * PROFILE_PER_PX;
        let i = x as usize;
        if i + 1 >= self.values.len() {
            return 0.0;
        }
        let a = (x - i as f64) as f32;
        self.values[i] + (self.values[i + 1] - self.values[i]) * a
    }
}
