//! One place fitted to a fraction of a pixel, and judged.

use nalgebra::Matrix2;

use crate::model::footage::{FrameView, PlaneData};
use crate::model::{Candidate, Colour, Rotation, Streak};

use super::super::blob::Blob;
use super::super::causes::Cause;
use super::super::fit::{FitStart, Fitted};
use super::{
    CHROMA_SITING_SD_PX, COLOUR_WITHOUT_FIT, Finder, Found, LEAST_COLOUR_FOR_LUMA, LEAST_RISE, ROUGH_MISFIT,
    ROUGH_SD, ROUGH_SNR, SEEK_RADIUS_PX, WIDTH_WITHOUT_FIT, size_match,
};

/// Share of the longest streak from which on what moves and does not fit is told to be drawn out.
const NEARLY: f32 = 0.7;

/// How far from a spot's middle its light or colour is followed, in largest markers: half of one is a marker's own radius.
const BEYOND: f64 = 0.75;

impl Finder {
    pub(super) fn fit_one(&mut self, frame: &FrameView<'_>, look_idx: usize, blob: &Blob) -> Option<Found> {
        let colour = self.looks[look_idx].colour;
        let luma = frame.now.luma;
        let column = (blob.x.round().max(0.0) as usize).min(luma.width - 1);
        let row = (blob.y.round().max(0.0) as usize).min(luma.height - 1);
        self.now.cut_plane(&luma, [column, row]);
        let elsewhere = blob.rise > 0.75 && frame.before.is_some();
        if let (true, Some(planes)) = (elsewhere, &frame.before) {
            self.before.cut_plane(&planes.luma, [column, row]);
        }
        let streaked = blob.length > 0.9 * blob.radius.max(0.35 * self.sizes_px[look_idx][0]);
        let seek = blob.rise.abs() > LEAST_RISE && blob.radius > SEEK_RADIUS_PX;
        let start = FitStart {
            x: blob.x,
            y: blob.y,
            radius: blob.radius,
            length: if streaked { blob.length } else { 0.0 },
            angle_rad: blob.angle_rad,
            amplitude: blob.contrast,
            blur: self.blur_px,
            margin: 4.5,
        };
        let fitted = if colour == Colour::White {
            let before = elsewhere.then_some(&self.before);
            self.fitter.fit(&self.now, before, start, seek).filter(|f| f.amplitude > 0.0)
        } else {
            self.fit_coloured(look_idx, start, elsewhere, seek)
        };
        let fitted = fitted.or_else(|| self.unfitted(look_idx, blob))?;
        self.judge(look_idx, blob, &fitted, frame)
    }

    /// A smeared or patterned ball that no disc fits, but whose colour is right: where its samples have their middle, and no more.
    fn unfitted(&self, look_idx: usize, blob: &Blob) -> Option<Fitted> {
        self.hues[look_idx]?;
        let width = 2.0 * blob.radius;
        let cover = (1.0 / (1.0 + 0.6 * blob.length / width)).clamp(0.2, 1.0);
        let colour = self.colour_match(look_idx, blob.x, blob.y, blob.angle_rad, width, cover).score();
        if !(colour > COLOUR_WITHOUT_FIT && width > WIDTH_WITHOUT_FIT) {
            return None;
        }
        let sd = ROUGH_SD[0] + ROUGH_SD[1] * blob.radius.hypot(0.5 * blob.length);
        Some(Fitted {
            x: blob.x,
            y: blob.y,
            cov: [sd * sd, 0.0, sd * sd],
            radius: blob.radius,
            length: blob.length,
            length_sd: ROUGH_SD[0] + 0.3 * blob.length,
            angle_rad: blob.angle_rad,
            // The map of the hue has twice the chroma.
            amplitude: 0.5 * blob.contrast / cover,
            amplitude_snr: ROUGH_SNR,
            cover,
            level: 0.0,
            noise: ROUGH_MISFIT * blob.contrast,
            leans: [None; 2],
        })
    }

