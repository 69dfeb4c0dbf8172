//! Thin curves on the planes of a frame: points on ridges that were not there a while before.
//!
//! Works beside the search for markers, on the frames that it decodes, so that nothing is decoded twice ([`Tee`]). It
//! keeps points only, a few tens of kilobytes a frame; which of them are the line is asked later, when the strokes are known.
//!
//! Per frame: the luma is summed over 2 x 2; a background follows it by one step a frame (a running median: Manzanera &
//! Richefeu, Pattern Recognit. Lett. 28 (2007) 320, from memory), too slowly to take in a line that hangs in the air for
//! half a second; what is left is searched for ridges in four directions, second differences over a short stretch along
//! the curve. Where one stands out of the noise, the point is placed to a fraction of a pixel on the full picture by the
//! second derivatives of a Gaussian (Steger, IEEE Trans. Pattern Anal. Mach. Intell. 20 (1998) 113).

use crate::model::footage::{ClipInfo, FootageError, FrameSource, FrameView, Plane, PlaneData};
use crate::model::line::{ClipRidges, FrameRidges, RidgePoint};
use crate::model::{Picture, RawPixel, Rotation, Warning};

use super::GatherConfig;

/// Sums of 2 x 2 luma samples, four times the level.
#[derive(Debug, Default)]
struct Sums {
    width: usize,
    height: usize,
    data: Vec<i16>,
}

impl Sums {
    fn take(&mut self, luma: &Plane<'_>) {
        let (width, height) = (luma.width / 2, luma.height / 2);
        if (self.width, self.height) != (width, height) {
            *self = Self { width, height, data: vec![0; width * height] };
        }
        for (y, out) in self.data.chunks_exact_mut(width).enumerate() {
            let start = 2 * y * luma.stride;
            let rows = [start..start + 2 * width, start + luma.stride..start + luma.stride + 2 * width];
            match luma.data {
                PlaneData::Bits8(data) => {
                    let [a, b] = rows.map(|r| &data[r]);
                    for ((o, a), b) in out.iter_mut().zip(a.chunks_exact(2)).zip(b.chunks_exact(2)) {
                        *o = i16::from(a[0]) + i16::from(a[1]) + i16::from(b[0]) + i16::from(b[1]);
                    }
                }
                PlaneData::Bits10(data) => {
                    let [a, b] = rows.map(|r| &data[r]);
                    for ((o, a), b) in out.iter_mut().zip(a.chunks_exact(2)).zip(b.chunks_exact(2)) {
                        *o = ((a[0] + a[1] + b[0] + b[1]) >> 2) as i16;
                    }
                }
            }
        }
    }
}

/// Half length of the stretch along a curve that is summed, half-size pixels.
const REACH: usize = 2;
/// Distance across the curve to the places it is compared with.
const ACROSS: usize = 3;
/// Nothing is looked for nearer to the edge than this, half-size pixels.
const EDGE: usize = REACH + ACROSS + 3;
/// Stretches are summed this far out, so that those beside the search's edge are there.
const ACROSS_REACH: usize = REACH + 1;
/// Directions of search: steps along and across.
const DIRECTIONS: [[isize; 4]; 4] = [[1, 0, 0, 1], [1, 1, 1, -1], [0, 1, 1, 0], [1, -1, 1, 1]];
/// Scale of the Gaussian on the full picture. 1 px: the width of a line seen by a phone, blur included.
const SCALE_PX: f32 = 1.0;
/// Half side of its kernels.
const HALF: usize = 3;
const SIDE: usize = 2 * HALF + 1;
/// Width of a thin curve as phones show it, standard deviation, for its height: lens blur and pixel.
const CURVE_SIGMA_PX: f32 = 0.75;

/// Gaussian and its derivatives, x, y, xx, xy, yy.
struct Kernels([[f32; SIDE * SIDE]; 5]);

