//! Light that falls off across a ball: what one fit sees of it, what a clip knows of it, and the centre that follows.
//!
//! A fit has the shading among its unknowns, so its centre is unbiased and as unsure as the shading is. Given the shading s, the
//! centre is x + K (s - s_fit) with K = cov(x, s) cov(s, s)^-1, and its covariance loses K cov(s, s) K': the update of a
//! Gaussian by what is known besides (Kalman, J. Basic Eng. 82 (1960) 35-45).

use nalgebra::{Matrix2, Vector2};

use super::{Fitted, SHADE_SD};

/// Shading as known besides a fit: change of brightness from the centre to the rim, across and down, as a share of the ball's own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in super::super) struct Shade {
    pub mean: Vector2<f64>,
    pub cov: Matrix2<f64>,
}

impl Default for Shade {
    /// What every fit is held by.
    fn default() -> Self {
        Self { mean: Vector2::zeros(), cov: Matrix2::identity() * f64::from(SHADE_SD).powi(2) }
    }
}

/// What a fit saw of the shading, as a share of the ball's brightness. Symmetric matrices as xx, xy, yy: many are kept.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(in super::super) struct ShadeFit {
    fitted: [f32; 2],
    cov: [f32; 3],
    /// Information in the samples alone, without what was held before they were looked at.
    information: [f32; 3],
    /// Pixels the centre moves for a change of the shading by one, by rows.
    gain: [f32; 4],
}

fn full([xx, xy, yy]: [f32; 3]) -> Matrix2<f64> {
    let [xx, xy, yy] = [xx, xy, yy].map(f64::from);
    Matrix2::new(xx, xy, xy, yy)
}

fn packed(m: &Matrix2<f64>) -> [f32; 3] {
    [m.m11 as f32, (0.5 * (m.m12 + m.m21)) as f32, m.m22 as f32]
}

impl ShadeFit {
    /// From the unknowns and their covariances in steps of brightness: of x and y with the shading, of the shading; `brightness`
    /// is the ball's, `held` the standard deviation that the shading was held by.
    pub fn new(shade: [f32; 2], pull: [f64; 4], cov: [f64; 3], brightness: f32, held: f32) -> Self {
        let per = 1.0 / f64::from(brightness.abs().max(4.0));
        let cov = Matrix2::new(cov[0], cov[1], cov[1], cov[2]) * (per * per);
        let inverse = cov.try_inverse().unwrap_or_else(Matrix2::zeros);
        let mut information = inverse - Matrix2::identity() / (f64::from(held) * per).powi(2);
        // Rounding can leave a little less than nothing.
        if !(information.m11 >= 0.0 && information.m22 >= 0.0 && information.determinant() >= 0.0) {
            information = Matrix2::from_diagonal(&information.diagonal().map(|v| v.max(0.0)));
        }
        let gain = Matrix2::new(pull[0], pull[1], pull[2], pull[3]) * per * inverse;
        Self {
            fitted: shade.map(|s| (f64::from(s) * per) as f32),
            cov: packed(&cov),
            information: packed(&information),
            gain: [gain.m11, gain.m12, gain.m21, gain.m22].map(|v| v as f32),
        }
    }

    fn gain(&self) -> Matrix2<f64> {
        let [a, b, c, d] = self.gain.map(f64::from);
        Matrix2::new(a, b, c, d)
    }

    /// In a picture of twice the samples.
    #[must_use]
    pub fn doubled(&self) -> Self {
        Self { gain: self.gain.map(|g| 2.0 * g), ..*self }
    }

    /// What not knowing the shading adds to the centre's covariance.
    pub fn of_centre(&self) -> [f32; 3] {
        packed(&(self.gain() * full(self.cov) * self.gain().transpose()))
    }

    /// Information of the samples alone, and information times the shading they show.
    pub fn seen(&self) -> (Matrix2<f64>, Vector2<f64>) {
        let whole = full(self.cov).try_inverse().unwrap_or_else(Matrix2::zeros);
        // The fit was held about zero: all its information times its shading is that of the samples times theirs.
        (full(self.information), whole * Vector2::from(self.fitted.map(f64::from)))
    }

    /// How far the centre moves and what its covariance loses when the shading is known besides.
    pub fn lit(&self, known: &Shade) -> ([f32; 2], [f32; 3]) {
        let (information, seen) = self.seen();
        let both =
            (Matrix2::identity() + known.cov * information).try_inverse().unwrap_or_else(Matrix2::zeros)
                * known.cov;
        let mean = known.mean + both * (seen - information * known.mean);
        let moved = self.gain() * (mean - Vector2::from(self.fitted.map(f64::from)));
        let lost = self.gain() * (full(self.cov) - both) * self.gain().transpose();
        ([moved.x as f32, moved.y as f32], packed(&lost))
    }
}

/// Shading as the frames so far show it, for the next fits to start from; older frames fade.
#[derive(Debug, Clone, Copy, Default)]
pub(in super::super) struct SoFar {
    information: Matrix2<f64>,
    sum: Vector2<f64>,
}

