//! Light that falls off across a ball: what one fit, which takes the ball for evenly bright, sees of it, and how far it is off by it.
//!
//! Shading is a change of brightness from the centre to the rim, across and down, as a share of the ball's own. Linear in it, the
//! unknowns of the fit move by -N^-1 J'WS s, and what the residuals say of s has the information S'WS - S'WJ N^-1 J'WS (partitioned
//! least squares; Frisch and Waugh, Econometrica 1 (1933) 387-401, memory).

use nalgebra::{Matrix2, Vector2};

use super::{AMPLITUDE, ANGLE, Fitter, HALF_LENGTH, LEVEL, RADIUS, UNKNOWNS, X, Y, dot};

/// Least brightness of a ball, steps.
const LEAST_BRIGHT: f32 = 8.0;

/// What a fit sees of the shading. Small numbers: many are kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in super::super) struct Lean {
    /// Pixels that the true centre lies from the fitted one for a shading of one, by rows.
    gain: [f32; 4],
    /// Information on the shading: xx, xy, yy.
    information: [f32; 3],
    /// Information times the shading seen.
    seen: [f32; 2],
}

impl Lean {
    /// In a picture of so many times the samples.
    #[must_use]
    pub fn enlarged(self, times: f32) -> Self {
        Self { gain: self.gain.map(|g| times * g), ..self }
    }

    /// Of a centre that takes over a part of this one.
    #[must_use]
    pub fn weighted(self, part: &Matrix2<f32>) -> Self {
        let gain = part * self.gain();
        Self { gain: [gain.m11, gain.m12, gain.m21, gain.m22], ..self }
    }

    fn gain(&self) -> Matrix2<f32> {
        let [a, b, c, d] = self.gain;
        Matrix2::new(a, b, c, d)
    }

    /// How far the true centre lies from the fitted one in this shading.
    pub fn off(&self, shade: &Vector2<f32>) -> Vector2<f32> {
        self.gain() * shade
    }

    /// Shading that many fits of one clip see together, for the sun does not move during a clip. Those that see another one, such as of
    /// something that is no marker, count little (weights of Student's distribution; Lange et al., J. Am. Stat. Assoc. 84 (1989) 881-896,
    /// memory).
    pub fn together<'a>(leans: impl Iterator<Item = &'a Self>) -> Vector2<f32> {
        let leans: Vec<&Self> = leans.collect();
        let mut shade = Vector2::zeros();
        let mut wide = WIDEST;
        while wide >= WANDER {
            let mut information = Matrix2::identity() / SHADE_SD.powi(2);
            let mut seen = Vector2::zeros();
            for lean in &leans {
                let own = lean.information();
                // How far it may be off: its own noise, and what shading differs by from place to place.
                let thin =
                    (Matrix2::identity() + own * wide.powi(2)).try_inverse().unwrap_or_else(Matrix2::zeros);
                let rest = Vector2::from(lean.seen) - own * shade;
                let far2 =
                    rest.dot(&(own.try_inverse().unwrap_or_else(Matrix2::zeros) * (thin * rest))).max(0.0);
                let share = (FREEDOM + 2.0) / (FREEDOM + far2);
                information += thin * own * share;
                seen += thin * Vector2::from(lean.seen) * share;
            }
            shade = information.try_inverse().map_or(shade, |inverse| inverse * seen);
            wide *= NARROWER;
        }
        shade
    }

    /// How much the shading differs from fit to fit, each beside the shading that all like it show, beyond what their noise explains, as a
    /// standard deviation along either axis: by the method of moments, what the noise alone leaves of `seen` taken from what is left
    /// (Searle, Casella, McCulloch, Variance Components, 1992, ch. 5).
    pub fn scatter<'a>(leans: impl Iterator<Item = (&'a Self, &'a Vector2<f32>)>) -> f32 {
        let (mut left, mut by) = (0.0, 0.0);
        for (lean, shade) in leans {
            let own = lean.information();
            left += (Vector2::from(lean.seen) - own * shade).norm_squared() - own.trace();
            by += (own * own).trace();
        }
        if by > 0.0 { (left / by).max(0.0).sqrt() } else { 0.0 }
    }

    /// By how much the true centre lies from the fitted one for a scatter of the shading, root of the mean of both axes.
    pub fn uneven(&self, scatter: f32) -> f32 {
        scatter * (0.5 * self.gain().norm_squared()).sqrt()
    }

    fn information(&self) -> Matrix2<f32> {
        let [xx, xy, yy] = self.information;
        Matrix2::new(xx, xy, xy, yy)
    }
}

