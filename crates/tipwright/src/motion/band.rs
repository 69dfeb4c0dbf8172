//! Cholesky factor of a banded matrix with a dense border ("arrow"), its inverse within the band, and draws.
//!
//! The normal equations of a spline have a band (coefficients) and a border (set-up). Factor `L` of the band row by
//! row, eliminate it, factor the Schur complement of the border: cost grows linearly with length. The inverse within
//! the band follows Takahashi, Fagan and Chin (Proc. 8th PICA Conf., 1973): no more work than the factorisation.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::sweep::{self, ABREAST, Size};
use crate::math::wide;

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
        self.factored(0, 0.0)
    }

    /// Factors after adding `damping` times the border's diagonal to itself and `damping` squared times the band's
    /// (a smooth path lives on small eigenvalues, which plain damping would drown). `None` when not positive definite.
    #[must_use]
    pub fn factor(&self, damping: f64) -> Option<ArrowFactor> {
        self.factored(self.q, damping)
    }

    /// With the whole border, or with `q` = 0 without any.
    fn factored(&self, q: usize, damping: f64) -> Option<ArrowFactor> {
        let size = Size { n: self.n, p: self.half_band, q };
        let coupling = if q == 0 { &[] } else { self.coupling.as_slice() };
        let lift = 1.0 + damping * damping;
        let (upper, v) = wide(sweep::Factor, (&self.band[..], coupling, size, lift))?;
        let taken = wide(sweep::Gram, (&v[..], q));
        let mut schur = self.border.view((0, 0), (q, q)).into_owned();
        for a in 0..q {
            schur[(a, a)] *= 1.0 + damping;
            for b in 0..=a {
                schur[(a, b)] -= taken[a * q + b];
                schur[(b, a)] = schur[(a, b)];
            }
        }
        let schur = Cholesky::new(schur)?;
        Some(ArrowFactor { size, upper, v, schur })
    }
}

/// Factor of an [`Arrow`].
#[derive(Debug, Clone)]
pub struct ArrowFactor {
    size: Size,
    /// Row k: column k of L from the diagonal down.
    upper: Vec<f64>,
    /// L^-1 coupling, row-wise.
    v: Vec<f64>,
    schur: Cholesky<f64, Dyn>,
}

impl ArrowFactor {
    fn forward(&self, x: &mut [f64]) {
        wide(sweep::Forward, (&self.upper[..], self.size.p, x));
    }

    fn backward(&self, x: &mut [f64]) {
        wide(sweep::Backward, (&self.upper[..], self.size.p, x));
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
        if self.size.q > 0 {
            for (row, yi) in self.v.chunks_exact(self.size.q).zip(&y) {
                for (target, a) in b.iter_mut().zip(row) {
                    *target -= a * yi;
                }
            }
            self.schur.solve_mut(&mut b);
            for (row, yi) in self.v.chunks_exact(self.size.q).zip(y.iter_mut()) {
                *yi -= row.iter().zip(b.iter()).map(|(a, x)| a * x).sum::<f64>();
            }
        }
        self.backward(&mut y);
        (y, b)
    }

    /// [`Self::solve_for`] of many right-hand sides.
    #[must_use]
    pub fn solve_all(&self, sides: &[(Vec<f64>, DVector<f64>)]) -> Vec<(Vec<f64>, DVector<f64>)> {
        self.all(sides, true)
    }

    /// [`Self::solve_band`] of many right-hand sides, and beside it the border's part of [`Self::solve_for`].
    #[must_use]
    pub fn solve_band_all(&self, sides: &[(Vec<f64>, DVector<f64>)]) -> Vec<(Vec<f64>, DVector<f64>)> {
        self.all(sides, false)
    }

    /// Solutions of the band, which follows the border's or not, and of the border.
    fn all(&self, sides: &[(Vec<f64>, DVector<f64>)], follows: bool) -> Vec<(Vec<f64>, DVector<f64>)> {
        let q = self.size.q;
        let mut out = Vec::with_capacity(sides.len());
        for few in sides.chunks(ABREAST) {
            let mut y = self.abreast(few.iter().map(|s| s.0.as_slice()));
            wide(sweep::ForwardAbreast, (&self.upper[..], self.size.p, &mut y[..]));
            let mut borders: Vec<DVector<f64>> = few.iter().map(|s| s.1.clone()).collect();
            let mut rows = vec![[0.0; ABREAST]; q];
            for (i, b) in borders.iter().enumerate() {
                rows.iter_mut().zip(b.iter()).for_each(|(row, b)| row[i] = *b);
            }
            wide(sweep::BorderOff, (&self.v[..], &y[..], &mut rows[..]));
            for (i, b) in borders.iter_mut().enumerate() {
                b.iter_mut().zip(&rows).for_each(|(b, row)| *b = row[i]);
                self.schur.solve_mut(b);
                rows.iter_mut().zip(b.iter()).for_each(|(row, b)| row[i] = *b);
            }
            if follows {
                wide(sweep::BorderBack, (&self.v[..], &rows[..], &mut y[..]));
            }
            wide(sweep::BackwardAbreast, (&self.upper[..], self.size.p, &mut y[..]));
            out.extend(borders.into_iter().enumerate().map(|(i, b)| (y.iter().map(|y| y[i]).collect(), b)));
        }
        out
    }

    fn abreast<'a>(&self, few: impl Iterator<Item = &'a [f64]>) -> Vec<[f64; ABREAST]> {
        let mut y = vec![[0.0; ABREAST]; self.size.n];
        for (i, side) in few.enumerate() {
            y.iter_mut().zip(side).for_each(|(y, v)| y[i] = *v);
        }
        y
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
        let mut by_border = DVector::zeros(self.size.q);
        for (row, yi) in self.v.chunks_exact(self.size.q.max(1)).zip(&y).take(if self.size.q > 0 {
            self.size.n
        } else {
            0
        }) {
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
        let band: f64 = self.upper.iter().step_by(self.size.p + 1).map(|pivot| pivot.ln()).sum();
        let border: f64 = (0..self.size.q).map(|i| self.schur.l_dirty()[(i, i)].ln()).sum();
        band + border
    }

    /// `A^-1 B`, row-wise n x q: how the coefficients follow the border (with a minus sign).
    #[must_use]
    pub fn gain(&self) -> Vec<f64> {
        let mut g = self.v.clone();
        if self.size.q > 0 {
            wide(sweep::BackwardAll, (&self.upper[..], self.size, &mut g[..]));
        }
        g
    }

    /// Inverse of the banded part within its band, same layout as [`Arrow::band`].
    #[must_use]
    pub fn band_inverse(&self) -> Vec<f64> {
        wide(sweep::Inverse, (&self.upper[..], self.size.n, self.size.p))
    }
}