impl Kernels {
    fn new() -> Self {
        let s2 = SCALE_PX * SCALE_PX;
        let mut k = [[0.0; SIDE * SIDE]; 5];
        for row in 0..SIDE {
            for column in 0..SIDE {
                let (x, y) = (column as f32 - HALF as f32, row as f32 - HALF as f32);
                let g = (-(x * x + y * y) / (2.0 * s2)).exp() / (std::f32::consts::TAU * s2);
                let i = row * SIDE + column;
                // correlation with the derivative of the kernel at the pixel, hence the signs
                k[0][i] = g * x / s2;
                k[1][i] = g * y / s2;
                k[2][i] = g * (x * x / s2 - 1.0) / s2;
                k[3][i] = g * x * y / (s2 * s2);
                k[4][i] = g * (y * y / s2 - 1.0) / s2;
            }
        }
        for kernel in &mut k[2..] {
            let mean = kernel.iter().sum::<f32>() / (SIDE * SIDE) as f32;
            kernel.iter_mut().for_each(|v| *v -= mean);
        }
        Self(k)
    }
}

/// A place of the search: half-size pixel and the sign of its ridge.
#[derive(Debug, Clone, Copy)]
struct Place {
    x: usize,
    y: usize,
    bright: bool,
}

/// Gathers ridge points, frame after frame.
pub struct Gatherer {
    config: GatherConfig,
    picture: Picture,
    kernels: Kernels,
    now: Sums,
    background: Vec<i16>,
    difference: Vec<i16>,
    best: Vec<i16>,
    across: Vec<i16>,
    stretch: Vec<i16>,
    places: Vec<Place>,
    last_s: Option<f64>,
    looked: u64,
    kept: usize,
    cut_short: bool,
    frames: Vec<FrameRidges>,
    spent: std::time::Duration,
}

impl Gatherer {
    /// A gatherer for one clip.
    #[must_use]
    pub fn new(picture: Picture, config: &GatherConfig) -> Self {
        Self {
            config: *config,
            picture,
            kernels: Kernels::new(),
            now: Sums::default(),
            background: Vec::new(),
            difference: Vec::new(),
            best: Vec::new(),
            across: Vec::new(),
            stretch: Vec::new(),
            places: Vec::new(),
            last_s: None,
            looked: 0,
            kept: 0,
            cut_short: false,
            frames: Vec::new(),
            spent: std::time::Duration::ZERO,
        }
    }

    /// Takes in the next frame; passes over it when the one before is too near.
    pub fn look_at(&mut self, frame: &FrameView<'_>) {
        let due = self.last_s.is_none_or(|t| frame.pts_s - t > 0.75 / self.config.rate_hz);
        if !due || self.cut_short {
            return;
        }
        let began = std::time::Instant::now();
        self.last_s = Some(frame.pts_s);
        self.now.take(&frame.now.luma);
        if self.background.len() != self.now.data.len() {
            self.background.clone_from(&self.now.data);
            self.difference = vec![0; self.now.data.len()];
            self.best = vec![0; self.now.data.len()];
            self.across = vec![0; self.now.data.len()];
        }
        self.looked += 1;
        let step = i16::from(self.looked % u64::from(self.config.background_every.max(1)) == 0);
        for ((d, b), n) in self.difference.iter_mut().zip(&mut self.background).zip(&self.now.data) {
            *d = n - *b;
            *b += (n - *b).signum() * step;
        }
        let limit = self.search();
        self.collect(limit);
        let mut points = Vec::with_capacity(self.places.len());
        for place in &self.places {
            points.extend(self.place_exactly(&frame.now.luma, *place, f32::from(limit)));
        }
        self.kept += points.len();
        self.cut_short = self.kept > self.config.most_points;
        self.frames.push(FrameRidges { frame_idx: frame.frame_idx, pts_s: frame.pts_s, points });
        self.spent += began.elapsed();
    }