/// Most shading that fits start from: a half moon's.
const MOST: f64 = 0.4;
/// What is left of a frame after the next one.
const FADE: f64 = 0.97;

impl SoFar {
    /// Takes in one more fit.
    pub fn add(&mut self, fit: &ShadeFit) {
        let (information, sum) = fit.seen();
        self.information = self.information * FADE + information;
        self.sum = self.sum * FADE + sum;
    }

    /// Shading to start from.
    pub fn shade(&self) -> [f32; 2] {
        let held = Shade::default().cov.try_inverse().unwrap_or_else(Matrix2::zeros);
        let mean = (self.information + held).try_inverse().unwrap_or_else(Matrix2::zeros) * self.sum;
        [mean.x, mean.y].map(|s| s.clamp(-MOST, MOST) as f32)
    }
}

/// Where a fit puts a spot, and what it would do in another light: what is kept of a fit until the clip's light is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in super::super) struct Centre {
    pub x: f32,
    pub y: f32,
    /// xx, xy, yy.
    pub cov: [f32; 3],
    pub shade: ShadeFit,
}

impl From<&Fitted> for Centre {
    fn from(f: &Fitted) -> Self {
        Self { x: f.x, y: f.y, cov: f.cov, shade: f.shade }
    }
}

impl Centre {
    /// A place known without a fit, with the same standard deviation both ways.
    pub fn rough(x: f32, y: f32, sd: f32) -> Self {
        Self { x, y, cov: [sd * sd, 0.0, sd * sd], shade: ShadeFit::default() }
    }

    /// The same spot in light that is known besides.
    #[must_use]
    pub fn lit(self, known: &Shade) -> Self {
        let ([dx, dy], lost) = self.shade.lit(known);
        let cov = [self.cov[0] - lost[0], self.cov[1] - lost[1], self.cov[2] - lost[2]];
        Self { x: self.x + dx, y: self.y + dy, cov, ..self }
    }

    /// Weighted mean of two places of the same spot; the shading is the first's.
    #[must_use]
    pub fn and(self, b: &Self) -> Self {
        let inverse = |[xx, xy, yy]: [f32; 3]| {
            let det = (xx * yy - xy * xy).max(1e-12);
            [yy / det, -xy / det, xx / det]
        };
        let (ia, ib) = (inverse(self.cov), inverse(b.cov));
        let cov = inverse([ia[0] + ib[0], ia[1] + ib[1], ia[2] + ib[2]]);
        let pull = |i: [f32; 3], x: f32, y: f32| [i[0] * x + i[1] * y, i[1] * x + i[2] * y];
        // About the first, so that whole pixels do not swallow the fractions.
        let [px, py] = pull(ib, b.x - self.x, b.y - self.y);
        Self { x: self.x + cov[0] * px + cov[1] * py, y: self.y + cov[1] * px + cov[2] * py, cov, ..self }
    }
}

/// Shading of a clip from many fits of the same marker: its mean, how much it wanders from fit to fit (by expectation and
/// maximisation; Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1-38), both together as what each of them has to expect.
pub(in super::super) fn of_clip<'a>(fits: impl Iterator<Item = &'a ShadeFit>) -> Shade {
    let seen: Vec<(Matrix2<f64>, Vector2<f64>)> = fits.map(ShadeFit::seen).collect();
    let held = Shade::default();
    if seen.is_empty() {
        return held;
    }
    let mut known = held;
    let mut wander2 = f64::from(SHADE_SD).powi(2);
    for _ in 0..ROUNDS {
        // Of each fit only what it says of the mean: its information, watered down by how much single fits wander.
        let thin = |d: &Matrix2<f64>| {
            (Matrix2::identity() + d * wander2).try_inverse().unwrap_or_else(Matrix2::zeros)
        };
        let (mut information, mut sum) =
            (held.cov.try_inverse().unwrap_or_else(Matrix2::zeros), Vector2::zeros());
        for (d, q) in &seen {
            let thin = thin(d);
            information += thin * d;
            sum += thin * q;
        }
        let cov = information.try_inverse().unwrap_or(held.cov);
        known = Shade { mean: cov * sum, cov };
        let mut spread = 0.0;
        for (d, q) in &seen {
            let own = thin(d) * wander2;
            let off = own * (q - d * known.mean);
            spread += 0.5 * (own.trace() + off.norm_squared());
        }
        wander2 = (spread / seen.len() as f64).max(LEAST_WANDER.powi(2));
    }
    Shade { mean: known.mean, cov: known.cov + Matrix2::identity() * wander2 }
}

/// Rounds until mean and wandering rest; each takes the wandering at least half of the way where fits are worth something.
const ROUNDS: usize = 24;
/// Least wandering: a ball turns, and the line of sight to it with the picture. 0.01 moves an 8 px ball by a fiftieth of a pixel.
const LEAST_WANDER: f64 = 0.01;
