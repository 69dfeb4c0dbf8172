//! Cholesky factor of a banded matrix with a dense border ("arrow"), its inverse within the band, and draws.
//!
//! The normal equations of a spline have a band (coefficients) and a border (set-up). Factor `L` of the band row by
//! row, eliminate it, factor the Schur complement of the border: cost grows linearly with length. The inverse within
//! the band follows Takahashi, Fagan and Chin (Proc. 8th PICA Conf., 1973): no more work than the factorisation.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Normal equations with a band of `half_band` subdiagonals and a dense border.
#[derive(Debug, Clone)]
pub struct Arrow {
    /// Size of the banded part.
    pub n: usize,
    /// Subdiagonals.
    pub half_band: usize,
    /// Size of the border.
    pub q: usize,
    /// Row-wise lower band: entry (i, j) at `i * (half_band + 1) + half_band + j - i`.
    pub band: Vec<f64>,
    /// Coupling n x q, row-wise.
    pub coupling: Vec<f64>,
    /// Border q x q.
    pub border: DMatrix<f64>,
    /// Right-hand side of the band.
    pub rhs: Vec<f64>,
    /// Right-hand side of the border.
    pub border_rhs: DVector<f64>,
}

impl Arrow {
    /// All zero.
    #[must_use]
    pub fn new(n: usize, half_band: usize, q: usize) -> Self {
        Self {
            n,
            half_band,
            q,
            band: vec![0.0; n * (half_band + 1)],
            coupling: vec![0.0; n * q],
            border: DMatrix::zeros(q, q),
            rhs: vec![0.0; n],
            border_rhs: DVector::zeros(q),
        }
    }

    /// Sets everything to zero.
    pub fn clear(&mut self) {
        self.band.fill(0.0);
        self.coupling.fill(0.0);
        self.border.fill(0.0);
        self.rhs.fill(0.0);
        self.border_rhs.fill(0.0);
    }

    /// Adds to entry (i, j) of the band, `i >= j`.
    #[inline]
    pub fn add_band(&mut self, i: usize, j: usize, value: f64) {
        debug_assert!(i >= j && i - j <= self.half_band);
        self.band[i * (self.half_band + 1) + self.half_band + j - i] += value;
    }

    /// Factor of the band alone, without border or damping.
    #[must_use]
    pub fn factor_band(&self) -> Option<ArrowFactor> {
        Self { band: self.band.clone(), half_band: self.half_band, ..Self::new(self.n, 0, 0) }.factor(0.0)
    }

    /// Factors after adding `damping` times the border's diagonal to itself and `damping` squared times the band's
    /// (a smooth path lives on small eigenvalues, which plain damping would drown). `None` when not positive definite.
    #[must_use]
    pub fn factor(&self, damping: f64) -> Option<ArrowFactor> {
        let (n, p, q) = (self.n, self.half_band, self.q);
        let stride = p + 1;
        let mut l = self.band.clone();
        for i in 0..n {
            l[i * stride + p] *= 1.0 + damping * damping;
            let first = i.saturating_sub(p);
            let (above, row_i) = l.split_at_mut(i * stride);
            let row_i = &mut row_i[..stride];
            for j in first..i {
                let row_j = &above[j * stride..(j + 1) * stride];
                let k0 = first.max(j.saturating_sub(p));
                let a = &row_i[p + k0 - i..p + j - i];
                let b = &row_j[p + k0 - j..p];
                let dot: f64 = a.iter().zip(b).map(|(x, y)| x * y).sum();
                let value = (row_i[p + j - i] - dot) / row_j[p];
                row_i[p + j - i] = value;
            }
            let dot: f64 = row_i[p + first - i..p].iter().map(|x| x * x).sum();
            let pivot = row_i[p] - dot;
            if !(pivot > 0.0 && pivot.is_finite()) {
                return None;
            }
            row_i[p] = pivot.sqrt();
        }
        // V = L^-1 B
        let mut v = self.coupling.clone();
        if q > 0 {
            for i in 0..n {
                let first = i.saturating_sub(p);
                let (above, row) = v.split_at_mut(i * q);
                let row = &mut row[..q];
                for k in first..i {
                    let f = l[i * stride + p + k - i];
                    if f != 0.0 {
                        for (r, a) in row.iter_mut().zip(&above[k * q..(k + 1) * q]) {
                            *r -= f * a;
                        }
                    }
                }
                let inv = 1.0 / l[i * stride + p];
                for r in row.iter_mut() {
                    *r *= inv;
                }
            }
        }
        let mut schur = self.border.clone();
        for d in 0..q {
            schur[(d, d)] *= 1.0 + damping;
        }
        for row in v.chunks_exact(q.max(1)).take(if q > 0 { n } else { 0 }) {
            for a in 0..q {
                let f = row[a];
                if f != 0.0 {
                    for b in 0..=a {
                        schur[(a, b)] -= f * row[b];
                    }
                }
            }
        }
        for a in 0..q {
            for b in 0..a {
                schur[(b, a)] = schur[(a, b)];
            }
        }
        let schur = Cholesky::new(schur)?;
        Some(ArrowFactor { n, half_band: p, q, l, v, schur })
    }
}

