//! One picture at work: a still layer that rarely changes, a moving layer redrawn where something was drawn, and the
//! developed planes with noise. Only touched pixels are mixed and restored.

use rand_chacha::ChaCha8Rng;
use tipwright::model::footage::{Plane, PlaneData, Planes};

use super::backdrop::{Backdrop, Picture16};
use super::exposure::{STEPS_PER_CODE, Stored, TOP, tables};
use super::noise::NoiseTile;
use super::shade::Tints;
use super::sprite::Cover;

/// A picture and the noise gain of each of its luma samples.
struct Layer {
    picture: Picture16,
    gain: Vec<i16>,
}

impl Layer {
    /// Mixes a colour in where the cover says, in linear light; chroma by the mean cover of its four pixels.
    fn paint<'t>(&mut self, cover: &Cover, colour: impl Fn(usize, usize) -> &'t Stored, noise: &NoiseTile) {
        let t = tables();
        let (width, height) = (self.picture.width, self.picture.height);
        for row in cover.rows() {
            let covers = cover.row(row);
            for col in cover.span(row) {
                let a = covers[col].min(1.0);
                if a <= 0.0 {
                    continue;
                }
                let i = row * width + col;
                let below = t.luminance(self.picture.y[i]);
                let y = (t.luma(below + (colour(row, col).luminance - below) * a) + 0.5) as i16;
                self.picture.y[i] = y;
                self.gain[i] = noise.gain(y);
            }
        }
        let rows = cover.rows();
        for half_row in rows.start / 2..rows.end.div_ceil(2) {
            let (top, low) = (2 * half_row, (2 * half_row + 1).min(height - 1));
            let (first, second) = (cover.span(top), cover.span(low));
            let (start, end) = match (first.is_empty(), second.is_empty()) {
                (true, true) => continue,
                (false, true) => (first.start, first.end),
                (true, false) => (second.start, second.end),
                (false, false) => (first.start.min(second.start), first.end.max(second.end)),
            };
            let (upper, lower) = (cover.row(top), cover.row(low));
            for half_col in start / 2..end.div_ceil(2).min(width / 2) {
                let c = 2 * half_col;
                let sum =
                    upper[c].min(1.0) + upper[c + 1].min(1.0) + lower[c].min(1.0) + lower[c + 1].min(1.0);
                if sum <= 0.0 {
                    continue;
                }
                let i = half_row * (width / 2) + half_col;
                let a = sum / 4.0;
                let most = if upper[c].max(upper[c + 1]) >= lower[c].max(lower[c + 1]) { top } else { low };
                let colour = colour(most, c + usize::from(cover.row(most)[c + 1] > cover.row(most)[c]));
                for (plane, target) in [(&mut self.picture.cb, colour.cb), (&mut self.picture.cr, colour.cr)]
                {
                    let value = f32::from(plane[i]);
                    plane[i] = (value + (target - value) * a).round() as i16;
                }
            }
        }
    }
}

/// The picture at work.
pub struct Film {
    still: Layer,
    moving: Layer,
    /// Cover of the thing being drawn.
    pub cover: Cover,
    touched: Vec<[usize; 2]>,
    noise: NoiseTile,
    rng: ChaCha8Rng,
    exposure_map: Option<Vec<i16>>,
    sharpening: f32,
    sharp: Vec<i16>,
    mapped: Vec<i16>,
    out: Output,
}

enum Output {
    Bits8([Vec<u8>; 3]),
    Bits10([Vec<u16>; 3]),
}