    /// Chroma gives the spot its place to about half a pixel whatever stands behind it; luma, where it differs from
    /// the background, then gives it finer.
    pub(super) fn fit_coloured(
        &mut self,
        look_idx: usize,
        start: FitStart,
        elsewhere: bool,
        seek: bool,
    ) -> Option<Fitted> {
        let hue = self.hues[look_idx]?;
        let centre = [
            (0.5 * (start.x - 0.5)).round().max(0.0) as usize,
            (0.5 * (start.y - 0.5)).round().max(0.0) as usize,
        ];
        self.chroma.cut_chroma(&self.grid.cb, &self.grid.cr, hue.along, centre);
        let half = FitStart {
            x: 0.5 * (start.x - 0.5),
            y: 0.5 * (start.y - 0.5),
            radius: 0.5 * start.radius,
            length: 0.5 * start.length,
            amplitude: 0.5 * start.amplitude,
            blur: 0.5 * self.blur_px + 0.3,
            margin: 3.0,
            ..start
        };
        let coarse = self
            .fitter
            .fit(&self.chroma, None, half, seek)
            .filter(|f| f.amplitude > 0.0 && f.amplitude_snr > 4.0)?;
        let coarse = Fitted {
            // Chroma samples sit at the left luma column of their pair or midway between the two.
            x: 2.0 * coarse.x + 0.5,
            y: 2.0 * coarse.y + 0.5,
            cov: [
                4.0 * coarse.cov[0] + CHROMA_SITING_SD_PX[0].powi(2),
                4.0 * coarse.cov[1],
                4.0 * coarse.cov[2] + CHROMA_SITING_SD_PX[1].powi(2),
            ],
            radius: 2.0 * coarse.radius,
            length: 2.0 * coarse.length,
            length_sd: 2.0 * coarse.length_sd,
            leans: [None, coarse.leans[0].map(|l| l.enlarged(2.0))],
            ..coarse
        };
        // The finer fit is worth its time only for what has the colour.
        let colour = self.colour_match(
            look_idx,
            coarse.x,
            coarse.y,
            coarse.angle_rad,
            2.0 * coarse.radius,
            coarse.cover,
        );
        if colour.score() < LEAST_COLOUR_FOR_LUMA {
            return Some(coarse);
        }
        let local = |x: f32, y: f32| {
            let (c, r) = ((x - self.now.left as f32).round(), (y - self.now.top as f32).round());
            let last = self.now.side as f32 - 1.0;
            self.now.data[r.clamp(0.0, last) as usize * self.now.side + c.clamp(0.0, last) as usize]
        };
        let side = coarse.radius + 3.0;
        let (ux, uy) = (coarse.angle_rad.cos(), coarse.angle_rad.sin());
        let beside = 0.5
            * (local(coarse.x - side * uy, coarse.y + side * ux)
                + local(coarse.x + side * uy, coarse.y - side * ux));
        let fine_start = FitStart {
            x: coarse.x,
            y: coarse.y,
            radius: coarse.radius,
            length: coarse.length,
            angle_rad: coarse.angle_rad,
            amplitude: local(coarse.x, coarse.y) - beside,
            ..start
        };
        let before = elsewhere.then_some(&self.before);
        let fine = self.fitter.fit(&self.now, before, fine_start, seek).filter(|f| {
            let (dx, dy) = (f.x - coarse.x, f.y - coarse.y);
            let wide = coarse.cov[0] + coarse.cov[2] + f.cov[0] + f.cov[2];
            let ratio = f.radius / coarse.radius;
            f.amplitude_snr > 6.0 && dx * dx + dy * dy < 9.0 * wide + 0.1 && (0.5..1.7).contains(&ratio)
        });
        Some(match fine {
            // Contrast and level stay those of the chroma, by which it was found.
            Some(fine) => Fitted {
                amplitude: coarse.amplitude,
                amplitude_snr: coarse.amplitude_snr,
                noise: coarse.noise,
                ..combine(fine, &coarse)
            },
            None => coarse,
        })
    }

