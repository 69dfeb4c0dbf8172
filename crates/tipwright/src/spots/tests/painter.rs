//! A small painter of pictures: discs seen through a soft lens while they move, on any background, with noise.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use crate::model::footage::{ClipInfo, FootageError, FrameSource, FrameView, Plane, PlaneData, Planes};
use crate::model::{Picture, Rotation};

/// A moving disc: centre in the middle of the exposure, motion over the exposure.
#[derive(Debug, Clone, Copy)]
pub struct Disc {
    pub x: f64,
    pub y: f64,
    pub radius: f64,
    pub motion: [f64; 2],
    /// Lens blur, one sigma.
    pub blur: f64,
}

impl Disc {
    /// Share of pixel (px, py) that the disc covers over the exposure.
    pub fn cover(&self, px: f64, py: f64) -> f64 {
        let [mx, my] = self.motion;
        let length = mx.hypot(my);
        let (ux, uy) = if length > 1e-9 { (mx / length, my / length) } else { (1.0, 0.0) };
        let (dx, dy) = (px - self.x, py - self.y);
        let far = self.radius + 0.5 * length + 3.0 * self.blur + 1.0;
        if dx * dx + dy * dy > far * far {
            return 0.0;
        }
        // Blur by seven-point rules on each axis (Gaussian weights), pixel area by 4 x 4 samples.
        let points: Vec<(f64, f64)> =
            (-4..=4).map(|k| (f64::from(k) * 0.75, (-0.5 * (f64::from(k) * 0.75).powi(2)).exp())).collect();
        let norm: f64 = points.iter().map(|p| p.1).sum();
        let mut sum = 0.0;
        for (bx, wx) in &points {
            for (by, wy) in &points {
                let mut inner = 0.0;
                for i in 0..4 {
                    for j in 0..4 {
                        let x = dx + (f64::from(i) - 1.5) / 4.0 + bx * self.blur;
                        let y = dy + (f64::from(j) - 1.5) / 4.0 + by * self.blur;
                        let (a, b) = (x * ux + y * uy, y * ux - x * uy);
                        let c2 = self.radius * self.radius - b * b;
                        if c2 <= 0.0 {
                            continue;
                        }
                        let c = c2.sqrt();
                        inner += if length > 1e-9 {
                            ((a + c).min(0.5 * length) - (a - c).max(-0.5 * length)).max(0.0) / length
                        } else {
                            f64::from(a.abs() < c)
                        };
                    }
                }
                sum += wx * wy * inner / 16.0;
            }
        }
        sum / (norm * norm)
    }
}

/// One 4:2:0 picture of floats.
#[derive(Debug, Clone)]
pub struct Canvas {
    pub width: usize,
    pub height: usize,
    pub luma: Vec<f64>,
    pub chroma: [Vec<f64>; 2],
}

impl Canvas {
    pub fn new(width: usize, height: usize, background: impl Fn(f64, f64) -> [f64; 3]) -> Self {
        let mut canvas = Self {
            width,
            height,
            luma: vec![0.0; width * height],
            chroma: [vec![0.0; width * height / 4], vec![0.0; width * height / 4]],
        };
        for y in 0..height {
            for x in 0..width {
                let [l, cb, cr] = background(x as f64, y as f64);
                canvas.luma[y * width + x] = l;
                if x % 2 == 0 && y % 2 == 0 {
                    let at = y / 2 * (width / 2) + x / 2;
                    canvas.chroma[0][at] = cb;
                    canvas.chroma[1][at] = cr;
                }
            }
        }
        canvas
    }

    /// Paints a disc of a colour (luma, Cb, Cr).
    pub fn disc(&mut self, disc: &Disc, colour: [f64; 3]) {
        let far = disc.radius + 0.5 * disc.motion[0].hypot(disc.motion[1]) + 3.0 * disc.blur + 3.0;
        let range = |c: f64, size: usize| {
            let first = ((c - far).floor().max(0.0) as usize).min(size) & !1;
            let last = ((c + far).ceil().max(0.0) as usize).min(size) & !1;
            first..last
        };
        for y in range(disc.y, self.height).step_by(2) {
            for x in range(disc.x, self.width).step_by(2) {
                let mut mean = 0.0;
                for (i, j) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    let cover = disc.cover((x + i) as f64, (y + j) as f64);
                    let l = &mut self.luma[(y + j) * self.width + x + i];
                    *l += cover * (colour[0] - *l);
                    mean += 0.25 * cover;
                }
                for k in 0..2 {
                    let c = &mut self.chroma[k][y / 2 * (self.width / 2) + x / 2];
                    *c += mean * (colour[k + 1] - *c);
                }
            }
        }
    }

    /// Bytes with Gaussian noise of so many steps on luma and half of it on chroma.
    pub fn develop(&self, noise: f64, seed: u64) -> Painted {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut plane = |values: &[f64], sigma: f64| {
            let normal = Normal::new(0.0, sigma.max(1e-9)).unwrap();
            values.iter().map(|v| (v + normal.sample(&mut random)).round().clamp(0.0, 255.0) as u8).collect()
        };
        Painted {
            width: self.width,
            height: self.height,
            luma: plane(&self.luma, noise),
            chroma: [plane(&self.chroma[0], 0.5 * noise), plane(&self.chroma[1], 0.5 * noise)],
        }
    }
}

/// A picture as bytes.
#[derive(Debug, Clone)]
pub struct Painted {
    pub width: usize,
    pub height: usize,
    pub luma: Vec<u8>,
    pub chroma: [Vec<u8>; 2],
}

impl Painted {
    pub fn planes(&self) -> Planes<'_> {
        let chroma = |k: usize| Plane {
            data: PlaneData::Bits8(&self.chroma[k]),
            width: self.width / 2,
            height: self.height / 2,
            stride: self.width / 2,
        };
        Planes {
            luma: Plane {
                data: PlaneData::Bits8(&self.luma),
                width: self.width,
                height: self.height,
                stride: self.width,
            },
            cb: Some(chroma(0)),
            cr: Some(chroma(1)),
            chroma_step: [2, 2],
            full_range: false,
        }
    }
}

/// A clip made of pictures in memory, 120 a second.
pub struct Reel {
    info: ClipInfo,
    films: Vec<Painted>,
    next: usize,
}

impl Reel {
    pub fn new(films: Vec<Painted>, rotation: Rotation) -> Self {
        let stored_px = [films[0].width as u32, films[0].height as u32];
        let info = ClipInfo {
            frames_claimed: Some(films.len() as u64),
            container_fps: Some(120.0),
            ..ClipInfo::of_picture("reel.mp4", Picture { stored_px, rotation })
        };
        Self { info, films, next: 0 }
    }
}

impl Reel {
    /// The same at another rate.
    pub fn at_fps(mut self, fps: f64) -> Self {
        self.info.container_fps = Some(fps);
        self
    }
}

impl FrameSource for Reel {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        let k = self.next;
        self.next += 1;
        Ok(self.films.get(k).map(|film| FrameView {
            frame_idx: k as u32,
            pts_s: k as f64 / self.info.container_fps.unwrap_or(120.0),
            now: film.planes(),
            before: (k > 0).then(|| self.films[k - 1].planes()),
        }))
    }

    fn damaged_frames(&self) -> u64 {
        0
    }
}