    /// Strongest response over the directions at every pixel, and the limit above the noise.
    fn search(&mut self) -> i16 {
        let (width, height) = (self.now.width, self.now.height);
        if width <= 2 * EDGE || height <= 2 * EDGE {
            return i16::MAX;
        }
        self.stretch.resize(width * height, 0);
        for (which, [ax, ay, cx, cy]) in DIRECTIONS.iter().enumerate() {
            let along = ay * width as isize + ax;
            // sums over a short stretch along the curve
            for y in ACROSS_REACH..height - ACROSS_REACH {
                let row = y * width + ACROSS_REACH..(y + 1) * width - ACROSS_REACH;
                let len = row.len();
                let at = |k: isize| {
                    let start = row.start.wrapping_add_signed(k * along);
                    &self.difference[start..start + len]
                };
                let (a, b, c, d, e) = (at(-2), at(-1), at(0), at(1), at(2));
                let out = &mut self.stretch[row.clone()][..len];
                for i in 0..len {
                    out[i] = a[i] + b[i] + c[i] + d[i] + e[i];
                }
            }
            // diagonal steps are longer: fewer of them
            let over = if which % 2 == 1 { 2 } else { ACROSS as isize };
            let over = over * (cy * width as isize + cx);
            for y in EDGE..height - EDGE {
                let row = y * width + EDGE..(y + 1) * width - EDGE;
                let len = row.len();
                let at = |k: isize| {
                    let start = row.start.wrapping_add_signed(k * over);
                    &self.stretch[start..start + len]
                };
                let (mid, low, high) = (at(0), at(-1), at(1));
                let best = &mut self.best[row.clone()][..len];
                let across = &mut self.across[row.clone()][..len];
                for i in 0..len {
                    // a ridge stands out on both sides: the smaller of the two steps
                    let (p, q) = (mid[i] - low[i], mid[i] - high[i]);
                    let r = p.min(q).max(0) + p.max(q).min(0);
                    let before = if which == 0 { 0 } else { best[i] };
                    let better = which == 0 || r.abs() > before.abs();
                    best[i] = if better { r } else { before };
                    across[i] = if better { which as i16 } else { across[i] };
                }
            }
        }
        // Noise: the response that two thirds of the pixels stay below; over most of the picture nothing moves.
        let mut histogram = [0usize; 1024];
        let mut total = 0;
        for y in (EDGE..height - EDGE).step_by(7) {
            for r in self.best[y * width + EDGE..(y + 1) * width - EDGE].iter().step_by(5) {
                histogram[usize::from(r.unsigned_abs().min(1023))] += 1;
                total += 1;
            }
        }
        let mut seen = 0;
        let level = histogram.iter().position(|n| {
            seen += n;
            3 * seen >= 2 * total
        });
        let noise = level.unwrap_or(0) as f64 + 1.0;
        (self.config.least_over_noise * noise).clamp(8.0, 8000.0) as i16
    }

    /// Local maxima across the curve.
    fn collect(&mut self, limit: i16) {
        self.places.clear();
        let (width, height) = (self.now.width, self.now.height);
        if width <= 2 * EDGE || height <= 2 * EDGE {
            return;
        }
        for y in EDGE..height - EDGE {
            let row = &self.best[y * width..(y + 1) * width];
            for x in EDGE..width - EDGE {
                let r = row[x];
                if r.abs() <= limit {
                    continue;
                }
                let i = y * width + x;
                let which = usize::from(self.across[i].unsigned_abs());
                let [_, _, cx, cy] = DIRECTIONS[which];
                let beside = |k: isize| self.best[i.wrapping_add_signed(k * (cy * width as isize + cx))];
                let bright = r > 0;
                let (a, b) = (beside(-1), beside(1));
                let (r, a, b) = if bright { (r, a, b) } else { (-r, -a, -b) };
                if r >= a && r > b && self.places.len() < self.config.most_places {
                    self.places.push(Place { x, y, bright });
                }
            }
        }
    }

