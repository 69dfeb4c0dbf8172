//! Small things drawn into a picture: discs, thin curves, thick limbs, each as a coverage between 0 and 1 per pixel.
//!
//! A pixel integrates light over its square and the lens smears it; both together are taken as a Gaussian of variance
//! `psf^2 + 1/12` (the variance of a unit square), so that a shape's coverage is the shape convolved with that Gaussian,
//! sampled at pixel centres. Such a picture is band-limited: its centroid is the shape's to better than a thousandth of
//! a pixel at any sub-pixel phase (aliasing is exp(-2 pi^2 sigma^2), 6e-4 at sigma 0.61 px), and areas are kept.

use std::sync::OnceLock;

use super::disc::DiscProfile;
use super::shade::LitProfile;
use super::shutter::Glimpse;

/// Error function, Abramowitz and Stegun 7.1.26, absolute error below 1.5e-7.
#[must_use]
pub fn erf(x: f64) -> f64 {
    // beyond, what the exponential leaves is under half of the last binary place of 1
    if x.abs() > 6.0 {
        return 1.0_f64.copysign(x);
    }
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs());
    let poly = t
        * (0.254_829_592
            + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    (1.0 - poly * (-x * x).exp()).copysign(x)
}

const STEP_CELLS: usize = 1024;
const STEP_REACH: f64 = 4.0;

/// Normal distribution function from a table; the argument in standard deviations.
#[inline]
fn normal_step(z: f64) -> f32 {
    static TABLE: OnceLock<Vec<f32>> = OnceLock::new();
    let table = TABLE.get_or_init(|| {
        (0..=STEP_CELLS + 1)
            .map(|i| {
                let z = (i as f64 / STEP_CELLS as f64 - 0.5) * 2.0 * STEP_REACH;
                (0.5 * (1.0 + erf(z / std::f64::consts::SQRT_2))) as f32
            })
            .collect()
    });
    let x = (z / (2.0 * STEP_REACH) + 0.5) * STEP_CELLS as f64;
    if x <= 0.0 {
        return 0.0;
    }
    if x >= STEP_CELLS as f64 {
        return 1.0;
    }
    let i = x as usize;
    let a = (x - i as f64) as f32;
    table[i] + (table[i + 1] - table[i]) * a
}

/// A vertex of a thin curve in the stored picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Column.
    pub u_px: f64,
    /// Row.
    pub v_px: f64,
    /// Half the width there.
    pub half_px: f64,
}

/// A limb in the stored picture: two discs and what lies between.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limb {
    /// One end.
    pub a: CurvePoint,
    /// Other end.
    pub b: CurvePoint,
}

impl Limb {
    /// Distance from a pixel to the limb's outline, positive inside.
    #[inline]
    fn inside_px(&self, u: f64, v: f64) -> f64 {
        let (du, dv) = (self.b.u_px - self.a.u_px, self.b.v_px - self.a.v_px);
        let length2 = (du * du + dv * dv).max(1e-12);
        let s = (((u - self.a.u_px) * du + (v - self.a.v_px) * dv) / length2).clamp(0.0, 1.0);
        let (x, y) = (u - self.a.u_px - s * du, v - self.a.v_px - s * dv);
        let half = self.a.half_px + s * (self.b.half_px - self.a.half_px);
        half - (x * x + y * y).sqrt()
    }

    /// Coverage of a pixel.
    #[inline]
    #[must_use]
    pub fn coverage(&self, u: f64, v: f64, sigma_px: f64) -> f32 {
        normal_step(self.inside_px(u, v) / sigma_px)
    }

    fn bounds(&self, margin: f64) -> [f64; 4] {
        let half = self.a.half_px.max(self.b.half_px) + margin;
        [
            self.a.u_px.min(self.b.u_px) - half,
            self.a.u_px.max(self.b.u_px) + half,
            self.a.v_px.min(self.b.v_px) - half,
            self.a.v_px.max(self.b.v_px) + half,
        ]
    }
}

/// Coverage of one thing over the picture, gathered before it is painted.
pub struct Cover {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    values: Vec<f32>,
    /// Brightness times cover of a thing that is not evenly lit.
    glow: Vec<f32>,
    spans: Vec<[u32; 2]>,
    rows: [usize; 2],
}

const EMPTY: [u32; 2] = [u32::MAX, 0];

