//! Centre of a spot by weighted least squares on the samples around it, with its covariance.
//!
//! Model: an opaque disc in motion ([`super::profile`]) in front of a background that is a plane plus, where it helps, a
//! share of the frame before at the same place (the camera stands still, so trees and the edge of the sky are the same
//! there). A ball in the sun is brighter towards it, and a disc alone would be drawn there: so the disc's brightness may fall
//! off evenly across it, within what light can do ([`SHADE_SD`]). How much it does is left open by one fit of a small spot and
//! known from all of a clip; [`Centre::lit`] puts that knowledge in afterwards.
//!
//! Gauss-Newton with Huber weights (Huber, Ann. Math. Statist. 35 (1964) 73-101). The noise is that of the residuals of the
//! fit, so a spot on a restless background says so; noise that is alike in neighbouring samples, as compression leaves it,
//! raises the covariance by the sum over lags of the product of the residuals' and the derivative's autocorrelation.

mod linear;
mod shade;

use linear::{dot, invert};
use shade::ShadeFit;
pub(super) use shade::{Centre, Shade, SoFar, of_clip};

use super::patch::Patch;
use super::profile::{Outline, Profiles, cover};

const UNKNOWNS: usize = 14;
const X: usize = 0;
const Y: usize = 1;
const RADIUS: usize = 2;
const HALF_LENGTH: usize = 3;
const ANGLE: usize = 4;
const AMPLITUDE: usize = 5;
const LEVEL: usize = 6;
const SLOPE_X: usize = 7;
const SLOPE_Y: usize = 8;
const BEFORE: usize = 9;
const BLUR: usize = 10;
const SHADE_X: usize = 11;
const SHADE_Y: usize = 12;
const DOME: usize = 13;

const ITERATIONS: usize = 10;
const HUBER: f32 = 2.5;
/// What one fit knows of the shading before it looks: change of brightness from the centre to the rim, as a share of the ball's
/// own, one standard deviation of each of two directions. 0.25: a matt ball lit from the side with a third of the light from all
/// around changes by half (Lambert's cosine, 60 degrees off the line of sight), and the tone curve of video halves that.
pub(super) const SHADE_SD: f32 = 0.25;
/// The same of how much brighter than its rim a ball is in the middle: a matt one under the sun by a third, by the same reasoning.
const DOME_SD: f32 = 0.3;

/// What a fit starts from, in samples of the plane.
#[derive(Debug, Clone, Copy)]
pub(super) struct Start {
    pub x: f32,
    pub y: f32,
    pub radius: f32,
    /// Length of the streak; 0 fits a disc at rest.
    pub length: f32,
    pub angle_rad: f32,
    pub amplitude: f32,
    /// Lens blur, one standard deviation.
    pub blur: f32,
    /// How far around the outline samples are used.
    pub margin: f32,
    /// What a black ball would give.
    pub black: f32,
    /// Shading that is likely: what the fit is worked out around.
    pub shade: [f32; 2],
}

/// A fitted spot, in samples of the plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fitted {
    pub x: f32,
    pub y: f32,
    /// xx, xy, yy.
    pub cov: [f32; 3],
    pub radius: f32,
    pub length: f32,
    pub length_sd: f32,
    pub angle_rad: f32,
    pub amplitude: f32,
    /// Amplitude over its standard deviation at the form found.
    pub amplitude_snr: f32,
    /// Share of the amplitude that the middle reaches.
    pub cover: f32,
    /// Background at the centre.
    pub level: f32,
    /// Standard deviation of the residuals.
    pub noise: f32,
    /// How its light falls off, and what that does to its centre.
    pub shade: ShadeFit,
}

/// Working memory of fits.
#[derive(Debug, Default)]
pub(super) struct Fitter {
    x: Vec<f32>,
    y: Vec<f32>,
    value: Vec<f32>,
    before: Vec<f32>,
    place: Vec<u32>,
    residual: Vec<f32>,
    weight: Vec<f32>,
    weighted: Vec<f32>,
    along: Vec<f32>,
    across: Vec<f32>,
    profiles: Profiles,
    jacobian: [Vec<f32>; UNKNOWNS],
    square: [Vec<f32>; 3],
}

