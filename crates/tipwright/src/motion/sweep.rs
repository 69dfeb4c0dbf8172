//! The long loops over a band: its factor, the inverse within it, and solving with it.
//!
//! What is at work lies in a window of some hundred rows that stays near the processor, several pivots pass over it at once, and inner
//! loops run along rows, whole vectors at a time. A factor's row k holds column k of L from the diagonal down, so that all of them read
//! it as it lies.

use crate::math::wide_loops;

/// Pivots that pass over the rows below them at once.
const PIVOTS: usize = 4;
/// Numbers taken at a time.
const LANES: usize = 4;
/// Rows of the window beside those that pivots reach.
const WINDOW: usize = 192;
/// Columns of the inverse worked out at a time.
const TILE: usize = 12;

wide_loops! {
    pub(super) Factor = factor, (&[f64], &[f64], Size, f64) => Option<(Vec<f64>, Vec<f64>)>;
    pub(super) Inverse = inverse, (&[f64], usize, usize) => Vec<f64>;
    pub(super) Forward = forward, (&[f64], usize, &mut [f64]) => ();
    pub(super) Backward = backward, (&[f64], usize, &mut [f64]) => ();
    pub(super) ForwardAbreast = forward_abreast, (&[f64], usize, &mut [[f64; ABREAST]]) => ();
    pub(super) BackwardAbreast = backward_abreast, (&[f64], usize, &mut [[f64; ABREAST]]) => ();
    pub(super) BackwardAll = backward_all, (&[f64], Size, &mut [f64]) => ();
    pub(super) BorderOff = border_off, (&[f64], &[[f64; ABREAST]], &mut [[f64; ABREAST]]) => ();
    pub(super) BorderBack = border_back, (&[f64], &[[f64; ABREAST]], &mut [[f64; ABREAST]]) => ();
    pub(super) Gram = gram, (&[f64], usize) => Vec<f64>;
}

/// Size of a band and its border: rows, subdiagonals, border.
#[derive(Debug, Clone, Copy)]
pub(super) struct Size {
    pub n: usize,
    pub p: usize,
    pub q: usize,
}

/// Factor (row k: column k of L) and L^-1 B (row-wise, n x q) of a row-wise lower band whose diagonal is `lift` times what it says. `None` when
/// it is not positive definite.
#[inline(always)]
fn factor(
    (band, coupling, Size { n, p, q }, lift): (&[f64], &[f64], Size, f64),
) -> Option<(Vec<f64>, Vec<f64>)> {
    let stride = p + 1;
    // Zeros behind the band let several pivots share one length; the border stands behind them.
    let border = stride.next_multiple_of(LANES) + 2 * LANES;
    let width = border + q.next_multiple_of(LANES);
    let (mut upper, mut v) = (vec![0.0; n * stride], vec![0.0; n * q]);
    let mut work = vec![0.0; (WINDOW + p) * width];
    let mut loaded = 0;
    for base in (0..n).step_by(WINDOW) {
        if base > 0 {
            work.copy_within(WINDOW * width.., 0);
        }
        let until = (base + WINDOW + p).min(n);
        for k in loaded..until {
            let row = &mut work[(k - base) * width..][..width];
            row.fill(0.0);
            let last = p.min(n - 1 - k);
            for (d, value) in row[..=last].iter_mut().enumerate() {
                *value = band[(k + d) * stride + p - d];
            }
            row[0] *= lift;
            row[border..border + q].copy_from_slice(&coupling[k * q..(k + 1) * q]);
        }
        loaded = until;
        for k in (base..(base + WINDOW).min(n)).step_by(PIVOTS) {
            let count = PIVOTS.min(n - k).min(base + WINDOW - k);
            let (panel, below) = work[(k - base) * width..].split_at_mut(count * width);
            if !panel_of(panel, width, border) {
                return None;
            }
            for (s, row) in panel.chunks_exact(width).enumerate() {
                upper[(k + s) * stride..][..stride].copy_from_slice(&row[..stride]);
                v[(k + s) * q..][..q].copy_from_slice(&row[border..border + q]);
            }
            let last = (count - 1 + p).min(n - 1 - k);
            for ahead in count..=last {
                let target = &mut below[(ahead - count) * width..][..width];
                // Pivots that are not there take nothing away.
                let of = [0, 1, 2, 3]
                    .map(|s| if s < count { (s * width, ahead - s, 1.0) } else { (0, ahead, 0.0) });
                let by = of.map(|(row, at, there)| there * panel[row + at]);
                let long = (count + p - ahead).next_multiple_of(LANES);
                let [a, b, c, d] = of.map(|(row, at, _)| &panel[row + at..][..long]);
                take_away(&mut target[..long], a, b, c, d, by);
                let [a, b, c, d] = of.map(|(row, ..)| &panel[row + border..row + width]);
                take_away(&mut target[border..], a, b, c, d, by);
            }
        }
    }
    Some((upper, v))
}

