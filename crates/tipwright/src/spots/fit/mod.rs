//! Centre of a spot by weighted least squares on the samples around it, with its covariance.
//!
//! Model: an opaque disc in motion ([`super::profile`]) in front of a background that is a plane plus, where it helps, a
//! share of the frame before at the same place (the camera stands still, so trees and the edge of the sky are the same
//! there). Gauss-Newton with Huber weights (Huber, Ann. Math. Statist. 35 (1964) 73-101). The noise is that of
//! the residuals of the fit, so a spot on a restless background says so; noise that is alike in neighbouring samples, as
//! compression leaves it, raises the covariance by the sum over lags of the product of the residuals' and the
//! derivative's autocorrelation.

mod correlation;
mod lean;
mod linear;

pub(super) use lean::Lean;
use linear::{dot, invert};

use super::patch::Patch;
use super::profile::{Outline, Profiles, cover};
use crate::math::{wide, wide_loops};

const UNKNOWNS: usize = 11;
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

const ITERATIONS: usize = 10;
const HUBER: f32 = 2.5;

/// What a fit starts from, in samples of the plane.
#[derive(Debug, Clone, Copy)]
pub(super) struct FitStart {
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
    /// What luma and chroma saw of light that falls off across it.
    pub leans: [Option<Lean>; 2],
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
    behind: Vec<f32>,
    profiles: Profiles,
    jacobian: [Vec<f32>; UNKNOWNS],
    square: [Vec<f32>; 3],
    shade: [Vec<f32>; 2],
}

wide_loops! {
    FitForm = fit_form, (&mut Fitter, &Patch, Option<&Patch>, FitStart) => Option<Fitted>;
}

#[inline(always)]
fn fill(out: &mut [f32], with: impl Iterator<Item = f32>) {
    out.iter_mut().zip(with).for_each(|(out, with)| *out = with);
}

#[inline(always)]
fn fit_form((fitter, now, before, start): (&mut Fitter, &Patch, Option<&Patch>, FitStart)) -> Option<Fitted> {
    fitter.fit_form_here(now, before, start)
}

impl Fitter {
    /// Fits a spot. `before` is the frame before as background, where the marker was elsewhere. With `seek` what starts as a disc is
    /// tried as a streak too: of one shorter than the ball is wide the outline at half height is a disc's.
    pub fn fit(
        &mut self,
        now: &Patch,
        before: Option<&Patch>,
        start: FitStart,
        seek: bool,
    ) -> Option<Fitted> {
        let disc = self.fit_form(now, before, start)?;
        if !seek || start.length > 0.0 {
            return Some(disc);
        }
        let samples = self.value.len() as f32;
        let angle_rad = self.drawn_out_rad(disc.x - start.x, disc.y - start.y, disc.amplitude);
        let (x, y, radius) = (disc.x, disc.y, 0.9 * disc.radius);
        let start = FitStart { x, y, radius, length: 0.8 * disc.radius, angle_rad, ..start };
        let streak = self.fit_form(now, before, start).filter(|s| {
            // Two unknowns more must gain what chance gives once in four hundred times (chi-square of two degrees, halves).
            samples * (disc.noise / s.noise).ln() > 6.0 && s.length > 3.0 * s.length_sd
        });
        Some(streak.unwrap_or(disc))
    }

    /// Direction in which the fit at hand leaves the most beside a place: the second moments of its residuals.
    fn drawn_out_rad(&self, x: f32, y: f32, amplitude: f32) -> f32 {
        let (mut cos, mut sin) = (0.0, 0.0);
        for ((u, v), r) in self.x.iter().zip(&self.y).zip(&self.residual) {
            let (dx, dy) = (u - x, v - y);
            cos += r * (dx * dx - dy * dy);
            sin += r * 2.0 * dx * dy;
        }
        0.5 * (sin * amplitude.signum()).atan2(cos * amplitude.signum())
    }

    fn fit_form(&mut self, now: &Patch, before: Option<&Patch>, start: FitStart) -> Option<Fitted> {
        wide(FitForm, (self, now, before, start))
    }

