//! Normal equations with a band and a border against dense algebra.

use nalgebra::{DMatrix, DVector};
use rand::{RngExt, SeedableRng};

use crate::motion::band::Arrow;

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

fn long(n: usize, p: usize, q: usize) -> Arrow {
    let mut arrow = Arrow::new(n, p, q);
    for i in 0..n {
        for j in i.saturating_sub(p)..=i {
            arrow.add_band(i, j, if i == j { 4.0 } else { 0.2 * ((3 * i + 7 * j) as f64).sin() });
        }
        (0..q).for_each(|b| arrow.coupling[i * q + b] = 0.05 * ((i + 2 * b) as f64).cos());
        arrow.rhs[i] = (0.37 * i as f64).sin();
    }
    (0..q).for_each(|b| arrow.border[(b, b)] = 9.0);
    arrow
}

/// On wide vectors and without, to the last bit, whatever is left over of a vector.
#[test]
fn what_is_solved_does_not_depend_on_the_width_of_vectors() {
    for (n, p, q) in [(700, 11, 5), (403, 35, 16), (9, 2, 0), (194, 13, 1)] {
        let arrow = long(n, p, q);
        let all = || {
            let factor = arrow.factor(0.3).unwrap();
            let (x, b) = factor.solve(&arrow);
            let sides = vec![(x.clone(), b.clone()); 3];
            let numbers = [x, factor.band_inverse(), factor.gain(), vec![factor.half_log_det()]].concat();
            (numbers, b, factor.solve_all(&sides), factor.border_covariance())
        };
        assert_eq!(format!("{:?}", all()), format!("{:?}", crate::math::plainly(all)), "{n} {p} {q}");
    }
}

/// Whatever their number, and however many windows of the sweep the band is long.
#[test]
fn right_hand_sides_abreast_are_solved_as_each_alone() {
    let (n, p, q) = (700, 11, 5);
    let arrow = long(n, p, q);
    let factor = arrow.factor(0.0).unwrap();
    let side = |k: usize| {
        let of = |i: usize| ((k + 1) as f64 * i as f64 * 0.37).sin();
        ((0..n).map(of).collect::<Vec<f64>>(), DVector::from_fn(q, |i, _| of(n + i)))
    };
    let sides: Vec<_> = (0..6).map(side).collect();
    let near = |a: &[f64], b: &[f64]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-12);
    for ((x, b), side) in factor.solve_all(&sides).iter().zip(&sides) {
        let (x_alone, b_alone) = factor.solve_for(side.0.clone(), side.1.clone());
        assert!(near(x, &x_alone) && near(b.as_slice(), b_alone.as_slice()));
        // and it is a solution: the band's rows with the border's part
        for i in 0..n {
            let entry = |j: usize| {
                let (low, high) = (i.min(j), i.max(j));
                arrow.band[high * (p + 1) + p + low - high]
            };
            let band: f64 = (i.saturating_sub(p)..(i + p + 1).min(n)).map(|j| entry(j) * x[j]).sum();
            let border: f64 = (0..q).map(|a| arrow.coupling[i * q + a] * b[a]).sum();
            assert!((band + border - side.0[i]).abs() < 1e-10, "{i}");
        }
    }
    for ((x, b), side) in factor.solve_band_all(&sides).iter().zip(&sides) {
        let (_, b_alone) = factor.solve_for(side.0.clone(), side.1.clone());
        assert!(near(x, &factor.solve_band(side.0.clone())) && near(b.as_slice(), b_alone.as_slice()));
    }
    // the inverse within the band: its columns are solutions for single ones
    let z = factor.band_inverse();
    for j in [0, 150, 191, 192, 193, 500, n - 1] {
        let mut one = vec![0.0; n];
        one[j] = 1.0;
        let column = factor.solve_band(one);
        for i in j..(j + p + 1).min(n) {
            assert!((z[i * (p + 1) + p + j - i] - column[i]).abs() < 1e-12, "{i} {j}");
        }
    }
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