/// What is held of shading before it is seen: a ball half of which is dark has one of about 1.
const SHADE_SD: f32 = 0.5;
/// How much the shading of one ball differs from fit to fit beside their noise, and what the search for it starts with, as much as it may
/// ever be, so that it does not depend on where it starts.
const WANDER: f32 = 0.1;
const WIDEST: f32 = 1.0;
const NARROWER: f32 = 0.7;
/// Degrees of freedom of Student's distribution.
const FREEDOM: f32 = 4.0;

impl Fitter {
    /// The shading seen at the end of a fit with the unknowns `p`, which the last step reached; `variance` of a sample.
    #[inline(always)]
    pub(super) fn lean(
        &mut self,
        p: &[f32; UNKNOWNS],
        step: &[f32; UNKNOWNS],
        inverse: &[[f64; UNKNOWNS]; UNKNOWNS],
        variance: f32,
    ) -> Option<Lean> {
        self.shade_columns(p);
        let Products { by_unknown, own, right } = self.shade_products();
        let moves = |i: usize, k: usize| (0..UNKNOWNS).map(|j| inverse[i][j] * by_unknown[j][k]).sum::<f64>();
        let moved: Vec<[f64; 2]> = (0..UNKNOWNS).map(|i| [moves(i, 0), moves(i, 1)]).collect();
        let left = |k: usize, l: usize| {
            own[k][l] - (0..UNKNOWNS).map(|i| by_unknown[i][k] * moved[i][l]).sum::<f64>()
        };
        let seen =
            |k: usize| right[k] - (0..UNKNOWNS).map(|i| by_unknown[i][k] * f64::from(step[i])).sum::<f64>();
        let per = 1.0 / f64::from(variance);
        let lean = Lean {
            gain: [-moved[X][0], -moved[X][1], -moved[Y][0], -moved[Y][1]].map(|g| g as f32),
            information: [left(0, 0), 0.5 * (left(0, 1) + left(1, 0)), left(1, 1)].map(|m| (per * m) as f32),
            seen: [seen(0), seen(1)].map(|s| (per * s) as f32),
        };
        let [xx, xy, yy] = lean.information;
        (xx > 0.0 && yy > 0.0 && xx * yy > xy * xy && lean.gain.iter().all(|g| g.is_finite())).then_some(lean)
    }

    /// Derivatives of the samples by the shading.
    #[inline(always)]
    fn shade_columns(&mut self, p: &[f32; UNKNOWNS]) {
        let bright = (p[AMPLITUDE] + p[LEVEL]).max(p[AMPLITUDE].abs()).max(LEAST_BRIGHT);
        let (radius, half) = (p[RADIUS], p[HALF_LENGTH]);
        let (uy, ux) = p[ANGLE].sin_cos();
        let [sx, sy] = &mut self.shade;
        sx.clear();
        sy.clear();
        for ((a, b), cover) in self.along.iter().zip(&self.across).zip(&self.profiles.value) {
            // Mean place on the disc while it covers the sample.
            let chord = (radius * radius - b * b).max(0.0).sqrt();
            let on = (a - 0.5 * ((a - chord).max(-half) + (a + chord).min(half))).clamp(-radius, radius);
            let value = cover * bright / radius;
            sx.push(value * (on * ux - b * uy));
            sy.push(value * (on * uy + b * ux));
        }
    }

    #[inline(always)]
    fn shade_products(&mut self) -> Products {
        let mut weighted = std::mem::take(&mut self.weighted);
        let mut products = Products::default();
        for k in 0..2 {
            weighted.clear();
            weighted.extend(self.shade[k].iter().zip(&self.weight).map(|(s, w)| s * w));
            for (by, column) in products.by_unknown.iter_mut().zip(&self.jacobian) {
                by[k] = f64::from(dot(&weighted, column));
            }
            products.own[k] = [0, 1].map(|l| f64::from(dot(&weighted, &self.shade[l])));
            products.right[k] = f64::from(dot(&weighted, &self.residual));
        }
        self.weighted = weighted;
        products
    }
}

/// Weighted products of the shading's columns with those of the unknowns, with themselves and with the residuals.
#[derive(Default)]
struct Products {
    by_unknown: [[f64; 2]; UNKNOWNS],
    own: [[f64; 2]; 2],
    right: [f64; 2],
}
