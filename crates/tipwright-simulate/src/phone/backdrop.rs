//! What a phone on a tripod at the mill pond sees when nothing happens: sky with clouds, alders on the far bank, water,
//! grass. Made once for a view; clouds are laid over it anew as they drift.

use nalgebra::{Point3, Vector3};
use rayon::prelude::*;
use tipwright::model::Camera;

use super::exposure::Light;
use super::lens::directions_in_world;

/// Weather and place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surroundings {
    /// Elevation to which the trees reach, middle of their ragged top, degrees.
    pub tree_top_deg: f64,
    /// 0 clear, 1 mostly covered.
    pub cloudiness: f64,
    /// Brightness of clouds, linear; 1 saturates.
    pub cloud_light: f32,
    /// Drift of the clouds across the picture.
    pub cloud_drift_px_s: f64,
    /// Light on everything.
    pub daylight: f32,
    /// Toward the sun; drawn when it is in the picture and `sun_visible`.
    pub sun_in_world: Vector3<f64>,
    /// Draw the sun and its glare.
    pub sun_visible: bool,
    /// Share of the grass and of the trees that is covered by yellow flowers.
    pub in_bloom: f32,
    /// Pattern.
    pub seed: u32,
}

/// Planes of inner samples, stored orientation, 4:2:0.
#[derive(Debug, Clone)]
pub struct Picture16 {
    /// Columns of luma.
    pub width: usize,
    /// Rows of luma.
    pub height: usize,
    /// Luma.
    pub y: Vec<i16>,
    /// Cb, half size.
    pub cb: Vec<i16>,
    /// Cr, half size.
    pub cr: Vec<i16>,
}

/// A view without clouds, and the clouds.
pub struct Backdrop {
    /// The view without clouds.
    pub clear: Picture16,
    /// Rows and columns with water, where glints may flash (stored pixels).
    pub water: Vec<[u32; 2]>,
    sky: Vec<u8>,
    sky_rows: [usize; 2],
    clouds: Vec<f32>,
    cloud_columns: usize,
    upside_down: bool,
    cloud_codes: [f32; 3],
    drift_px_s: f64,
}

/// Petals in the sun: of purer yellow than most paint.
const YELLOW: Light = Light::new(0.70, 0.55, 0.03);

/// Clouds are kept at a quarter of the resolution, with this much more at the side to drift in.
const CLOUD_STEP: usize = 4;
const CLOUD_MARGIN: usize = 200;

fn hash(x: i32, y: i32, seed: u32) -> f32 {
    let mut h = (x as u32).wrapping_mul(0x9E37_79B1) ^ (y as u32).wrapping_mul(0x85EB_CA77) ^ seed;
    h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
    h = (h ^ (h >> 12)).wrapping_mul(0x297A_2D39);
    (h >> 8) as f32 / (1 << 24) as f32
}

/// Value noise, 0 to 1.
fn value_noise(x: f64, y: f64, seed: u32) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    let (ix, iy) = (fx as i32, fy as i32);
    let smooth = |t: f64| (t * t * (3.0 - 2.0 * t)) as f32;
    let (a, b) = (smooth(x - fx), smooth(y - fy));
    let top = hash(ix, iy, seed) * (1.0 - a) + hash(ix + 1, iy, seed) * a;
    let low = hash(ix, iy + 1, seed) * (1.0 - a) + hash(ix + 1, iy + 1, seed) * a;
    top * (1.0 - b) + low * b
}

/// Several octaves of [`value_noise`], 0 to 1, mean one half.
fn cloud_noise(x: f64, y: f64, octaves: u32, seed: u32) -> f32 {
    let (mut sum, mut weight, mut total, mut f) = (0.0, 0.5, 0.0, 1.0);
    for octave in 0..octaves {
        sum += weight * value_noise(x * f, y * f, seed.wrapping_add(octave * 101));
        total += weight;
        weight *= 0.5;
        f *= 2.03;
    }
    sum / total
}