    /// Position, direction and height on the full picture; `None` where it is no ridge there.
    fn place_exactly(&self, luma: &Plane<'_>, place: Place, limit: f32) -> Option<RidgePoint> {
        let (mut column, mut row) = (2 * place.x, 2 * place.y);
        for _ in 0..3 {
            if column < HALF || row < HALF || column + HALF >= luma.width || row + HALF >= luma.height {
                return None;
            }
            let [gx, gy, gxx, gxy, gyy] = self.derivatives(luma, column, row);
            let half = 0.5 * (gxx - gyy);
            let root = half.hypot(gxy);
            let mean = 0.5 * (gxx + gyy);
            // the curvature of a bright ridge is negative
            let curve = if place.bright { mean - root } else { mean + root };
            let other = if place.bright { mean + root } else { mean - root };
            if (curve < 0.0) != place.bright || other.abs() > 0.6 * curve.abs() {
                return None;
            }
            // angle of the normal: eigenvector of the eigenvalue `curve`
            let along_largest = 0.5 * gxy.atan2(half);
            let normal =
                if curve > mean { along_largest } else { along_largest + std::f32::consts::FRAC_PI_2 };
            let (ny, nx) = normal.sin_cos();
            let step = -(gx * nx + gy * ny) / curve;
            let (dx, dy) = (step * nx, step * ny);
            if dx.abs() <= 0.75 && dy.abs() <= 0.75 {
                let at = self
                    .picture
                    .upright_from_stored(f64::from(column as f32 + dx), f64::from(row as f32 + dy));
                let wide2 = CURVE_SIGMA_PX * CURVE_SIGMA_PX + SCALE_PX * SCALE_PX;
                let contrast = -curve * wide2 * wide2.sqrt() / CURVE_SIGMA_PX;
                // the search's limit stands for its noise; a derivative's noise follows from the kernel (Steger 1998)
                let noise = limit / (self.config.least_over_noise as f32 * 4.0 * 3.0);
                let sigma_px = (0.2 * noise / curve.abs()).hypot(0.1);
                let direction = stored_angle(self.picture.rotation, normal + std::f32::consts::FRAC_PI_2);
                return (sigma_px < 1.0).then_some(RidgePoint {
                    x_px: at.x_px as f32,
                    y_px: at.y_px as f32,
                    angle_rad: direction,
                    contrast,
                    sigma_px,
                });
            }
            if step.abs() > 2.5 {
                return None;
            }
            column = column.wrapping_add_signed(dx.round() as isize);
            row = row.wrapping_add_signed(dy.round() as isize);
        }
        None
    }

    fn derivatives(&self, luma: &Plane<'_>, column: usize, row: usize) -> [f32; 5] {
        let mut patch = [0.0f32; SIDE * SIDE];
        for (k, out) in patch.chunks_exact_mut(SIDE).enumerate() {
            let start = (row + k - HALF) * luma.stride + column - HALF;
            match luma.data {
                PlaneData::Bits8(data) => {
                    out.iter_mut().zip(&data[start..start + SIDE]).for_each(|(o, v)| *o = f32::from(*v));
                }
                PlaneData::Bits10(data) => {
                    out.iter_mut()
                        .zip(&data[start..start + SIDE])
                        .for_each(|(o, v)| *o = 0.25 * f32::from(*v));
                }
            }
        }
        let mut out = [0.0; 5];
        for (o, kernel) in out.iter_mut().zip(&self.kernels.0) {
            *o = kernel.iter().zip(&patch).map(|(k, p)| k * p).sum();
        }
        out
    }

    /// Time spent so far.
    #[must_use]
    pub fn spent(&self) -> std::time::Duration {
        self.spent
    }

    /// What was gathered.
    #[must_use]
    pub fn finish(self, camera: &str) -> ClipRidges {
        ClipRidges {
            camera: camera.to_owned(),
            picture: self.picture,
            frames: self.frames,
            cut_short: self.cut_short,
        }
    }
}

/// A direction of the stored picture in the upright one, modulo pi.
fn stored_angle(rotation: Rotation, angle_rad: f32) -> f32 {
    let turned = match rotation {
        Rotation::R0 | Rotation::R180 => angle_rad,
        Rotation::R90 | Rotation::R270 => angle_rad + std::f32::consts::FRAC_PI_2,
    };
    turned.rem_euclid(std::f32::consts::PI)
}

impl RidgePoint {
    /// As a pixel.
    #[must_use]
    pub fn pixel(&self) -> RawPixel {
        RawPixel::new(f64::from(self.x_px), f64::from(self.y_px))
    }
}

/// A clip that shows every frame to a gatherer on its way to whoever reads it.
pub struct Tee<'a> {
    source: &'a mut (dyn FrameSource + Send),
    /// The gatherer.
    pub gatherer: Gatherer,
}

impl<'a> Tee<'a> {
    /// Puts a gatherer beside a clip.
    pub fn new(source: &'a mut (dyn FrameSource + Send), config: &GatherConfig) -> Self {
        let picture = source.info().picture;
        Self { source, gatherer: Gatherer::new(picture, config) }
    }
}

impl FrameSource for Tee<'_> {
    fn info(&self) -> &ClipInfo {
        self.source.info()
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        let frame = self.source.next_frame()?;
        if let Some(frame) = &frame {
            self.gatherer.look_at(frame);
        }
        Ok(frame)
    }

    fn damaged_frames(&self) -> u64 {
        self.source.damaged_frames()
    }

    fn warnings(&self) -> Vec<Warning> {
        self.source.warnings()
    }
}
