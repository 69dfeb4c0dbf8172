//! How a solution came about: its iteration, the fate of every sighting, what the data could not tell.

/// How the iteration went.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SolveReport {
    /// Steps taken.
    pub iterations: usize,
    /// Updates of noise and smoothness.
    pub hyper_rounds: usize,
    /// Final cost (half the sum of losses and priors).
    pub cost: f64,
    /// The cost had stopped falling.
    pub converged: bool,
}

/// What became of an observation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fate {
    /// Used; whitened length of its residual and the residual itself in pixels.
    Used {
        /// In standard deviations of this camera's noise.
        whitened: f64,
        /// Observed minus predicted.
        residual_px: [f64; 2],
    },
    /// Set aside: too far from the path.
    Outlier {
        /// In standard deviations; infinite behind the camera.
        whitened: f64,
    },
    /// Set aside: no path at its time.
    OffPath,
}

/// Something the observations leave open.
#[derive(Debug, Clone, PartialEq)]
pub enum Degeneracy {
    /// The clock offset is known no better than half a frame, or hardly better than its prior: the motion runs along
    /// the epipolar lines.
    TimeUnobservable {
        /// Camera.
        camera_idx: usize,
        /// Standard deviation of its offset at the middle of its observations, seconds.
        offset_sd_s: f64,
        /// Standard deviation of the prior, if there was one.
        prior_sd_s: Option<f64>,
    },
    /// The rays of a camera meet the others' at less than two degrees for most of the path.
    ParallelRays {
        /// Camera.
        camera_idx: usize,
        /// Median over the path of the widest angle to another camera's ray, radians.
        median_angle_rad: f64,
    },
    /// One camera alone saw the marker; the path follows from its smoothness.
    SingleCamera {
        /// Marker.
        marker_idx: usize,
        /// Session time.
        from_s: f64,
        /// Session time.
        to_s: f64,
    },
}