/// Colour of one direction, and how much of it is sky.
fn shade(eye: &Point3<f64>, d: &Vector3<f64>, s: &Surroundings) -> (Light, f32, bool) {
    let elevation = d.z.clamp(-1.0, 1.0).asin();
    let azimuth = d.x.atan2(d.y);
    let top = tree_top(azimuth, s);
    let ragged = (f64::from(cloud_noise(azimuth * 160.0, elevation * 160.0, 3, s.seed ^ 7)) - 0.5) * 0.03;
    let above = (elevation - top - ragged) / 0.0012;
    if elevation > 0.0 {
        let sky_share = (0.5 + above).clamp(0.0, 1.0) as f32;
        let tree = trees(azimuth, elevation, s);
        return (tree.mix(sky(d, elevation, s), sky_share), sky_share, false);
    }
    let away_m = eye.z / (-d.z).max(1e-4);
    let (x, y) = (eye.x + d.x * away_m, eye.y + d.y * away_m);
    let ground_m = away_m * d.xy().norm();
    if ground_m > 45.0 {
        // the far bank
        return (trees(azimuth, elevation, s).times(0.8), 0.0, false);
    }
    let shore = 6.0 + 1.2 * f64::from(value_noise(x * 0.25, 3.3, s.seed));
    if y > shore && y.abs() < 400.0 {
        let ripple = cloud_noise(x * 0.8, y * 2.2, 4, s.seed ^ 11) - 0.5;
        let mirror = -elevation + f64::from(ripple) * 0.10 * (12.0 / (12.0 + ground_m));
        let mirrored =
            if mirror > tree_top(azimuth, s) { sky(d, mirror, s) } else { trees(azimuth, mirror, s) };
        let deep = Light::new(0.030, 0.045, 0.040).times(s.daylight);
        return (deep.mix(mirrored, 0.45).times(1.0 + 0.5 * ripple), 0.0, true);
    }
    let fade = (6.0 / (6.0 + ground_m)) as f32;
    let blades = cloud_noise(x * 9.0, y * 9.0, 3, s.seed ^ 21) - 0.5;
    let patches = cloud_noise(x * 0.6, y * 0.6, 3, s.seed ^ 23) - 0.5;
    let grass =
        Light::new(0.105, 0.170, 0.045).mix(Light::new(0.190, 0.200, 0.080), (0.4 + patches).clamp(0.0, 1.0));
    let grass = grass.times((1.0 + 0.9 * blades * fade + 0.3 * patches) * s.daylight);
    // dandelions of 4 cm
    let flower = hash((x / 0.04).floor() as i32, (y / 0.04).floor() as i32, s.seed ^ 61) < s.in_bloom;
    (if flower { YELLOW.times(s.daylight) } else { grass }, 0.0, false)
}

fn tree_top(azimuth: f64, s: &Surroundings) -> f64 {
    let crowns = f64::from(cloud_noise(azimuth * 5.0 + 40.0, 0.5, 4, s.seed)) - 0.5;
    s.tree_top_deg.to_radians() * (1.0 + 0.55 * crowns)
}

fn trees(azimuth: f64, elevation: f64, s: &Surroundings) -> Light {
    let crown = cloud_noise(azimuth * 22.0, elevation * 30.0, 3, s.seed ^ 31);
    let leaf = cloud_noise(azimuth * 140.0, elevation * 150.0, 3, s.seed ^ 37);
    let light = (0.15 + 1.5 * (crown - 0.3) * (0.35 + leaf)).clamp(0.05, 1.0);
    let low = 1.0 - 0.5 * (-(elevation.max(0.0)) * 12.0).exp() as f32;
    // broom: sprays of a third of a degree
    let place = [azimuth, elevation].map(|a| (a / 0.006).floor() as i32);
    if hash(place[0], place[1], s.seed ^ 67) < s.in_bloom * 4.0 * crown * crown {
        return YELLOW.times(0.8 * s.daylight);
    }
    let dark = Light::new(0.010, 0.018, 0.008);
    let bright = Light::new(0.095, 0.140, 0.040);
    dark.mix(bright, light * low).times(s.daylight)
}

fn sky(d: &Vector3<f64>, elevation: f64, s: &Surroundings) -> Light {
    let up = (elevation.max(0.0) / 0.9).min(1.0).powf(0.6) as f32;
    let plain = Light::new(0.42, 0.55, 0.72).mix(Light::new(0.10, 0.22, 0.50), up).times(s.daylight);
    if !s.sun_visible {
        return plain;
    }
    let from_sun = d.dot(&s.sun_in_world.normalize()).clamp(-1.0, 1.0).acos();
    let glare = (3.0 * (-(from_sun / 0.05)).exp() + if from_sun < 0.006 { 20.0 } else { 0.0 }) as f32;
    Light::new(plain.r + glare, plain.g + glare, plain.b + glare * 0.9)
}

