//! Why there is no solution.

/// Why nothing could be solved.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MotionError {
    /// Too little seen.
    #[error(
        "no stretch of time in which two cameras see the marker: {observations} observations from {cameras} cameras. Film so that both cameras see the same movement"
    )]
    NothingInCommon {
        /// Observations given.
        observations: usize,
        /// Cameras given.
        cameras: usize,
    },
    /// Numbers that can't be used.
    #[error("observation {observation_idx} of camera {camera}: {what}. Remove it or correct its source")]
    BadObservation {
        /// Position in the input.
        observation_idx: usize,
        /// Camera.
        camera: String,
        /// What is wrong.
        what: &'static str,
    },
    /// The iteration did not come to rest.
    #[error(
        "the estimate still moved after {iterations} steps: what was seen does not tell path, poses and clocks apart. Film longer movement, up and down as well, seen by both cameras"
    )]
    Unsettled {
        /// Steps taken.
        iterations: usize,
    },
    /// The equations have no single solution.
    #[error("the equations of the path have no single solution: {what}. Fix a pose, a length or a clock")]
    Singular {
        /// Which step failed.
        what: &'static str,
    },
}