impl Fitter {
    /// Fits a spot. `before` is the frame before as background, where the marker was elsewhere.
    pub fn fit(&mut self, now: &Patch, before: Option<&Patch>, start: Start) -> Option<Fitted> {
        let streak = start.length > 0.0;
        let mut p = [0.0f32; UNKNOWNS];
        (p[X], p[Y]) = (start.x - now.left as f32, start.y - now.top as f32);
        let origin = [p[X], p[Y]];
        p[RADIUS] = start.radius.max(0.8);
        p[HALF_LENGTH] = if streak { (0.5 * start.length).max(0.75) } else { 0.0 };
        p[ANGLE] = start.angle_rad;
        p[AMPLITUDE] = start.amplitude;
        p[BLUR] = start.blur;
        let reach = p[RADIUS] + start.margin;
        self.gather(now, before, origin, reach, p[HALF_LENGTH], p[ANGLE]);
        let count = self.value.len();
        if count < 30 {
            return None;
        }
        p[LEVEL] = {
            let least = self.value.iter().fold(f32::INFINITY, |a, b| a.min(*b));
            let mean = self.value.iter().sum::<f32>() / count as f32;
            if start.amplitude > 0.0 { 0.5 * (least + mean) } else { mean }
        };
        let mut active = [true; UNKNOWNS];
        active[HALF_LENGTH] = streak;
        active[ANGLE] = streak;
        active[BEFORE] = before.is_some();
        active[SHADE_X] = false;
        active[SHADE_Y] = false;
        let unknowns = active.iter().filter(|a| **a).count() as f32;
        let mut normal = [[0.0f64; UNKNOWNS]; UNKNOWNS];
        let mut inverse = normal;
        let mut variance = 1.0f32;
        let (mut settled, mut last_move) = (false, f32::INFINITY);
        for iteration in 0..ITERATIONS {
            let half_length_used = p[HALF_LENGTH];
            let brightness = p[LEVEL] + p[AMPLITUDE] - start.black;
            [p[SHADE_X], p[SHADE_Y]] = start.shade.map(|s| s * brightness);
            self.evaluate(&p, origin);
            let mean_abs = self.residual.iter().map(|r| r.abs()).sum::<f32>() / count as f32;
            let limit = (HUBER * 1.2533 * mean_abs).max(1e-3);
            let (mut sum, mut weights) = (0.0f32, 0.0f32);
            for (w, r) in self.weight.iter_mut().zip(&self.residual) {
                *w = if iteration < 1 { 1.0 } else { (limit / r.abs().max(1e-6)).min(1.0) };
                sum += *w * r * r;
                weights += *w;
            }
            variance = (sum / (weights - unknowns).max(5.0)).max(1e-4);
            let mut right;
            (normal, right) = self.normal_equations(&active);
            hold(&mut normal, &mut right, &p, variance, &start);
            inverse = invert(&normal, &active)?;
            let mut step = [0.0f32; UNKNOWNS];
            for i in 0..UNKNOWNS {
                step[i] = (0..UNKNOWNS).map(|j| inverse[i][j] * right[j]).sum::<f64>() as f32;
            }
            let held = |v: f32, most: f32| v.clamp(-most, most);
            step[X] = held(step[X], 1.5);
            step[Y] = held(step[Y], 1.5);
            step[RADIUS] = held(step[RADIUS], 0.4 * p[RADIUS]);
            step[HALF_LENGTH] = held(step[HALF_LENGTH], 0.4 * p[HALF_LENGTH] + 0.5);
            step[ANGLE] = held(step[ANGLE], 0.3);
            step[BLUR] = held(step[BLUR], 0.3 * p[BLUR]);
            for i in 0..UNKNOWNS {
                p[i] += step[i];
            }
            p[RADIUS] = p[RADIUS].max(0.6);
            p[BLUR] = p[BLUR].clamp(0.4, 3.0);
            p[HALF_LENGTH] = p[HALF_LENGTH].max(if streak { 0.25 } else { 0.0 });
            let drift = (p[X] - origin[0]).hypot(p[Y] - origin[1]);
            // What has not come near after a few steps is no disc.
            if iteration >= 4 && step[X].hypot(step[Y]) > 0.5 {
                return None;
            }
            if !p.iter().all(|v| v.is_finite()) || drift > reach + half_length_used {
                return None;
            }
            let sure = (0.02 * (variance * (inverse[X][X] + inverse[Y][Y]) as f32).sqrt()).max(0.004);
            last_move = step[X].hypot(step[Y]);
            let shape = step[RADIUS].abs() + step[BLUR].abs();
            if iteration >= 2 && last_move < sure && shape < 0.05 {
                settled = true;
                break;
            }
        }
        if !settled && last_move > 0.1 {
            return None;
        }
        let outline = Outline { radius: p[RADIUS], half_length: p[HALF_LENGTH], blur: p[BLUR] };
        let middle = cover(outline);
        let [fx, fy] = self.correlation_factors(now.side, unknowns / count as f32);
        let scale = |i: usize, j: usize| (inverse[i][j] * f64::from(variance)) as f32;
        let (shade, [dx, dy], free) = self.shading(&p, origin, &active, variance, &start)?;
        // Noise alike in neighbouring samples is no matter of the shading's.
        let of_shade = shade.of_centre();
        // Whether there is a spot at all, its form being given: of one smaller than the blur only the product of area
        // and contrast is seen, and neither alone.
        let mut formed = active;
        for form in [RADIUS, HALF_LENGTH, ANGLE, BLUR, DOME] {
            formed[form] = false;
        }
        let amplitude_sd =
            (invert(&normal, &formed)?[AMPLITUDE][AMPLITUDE] * f64::from(variance)).sqrt() as f32;
        Some(Fitted {
            x: p[X] + dx + now.left as f32,
            y: p[Y] + dy + now.top as f32,
            cov: [
                (free[0] - of_shade[0]) * fx + of_shade[0],
                (free[1] - of_shade[1]) * (fx * fy).sqrt() + of_shade[1],
                (free[2] - of_shade[2]) * fy + of_shade[2],
            ],
            radius: p[RADIUS],
            length: if streak { 2.0 * p[HALF_LENGTH] } else { 0.0 },
            length_sd: if streak { 2.0 * scale(HALF_LENGTH, HALF_LENGTH).sqrt() } else { 0.0 },
            angle_rad: p[ANGLE],
            amplitude: p[AMPLITUDE],
            amplitude_snr: p[AMPLITUDE].abs() / amplitude_sd.max(1e-6),
            cover: middle,
            level: p[LEVEL],
            noise: variance.sqrt(),
            shade,
        })
    }