    pub(super) fn judge(
        &self,
        look_idx: usize,
        blob: &Blob,
        fitted: &Fitted,
        frame: &FrameView<'_>,
    ) -> Option<Found> {
        let [width, height] = self.picture.stored_px.map(|s| s as f32);
        if !(fitted.x > 0.0 && fitted.y > 0.0 && fitted.x < width - 1.0 && fitted.y < height - 1.0) {
            return None;
        }
        let diameter = 2.0 * fitted.radius;
        let peak = fitted.amplitude * fitted.cover;
        // The fit must explain most of what is there.
        let misfit = fitted.noise / peak.abs().max(1e-3);
        let shape = 1.0 / (1.0 + (misfit / 0.25).powi(2));
        let snr = fitted.amplitude_snr / (fitted.amplitude_snr + 6.0);
        let colour =
            self.colour_match(look_idx, fitted.x, fitted.y, fitted.angle_rad, diameter, fitted.cover);
        let contrast = peak / (peak + 8.0);
        let size = size_match(diameter, self.sizes_px[look_idx]);
        let quality = colour.score() * contrast * shape * snr * size;
        if !(quality > 0.01) {
            return None;
        }
        let wrong_size = if diameter > self.sizes_px[look_idx][1] { Cause::Large } else { Cause::Small };
        let against = [
            (colour.hue, Cause::OffColour),
            (colour.strength * contrast * snr, Cause::Faint),
            (shape, Cause::Shape),
            (size, wrong_size),
        ];
        let weakness = against.into_iter().min_by(|a, b| a.0.total_cmp(&b.0)).map_or(Cause::Shape, |w| w.1);
        let drawn_out = fitted.length.max(blob.length) > NEARLY * self.longest_px && blob.rise > 0.5;
        let weakness = if weakness == Cause::Shape && drawn_out { Cause::Blurred } else { weakness };
        let cov = fitted.cov.map(f64::from);
        let coloured = self.hues[look_idx].is_some();
        let floor_px2 = if coloured { self.coloured_floor_px2 } else { self.floor_px2 };
        let streak = (fitted.length > 1.0 && fitted.length > 3.0 * fitted.length_sd).then(|| Streak {
            length_px: f64::from(fitted.length),
            length_sd_px: f64::from(fitted.length_sd),
            angle_rad: self.picture.rotation.upright_angle_rad(f64::from(fitted.angle_rad)),
        });
        let candidate = Candidate {
            centre: self.picture.upright_from_stored(f64::from(fitted.x), f64::from(fitted.y)),
            cov_px2: upright_cov(self.picture.rotation, [cov[0] + floor_px2, cov[1], cov[2] + floor_px2]),
            streak,
            colour: self.looks[look_idx].colour,
            area_px2: f64::from(blob.area),
            contrast: f64::from(peak / 255.0),
            score: f64::from(quality),
            moving: f64::from(blob.rise.clamp(0.0, 1.0)),
            saturated: saturated(frame, fitted),
            steady_px: [0.0; 2],
            uneven_px: 0.0,
        };
        finite(&candidate).then_some(Found {
            candidate,
            diameter_px: diameter,
            quality,
            weakness,
            leans: fitted.leans,
            of_large: false,
        })
    }

