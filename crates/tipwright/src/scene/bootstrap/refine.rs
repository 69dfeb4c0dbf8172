//! From a coarse offset to rotation, direction, offset and rate.

use nalgebra::{
    DMatrix, DVector, Isometry3, Matrix3, Rotation3, SVector, Translation3, UnitQuaternion, Vector2, Vector3,
};

use super::search::{CoarseOffset, gain, median_abs, sampson_parts};
use super::{BootstrapConfig, PairBootstrap, Sample, Track, skew};
use crate::math::median;

#[derive(Clone, Copy)]
struct Guess {
    rotation: UnitQuaternion<f64>,
    direction: Vector3<f64>,
    offset_s: f64,
    drift: f64,
}

struct Samples<'a> {
    a: &'a [Track],
    b: &'a [Track],
    lists: Vec<Vec<Sample>>,
    /// Times at which the rate turns, so that offset and rate hardly interact.
    pivot_s: f64,
    focal: f64,
}

impl Samples<'_> {
    fn time_b(&self, g: &Guess, t_a: f64) -> f64 {
        // t_a = offset + (1 + drift)(t_b - pivot) + pivot, with the offset taken at the pivot of b.
        (t_a - g.offset_s - self.pivot_s) / (1.0 + g.drift) + self.pivot_s
    }

    /// Sampson distances in pixels; samples without a partner are left out.
    fn pairs(&self, g: &Guess) -> Vec<(Vector2<f64>, Vector2<f64>)> {
        let mut out = Vec::new();
        for (m, list) in self.lists.iter().enumerate() {
            for s in list {
                if let Some(ray) = self.b[m].at(self.time_b(g, s.t_s)) {
                    out.push((s.ray, ray));
                }
            }
        }
        out
    }

    fn distances(&self, g: &Guess, keep: Option<&[bool]>) -> Vec<f64> {
        let f = essential(g);
        let mut out = Vec::new();
        let mut i = 0;
        for (m, list) in self.lists.iter().enumerate() {
            for s in list {
                let wanted = keep.is_none_or(|k| k[i]);
                i += 1;
                if !wanted {
                    continue;
                }
                match self.b[m].at(self.time_b(g, s.t_s)) {
                    Some(ray) => {
                        let (value, gradient2) = sampson_parts(&f, &s.ray, &ray);
                        out.push(value / gradient2.sqrt().max(1e-12) * self.focal);
                    }
                    None => out.push(f64::NAN),
                }
            }
        }
        out
    }
}

fn essential(g: &Guess) -> SVector<f64, 9> {
    let e = skew(&g.direction) * g.rotation.to_rotation_matrix().matrix();
    SVector::<f64, 9>::from_fn(|i, _| e[(i / 3, i % 3)])
}

/// Refines one coarse offset; `None` when no pose puts most of the samples before both cameras.
pub(super) fn refine(
    a: &[Track],
    b: &[Track],
    start: &CoarseOffset,
    config: &BootstrapConfig,
) -> Option<PairBootstrap> {
    let _ = start.score;
    let markers = a.len().min(b.len());
    let lists: Vec<Vec<Sample>> =
        (0..markers).map(|m| a[m].samples_of_movement(config.fine_samples / markers.max(1))).collect();
    let focal = 0.5 * (a[0].focal_px + b[0].focal_px);
    let times: Vec<f64> = lists
        .iter()
        .enumerate()
        .flat_map(|(m, list)| {
            list.iter()
                .filter(move |s| b[m].at(s.t_s - start.offset_s).is_some())
                .map(|s| s.t_s - start.offset_s)
        })
        .collect();
    if times.len() < 16 {
        return None;
    }
    #[allow(clippy::cast_precision_loss)]
    let pivot_s = times.iter().sum::<f64>() / times.len() as f64;
    let samples = Samples { a, b, lists, pivot_s, focal };
    let mut best: Option<(f64, Guess)> = None;
    for (rotation, direction) in decompositions(&start.f) {
        let guess = Guess { rotation, direction, offset_s: start.offset_s, drift: 0.0 };
        let front = in_front(&samples.pairs(&guess), &guess);
        if best.is_none_or(|(f, _)| front > f) {
            best = Some((front, guess));
        }
    }
    let (_, mut guess) = best?;
    for scale_px in [12.0, 4.0, 1.5] {
        guess = descend(&samples, guess, scale_px, config.rate_sd);
    }
    let pairs = samples.pairs(&guess);
    let flipped = Guess { direction: -guess.direction, ..guess };
    if in_front(&pairs, &flipped) > in_front(&pairs, &guess) {
        guess = flipped;
    }
    if in_front(&pairs, &guess) < 0.7 {
        return None;
    }
    let distances: Vec<f64> = samples.distances(&guess, None).into_iter().filter(|d| d.is_finite()).collect();
    let angles = pairs.iter().map(|(ra, rb)| {
        let va = guess.rotation * Vector3::new(ra.x, ra.y, 1.0);
        va.angle(&Vector3::new(rb.x, rb.y, 1.0))
    });
    let _ = samples.a;
    Some(PairBootstrap {
        // Back to the offset at pts zero.
        offset_s: guess.offset_s - guess.drift * pivot_s,
        drift: guess.drift,
        b_from_a: Isometry3::from_parts(Translation3::from(guess.direction), guess.rotation),
        score: gain(&distances, 1.5, 30.0),
        median_px: median_abs(&distances),
        support: (distances.iter().filter(|d| d.abs() < 4.0).count(), distances.len()),
        median_angle_rad: median(angles).unwrap_or(0.0),
    })
}