    #[inline(always)]
    fn fit_form_here(&mut self, now: &Patch, before: Option<&Patch>, start: FitStart) -> Option<Fitted> {
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
        let start_radius = p[RADIUS];
        let unknowns = active.iter().filter(|a| **a).count() as f32;
        let mut normal = [[0.0f64; UNKNOWNS]; UNKNOWNS];
        let mut inverse = normal;
        let mut variance = 1.0f32;
        let mut step = [0.0f32; UNKNOWNS];
        let (mut settled, mut last_move) = (false, f32::INFINITY);
        for iteration in 0..ITERATIONS {
            let half_length_used = p[HALF_LENGTH];
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
            // A weak hold on the radius (half of where it started) keeps faint spots from running away.
            normal[RADIUS][RADIUS] += f64::from(variance) / f64::from(0.5 * start_radius).powi(2);
            // So does one on the blur, about what the lens is known to do.
            let hold = f64::from(variance) / f64::from(0.5 * start.blur).powi(2);
            normal[BLUR][BLUR] += hold;
            right[BLUR] += hold * f64::from(start.blur - p[BLUR]);
            inverse = invert(&normal, &active)?;
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
        // Whether there is a spot at all, its form being given: of one smaller than the blur only the product of area
        // and contrast is seen, and neither alone.
        let mut formed = active;
        for form in [RADIUS, HALF_LENGTH, ANGLE, BLUR] {
            formed[form] = false;
        }
        let amplitude_sd =
            (invert(&normal, &formed)?[AMPLITUDE][AMPLITUDE] * f64::from(variance)).sqrt() as f32;
        let lean = self.lean(&p, &step, &inverse, variance);
        Some(Fitted {
            x: p[X] + now.left as f32,
            y: p[Y] + now.top as f32,
            cov: [scale(X, X) * fx, scale(X, Y) * (fx * fy).sqrt(), scale(Y, Y) * fy],
            radius: p[RADIUS],
            length: if streak { 2.0 * p[HALF_LENGTH] } else { 0.0 },
            length_sd: if streak { 2.0 * scale(HALF_LENGTH, HALF_LENGTH).sqrt() } else { 0.0 },
            angle_rad: p[ANGLE],
            amplitude: p[AMPLITUDE],
            amplitude_snr: p[AMPLITUDE].abs() / amplitude_sd.max(1e-6),
            cover: middle,
            level: p[LEVEL],
            noise: variance.sqrt(),
            leans: [lean, None],
        })
    }

    /// Collects the samples within `reach` of the streak's axis.
    #[inline(always)]
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

    #[inline(always)]
    fn evaluate(&mut self, p: &[f32; UNKNOWNS], origin: [f32; 2]) {
        let (ux, uy) = (p[ANGLE].cos(), p[ANGLE].sin());
        let (cx, cy) = (p[X] - origin[0], p[Y] - origin[1]);
        let count = self.value.len();
        let (amplitude, level, slopes) = (p[AMPLITUDE], p[LEVEL], [p[SLOPE_X], p[SLOPE_Y], p[BEFORE]]);
        self.along.clear();
        self.across.clear();
        for (x, y) in self.x.iter().zip(&self.y) {
            let (dx, dy) = (x - cx, y - cy);
            self.along.push(dx * ux + dy * uy);
            self.across.push(dy * ux - dx * uy);
        }
        let outline = Outline { radius: p[RADIUS], half_length: p[HALF_LENGTH], blur: p[BLUR] };
        self.profiles.evaluate(&self.along, &self.across, outline);
        let f = &self.profiles;
        let (x, y, before) = (&self.x[..count], &self.y[..count], &self.before[..count]);
        let (along, across) = (&self.along[..count], &self.across[..count]);
        let (fv, fa, fc) = (&f.value[..count], &f.along[..count], &f.across[..count]);
        // Column by column: loops over a few rows each become vector instructions, one over all of them does not.
        let ground = x.iter().zip(y).zip(before);
        self.behind.resize(count, 0.0);
        fill(&mut self.behind, ground.map(|((x, y), b)| slopes[0] * x + slopes[1] * y + slopes[2] * b));
        let behind = &self.behind[..count];
        // The marker hides what is behind it: the background shows by 1 - value.
        let seen = || fv.iter().map(|fv| 1.0 - fv);
        let contrast = || behind.iter().map(|behind| amplitude - behind);
        let left = self.value.iter().zip(fv).zip(behind);
        let left = left.map(|((v, fv), behind)| v - level - amplitude * fv - behind * (1.0 - fv));
        fill(&mut self.residual, left);
        let [jx, jy, jr, jh, jt, ja, jl, jsx, jsy, jb, js] = &mut self.jacobian;
        fill(jx, contrast().zip(fc).zip(fa).map(|((c, fc), fa)| c * (fc * uy - fa * ux)));
        fill(jy, contrast().zip(fc).zip(fa).map(|((c, fc), fa)| -c * (fa * uy + fc * ux)));
        fill(jr, contrast().zip(&f.radius).map(|(c, fr)| c * fr));
        fill(jh, contrast().zip(&f.half_length).map(|(c, fh)| c * fh));
        fill(js, contrast().zip(&f.blur).map(|(c, fb)| c * fb));
        let turned = across.iter().zip(fa).zip(along.iter().zip(fc));
        fill(
            jt,
            contrast().zip(turned).map(|(c, ((across, fa), (along, fc)))| c * (across * fa - along * fc)),
        );
        fill(ja, fv.iter().copied());
        jl.fill(1.0);
        fill(jsx, seen().zip(x).map(|(seen, x)| x * seen));
        fill(jsy, seen().zip(y).map(|(seen, y)| y * seen));
        fill(jb, seen().zip(before).map(|(seen, before)| before * seen));
    }

    #[inline(always)]
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
}
