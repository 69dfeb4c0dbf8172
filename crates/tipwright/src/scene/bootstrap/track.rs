//! A track of undistorted rays over its camera's own time.

use nalgebra::Vector2;

use crate::math::median;

/// One instant of a track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// The camera's own time of the sighting: pts plus readout times shutter fraction, seconds.
    pub t_s: f64,
    /// Undistorted ray (x/z, y/z).
    pub ray: Vector2<f64>,
}

/// Rays of one moving point seen by one camera.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    samples: Vec<Sample>,
    /// Mean focal length, to speak of distances in pixels.
    pub focal_px: f64,
    step_s: f64,
}

impl Track {
    /// A track; samples may come in any order.
    #[must_use]
    pub fn new(mut samples: Vec<Sample>, focal_px: f64) -> Self {
        samples.retain(|s| s.t_s.is_finite() && s.ray.iter().all(|v| v.is_finite()));
        samples.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        samples.dedup_by(|a, b| a.t_s - b.t_s < 1e-6);
        let step_s = median(samples.windows(2).map(|w| w[1].t_s - w[0].t_s)).unwrap_or(1.0);
        Self { samples, focal_px, step_s }
    }

    /// The samples in order of time.
    #[must_use]
    pub fn samples(&self) -> &[Sample] {
        &self.samples
    }

    /// Median frame step, seconds.
    #[must_use]
    pub fn step_s(&self) -> f64 {
        self.step_s
    }

    /// Ray at a time, linear between neighbouring frames (a missing frame or two are bridged); `None` in a gap.
    #[must_use]
    pub fn at(&self, t_s: f64) -> Option<Vector2<f64>> {
        let after = self.samples.partition_point(|s| s.t_s < t_s);
        let (a, b) = (self.samples.get(after.checked_sub(1)?)?, self.samples.get(after)?);
        let length_s = b.t_s - a.t_s;
        (length_s < 3.5 * self.step_s).then(|| a.ray + (b.ray - a.ray) * ((t_s - a.t_s) / length_s))
    }

    /// Samples thinned by movement: each at least `spacing` (ray units) from the one before.
    fn thinned(&self, spacing: f64) -> Vec<Sample> {
        let mut out: Vec<Sample> = Vec::new();
        for s in &self.samples {
            if out.last().is_none_or(|l| (s.ray - l.ray).norm() >= spacing) {
                out.push(*s);
            }
        }
        out
    }

    /// At most about `count` samples of movement, never closer than three pixels.
    #[must_use]
    pub fn samples_of_movement(&self, count: usize) -> Vec<Sample> {
        let mut spacing = 3.0 / self.focal_px;
        loop {
            let out = self.thinned(spacing);
            if out.len() <= count {
                return out;
            }
            spacing *= 1.25;
        }
    }

    /// Speed in the picture exceeded by a quarter of the moving samples, rays per second.
    #[must_use]
    pub fn brisk_speed_per_s(&self) -> f64 {
        let moving = self.samples_of_movement(2000);
        let mut speeds: Vec<f64> = moving
            .iter()
            .filter_map(|s| {
                Some((self.at(s.t_s + 0.5 * self.step_s)? - self.at(s.t_s - 0.5 * self.step_s)?).norm())
            })
            .map(|d| d / self.step_s)
            .collect();
        speeds.sort_by(f64::total_cmp);
        speeds.get(speeds.len() * 3 / 4).copied().unwrap_or(0.0)
    }
}