/// Factor of an [`Arrow`].
#[derive(Debug, Clone)]
pub struct ArrowFactor {
    n: usize,
    half_band: usize,
    q: usize,
    l: Vec<f64>,
    /// L^-1 coupling, row-wise.
    v: Vec<f64>,
    schur: Cholesky<f64, Dyn>,
}

impl ArrowFactor {
    fn forward(&self, x: &mut [f64]) {
        let (p, stride) = (self.half_band, self.half_band + 1);
        for i in 0..self.n {
            let first = i.saturating_sub(p);
            let row = &self.l[i * stride + p + first - i..i * stride + p];
            let dot: f64 = row.iter().zip(&x[first..i]).map(|(a, b)| a * b).sum();
            x[i] = (x[i] - dot) / self.l[i * stride + p];
        }
    }

    fn backward(&self, x: &mut [f64]) {
        let (p, stride) = (self.half_band, self.half_band + 1);
        for i in (0..self.n).rev() {
            let first = i.saturating_sub(p);
            let value = x[i] / self.l[i * stride + p];
            x[i] = value;
            let row = &self.l[i * stride + p + first - i..i * stride + p];
            for (target, a) in x[first..i].iter_mut().zip(row) {
                *target -= a * value;
            }
        }
    }

    /// Solves for the right-hand sides of `arrow`.
    #[must_use]
    pub fn solve(&self, arrow: &Arrow) -> (Vec<f64>, DVector<f64>) {
        self.solve_for(arrow.rhs.clone(), arrow.border_rhs.clone())
    }

    /// Solves for any right-hand side (band, border).
    #[must_use]
    pub fn solve_for(&self, mut y: Vec<f64>, mut b: DVector<f64>) -> (Vec<f64>, DVector<f64>) {
        self.forward(&mut y);
        if self.q > 0 {
            for (row, yi) in self.v.chunks_exact(self.q).zip(&y) {
                for (target, a) in b.iter_mut().zip(row) {
                    *target -= a * yi;
                }
            }
            self.schur.solve_mut(&mut b);
            for (row, yi) in self.v.chunks_exact(self.q).zip(y.iter_mut()) {
                *yi -= row.iter().zip(b.iter()).map(|(a, x)| a * x).sum::<f64>();
            }
        }
        self.backward(&mut y);
        (y, b)
    }

    /// Solves the band alone, the border held.
    #[must_use]
    pub fn solve_band(&self, mut y: Vec<f64>) -> Vec<f64> {
        self.forward(&mut y);
        self.backward(&mut y);
        y
    }

    /// A linear form of the coefficients: its variance with the border held, and its derivatives by the border's errors.
    #[must_use]
    pub fn form(&self, mut y: Vec<f64>) -> (f64, DVector<f64>) {
        self.forward(&mut y);
        let mut by_border = DVector::zeros(self.q);
        for (row, yi) in self.v.chunks_exact(self.q.max(1)).zip(&y).take(if self.q > 0 { self.n } else { 0 })
        {
            for (target, a) in by_border.iter_mut().zip(row) {
                *target -= a * yi;
            }
        }
        (y.iter().map(|v| v * v).sum(), by_border)
    }

    /// Inverse of the Schur complement: covariance of the border.
    #[must_use]
    pub fn border_covariance(&self) -> DMatrix<f64> {
        self.schur.inverse()
    }

    /// Half the log determinant of the whole matrix.
    #[must_use]
    pub fn half_log_det(&self) -> f64 {
        let (p, stride) = (self.half_band, self.half_band + 1);
        let band: f64 = (0..self.n).map(|i| self.l[i * stride + p].ln()).sum();
        let border: f64 = (0..self.q).map(|i| self.schur.l_dirty()[(i, i)].ln()).sum();
        band + border
    }

    /// `A^-1 B`, row-wise n x q: how the coefficients follow the border (with a minus sign).
    #[must_use]
    pub fn gain(&self) -> Vec<f64> {
        let (n, p, q, stride) = (self.n, self.half_band, self.q, self.half_band + 1);
        let mut g = self.v.clone();
        if q == 0 {
            return g;
        }
        for i in (0..n).rev() {
            let first = i.saturating_sub(p);
            let (above, row) = g.split_at_mut(i * q);
            let row = &mut row[..q];
            let inv = 1.0 / self.l[i * stride + p];
            for r in row.iter_mut() {
                *r *= inv;
            }
            for k in first..i {
                let f = self.l[i * stride + p + k - i];
                if f != 0.0 {
                    for (target, r) in above[k * q..(k + 1) * q].iter_mut().zip(row.iter()) {
                        *target -= f * r;
                    }
                }
            }
        }
        g
    }