impl Backdrop {
    /// The view of a camera.
    #[must_use]
    pub fn new(camera: &Camera, surroundings: &Surroundings) -> Self {
        let [w, h] = camera.picture.stored_px;
        let (width, height) = (w as usize, h as usize);
        let (grid, [cols, _]) = directions_in_world(camera, 8);
        let eye = camera.pose.camera_from_world.inverse() * Point3::origin();
        let direction = |col: usize, row: usize| {
            let (gx, gy) = (col / 8, row / 8);
            let (a, b) = ((col % 8) as f64 / 8.0, (row % 8) as f64 / 8.0);
            let at = |x: usize, y: usize| grid[y * cols + x];
            (at(gx, gy) * (1.0 - a) + at(gx + 1, gy) * a) * (1.0 - b)
                + (at(gx, gy + 1) * (1.0 - a) + at(gx + 1, gy + 1) * a) * b
        };
        // two luma rows and one chroma row at a time
        type Band = (Vec<i16>, Vec<i16>, Vec<i16>, Vec<u8>, Vec<[u32; 2]>);
        let bands: Vec<Band> = (0..height / 2)
            .into_par_iter()
            .map(|band| {
                let mut y = vec![0_i16; 2 * width];
                let mut sums = vec![[0.0_f32; 2]; width / 2];
                let mut sky = vec![0_u8; 2 * width];
                let mut water = Vec::new();
                for sub in 0..2 {
                    let row = 2 * band + sub;
                    for col in 0..width {
                        let (light, sky_share, wet) =
                            shade(&eye, &direction(col, row).normalize(), surroundings);
                        let [luma, cb, cr] = light.codes();
                        y[sub * width + col] = luma as i16;
                        sky[sub * width + col] = (sky_share * 255.0) as u8;
                        sums[col / 2][0] += cb / 4.0;
                        sums[col / 2][1] += cr / 4.0;
                        if wet && hash(col as i32, row as i32, 5) < 0.002 {
                            water.push([col as u32, row as u32]);
                        }
                    }
                }
                let cb = sums.iter().map(|s| s[0] as i16).collect();
                let cr = sums.iter().map(|s| s[1] as i16).collect();
                (y, cb, cr, sky, water)
            })
            .collect();
        let mut clear = Picture16 { width, height, y: Vec::new(), cb: Vec::new(), cr: Vec::new() };
        let (mut sky, mut water) = (Vec::new(), Vec::new());
        for band in bands {
            clear.y.extend(band.0);
            clear.cb.extend(band.1);
            clear.cr.extend(band.2);
            sky.extend(band.3);
            water.extend(band.4);
        }
        let rows_with_sky: Vec<usize> =
            (0..height).filter(|r| sky[r * width..(r + 1) * width].iter().any(|s| *s > 0)).collect();
        let sky_rows = [
            rows_with_sky.first().copied().unwrap_or(0) & !1,
            (rows_with_sky.last().map_or(0, |r| r + 2) & !1).min(height),
        ];
        let cloud_columns = width / CLOUD_STEP + 2 + CLOUD_MARGIN;
        let cloud_rows = height / CLOUD_STEP + 2;
        let s = *surroundings;
        let clouds: Vec<f32> = (0..cloud_rows * cloud_columns)
            .into_par_iter()
            .map(|i| {
                let (col, row) = ((i % cloud_columns) as f64, (i / cloud_columns) as f64);
                let n = f64::from(cloud_noise(col * 0.016, row * 0.034, 5, s.seed ^ 53));
                ((n - (0.72 - 0.42 * s.cloudiness)) * 3.0).clamp(0.0, 0.95) as f32
            })
            .collect();
        Self {
            clear,
            water,
            sky,
            sky_rows,
            clouds,
            cloud_columns,
            upside_down: camera.picture.rotation == tipwright::model::Rotation::R180,
            cloud_codes: Light::new(s.cloud_light, s.cloud_light * 1.01, s.cloud_light * 1.03).codes(),
            drift_px_s: s.cloud_drift_px_s,
        }
    }

    /// Do clouds move here?
    #[must_use]
    pub fn changes(&self) -> bool {
        self.drift_px_s != 0.0
    }

    /// Rows that [`Self::lay_clouds`] writes.
    #[must_use]
    pub fn sky_rows(&self) -> std::ops::Range<usize> {
        self.sky_rows[0]..self.sky_rows[1]
    }

    /// Lays the clouds of time `t_s` over the clear view, into `into`.
    pub fn lay_clouds(&self, t_s: f64, into: &mut Picture16) {
        let (width, height) = (self.clear.width, self.clear.height);
        let shift = (self.drift_px_s * t_s / CLOUD_STEP as f64).rem_euclid((CLOUD_MARGIN - 2) as f64);
        for row in self.sky_rows() {
            let upright_row = if self.upside_down { height - 1 - row } else { row };
            for col in 0..width {
                let share = self.sky[row * width + col];
                let i = row * width + col;
                if share == 0 {
                    into.y[i] = self.clear.y[i];
                    continue;
                }
                let upright_col = if self.upside_down { width - 1 - col } else { col };
                let cloud = self.cloud_at(upright_col, upright_row, shift) * f32::from(share) / 255.0;
                let y = f32::from(self.clear.y[i]);
                // never darker than the sky behind (the sun's glare stays)
                into.y[i] = (y + (self.cloud_codes[0].max(y) - y) * cloud) as i16;
                if row % 2 == 0 && col % 2 == 0 {
                    let c = (row / 2) * (width / 2) + col / 2;
                    let (cb, cr) = (f32::from(self.clear.cb[c]), f32::from(self.clear.cr[c]));
                    into.cb[c] = (cb + (self.cloud_codes[1] - cb) * cloud) as i16;
                    into.cr[c] = (cr + (self.cloud_codes[2] - cr) * cloud) as i16;
                }
            }
        }
    }

    fn cloud_at(&self, col: usize, row: usize, shift: f64) -> f32 {
        let x = col as f32 / CLOUD_STEP as f32 + shift as f32;
        let y = row as f32 / CLOUD_STEP as f32;
        let (ix, iy) = (x as usize, y as usize);
        let (a, b) = (x - ix as f32, y - iy as f32);
        let at = |x: usize, y: usize| self.clouds[y * self.cloud_columns + x];
        (at(ix, iy) * (1.0 - a) + at(ix + 1, iy) * a) * (1.0 - b)
            + (at(ix, iy + 1) * (1.0 - a) + at(ix + 1, iy + 1) * a) * b
    }
}