    /// What a fit that has come to rest says of the shading when that is left free too: the shading, how far the centre moves with
    /// it, and the centre's covariance then (xx, xy, yy).
    ///
    /// Left free from the start, the shading of a small spot would wander so far that nothing is linear any more.
    fn shading(
        &mut self,
        p: &[f32; UNKNOWNS],
        origin: [f32; 2],
        active: &[bool; UNKNOWNS],
        variance: f32,
        start: &Start,
    ) -> Option<(ShadeFit, [f32; 2], [f32; 3])> {
        self.evaluate(p, origin);
        let mut all = *active;
        all[SHADE_X] = true;
        all[SHADE_Y] = true;
        let (mut normal, mut right) = self.normal_equations(&all);
        hold(&mut normal, &mut right, p, variance, start);
        let brightness = p[LEVEL] + p[AMPLITUDE] - start.black;
        let held = SHADE_SD * brightness.abs().max(4.0);
        for shade in [SHADE_X, SHADE_Y] {
            let hold = f64::from(variance) / f64::from(held).powi(2);
            normal[shade][shade] += hold;
            right[shade] -= hold * f64::from(p[shade]);
        }
        let inverse = invert(&normal, &all)?;
        let step = |i: usize| (0..UNKNOWNS).map(|j| inverse[i][j] * right[j]).sum::<f64>() as f32;
        let cov = |[i, j]: [usize; 2]| inverse[i][j] * f64::from(variance);
        let shade = ShadeFit::new(
            [p[SHADE_X] + step(SHADE_X), p[SHADE_Y] + step(SHADE_Y)],
            [[X, SHADE_X], [X, SHADE_Y], [Y, SHADE_X], [Y, SHADE_Y]].map(cov),
            [[SHADE_X; 2], [SHADE_X, SHADE_Y], [SHADE_Y; 2]].map(cov),
            brightness,
            held,
        );
        Some((shade, [step(X), step(Y)], [[X; 2], [X, Y], [Y; 2]].map(|ij| cov(ij) as f32)))
    }