    /// Whether the spot's light or colour goes on beyond the largest marker in three or more of eight directions. A streak goes on in two;
    /// from the rim of a ball its middle and both sides of that are beyond.
    pub(super) fn is_of_large(&self, look_idx: usize, spot: &Found) -> bool {
        let map = if self.hues[look_idx].is_some() { &self.grid.hue[look_idx] } else { &self.grid.luma };
        let (u_px, v_px) = self.picture.stored_from_upright(spot.candidate.centre);
        let (x, y) = (0.5 * (u_px - 0.5), 0.5 * (v_px - 0.5));
        let far = 0.5 * BEYOND * f64::from(self.sizes_px[look_idx][2].max(spot.diameter_px));
        let at = |along: f64, [ux, uy]: [f64; 2]| {
            let place = |v: f64, size: usize| v.round().clamp(0.0, size as f64 - 1.0) as usize;
            map.row(place(y + along * uy, map.height))[place(x + along * ux, map.width)]
        };
        let rays = std::array::from_fn::<[f64; 2], 8, _>(|k| {
            let (sin, cos) = (std::f64::consts::FRAC_PI_4 * k as f64).sin_cos();
            [cos, sin]
        });
        let top = rays.iter().fold(at(0.0, [0.0; 2]), |top, ray| top.max(at(1.0, *ray)));
        let around = rays.iter().fold(top, |low, ray| low.min(at(far, *ray)));
        let half = around + (top - around) / 2;
        let goes_on =
            |ray: &&[f64; 2]| (1..=far.ceil() as usize).all(|k| at((k as f64).min(far), **ray) > half);
        top > around && rays.iter().filter(goes_on).count() >= 3
    }
}

fn finite(c: &Candidate) -> bool {
    let [xx, xy, yy] = c.cov_px2;
    xx > 0.0
        && yy > 0.0
        && xx * yy > xy * xy
        && xx + yy < 400.0
        && c.centre.x_px.is_finite()
        && c.centre.y_px.is_finite()
}

/// Weighted mean of two places of the same spot; the rest is the first's.
fn combine(a: Fitted, b: &Fitted) -> Fitted {
    let inverse = |[xx, xy, yy]: [f32; 3]| {
        let det = (xx * yy - xy * xy).max(1e-12);
        [yy / det, -xy / det, xx / det]
    };
    let (ia, ib) = (inverse(a.cov), inverse(b.cov));
    let sum = [ia[0] + ib[0], ia[1] + ib[1], ia[2] + ib[2]];
    let cov = inverse(sum);
    let pull = |i: [f32; 3], x: f32, y: f32| [i[0] * x + i[1] * y, i[1] * x + i[2] * y];
    // About a, so that whole pixels do not swallow the fractions.
    let [px, py] = pull(ib, b.x - a.x, b.y - a.y);
    let part =
        |[xx, xy, yy]: [f32; 3]| Matrix2::new(cov[0], cov[1], cov[1], cov[2]) * Matrix2::new(xx, xy, xy, yy);
    let leans = [a.leans[0].map(|l| l.weighted(&part(ia))), b.leans[1].map(|l| l.weighted(&part(ib)))];
    Fitted { x: a.x + cov[0] * px + cov[1] * py, y: a.y + cov[1] * px + cov[2] * py, cov, leans, ..a }
}

fn saturated(frame: &FrameView<'_>, fitted: &Fitted) -> bool {
    let luma = frame.now.luma;
    let (x, y) = (fitted.x.round() as usize, fitted.y.round() as usize);
    let limit = if frame.now.full_range { 252 } else { 234 };
    let at = |x: usize, y: usize| match luma.data {
        PlaneData::Bits8(data) => u16::from(data[y * luma.stride + x]),
        PlaneData::Bits10(data) => data[y * luma.stride + x] >> 2,
    };
    let (x0, y0) = (x.saturating_sub(1), y.saturating_sub(1));
    let mut count = 0;
    for y in y0..(y0 + 3).min(luma.height) {
        for x in x0..(x0 + 3).min(luma.width) {
            count += usize::from(at(x, y) >= limit);
        }
    }
    count >= 5
}

fn upright_cov(rotation: Rotation, [uu, uv, vv]: [f64; 3]) -> [f64; 3] {
    match rotation {
        Rotation::R0 | Rotation::R180 => [uu, uv, vv],
        Rotation::R90 | Rotation::R270 => [vv, -uv, uu],
    }
}
