//! Cholesky factorisation of a symmetric positive definite band matrix, in place.
//!
//! Source: Golub & Van Loan, Matrix Computations, section 4.3.5 (band Cholesky); from memory. Row-wise storage of the
//! lower band: entry (i, j), j <= i, stands at `i * (W + 1) + (W + j - i)`, with W the half bandwidth.

/// Half bandwidth of a chain whose elements touch three neighbouring nodes of three coordinates.
pub const W: usize = 8;
const STRIDE: usize = W + 1;

/// Lower band of a symmetric matrix.
#[derive(Debug, Clone, Default)]
pub struct Band {
    n: usize,
    a: Vec<f64>,
}

impl Band {
    /// All zero, `n` rows.
    #[must_use]
    pub fn zeros(n: usize) -> Self {
        Self { n, a: vec![0.0; n * STRIDE] }
    }

    /// Sets all entries to zero.
    pub fn clear(&mut self) {
        self.a.fill(0.0);
    }

    /// Copies the entries of another of the same size.
    pub fn copy_from(&mut self, other: &Self) {
        self.n = other.n;
        self.a.clone_from(&other.a);
    }

    /// Adds to entry (i, j) of the lower triangle; entries above the diagonal are ignored.
    #[inline]
    pub fn add(&mut self, i: usize, j: usize, value: f64) {
        if j <= i {
            debug_assert!(i - j <= W);
            self.a[i * STRIDE + W + j - i] += value;
        }
    }

    /// Entry (i, j) of the symmetric matrix.
    #[must_use]
    pub fn get(&self, i: usize, j: usize) -> f64 {
        let (i, j) = (i.max(j), i.min(j));
        if i - j > W { 0.0 } else { self.a[i * STRIDE + W + j - i] }
    }

    /// Takes this matrix times `x` away from `out`.
    pub fn subtract_product(&self, x: &[f64], out: &mut [f64]) {
        for i in 0..self.n {
            let first = i.saturating_sub(W);
            let row = &self.a[i * STRIDE..i * STRIDE + STRIDE];
            let below = &row[W + first - i..W];
            let sum: f64 = below.iter().zip(&x[first..i]).map(|(a, x)| a * x).sum();
            out[i] -= sum + row[W] * x[i];
            for (a, y) in below.iter().zip(&mut out[first..i]) {
                *y -= a * x[i];
            }
        }
    }

    /// Factors the matrix into L times its transpose. False: not positive definite (the content is then spoilt).
    #[must_use]
    pub fn factor(&mut self) -> bool {
        for i in 0..self.n {
            let first = i.saturating_sub(W);
            let (done, rest) = self.a.split_at_mut(i * STRIDE);
            let row_i = &mut rest[..STRIDE];
            for j in first..i {
                let row_j = &done[j * STRIDE..j * STRIDE + STRIDE];
                // columns shared by both rows: from `first` up to j
                let in_i = W + first - i;
                let in_j = W + first - j;
                let len = j - first;
                let dot: f64 =
                    row_i[in_i..in_i + len].iter().zip(&row_j[in_j..in_j + len]).map(|(a, b)| a * b).sum();
                row_i[W + j - i] = (row_i[W + j - i] - dot) * row_j[W];
            }
            let pivot = row_i[W] - row_i[W + first - i..W].iter().map(|a| a * a).sum::<f64>();
            if !(pivot > 0.0) {
                return false;
            }
            row_i[W] = 1.0 / pivot.sqrt(); // the diagonal holds 1 / L(i, i)
        }
        true
    }

    /// Solves with the factor: `b` becomes the solution.
    pub fn solve(&self, b: &mut [f64]) {
        for i in 0..self.n {
            let first = i.saturating_sub(W);
            let row = &self.a[i * STRIDE..i * STRIDE + STRIDE];
            let dot: f64 = row[W + first - i..W].iter().zip(&b[first..i]).map(|(a, x)| a * x).sum();
            b[i] = (b[i] - dot) * row[W];
        }
        for i in (0..self.n).rev() {
            let first = i.saturating_sub(W);
            let row = &self.a[i * STRIDE..i * STRIDE + STRIDE];
            b[i] *= row[W];
            let x = b[i];
            for (a, y) in row[W + first - i..W].iter().zip(&mut b[first..i]) {
                *y -= a * x;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn factor_and_solve_return_the_right_hand_side() {
        let n = 37;
        let mut band = Band::zeros(n);
        for i in 0..n {
            band.add(i, i, 20.0 + i as f64);
            for j in i.saturating_sub(W)..i {
                band.add(i, j, ((3 * i + 7 * j) % 5) as f64 - 2.0);
            }
        }
        let x: Vec<f64> = (0..n).map(|i| (i as f64 * 0.7).sin()).collect();
        let mut b: Vec<f64> = (0..n).map(|i| (0..n).map(|j| band.get(i, j) * x[j]).sum()).collect();
        let mut factor = band.clone();
        assert!(factor.factor());
        factor.solve(&mut b);
        for (got, want) in b.iter().zip(&x) {
            assert!((got - want).abs() < 1e-12);
        }
    }

    #[test]
    fn an_indefinite_matrix_is_refused() {
        let mut band = Band::zeros(3);
        band.add(0, 0, 1.0);
        band.add(1, 1, 1.0);
        band.add(1, 0, 2.0);
        band.add(2, 2, 1.0);
        assert!(!band.factor());
        let mut nan = Band::zeros(1);
        nan.add(0, 0, f64::NAN);
        assert!(!nan.factor());
    }
}