    /// Collects the samples within `reach` of the streak's axis.
    fn gather(
        &mut self,
        now: &Patch,
        before: Option<&Patch>,
        origin: [f32; 2],
        reach: f32,
        half_length: f32,
        angle: f32,
    ) {
        for list in [&mut self.x, &mut self.y, &mut self.value, &mut self.before] {
            list.clear();
        }
        self.place.clear();
        let (ux, uy) = (angle.cos(), angle.sin());
        let far = [half_length * ux.abs() + reach, half_length * uy.abs() + reach];
        let range = |o: f32, far: f32, inside: [usize; 2]| {
            let first = (o - far).ceil().max(inside[0] as f32) as usize;
            let last = (o + far).floor().min(inside[1] as f32 - 1.0);
            (first, if last < 0.0 { 0 } else { last as usize + 1 })
        };
        let (x0, x1) = range(origin[0], far[0], now.inside_x);
        let (y0, y1) = range(origin[1], far[1], now.inside_y);
        for y in y0..y1 {
            for x in x0..x1 {
                let (dx, dy) = (x as f32 - origin[0], y as f32 - origin[1]);
                let along = dx * ux + dy * uy;
                let beyond = (along.abs() - half_length).max(0.0);
                let across = dy * ux - dx * uy;
                if beyond * beyond + across * across > reach * reach {
                    continue;
                }
                let at = y * now.side + x;
                self.x.push(dx);
                self.y.push(dy);
                self.value.push(now.data[at]);
                self.before.push(before.map_or(0.0, |b| b.data[at]));
                self.place.push(at as u32);
            }
        }
        // About its mean, so that the share of the frame before and the level are not the same thing.
        let mean = self.before.iter().sum::<f32>() / self.before.len().max(1) as f32;
        self.before.iter_mut().for_each(|b| *b -= mean);
        let count = self.value.len();
        self.residual.resize(count, 0.0);
        self.weight.resize(count, 1.0);
        for column in &mut self.jacobian {
            column.resize(count, 0.0);
        }
    }

    fn evaluate(&mut self, p: &[f32; UNKNOWNS], origin: [f32; 2]) {
        let (ux, uy) = (p[ANGLE].cos(), p[ANGLE].sin());
        let (cx, cy) = (p[X] - origin[0], p[Y] - origin[1]);
        let count = self.value.len();
        let columns = self.jacobian.each_mut().map(|c| &mut c[..count]);
        let [jx, jy, jr, jh, jt, ja, jl, jsx, jsy, jb, js, jgx, jgy, jd] = columns;
        let (x, y) = (&self.x[..count], &self.y[..count]);
        let (value, before) = (&self.value[..count], &self.before[..count]);
        let residual = &mut self.residual[..count];
        self.along.clear();
        self.across.clear();
        for (x, y) in x.iter().zip(y) {
            let (dx, dy) = (x - cx, y - cy);
            self.along.push(dx * ux + dy * uy);
            self.across.push(dy * ux - dx * uy);
        }
        let outline = Outline { radius: p[RADIUS], half_length: p[HALF_LENGTH], blur: p[BLUR] };
        self.profiles.evaluate(&self.along, &self.across, outline);
        let f = &self.profiles;
        let (fv, fa, fc) = (&f.value[..count], &f.along[..count], &f.across[..count]);
        let (fr, fh) = (&f.radius[..count], &f.half_length[..count]);
        let (along, across) = (&self.along[..count], &self.across[..count]);
        let fb = &f.blur[..count];
        let (ga, gc) = (&f.shade_along[..count], &f.shade_across[..count]);
        let fd = &f.dome[..count];
        let dome = 2.0 * p[DOME] / (p[RADIUS] * p[RADIUS]);
        let per_radius = 1.0 / p[RADIUS];
        let [sx, sy] = [p[SHADE_X] * per_radius, p[SHADE_Y] * per_radius];
        for i in 0..count {
            // The marker hides what is behind it: the background shows by 1 - value.
            let behind = p[SLOPE_X] * x[i] + p[SLOPE_Y] * y[i] + p[BEFORE] * before[i];
            let seen = 1.0 - fv[i];
            let (dx, dy) = (x[i] - cx, y[i] - cy);
            // Shading as at the rim that is near, so that the edge there has its own contrast.
            let rim = (p[RADIUS] / (dx * dx + dy * dy).sqrt().max(p[RADIUS])).min(1.0);
            let contrast = p[AMPLITUDE] - behind + rim * (sx * dx + sy * dy);
            let (dx, dy) = (rim * dx, rim * dy);
            jx[i] = contrast * (fc[i] * uy - fa[i] * ux) - (sx - dome * dx) * fv[i];
            jy[i] = -contrast * (fa[i] * uy + fc[i] * ux) - (sy - dome * dy) * fv[i];
            let growth = dome * (dx * dx + dy * dy) - sx * dx - sy * dy;
            jr[i] = contrast * fr[i] + growth * per_radius * fv[i];
            jh[i] = contrast * fh[i];
            jt[i] = contrast * (across[i] * fa[i] - along[i] * fc[i]);
            js[i] = contrast * fb[i];
            ja[i] = fv[i];
            jl[i] = 1.0;
            jsx[i] = x[i] * seen;
            jsy[i] = y[i] * seen;
            jb[i] = before[i] * seen;
            jgx[i] = ga[i] * ux - gc[i] * uy;
            jgy[i] = ga[i] * uy + gc[i] * ux;
            jd[i] = fd[i];
            let shade = p[SHADE_X] * jgx[i] + p[SHADE_Y] * jgy[i] + p[DOME] * fd[i];
            residual[i] = value[i] - p[LEVEL] - p[AMPLITUDE] * fv[i] - behind * seen - shade;
        }
    }