/// Finishes the rows of a few pivots among themselves; false when one is not positive. A row's border begins at `border`.
#[inline(always)]
fn panel_of(panel: &mut [f64], width: usize, border: usize) -> bool {
    for s in 0..panel.len() / width {
        let (row, below) = panel[s * width..].split_at_mut(width);
        if !(row[0] > 0.0 && row[0].is_finite()) {
            return false;
        }
        let pivot = row[0].sqrt();
        let inverse = 1.0 / pivot;
        row.iter_mut().for_each(|v| *v *= inverse);
        row[0] = pivot;
        for (ahead, target) in (1..).zip(below.chunks_exact_mut(width)) {
            let by = row[ahead];
            target[..border - ahead].iter_mut().zip(&row[ahead..border]).for_each(|(t, v)| *t -= by * v);
            target[border..].iter_mut().zip(&row[border..]).for_each(|(t, v)| *t -= by * v);
        }
    }
    true
}

/// Four rows, each times its factor, off a row. Slices one by one: the compiler then knows that none overlaps the row.
#[inline(always)]
fn take_away(target: &mut [f64], a: &[f64], b: &[f64], c: &[f64], d: &[f64], by: [f64; PIVOTS]) {
    let long = target.len();
    let (a, b, c, d) = (&a[..long], &b[..long], &c[..long], &d[..long]);
    for i in 0..long {
        target[i] -= (by[0] * a[i] + by[1] * b[i]) + (by[2] * c[i] + by[3] * d[i]);
    }
}

/// Inverse within the band (Takahashi), as a row-wise lower band.
#[inline(always)]
fn inverse((upper, n, p): (&[f64], usize, usize)) -> Vec<f64> {
    let stride = p + 1;
    // Rows of the inverse with what lies on both sides of the diagonal: it is symmetric, and a product with it runs along rows.
    let tiles = p.div_ceil(TILE);
    let width = 2 * p + 1 + TILE;
    let mut out = vec![0.0; n * stride];
    let mut work = vec![0.0; (WINDOW + p) * width];
    let mut column = vec![0.0; p + p % 2];
    let mut sums = vec![0.0; tiles * TILE];
    // Row j stands at j - base of the window.
    let mut base = n.saturating_sub(WINDOW);
    for j in (0..n).rev() {
        if j < base {
            let by = base.min(WINDOW);
            work.copy_within(..p * width, by * width);
            base -= by;
        }
        let last = p.min(n - 1 - j);
        let row = &upper[j * stride..][..=last];
        let diagonal = row[0];
        column.fill(0.0);
        column.iter_mut().zip(&row[1..]).for_each(|(c, l)| *c = l / diagonal);
        let here = j - base;
        for (tile, sums) in sums.chunks_exact_mut(TILE).enumerate() {
            let mut sum = [0.0; TILE];
            let at = |k: usize| {
                // from column j + 1 on, of row j + k
                let start = (here + k) * width + p + 1 - k + tile * TILE;
                &work[start..start + TILE]
            };
            let mut k = 1;
            while k < last {
                let (a, b) = (at(k), at(k + 1));
                for i in 0..TILE {
                    sum[i] += column[k - 1] * a[i] + column[k] * b[i];
                }
                k += 2;
            }
            if k == last {
                let a = at(k);
                for i in 0..TILE {
                    sum[i] += column[k - 1] * a[i];
                }
            }
            sums.copy_from_slice(&sum);
        }
        let own = 1.0 / (diagonal * diagonal)
            + column.iter().zip(&sums).take(last).map(|(c, s)| c * s).sum::<f64>();
        work[here * width..][..width].fill(0.0);
        work[here * width + p] = own;
        out[j * stride + p] = own;
        for k in 1..=last {
            let value = -sums[k - 1];
            work[here * width + p + k] = value;
            work[(here + k) * width + p - k] = value;
            out[(j + k) * stride + p - k] = value;
        }
    }
    out
}

/// L^-1 y.
#[inline(always)]
fn forward((upper, p, y): (&[f64], usize, &mut [f64])) {
    for k in 0..y.len() {
        let row = &upper[k * (p + 1)..][..=p];
        let (done, left) = y.split_at_mut(k + 1);
        let value = done[k] / row[0];
        done[k] = value;
        left.iter_mut().zip(&row[1..]).for_each(|(y, l)| *y -= l * value);
    }
}

/// L^-T y.
#[inline(always)]
fn backward((upper, p, y): (&[f64], usize, &mut [f64])) {
    for k in (0..y.len()).rev() {
        let row = &upper[k * (p + 1)..][..=p];
        let (done, left) = y.split_at_mut(k + 1);
        done[k] = (done[k] - dot(&row[1..], left)) / row[0];
    }
}

