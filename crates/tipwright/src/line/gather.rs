//! Thin curves on the planes of a frame: points on ridges that were not there a while before.
//!
//! Works beside the search for markers, on the frames that it decodes, so that nothing is decoded twice ([`Tee`]). It
//! keeps points only, a few tens of kilobytes a frame; which of them are the line is asked later, when the strokes are known.
//!
//! Per frame: the luma is summed over 2 x 2; a background follows it by one step a frame (a running median: Manzanera &
//! Richefeu, Pattern Recognit. Lett. 28 (2007) 320, from memory), too slowly to take in a line that hangs in the air for
//! half a second; what is left is searched for ridges in four directions, second differences over a short stretch along
//! the curve. Where one stands out of the noise, or less so but goes on (`links`), the point is placed to a fraction of a
//! pixel on the full picture by the second derivatives of a Gaussian (Steger, IEEE Trans. Pattern Anal. Mach. Intell. 20 (1998) 113).

use crate::model::Picture;
use crate::model::footage::{FrameView, Plane, PlaneData};
use crate::model::line::{ClipRidges, FrameRidges, RidgePoint};

use super::GatherConfig;
use super::answers::{take_first, take_stronger};
use super::links::{DIRECTIONS, Links, Place};
use super::sums::Sums;
use crate::math::{wide, wide_loops};

/// Half length of the stretch along a curve that is summed, half-size pixels.
const REACH: usize = 2;
/// Distance across the curve to the places it is compared with.
const ACROSS: usize = 3;
/// Nothing is looked for nearer to the edge than this, half-size pixels.
const EDGE: usize = REACH + ACROSS + 3;
/// Stretches are summed this far out, so that those beside the search's edge are there.
const ACROSS_REACH: usize = REACH + 1;
/// Maxima are looked for in blocks of so many half-size pixels.
const BLOCK: usize = 16;
/// Rows searched at a time.
const BAND: usize = 40;
/// Scale of the Gaussian on the full picture. 1 px: the width of a line seen by a phone, blur included.
const SCALE_PX: f32 = 1.0;
/// Half side of its kernels.
const HALF: usize = 3;
const SIDE: usize = 2 * HALF + 1;

/// Change of light that counts as one of the exposure.
const LEAST_GAIN: f64 = 0.003;

/// Lanes of a row of the patch: its side and one to spare, so that a row is one vector.
const LANES: usize = SIDE + 1;

/// Gaussian and its first and second derivative along one axis; the last lane is 0.
struct Kernels {
    zeroth: [f32; LANES],
    first: [f32; LANES],
    second: [f32; LANES],
}

impl Kernels {
    fn new() -> Self {
        let s2 = SCALE_PX * SCALE_PX;
        let (mut zeroth, mut first, mut second) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
        for k in 0..SIDE {
            let x = k as f32 - HALF as f32;
            let g = (-x * x / (2.0 * s2)).exp() / (std::f32::consts::TAU * s2).sqrt();
            // correlation with the derivative of the kernel at the pixel, hence the signs
            zeroth[k] = g;
            first[k] = g * x / s2;
            second[k] = g * (x * x / s2 - 1.0) / s2;
        }
        // cut off, the second derivative would see level grey
        let mean = second.iter().sum::<f32>() / SIDE as f32;
        second[..SIDE].iter_mut().for_each(|v| *v -= mean);
        Self { zeroth, first, second }
    }
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
    links: Links,
    last_s: Option<f64>,
    looked: u64,
    kept: usize,
    cut_short: bool,
    frames: Vec<FrameRidges>,
    spent: std::time::Duration,
}