    fn normal_equations(
        &mut self,
        active: &[bool; UNKNOWNS],
    ) -> ([[f64; UNKNOWNS]; UNKNOWNS], [f64; UNKNOWNS]) {
        let mut normal = [[0.0; UNKNOWNS]; UNKNOWNS];
        let mut right = [0.0; UNKNOWNS];
        let mut weighted = std::mem::take(&mut self.weighted);
        for i in (0..UNKNOWNS).filter(|i| active[*i]) {
            weighted.clear();
            weighted.extend(self.jacobian[i].iter().zip(&self.weight).map(|(j, w)| j * w));
            for j in (0..=i).filter(|j| active[*j]) {
                normal[i][j] = f64::from(dot(&weighted, &self.jacobian[j]));
                normal[j][i] = normal[i][j];
            }
            right[i] = f64::from(dot(&weighted, &self.residual));
        }
        self.weighted = weighted;
        (normal, right)
    }

    /// Factors on the variances of x and y for noise that is alike in neighbouring samples.
    fn correlation_factors(&mut self, side: usize, unknowns_per_sample: f32) -> [f32; 2] {
        let [residual, jx, jy] = &mut self.square;
        for square in [&mut *residual, &mut *jx, &mut *jy] {
            square.clear();
            square.resize(side * side, 0.0);
        }
        for (i, place) in self.place.iter().enumerate() {
            let at = *place as usize;
            residual[at] = self.residual[i] * self.weight[i];
            jx[at] = self.jacobian[X][i];
            jy[at] = self.jacobian[Y][i];
        }
        let (Some(first), Some(last)) = (self.place.first(), self.place.last()) else { return [1.0; 2] };
        let lagged = |s: &[f32], lag: usize| {
            let (a, b) = (*first as usize, *last as usize + 1);
            let end = (b + lag).min(s.len());
            let len = end - a - lag;
            dot(&s[a..a + len], &s[a + lag..end])
        };
        let norm = [&*residual, &*jx, &*jy].map(|s| lagged(s, 0).max(1e-9));
        let mut factors = [1.0f32; 2];
        for lag in [1, 2, side - 1, side, side + 1, 2 * side] {
            // Residuals of a fit lean to negative correlation by about the share of unknowns.
            let noise = lagged(residual, lag) / norm[0] + unknowns_per_sample;
            for (k, s) in [&*jx, &*jy].into_iter().enumerate() {
                factors[k] += 2.0 * noise * lagged(s, lag) / norm[k + 1];
            }
        }
        factors.map(|f| f.clamp(0.7, 8.0))
    }
}

/// Weak holds: on the radius (half of where it started), so that faint spots do not run away, on the blur, about what the lens is
/// known to do, on the dome.
fn hold(
    normal: &mut [[f64; UNKNOWNS]; UNKNOWNS],
    right: &mut [f64; UNKNOWNS],
    p: &[f32; UNKNOWNS],
    variance: f32,
    start: &Start,
) {
    let weight = |sd: f32| f64::from(variance) / f64::from(sd).powi(2);
    normal[RADIUS][RADIUS] += weight(0.5 * start.radius.max(0.8));
    let blur = weight(0.5 * start.blur);
    normal[BLUR][BLUR] += blur;
    right[BLUR] += blur * f64::from(start.blur - p[BLUR]);
    let brightness = p[LEVEL] + p[AMPLITUDE] - start.black;
    let dome = weight(DOME_SD * brightness.abs().max(4.0));
    normal[DOME][DOME] += dome;
    right[DOME] -= dome * f64::from(p[DOME]);
}
