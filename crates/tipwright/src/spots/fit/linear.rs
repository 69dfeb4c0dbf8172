//! Sums of products and the inverse of small symmetric matrices of which only some rows are active.

use super::UNKNOWNS;

#[inline(always)]
pub(super) fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0.0f32; 8];
    let (ca, cb) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f32 = ca.remainder().iter().zip(cb.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in ca.zip(cb) {
        for k in 0..8 {
            sums[k] += a[k] * b[k];
        }
    }
    sums.iter().sum::<f32>() + rest
}

/// Inverse of the active part of a symmetric positive matrix by Cholesky; `None` when it is not positive.
#[inline(always)]
pub(super) fn invert(
    normal: &[[f64; UNKNOWNS]; UNKNOWNS],
    active: &[bool; UNKNOWNS],
) -> Option<[[f64; UNKNOWNS]; UNKNOWNS]> {
    let mut index = [0usize; UNKNOWNS];
    let mut n = 0;
    for i in (0..UNKNOWNS).filter(|i| active[*i]) {
        index[n] = i;
        n += 1;
    }
    let mut lower = [[0.0f64; UNKNOWNS]; UNKNOWNS];
    for i in 0..n {
        for j in 0..=i {
            let mut sum = normal[index[i]][index[j]];
            sum -= lower[i][..j].iter().zip(&lower[j][..j]).map(|(a, b)| a * b).sum::<f64>();
            if i == j {
                let least = 1e-9 * normal[index[i]][index[i]].abs() + 1e-12;
                if !(sum > least) {
                    return None;
                }
                lower[i][i] = sum.sqrt();
            } else {
                lower[i][j] = sum / lower[j][j];
            }
        }
    }
    // Inverse of the lower factor, then its transpose times itself.
    let mut inverse_lower = [[0.0f64; UNKNOWNS]; UNKNOWNS];
    for j in 0..n {
        inverse_lower[j][j] = 1.0 / lower[j][j];
        for i in j + 1..n {
            let sum: f64 = (j..i).map(|k| lower[i][k] * inverse_lower[k][j]).sum();
            inverse_lower[i][j] = -sum / lower[i][i];
        }
    }
    let mut inverse = [[0.0f64; UNKNOWNS]; UNKNOWNS];
    for i in 0..n {
        for j in 0..n {
            inverse[index[i]][index[j]] =
                (i.max(j)..n).map(|k| inverse_lower[k][i] * inverse_lower[k][j]).sum();
        }
    }
    Some(inverse)
}