wide_loops! {
    LookHere = Gatherer::look_here, (&mut Gatherer, &FrameView<'_>) => ();
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
            links: Links::default(),
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
        wide(LookHere, (self, frame));
        self.spent += began.elapsed();
    }

    #[inline(always)]
    fn look_here((gatherer, frame): (&mut Self, &FrameView<'_>)) {
        gatherer.look_closely(frame);
    }

    #[inline(always)]
    fn look_closely(&mut self, frame: &FrameView<'_>) {
        self.now.take(&frame.now.luma);
        if self.background.len() != self.now.data.len() {
            self.background.clone_from(&self.now.data);
            self.difference = vec![0; self.now.data.len()];
            self.best = vec![0; self.now.data.len()];
            self.across = vec![0; self.now.data.len()];
        }
        self.follow_exposure();
        self.looked += 1;
        let step = i16::from(self.looked.is_multiple_of(u64::from(self.config.background_every.max(1))));
        for ((d, b), n) in self.difference.iter_mut().zip(&mut self.background).zip(&self.now.data) {
            *d = n - *b;
            *b += (n - *b).signum() * step;
        }
        let noise = self.noise();
        // noise of a response
        let noise = noise * 10.0_f64.sqrt();
        let limit = |over_noise: f64| (over_noise * noise).clamp(8.0, 8000.0) as i16;
        self.search();
        self.collect(limit(self.config.least_linked_over_noise));
        let size = [self.now.width, self.now.height];
        let alone = limit(self.config.least_over_noise);
        self.links.keep_linked(&mut self.places, size, alone, self.config.fewest_linked);
        let mut points = Vec::with_capacity(self.places.len());
        for place in &self.places {
            points.extend(self.place_exactly(&frame.now.luma, *place, noise as f32));
        }
        points.shrink_to_fit();
        self.kept += points.len();
        self.cut_short = self.kept > self.config.most_points;
        self.frames.push(FrameRidges { frame_idx: frame.frame_idx, pts_s: frame.pts_s, points });
    }

    /// Noise of the difference, one standard deviation: 68 % of a picture in which little moves stay below it. Taken between
    /// places as far apart as the search compares, so that drifting clouds and an exposure that swings are none.
    #[inline(always)]
    fn noise(&self) -> f64 {
        const LEVELS: usize = 512;
        let mut histogram = [0usize; LEVELS];
        let mut total = 0;
        for row in self.difference.chunks_exact(self.now.width.max(1)).step_by(7) {
            for (a, b) in row.iter().zip(&row[ACROSS.min(row.len())..]).step_by(5) {
                histogram[usize::from((a - b).unsigned_abs()).min(LEVELS - 1)] += 1;
                total += 1;
            }
        }
        let (mut below, wanted) = (0, 0.68 * total as f64);
        for (level, n) in histogram.iter().enumerate() {
            let with = below + n;
            if with as f64 >= wanted {
                // between whole levels; a difference of two has twice the variance
                let of_two = level as f64 + (wanted - below as f64) / (*n).max(1) as f64;
                return (of_two / std::f64::consts::SQRT_2).max(1.0);
            }
            below = with;
        }
        LEVELS as f64
    }

    /// Light by which this picture differs from the background, and the background brought to it when that is more than
    /// rounding: an automatic exposure changes in steps, and textures would look like curves until the background follows.
    #[inline(always)]
    fn follow_exposure(&mut self) {
        let (mut now, mut before) = (0i64, 0i64);
        for (n, b) in self.now.data.iter().zip(&self.background).step_by(11) {
            now += i64::from(*n);
            before += i64::from(*b);
        }
        let gain = now as f64 / before.max(1) as f64;
        if (gain - 1.0).abs() > LEAST_GAIN && gain > 0.25 && gain < 4.0 {
            let by = (gain * 4096.0).round() as i32;
            for b in &mut self.background {
                *b = ((i32::from(*b) * by + 2048) >> 12).min(i32::from(i16::MAX)) as i16;
            }
        }
    }

    /// Strongest response over the directions at every pixel. Band by band, so that all of it stays near the processor.
    #[inline(always)]
    #[allow(clippy::needless_range_loop, reason = "equal slices by index become vector instructions")]
    fn search(&mut self) {
        let (width, height) = (self.now.width, self.now.height);
        if width <= 2 * EDGE || height <= 2 * EDGE {
            return;
        }
        self.stretch.resize(width * height, 0);
        for first in (EDGE..height - EDGE).step_by(BAND) {
            let band = first..(first + BAND).min(height - EDGE);
            for (which, [ax, ay, cx, cy]) in DIRECTIONS.iter().enumerate() {
                let along = ay * width as isize + ax;
                // sums over a short stretch along the curve
                for y in band.start - ACROSS..band.end + ACROSS {
                    let row = y * width + ACROSS_REACH..(y + 1) * width - ACROSS_REACH;
                    let len = row.len();
                    let at = |k: isize| {
                        let start = row.start.wrapping_add_signed(k * along);
                        &self.difference[start..start + len]
                    };
                    let (a, b, c, d, e) = (at(-2), at(-1), at(0), at(1), at(2));
                    let out = &mut self.stretch[row][..len];
                    for i in 0..len {
                        out[i] = a[i] + b[i] + c[i] + d[i] + e[i];
                    }
                }
                // diagonal steps are longer: fewer of them
                let over = if which % 2 == 1 { 2 } else { ACROSS as isize };
                let over = over * (cy * width as isize + cx);
                for y in band.clone() {
                    let row = y * width + EDGE..(y + 1) * width - EDGE;
                    let len = row.len();
                    let at = |k: isize| {
                        let start = row.start.wrapping_add_signed(k * over);
                        &self.stretch[start..start + len]
                    };
                    let rows = [at(0), at(-1), at(1)];
                    let (best, across) = (&mut self.best[row.clone()], &mut self.across[row]);
                    if which == 0 {
                        take_first(rows, best);
                        across.fill(0);
                    } else {
                        take_stronger(which as i16, rows, best, across);
                    }
                }
            }
        }
    }

    /// Local maxima across the curve.
    #[inline(always)]
    fn collect(&mut self, limit: i16) {
        self.places.clear();
        let (width, height) = (self.now.width, self.now.height);
        if width <= 2 * EDGE || height <= 2 * EDGE {
            return;
        }
        for y in EDGE..height - EDGE {
            let start = y * width + EDGE;
            for (k, block) in self.best[start..(y + 1) * width - EDGE].chunks(BLOCK).enumerate() {
                // most blocks hold nothing
                if block.iter().fold(0i16, |m, r| m.max(r.abs())) <= limit {
                    continue;
                }
                for (column, r) in block.iter().enumerate() {
                    if r.abs() <= limit || self.places.len() >= self.config.most_places {
                        continue;
                    }
                    let i = start + k * BLOCK + column;
                    let direction = usize::from(self.across[i].unsigned_abs());
                    let [_, _, cx, cy] = DIRECTIONS[direction];
                    let beside = |k: isize| self.best[i.wrapping_add_signed(k * (cy * width as isize + cx))];
                    let bright = *r > 0;
                    let (a, b) = (beside(-1), beside(1));
                    let (r, a, b) = if bright { (*r, a, b) } else { (-r, -a, -b) };
                    if r >= a && r > b {
                        self.places.push(Place { x: i - y * width, y, bright, direction, response: r });
                    }
                }
            }
        }
    }

    /// Position, direction and height on the full picture; `None` where it is no ridge there.
    #[inline(always)]
    fn place_exactly(&self, luma: &Plane<'_>, place: Place, noise: f32) -> Option<RidgePoint> {
        let (mut column, mut row) = (2 * place.x, 2 * place.y);
        for _ in 0..3 {
            if column < HALF || row < HALF || column + HALF + 1 >= luma.width || row + HALF >= luma.height {
                return None;
            }
            let [gx, gy, gxx, gxy, gyy] = self.derivatives(luma, column, row);
            let half = 0.5 * (gxx - gyy);
            let root = (half * half + gxy * gxy).sqrt();
            let mean = 0.5 * (gxx + gyy);
            // the curvature of a bright ridge is negative
            let curve = if place.bright { mean - root } else { mean + root };
            let other = if place.bright { mean + root } else { mean - root };
            if (curve < 0.0) != place.bright || other.abs() > 0.6 * curve.abs() {
                return None;
            }
            // the normal: eigenvector of the eigenvalue `curve`, by the longer of its two forms
            let (a, b) = ((gxy, curve - gxx), (curve - gyy, gxy));
            let (nx, ny) = if a.0 * a.0 + a.1 * a.1 > b.0 * b.0 + b.1 * b.1 { a } else { b };
            let norm = (nx * nx + ny * ny).sqrt().max(1e-12);
            let (nx, ny) = (nx / norm, ny / norm);
            let step = -(gx * nx + gy * ny) / curve;
            let (dx, dy) = (step * nx, step * ny);
            if dx.abs() <= 0.75 && dy.abs() <= 0.75 {
                let at = self
                    .picture
                    .upright_from_stored(f64::from(column as f32 + dx), f64::from(row as f32 + dy));
                // noise of a pixel from that of a response; a derivative's follows from the kernel (Steger 1998)
                let noise = noise / (2.0 * 10.0_f32.sqrt());
                let sigma_px = (0.2 * noise / curve.abs()).hypot(0.1);
                let direction = self.picture.rotation.upright_angle_rad(f64::from(nx.atan2(-ny))) as f32;
                return (sigma_px < 1.0).then_some(RidgePoint {
                    x_px: at.x_px as f32,
                    y_px: at.y_px as f32,
                    angle_rad: direction,
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

    /// Derivatives x, y, xx, xy, yy of the smoothed luma: first down the columns, all lanes at once, then along the row.
    #[inline(always)]
    #[allow(clippy::needless_range_loop, reason = "equal slices by index become vector instructions")]
    fn derivatives(&self, luma: &Plane<'_>, column: usize, row: usize) -> [f32; 5] {
        let k = &self.kernels;
        let (mut smooth, mut slope, mut bend) = ([0.0f32; LANES], [0.0f32; LANES], [0.0f32; LANES]);
        for y in 0..SIDE {
            let start = (row + y - HALF) * luma.stride + column - HALF;
            let mut lanes = [0.0f32; LANES];
            match luma.data {
                PlaneData::Bits8(data) => {
                    lanes.iter_mut().zip(&data[start..start + LANES]).for_each(|(o, v)| *o = f32::from(*v));
                }
                PlaneData::Bits10(data) => {
                    let samples = data[start..start + LANES].iter();
                    lanes.iter_mut().zip(samples).for_each(|(o, v)| *o = 0.25 * f32::from(*v));
                }
            }
            let (g, d, dd) = (k.zeroth[y], k.first[y], k.second[y]);
            for i in 0..LANES {
                smooth[i] += g * lanes[i];
                slope[i] += d * lanes[i];
                bend[i] += dd * lanes[i];
            }
        }
        let along = |kernel: &[f32; LANES], values: &[f32; LANES]| {
            let mut p = [0.0f32; LANES];
            for i in 0..LANES {
                p[i] = kernel[i] * values[i];
            }
            ((p[0] + p[4]) + (p[1] + p[5])) + ((p[2] + p[6]) + (p[3] + p[7]))
        };
        [
            along(&k.first, &smooth),
            along(&k.zeroth, &slope),
            along(&k.second, &smooth),
            along(&k.first, &slope),
            along(&k.zeroth, &bend),
        ]
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