impl Film {
    /// A film before a backdrop.
    #[must_use]
    pub fn new(backdrop: &Backdrop, noise: NoiseTile, rng: ChaCha8Rng, ten_bits: bool) -> Self {
        let picture = backdrop.clear.clone();
        let (w, h) = (picture.width, picture.height);
        let gain: Vec<i16> = picture.y.iter().map(|y| noise.gain(*y)).collect();
        let sizes = [w * h, w * h / 4, w * h / 4];
        let out = if ten_bits {
            Output::Bits10(sizes.map(|n| vec![0; n]))
        } else {
            Output::Bits8(sizes.map(|n| vec![0; n]))
        };
        Self {
            moving: Layer { picture: picture.clone(), gain: gain.clone() },
            still: Layer { picture, gain },
            cover: Cover::new(w, h),
            touched: vec![[usize::MAX, 0]; h],
            noise,
            rng,
            exposure_map: None,
            sharpening: 0.0,
            sharp: vec![0; w],
            mapped: vec![0; w],
            out,
        }
    }

    /// Lays clouds of a time over the still layer; what was painted on it where there is sky is gone.
    pub fn refresh_sky(&mut self, backdrop: &Backdrop, t_s: f64) {
        backdrop.lay_clouds(t_s, &mut self.still.picture);
        let w = self.still.picture.width;
        let rows = backdrop.sky_rows();
        let range = rows.start * w..rows.end * w;
        for (gain, y) in self.still.gain[range.clone()].iter_mut().zip(&self.still.picture.y[range]) {
            *gain = self.noise.gain(*y);
        }
    }

    /// Paints the cover on the still layer.
    pub fn paint_still(&mut self, colour: &Stored) {
        self.still.paint(&self.cover, |_, _| colour, &self.noise);
        self.cover.clear();
    }

    /// After changes of the still layer: starts the moving layer anew.
    pub fn settle(&mut self) {
        self.moving.picture.y.copy_from_slice(&self.still.picture.y);
        self.moving.picture.cb.copy_from_slice(&self.still.picture.cb);
        self.moving.picture.cr.copy_from_slice(&self.still.picture.cr);
        self.moving.gain.copy_from_slice(&self.still.gain);
        self.touched.fill([usize::MAX, 0]);
    }

    /// Paints the cover on the moving layer.
    pub fn paint(&mut self, colour: &Stored) {
        self.moving.paint(&self.cover, |_, _| colour, &self.noise);
        self.touch_and_clear();
    }

    /// The same for a thing that is not evenly lit.
    pub fn paint_lit(&mut self, tints: &Tints) {
        let cover = &self.cover;
        self.moving.paint(cover, |row, col| tints.at(cover.brightness(row, col)), &self.noise);
        self.touch_and_clear();
    }

    fn touch_and_clear(&mut self) {
        for row in self.cover.rows() {
            let span = self.cover.span(row);
            if !span.is_empty() {
                let touched = &mut self.touched[row];
                touched[0] = touched[0].min(span.start);
                touched[1] = touched[1].max(span.end);
            }
        }
        self.cover.clear();
    }

    /// Takes away everything painted on the moving layer.
    pub fn wipe(&mut self) {
        let w = self.still.picture.width;
        for row in 0..self.touched.len() {
            let [low, high] = std::mem::replace(&mut self.touched[row], [usize::MAX, 0]);
            if low >= high {
                continue;
            }
            let range = row * w + low..row * w + high;
            self.moving.picture.y[range.clone()].copy_from_slice(&self.still.picture.y[range.clone()]);
            self.moving.gain[range.clone()].copy_from_slice(&self.still.gain[range]);
            let c = (row / 2) * (w / 2) + low / 2..(row / 2) * (w / 2) + high.div_ceil(2).min(w / 2);
            self.moving.picture.cb[c.clone()].copy_from_slice(&self.still.picture.cb[c.clone()]);
            self.moving.picture.cr[c.clone()].copy_from_slice(&self.still.picture.cr[c]);
        }
    }

    /// Inner luma sample of a pixel as it is now.
    #[must_use]
    pub fn luma(&self, row: usize, col: usize) -> i16 {
        self.moving.picture.y[row * self.moving.picture.width + col]
    }