/// Right-hand sides that are solved side by side: the factor, larger than what stays near the processor, is read once for all of them.
pub(super) const ABREAST: usize = 4;

/// L^-1 y of several right-hand sides.
#[inline(always)]
fn forward_abreast((upper, p, y): (&[f64], usize, &mut [[f64; ABREAST]])) {
    for k in 0..y.len() {
        let row = &upper[k * (p + 1)..][..=p];
        let (done, left) = y.split_at_mut(k + 1);
        let value = done[k].map(|v| v / row[0]);
        done[k] = value;
        for (y, l) in left.iter_mut().zip(&row[1..]) {
            for i in 0..ABREAST {
                y[i] -= l * value[i];
            }
        }
    }
}

/// L^-T y of several right-hand sides.
#[inline(always)]
fn backward_abreast((upper, p, y): (&[f64], usize, &mut [[f64; ABREAST]])) {
    for k in (0..y.len()).rev() {
        let row = &upper[k * (p + 1)..][..=p];
        let (done, left) = y.split_at_mut(k + 1);
        let long = p.min(left.len());
        let (l, y) = (row[1..=long].chunks_exact(LANES), left[..long].chunks_exact(LANES));
        // Sums side by side, so that none waits for the one before.
        let mut sums = [[0.0; ABREAST]; LANES];
        for (l, y) in l.remainder().iter().zip(y.remainder()) {
            for i in 0..ABREAST {
                sums[0][i] += l * y[i];
            }
        }
        for (l, y) in l.zip(y) {
            for (sum, (l, y)) in sums.iter_mut().zip(l.iter().zip(y)) {
                for i in 0..ABREAST {
                    sum[i] += l * y[i];
                }
            }
        }
        for i in 0..ABREAST {
            let sum = (sums[0][i] + sums[1][i]) + (sums[2][i] + sums[3][i]);
            done[k][i] = (done[k][i] - sum) / row[0];
        }
    }
}

/// The border's right-hand sides less V'y, V row-wise.
#[inline(always)]
fn border_off((v, y, border): (&[f64], &[[f64; ABREAST]], &mut [[f64; ABREAST]])) {
    for (row, y) in v.chunks_exact(border.len().max(1)).zip(y) {
        for (b, a) in border.iter_mut().zip(row) {
            for i in 0..ABREAST {
                b[i] -= a * y[i];
            }
        }
    }
}

/// y less V times the border's solutions.
#[inline(always)]
fn border_back((v, border, y): (&[f64], &[[f64; ABREAST]], &mut [[f64; ABREAST]])) {
    for (row, y) in v.chunks_exact(border.len().max(1)).zip(y) {
        let mut sums = [0.0; ABREAST];
        for (b, a) in border.iter().zip(row) {
            for i in 0..ABREAST {
                sums[i] += a * b[i];
            }
        }
        for i in 0..ABREAST {
            y[i] -= sums[i];
        }
    }
}

/// L^-T of all columns of a row-wise matrix of `q` columns.
#[inline(always)]
fn backward_all((upper, Size { n, p, q }, g): (&[f64], Size, &mut [f64])) {
    for k in (0..n).rev() {
        let row = &upper[k * (p + 1)..][..=p];
        let (done, left) = g.split_at_mut((k + 1) * q);
        let target = &mut done[k * q..];
        for (l, other) in row[1..].iter().zip(left.chunks_exact(q)) {
            target.iter_mut().zip(other).for_each(|(t, o)| *t -= l * o);
        }
        target.iter_mut().for_each(|t| *t /= row[0]);
    }
}

/// Sum of the products of two rows, as long as the shorter.
#[inline(always)]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let long = a.len().min(b.len());
    let (a, b) = (a[..long].chunks_exact(2 * LANES), b[..long].chunks_exact(2 * LANES));
    let rest: f64 = a.remainder().iter().zip(b.remainder()).map(|(a, b)| a * b).sum();
    let mut sums = [0.0; 2 * LANES];
    for (a, b) in a.zip(b) {
        for i in 0..2 * LANES {
            sums[i] += a[i] * b[i];
        }
    }
    ((sums[0] + sums[4]) + (sums[1] + sums[5])) + ((sums[2] + sums[6]) + (sums[3] + sums[7])) + rest
}

/// The lower triangle of V'V, row-wise, of a row-wise V of `q` columns.
#[inline(always)]
fn gram((v, q): (&[f64], usize)) -> Vec<f64> {
    let mut out = vec![0.0; q * q];
    for row in v.chunks_exact(q.max(1)) {
        for (a, f) in row.iter().enumerate() {
            out[a * q..][..=a].iter_mut().zip(row).for_each(|(o, r)| *o += f * r);
        }
    }
    out
}