    /// Inverse of the banded part within its band, same layout as [`Arrow::band`].
    #[must_use]
    pub fn band_inverse(&self) -> Vec<f64> {
        let (n, p, stride) = (self.n, self.half_band, self.half_band + 1);
        let mut z = vec![0.0; n * stride];
        // Column j of L below the diagonal, gathered once per column.
        let mut column = vec![0.0; p];
        for j in (0..n).rev() {
            let last = (j + p).min(n - 1);
            let m = last - j;
            let diag = self.l[j * stride + p];
            for k in 1..=m {
                column[k - 1] = self.l[(j + k) * stride + p - k] / diag;
            }
            for i in (j + 1..=last).rev() {
                let mut sum = 0.0;
                for k in 1..=m {
                    let kk = j + k;
                    let zik = if i >= kk { z[i * stride + p + kk - i] } else { z[kk * stride + p + i - kk] };
                    sum += column[k - 1] * zik;
                }
                z[i * stride + p + j - i] = -sum;
            }
            let mut sum = 0.0;
            for k in 1..=m {
                sum += column[k - 1] * z[(j + k) * stride + p - k];
            }
            z[j * stride + p] = 1.0 / (diag * diag) - sum;
        }
        z
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    fn example() -> (Arrow, DMatrix<f64>) {
        let (n, p, q) = (30, 5, 3);
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let mut arrow = Arrow::new(n, p, q);
        let mut full = DMatrix::zeros(n + q, n + q);
        for start in 0..=(n - p - 1) {
            for _ in 0..2 {
                let g: Vec<f64> = (0..=p).map(|_| rng.random_range(-1.0..1.0)).collect();
                let h: Vec<f64> = (0..q).map(|_| rng.random_range(-1.0..1.0)).collect();
                let mut row = DVector::zeros(n + q);
                for k in 0..=p {
                    row[start + k] = g[k];
                }
                for k in 0..q {
                    row[n + k] = h[k];
                }
                full += &row * row.transpose();
                for a in 0..=p {
                    for b in 0..=a {
                        arrow.add_band(start + a, start + b, g[a] * g[b]);
                    }
                    for (b, hb) in h.iter().enumerate() {
                        arrow.coupling[(start + a) * q + b] += g[a] * hb;
                    }
                    arrow.rhs[start + a] += g[a];
                }
                for a in 0..q {
                    for b in 0..q {
                        arrow.border[(a, b)] += h[a] * h[b];
                    }
                    arrow.border_rhs[a] += 0.5 * h[a];
                }
            }
        }
        (arrow, full)
    }

    #[test]
    fn arrow_agrees_with_dense_algebra() {
        let (arrow, full) = example();
        let factor = arrow.factor(0.0).unwrap();
        let (x, b) = factor.solve(&arrow);
        let mut rhs = DVector::zeros(33);
        for i in 0..30 {
            rhs[i] = arrow.rhs[i];
        }
        for i in 0..3 {
            rhs[30 + i] = arrow.border_rhs[i];
        }
        let dense = full.clone().lu().solve(&rhs).unwrap();
        for i in 0..30 {
            assert!((x[i] - dense[i]).abs() < 1e-8);
        }
        for i in 0..3 {
            assert!((b[i] - dense[30 + i]).abs() < 1e-8);
        }
        let inverse = full.clone().try_inverse().unwrap();
        let border = factor.border_covariance();
        let gain = factor.gain();
        let z = factor.band_inverse();
        for i in 0..30_usize {
            for j in i.saturating_sub(5)..=i {
                let mut value = z[i * 6 + 5 + j - i];
                for a in 0..3 {
                    for c in 0..3 {
                        value += gain[i * 3 + a] * border[(a, c)] * gain[j * 3 + c];
                    }
                }
                assert!((value - inverse[(i, j)]).abs() < 1e-8, "{i} {j}");
            }
        }
        let log_det = full.lu().determinant().ln() / 2.0;
        assert!((factor.half_log_det() - log_det).abs() < 1e-8);
    }

    #[test]
    fn a_linear_form_has_the_variance_of_the_inverse() {
        let (arrow, full) = example();
        let factor = arrow.factor(0.0).unwrap();
        let f: Vec<f64> = (0..30).map(|i| if i % 7 < 3 { (i as f64).sin() } else { 0.0 }).collect();
        let (held, by_border) = factor.form(f.clone());
        let all = held + (by_border.transpose() * factor.border_covariance() * &by_border)[0];
        let mut row = DVector::zeros(33);
        (0..30).for_each(|i| row[i] = f[i]);
        let inverse = full.try_inverse().unwrap();
        assert!((all - (row.transpose() * inverse * &row)[0]).abs() < 1e-8);
        let held_dense: f64 = f.iter().zip(factor.solve_band(f.clone())).map(|(a, b)| a * b).sum();
        assert!((held - held_dense).abs() < 1e-8);
    }

    #[test]
    fn a_matrix_that_is_not_positive_definite_is_refused() {
        let mut arrow = Arrow::new(3, 1, 0);
        arrow.add_band(0, 0, 1.0);
        arrow.add_band(1, 1, -1.0);
        arrow.add_band(2, 2, f64::NAN);
        assert!(arrow.factor(0.0).is_none());
    }
}