    /// Replaces a row's stretch of both layers' luma: for things that are computed, not covered (the board).
    pub fn set_luma(&mut self, row: usize, first_col: usize, values: &[i16]) {
        let w = self.still.picture.width;
        let start = row * w + first_col;
        for (i, y) in values.iter().enumerate() {
            self.moving.picture.y[start + i] = *y;
            self.moving.gain[start + i] = self.noise.gain(*y);
            let c = (row / 2) * (w / 2) + (first_col + i) / 2;
            self.moving.picture.cb[c] = (128 * STEPS_PER_CODE) as i16;
            self.moving.picture.cr[c] = (128 * STEPS_PER_CODE) as i16;
        }
        let touched = &mut self.touched[row];
        touched[0] = touched[0].min(first_col);
        touched[1] = touched[1].max(first_col + values.len());
    }

    /// Exposure against the nominal one, for automatic exposure: 1 changes nothing.
    pub fn set_exposure(&mut self, factor: f32) {
        self.exposure_map = if (factor - 1.0).abs() < 1e-3 {
            None
        } else {
            let t = tables();
            Some((0..=TOP).map(|y| t.luma(t.luminance(y as i16) * factor) as i16).collect())
        };
    }

    /// How much of the difference from its four neighbours is added to each luma sample; 0 changes nothing.
    pub fn set_sharpening(&mut self, share: f32) {
        self.sharpening = share;
    }

    /// Adds noise and rounds to code values.
    pub fn develop(&mut self) -> Planes<'_> {
        let (w, h) = (self.moving.picture.width, self.moving.picture.height);
        let p = &self.moving.picture;
        for row in 0..h {
            let range = row * w..(row + 1) * w;
            let mut luma = &p.y[range.clone()];
            if self.sharpening > 0.0 {
                let above = &p.y[row.saturating_sub(1) * w..];
                let below = &p.y[(row + 1).min(h - 1) * w..];
                for (col, to) in self.sharp.iter_mut().enumerate() {
                    let beside = [luma[col.saturating_sub(1)], luma[(col + 1).min(w - 1)]];
                    let around: f32 =
                        [above[col], below[col], beside[0], beside[1]].map(f32::from).iter().sum();
                    let own = f32::from(luma[col]);
                    *to = (own + self.sharpening * (own - 0.25 * around)).clamp(0.0, TOP as f32) as i16;
                }
                luma = &self.sharp;
            }
            if let Some(map) = &self.exposure_map {
                for (to, from) in self.mapped.iter_mut().zip(luma) {
                    *to = map[usize::from((*from).clamp(0, TOP as i16) as u16)];
                }
                luma = &self.mapped;
            }
            let gains = &self.moving.gain[range.clone()];
            match &mut self.out {
                Output::Bits8(o) => self.noise.luma_row8(&mut self.rng, luma, gains, &mut o[0][range]),
                Output::Bits10(o) => self.noise.luma_row10(&mut self.rng, luma, gains, &mut o[0][range]),
            }
        }
        for row in 0..h / 2 {
            let range = row * (w / 2)..(row + 1) * (w / 2);
            for (plane_idx, plane) in [(1, &p.cb), (2, &p.cr)] {
                let source = &plane[range.clone()];
                match &mut self.out {
                    Output::Bits8(o) => {
                        self.noise.chroma_row8(&mut self.rng, source, &mut o[plane_idx][range.clone()]);
                    }
                    Output::Bits10(o) => {
                        self.noise.chroma_row10(&mut self.rng, source, &mut o[plane_idx][range.clone()]);
                    }
                }
            }
        }
        let plane = |plane_idx: usize, width: usize, height: usize| Plane {
            data: match &self.out {
                Output::Bits8(o) => PlaneData::Bits8(&o[plane_idx]),
                Output::Bits10(o) => PlaneData::Bits10(&o[plane_idx]),
            },
            width,
            height,
            stride: width,
        };
        Planes {
            luma: plane(0, w, h),
            cb: Some(plane(1, w / 2, h / 2)),
            cr: Some(plane(2, w / 2, h / 2)),
            chroma_step: [2, 2],
            full_range: false,
        }
    }
}