impl Cover {
    /// Nothing covered.
    #[must_use]
    pub fn new(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            values: vec![0.0; width * height],
            glow: Vec::new(),
            spans: vec![EMPTY; height],
            rows: [usize::MAX, 0],
        }
    }

    /// Rows that may be covered.
    #[must_use]
    pub fn rows(&self) -> std::ops::Range<usize> {
        if self.rows[0] >= self.rows[1] { 0..0 } else { self.rows[0]..self.rows[1] }
    }

    /// Columns of a row that may be covered.
    #[must_use]
    pub fn span(&self, row: usize) -> std::ops::Range<usize> {
        let [low, high] = self.spans[row];
        if low >= high { 0..0 } else { low as usize..high as usize }
    }

    /// Coverage of a row.
    #[must_use]
    pub fn row(&self, row: usize) -> &[f32] {
        &self.values[row * self.width..(row + 1) * self.width]
    }

    /// Brightness of a covered place, 0 to 1; 1 of things that are evenly lit.
    #[inline]
    #[must_use]
    pub fn brightness(&self, row: usize, col: usize) -> f32 {
        let i = row * self.width + col;
        self.glow.get(i).map_or(1.0, |glow| (glow / self.values[i].max(1e-6)).min(1.0))
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        for row in self.rows() {
            let span = self.span(row);
            let range = row * self.width + span.start..row * self.width + span.end;
            if !self.glow.is_empty() {
                self.glow[range.clone()].fill(0.0);
            }
            self.values[range].fill(0.0);
            self.spans[row] = EMPTY;
        }
        self.rows = [usize::MAX, 0];
    }

    fn row_range(&self, low: f64, high: f64) -> std::ops::Range<usize> {
        let first = low.ceil().max(0.0) as usize;
        let end = (high.floor() + 1.0).clamp(0.0, self.height as f64) as usize;
        first..end.max(first)
    }

    fn touch(&mut self, row: usize, low: f64, high: f64) -> Option<std::ops::Range<usize>> {
        let first = low.ceil().max(0.0) as usize;
        let end = (high.floor() + 1.0).clamp(0.0, self.width as f64) as usize;
        if first >= end {
            return None;
        }
        let span = &mut self.spans[row];
        span[0] = span[0].min(first as u32);
        span[1] = span[1].max(end as u32);
        self.rows[0] = self.rows[0].min(row);
        self.rows[1] = self.rows[1].max(row + 1);
        Some(first..end)
    }

    /// Adds a share of a disc that is where `glimpse` says; rows further down see it a little later. With `lit` its brightness is
    /// kept beside its cover: it is lit from one side.
    pub fn add_disc(
        &mut self,
        glimpse: &Glimpse,
        profile: &DiscProfile,
        lit: Option<&LitProfile>,
        share: f32,
    ) {
        if lit.is_some() {
            self.glow.resize(self.values.len(), 0.0);
        }
        let (cu, cv) = (glimpse.seen.u_px, glimpse.seen.v_px);
        let reach = profile.reach_px;
        let stretch = 1.0 / (1.0 - glimpse.dv_per_row.abs().min(0.5));
        for row in self.row_range(cv - reach * stretch, cv + reach * stretch) {
            let below = row as f64 - cv;
            let u = cu + glimpse.du_per_row * below;
            let y = below - glimpse.dv_per_row * below;
            let half2 = reach * reach - y * y;
            if half2 <= 0.0 {
                continue;
            }
            let half = half2.sqrt();
            let Some(columns) = self.touch(row, u - half, u + half) else { continue };
            let line = &mut self.values[row * self.width..];
            for col in columns.clone() {
                let x = col as f64 - u;
                line[col] += share * profile.at((x * x + y * y).sqrt());
            }
            if let Some(lit) = lit {
                let line = &mut self.glow[row * self.width..];
                for col in columns {
                    line[col] += share * lit.at(col as f64 - u, y);
                }
            }
        }
    }

    /// Adds a share of a thin curve.
    pub fn add_curve(&mut self, points: &[CurvePoint], sigma_px: f64, share: f32) {
        for pair in points.windows(2) {
            self.add_segment(pair[0], pair[1], sigma_px, share);
        }
    }

    fn add_segment(&mut self, a: CurvePoint, b: CurvePoint, sigma_px: f64, share: f32) {
        let (du, dv) = (b.u_px - a.u_px, b.v_px - a.v_px);
        let length = du.hypot(dv);
        let far = self.width.max(self.height) as f64 * 3.0;
        if length < 1e-9 || !length.is_finite() || a.u_px.abs() > far || a.v_px.abs() > far || length > far {
            return;
        }
        let reach = a.half_px.max(b.half_px) + 3.5 * sigma_px;
        let (left, right) = (a.u_px.min(b.u_px) - reach, a.u_px.max(b.u_px) + reach);
        for row in self.row_range(a.v_px.min(b.v_px) - reach, a.v_px.max(b.v_px) + reach) {
            let y = row as f64 - a.v_px;
            let (mut low, mut high) = (left, right);
            if dv.abs() > 1e-6 * length {
                let at = a.u_px + y * du / dv;
                let half = reach * length / dv.abs();
                low = low.max(at - half);
                high = high.min(at + half);
            }
            let Some(columns) = self.touch(row, low, high) else { continue };
            let line = &mut self.values[row * self.width..];
            for col in columns {
                let x = col as f64 - a.u_px;
                let s = (x * du + y * dv) / (length * length);
                // each segment owns its own stretch, so that neighbours add up to one curve
                if !(0.0..1.0).contains(&s) {
                    continue;
                }
                let d = (x * dv - y * du) / length;
                let half = a.half_px + s * (b.half_px - a.half_px);
                let covered = normal_step((half - d) / sigma_px) - normal_step((-half - d) / sigma_px);
                line[col] += share * covered;
            }
        }
    }

    /// Covers a limb; where limbs overlap the larger coverage counts.
    pub fn cover_limb(&mut self, limb: &Limb, sigma_px: f64) {
        let [left, right, top, bottom] = limb.bounds(3.0 * sigma_px);
        if !(right - left + bottom - top).is_finite() {
            return;
        }
        for row in self.row_range(top, bottom) {
            let Some(columns) = self.touch(row, left, right) else { continue };
            let line = &mut self.values[row * self.width..];
            for col in columns {
                let covered = limb.coverage(col as f64, row as f64, sigma_px);
                line[col] = line[col].max(covered);
            }
        }
    }

    /// Takes away what a limb in front hides.
    pub fn hide_behind(&mut self, limb: &Limb, sigma_px: f64) {
        for row in self.rows() {
            for col in self.span(row) {
                let i = row * self.width + col;
                if self.values[i] > 0.0 {
                    let seen = 1.0 - limb.coverage(col as f64, row as f64, sigma_px);
                    self.values[i] *= seen;
                    if let Some(glow) = self.glow.get_mut(i) {
                        *glow *= seen;
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phone::lens::Seen;

    fn still(u: f64, v: f64) -> Glimpse {
        Glimpse { seen: Seen { u_px: u, v_px: v, depth_m: 8.0 }, t_s: 0.0, du_per_row: 0.0, dv_per_row: 0.0 }
    }

    fn moments(cover: &Cover) -> (f64, f64, f64) {
        let (mut area, mut u, mut v) = (0.0, 0.0, 0.0);
        for row in cover.rows() {
            for (col, a) in cover.row(row).iter().enumerate() {
                area += f64::from(*a);
                u += f64::from(*a) * col as f64;
                v += f64::from(*a) * row as f64;
            }
        }
        (area, u / area, v / area)
    }

    #[test]
    fn disc_keeps_its_area_and_centre_at_every_phase() {
        for radius in [0.8, 2.0, 3.7, 6.0] {
            let profile = DiscProfile::new(radius, 0.62);
            for step in 0..25 {
                let (u, v) = (20.0 + f64::from(step) * 0.04, 21.0 + f64::from((step * 7) % 25) * 0.04);
                let mut cover = Cover::new(48, 48);
                cover.add_disc(&still(u, v), &profile, None, 1.0);
                let (area, cu, cv) = moments(&cover);
                assert!(
                    (area / (std::f64::consts::PI * radius * radius) - 1.0).abs() < 0.004,
                    "{radius} {area}"
                );
                assert!((cu - u).abs() < 2e-3 && (cv - v).abs() < 2e-3, "{radius}: {cu} {cv} for {u} {v}");
            }
        }
    }

    #[test]
    fn curve_thinner_than_a_pixel_keeps_its_area() {
        for angle_deg in [0.0_f64, 17.0, 45.0, 71.0, 90.0] {
            let (s, c) = angle_deg.to_radians().sin_cos();
            let points: Vec<CurvePoint> = (0..=8)
                .map(|i| {
                    let l = 5.0 * f64::from(i);
                    CurvePoint { u_px: 12.3 + c * l, v_px: 11.6 + s * l, half_px: 0.11 }
                })
                .collect();
            let mut cover = Cover::new(64, 64);
            cover.add_curve(&points, 0.62, 1.0);
            let (area, ..) = moments(&cover);
            assert!((area / (40.0 * 0.22) - 1.0).abs() < 0.03, "{angle_deg} deg: {area}");
        }
    }
}
