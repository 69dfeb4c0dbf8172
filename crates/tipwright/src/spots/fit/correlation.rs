//! Noise that is alike in neighbouring samples, as compression leaves it, and what it does to a fit's covariance.

use super::linear::dot;
use super::{Fitter, X, Y};

impl Fitter {
    /// Factors on the variances of x and y for noise that is alike in neighbouring samples.
    #[inline(always)]
    pub(super) fn correlation_factors(&mut self, side: usize, unknowns_per_sample: f32) -> [f32; 2] {
        // Rows of the square that hold samples, and so many columns that two samples' lag leads out of a row into nothing.
        let (mut columns, mut rows) = ([usize::MAX, 0], [usize::MAX, 0]);
        for place in &self.place {
            let (x, y) = (*place as usize % side, *place as usize / side);
            columns = [columns[0].min(x), columns[1].max(x)];
            rows = [rows[0].min(y), rows[1].max(y)];
        }
        if self.place.is_empty() {
            return [1.0; 2];
        }
        let wide = columns[1] - columns[0] + 3;
        let samples = wide * (rows[1] - rows[0] + 1);
        let [residual, jx, jy] = &mut self.square;
        for square in [&mut *residual, &mut *jx, &mut *jy] {
            square.clear();
            square.resize(samples + 2 * wide, 0.0);
        }
        for (i, place) in self.place.iter().enumerate() {
            let (x, y) = (*place as usize % side, *place as usize / side);
            let at = (y - rows[0]) * wide + x - columns[0];
            residual[at] = self.residual[i] * self.weight[i];
            jx[at] = self.jacobian[X][i];
            jy[at] = self.jacobian[Y][i];
        }
        let lagged = |s: &[f32], lag: usize| dot(&s[..samples], &s[lag..samples + lag]);
        let norm = [&*residual, &*jx, &*jy].map(|s| lagged(s, 0).max(1e-9));
        let mut factors = [1.0f32; 2];
        for lag in [1, 2, wide - 1, wide, wide + 1, 2 * wide] {
            // Residuals of a fit lean to negative correlation by about the share of unknowns.
            let noise = lagged(residual, lag) / norm[0] + unknowns_per_sample;
            for (k, s) in [&*jx, &*jy].into_iter().enumerate() {
                factors[k] += 2.0 * noise * lagged(s, lag) / norm[k + 1];
            }
        }
        factors.map(|f| f.clamp(0.7, 8.0))
    }
}
