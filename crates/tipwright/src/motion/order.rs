//! In which order the coefficients of several markers stand.

use super::problem::Problem;

/// Where each marker's coefficients stand in the vector of all of them, three numbers (axes) each.
///
/// A known length ties two markers at one instant; their coefficients then stand side by side, and the band reaches over all markers.
/// Without any, markers have nothing to do with each other but through the border: each one's coefficients stand by themselves and the
/// band reaches over one marker alone, which costs as much less as it is narrower.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Order {
    /// Points from a coefficient of a marker to its next.
    to_next: usize,
    /// Points from a marker's coefficient to the next marker's.
    to_marker: usize,
    half_band: usize,
}

impl Order {
    /// That of a problem whose markers have so many coefficients each.
    #[must_use]
    pub fn of(problem: &Problem, coefficients: usize) -> Self {
        if problem.distances.is_empty() {
            Self { to_next: 1, to_marker: coefficients, half_band: 11 }
        } else {
            Self { to_next: problem.markers, to_marker: 1, half_band: 12 * problem.markers - 1 }
        }
    }

    /// Position of the first axis of a marker's coefficient.
    #[inline]
    #[must_use]
    pub fn at(&self, coefficient_idx: usize, marker_idx: usize) -> usize {
        3 * (coefficient_idx * self.to_next + marker_idx * self.to_marker)
    }

    /// Subdiagonals of the normal equations: four coefficients of three axes follow each other.
    #[must_use]
    pub fn half_band(&self) -> usize {
        self.half_band
    }
}