/// The four poses of an essential matrix (Hartley and Zisserman, 9.6.2).
fn decompositions(f: &[f64; 9]) -> Vec<(UnitQuaternion<f64>, Vector3<f64>)> {
    let e = Matrix3::from_row_slice(f);
    let svd = e.svd(true, true);
    let (Some(mut u), Some(mut vt)) = (svd.u, svd.v_t) else { return Vec::new() };
    // Singular values in falling order.
    let mut order = [0, 1, 2];
    order.sort_by(|x, y| svd.singular_values[*y].total_cmp(&svd.singular_values[*x]));
    u = Matrix3::from_columns(&[u.column(order[0]), u.column(order[1]), u.column(order[2])]);
    vt = Matrix3::from_rows(&[vt.row(order[0]), vt.row(order[1]), vt.row(order[2])]);
    if u.determinant() < 0.0 {
        u = -u;
    }
    if vt.determinant() < 0.0 {
        vt = -vt;
    }
    let w = Matrix3::new(0.0, -1.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0);
    let direction: Vector3<f64> = u.column(2).into();
    let mut out = Vec::with_capacity(4);
    for turn in [u * w * vt, u * w.transpose() * vt] {
        let rotation = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(turn));
        out.push((rotation, direction));
        out.push((rotation, -direction));
    }
    out
}

/// Share of samples whose midpoint lies before both cameras.
fn in_front(pairs: &[(Vector2<f64>, Vector2<f64>)], g: &Guess) -> f64 {
    let mut n = 0.0;
    for (ra, rb) in pairs {
        let va = g.rotation * Vector3::new(ra.x, ra.y, 1.0);
        let vb = Vector3::new(rb.x, rb.y, 1.0);
        // za va + t = zb vb, least squares.
        let (aa, ab, bb) = (va.dot(&va), va.dot(&vb), vb.dot(&vb));
        let (at, bt) = (va.dot(&g.direction), vb.dot(&g.direction));
        let det = aa * bb - ab * ab;
        let za = (-at * bb + ab * bt) / det;
        let zb = (aa * bt - ab * at) / det;
        if za > 0.0 && zb > 0.0 {
            n += 1.0;
        }
    }
    #[allow(clippy::cast_precision_loss)]
    let len = pairs.len().max(1) as f64;
    n / len
}

fn moved(g: &Guess, step: &[f64]) -> Guess {
    let rotation = UnitQuaternion::from_scaled_axis(Vector3::new(step[0], step[1], step[2])) * g.rotation;
    let u =
        g.direction.cross(&if g.direction.x.abs() < 0.7 { Vector3::x() } else { Vector3::y() }).normalize();
    let v = g.direction.cross(&u);
    let direction = (g.direction + u * step[3] + v * step[4]).normalize();
    Guess { rotation, direction, offset_s: g.offset_s + step[5], drift: g.drift + step[6] }
}

/// Levenberg-Marquardt with Cauchy's loss and numeric derivatives (seven parameters).
fn descend(samples: &Samples<'_>, start: Guess, scale_px: f64, rate_sd: f64) -> Guess {
    const STEPS: [f64; 7] = [1e-5, 1e-5, 1e-5, 1e-5, 1e-5, 1e-4, 1e-6];
    let s2 = scale_px * scale_px;
    let cost = |d: &[f64], g: &Guess| {
        // A sample that lost its partner costs as much as a bad one: no gain in driving the tracks apart.
        let data: f64 = d
            .iter()
            .map(|x| if x.is_finite() { 0.5 * s2 * (x * x / s2).ln_1p() } else { 0.5 * s2 * 9.0_f64.ln_1p() })
            .sum();
        data + 0.5 * s2 * (g.drift / rate_sd).powi(2)
    };
    let mut g = start;
    let mut damping = 1e-3;
    // Samples that have a partner at the start.
    let keep: Vec<bool> = samples.distances(&g, None).iter().map(|d| d.is_finite()).collect();
    let mut d0 = samples.distances(&g, Some(&keep));
    let mut c0 = cost(&d0, &g);
    for _ in 0..30 {
        let mut jac = DMatrix::zeros(d0.len(), 7);
        for p in 0..7 {
            let mut step = [0.0; 7];
            step[p] = STEPS[p];
            let d1 = samples.distances(&moved(&g, &step), Some(&keep));
            for (i, (x1, x0)) in d1.iter().zip(&d0).enumerate() {
                let slope = (x1 - x0) / STEPS[p];
                jac[(i, p)] = if slope.is_finite() { slope } else { 0.0 };
            }
        }
        let mut h = DMatrix::<f64>::zeros(7, 7);
        let mut rhs = DVector::<f64>::zeros(7);
        for (i, d) in d0.iter().enumerate() {
            if !d.is_finite() {
                continue;
            }
            let w = 1.0 / (1.0 + d * d / s2);
            let row = jac.row(i);
            for p in 0..7 {
                rhs[p] -= w * row[p] * d;
                for q in 0..7 {
                    h[(p, q)] += w * row[p] * row[q];
                }
            }
        }
        h[(6, 6)] += s2 / (rate_sd * rate_sd);
        rhs[6] -= s2 * g.drift / (rate_sd * rate_sd);
        let mut done = true;
        for _ in 0..8 {
            let mut damped = h.clone();
            for p in 0..7 {
                damped[(p, p)] = damped[(p, p)] * (1.0 + damping) + 1e-12;
            }
            if let Some(step) = damped.cholesky().map(|c| c.solve(&rhs)) {
                let next = moved(&g, step.as_slice());
                let d1 = samples.distances(&next, Some(&keep));
                let c1 = cost(&d1, &next);
                if c1 < c0 {
                    done = (c0 - c1) < 1e-6 * c0;
                    g = next;
                    d0 = d1;
                    c0 = c1;
                    damping = (damping * 0.2).max(1e-9);
                    break;
                }
            }
            damping *= 8.0;
        }
        if done {
            break;
        }
    }
    g
}
