//! Candidates of one frame.

use crate::model::footage::{FrameView, PlaneData};
use crate::model::{Candidate, Colour, Picture, Rotation, Streak};

use super::blob::{Blob, Flood};
use super::colour::{Hue, match_colour};
use super::fit::{Fitted, Fitter, Start};
use super::grid::Grid;
use super::patch::Patch;
use super::search::{Peak, Search};
use super::{MarkerLook, SpotCounts, SpotsConfig};

/// Places looked at per map, colour and frame: enough for a tree full of light.
const PLACES: usize = 64;
/// Spots fitted per colour and frame for their motion and looks, and for their looks alone.
const FITTED_MOVING: usize = 6;
const FITTED_STILL: usize = 4;
/// Least score of a blob to be fitted, as it is and as a share of the best of the frame. A coloured marker in the shade
/// may look faint beside anything coloured in the sun.
const LEAST_WHITE: [f32; 2] = [0.04, 0.15];
const LEAST_COLOURED: [f32; 2] = [0.004, 0.02];
/// A thing that stands still gives the same fit again: it is taken over for so many frames.
const KEEP_STILL_FRAMES: u8 = 8;
/// What has moved and come to rest is remembered; per frame this much of it is left (half after 2 s at 120 a second).
const WARMTH_KEPT: f32 = 0.997;
/// Least share of its outline that a blob fills, rough as its measure is.
const LEAST_FILL: f32 = 0.6;
/// Match of colour from which on a coloured spot is also fitted in luma.
const LEAST_COLOUR_FOR_LUMA: f32 = 0.1;
/// Uncertainty of where chroma samples sit, across and down, luma pixels: left or centre of their pair.
const CHROMA_SITING_SD_PX: [f32; 2] = [0.15, 0.05];

/// A fitted candidate with what its score is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Found {
    pub candidate: Candidate,
    pub diameter_px: f32,
    /// Fit of colour, contrast and shape; size and motion are judged when the clip is known.
    pub quality: f32,
}

/// Fitted candidates of one frame.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FrameFound {
    pub frame_idx: u32,
    pub pts_s: f64,
    pub found: Vec<Found>,
}

/// A measured blob waiting for its fit. Positions in luma pixels of the stored picture.
#[derive(Debug, Clone, Copy)]
struct Rough {
    blob: Blob,
    score: f32,
    moving_score: f32,
}

/// What the frame before knew of a spot.
#[derive(Debug, Clone, Copy)]
struct Memory {
    look_idx: usize,
    blob: Blob,
    /// Its fit, or that it has none.
    found: Option<Found>,
    /// How surely it moved, lately.
    warmth: f32,
    age: u8,
}

/// Searches frame after frame; all memory is kept from frame to frame.
pub(super) struct Finder {
    picture: Picture,
    looks: Vec<MarkerLook>,
    hues: Vec<Option<Hue>>,
    /// Smallest, likely and largest diameter per look.
    sizes_px: Vec<[f32; 3]>,
    longest_px: f32,
    blur_px: f32,
    floor_px2: f64,
    coloured_floor_px2: f64,
    grid: Grid,
    search: Search,
    flood: Flood,
    fitter: Fitter,
    now: Patch,
    before: Patch,
    rise: Patch,
    chroma: Patch,
    chroma_now: Patch,
    chroma_before: Patch,
    still: Vec<Peak>,
    moving: Vec<Peak>,
    rough: Vec<Rough>,
    memory: Vec<Memory>,
    remembered: Vec<Memory>,
    steps: Vec<u8>,
    noise: f32,
    counts: SpotCounts,
    pub times: [f64; 5],
}

impl Finder {
    pub fn new(picture: Picture, looks: &[MarkerLook], config: &SpotsConfig) -> Self {
        let longer = f64::from(picture.stored_px[0].max(picture.stored_px[1]));
        let focal_px = config.focal_px.unwrap_or(0.8 * longer);
        let [near, far] = config.distance_m;
        let sizes_px = looks
            .iter()
            .map(|l| {
                let at = |distance_m: f64| (l.diameter_m * focal_px / distance_m) as f32;
                [at(far), at((near * far).sqrt()), at(near)]
            })
            .collect();
        let longest_px = (config.longest_streak * longer) as f32;
        let side = if longer > 2000.0 { 112 } else { 64 };
        let patch = || Patch::new(side);
        let half = || Patch::new(side / 2);
        Self {
            picture,
            looks: looks.to_vec(),
            hues: looks.iter().map(|l| Hue::of(l.colour)).collect(),
            sizes_px,
            longest_px,
            blur_px: config.blur_px as f32,
            floor_px2: config.sigma_floor_px.powi(2),
            coloured_floor_px2: config.coloured_sigma_floor_px.powi(2),
            grid: Grid::new(looks.len()),
            search: Search::default(),
            flood: Flood::default(),
            fitter: Fitter::default(),
            now: patch(),
            before: patch(),
            rise: patch(),
            chroma: half(),
            chroma_now: half(),
            chroma_before: half(),
            still: Vec::new(),
            moving: Vec::new(),
            rough: Vec::new(),
            memory: Vec::new(),
            remembered: Vec::new(),
            steps: Vec::new(),
            noise: 2.0,
            counts: SpotCounts::default(),
            times: [0.0; 5],
        }
    }

    pub fn counts(&self) -> SpotCounts {
        self.counts
    }

    /// Candidates of the next frame.
    pub fn look_at(&mut self, frame: &FrameView<'_>) -> FrameFound {
        self.counts.frames += 1;
        let t0 = std::time::Instant::now();
        self.grid.advance(&frame.now, &self.hues);
        self.times[0] += t0.elapsed().as_secs_f64();
        self.estimate_noise();
        std::mem::swap(&mut self.memory, &mut self.remembered);
        self.memory.clear();
        let mut found = Vec::new();
        for look_idx in 0..self.looks.len() {
            let t1 = std::time::Instant::now();
            self.find_rough(frame, look_idx);
            let t2 = std::time::Instant::now();
            self.fit_best(frame, look_idx, &mut found);
            self.times[2] += (t2 - t1).as_secs_f64();
            self.times[3] += t2.elapsed().as_secs_f64();
        }
        FrameFound { frame_idx: frame.frame_idx, pts_s: frame.pts_s, found }
    }

    /// Noise of the half-size luma: median change since the frame before, over what does change at all.
    fn estimate_noise(&mut self) {
        if self.grid.frames < 2 {
            return;
        }
        let (now, before) = (&self.grid.luma, &self.grid.luma_before);
        self.steps.clear();
        for y in (0..now.height).step_by(16) {
            let pairs = now.row(y).iter().zip(before.row(y));
            self.steps.extend(pairs.step_by(4).map(|(a, b)| a.abs_diff(*b)));
        }
        let mut histogram = [0usize; 256];
        for step in &self.steps {
            histogram[usize::from(*step)] += 1;
        }
        // 68 % of a Gaussian lies within one sigma; the difference of two frames has sqrt(2) of one.
        let wanted = self.steps.len() * 68 / 100;
        let mut sum = 0;
        let level = histogram.iter().position(|n| {
            sum += n;
            sum >= wanted
        });
        let sigma = (level.unwrap_or(2) as f32 + 0.5) / std::f32::consts::SQRT_2;
        self.noise += 0.2 * (sigma - self.noise);
    }

    fn radius_half_px(&self, look_idx: usize) -> usize {
        // The ring lies outside a marker half as large again as the likely one.
        ((0.4 * self.sizes_px[look_idx][1] + 1.6).round() as usize).clamp(3, 24)
    }

    fn find_rough(&mut self, frame: &FrameView<'_>, look_idx: usize) {
        let coloured = self.hues[look_idx].is_some();
        self.rough.clear();
        if coloured && !self.grid.has_chroma() {
            return;
        }
        let radius = self.radius_half_px(look_idx);
        let (map, map_before) = if coloured {
            (&self.grid.hue[look_idx], &self.grid.hue_before[look_idx])
        } else {
            (&self.grid.luma, &self.grid.luma_before)
        };
        let noise = self.noise.min(6.0);
        let least = |k: f32| (k * noise).round().clamp(6.0, 40.0) as u8;
        self.still.clear();
        self.moving.clear();
        let t3 = std::time::Instant::now();
        self.search.still(map, radius, least(4.0), PLACES, &mut self.still);
        if self.grid.frames > 1 {
            self.search.moving(map, map_before, radius, least(5.0), PLACES, &mut self.moving);
        }
        self.times[1] += t3.elapsed().as_secs_f64();
        self.counts.places += (self.still.len() + self.moving.len()) as u64;
        let scale = if coloured { 2.0 } else { 1.0 };
        let [smallest, _, largest] = self.sizes_px[look_idx];
        let limit_px2 = 0.8 * (1.4 * largest).powi(2) + 1.2 * largest * self.longest_px;
        let limit = (limit_px2 / (scale * scale)) as usize + 12;
        for (peak, by_motion) in
            self.still.iter().map(|p| (*p, false)).chain(self.moving.iter().map(|p| (*p, true)))
        {
            let centre = [2.0 * peak.x as f32 + 0.5, 2.0 * peak.y as f32 + 0.5];
            let known = self.rough.iter().any(|r| {
                let b = &r.blob;
                let (dx, dy) = (centre[0] - b.x, centre[1] - b.y);
                let (along, across) = (
                    dx * b.angle_rad.cos() + dy * b.angle_rad.sin(),
                    dy * b.angle_rad.cos() - dx * b.angle_rad.sin(),
                );
                along.abs() < 0.5 * b.length + b.radius + 1.0 && across.abs() < b.radius + 1.0
            });
            if known {
                self.counts.same_spot += 1;
                continue;
            }
            let (now, before, rise) = if coloured {
                self.chroma_now.cut_map(map, [peak.x, peak.y]);
                self.chroma_before.cut_map(map_before, [peak.x, peak.y]);
                (&self.chroma_now, &self.chroma_before, &mut self.chroma)
            } else {
                self.now.cut_plane(&frame.now.luma, [2 * peak.x, 2 * peak.y]);
                match &frame.before {
                    Some(planes) => self.before.cut_plane(&planes.luma, [2 * peak.x, 2 * peak.y]),
                    None => self.before.clone_from(&self.now),
                }
                (&self.now, &self.before, &mut self.rise)
            };
            let top = f32::from(map.row(peak.y)[peak.x]);
            let response = f32::from(peak.response);
            let blob = if by_motion {
                rise.clone_from(now);
                rise.data.iter_mut().zip(&before.data).for_each(|(a, b)| *a -= b);
                let change = top - f32::from(map_before.row(peak.y)[peak.x]);
                let blob = self.flood.measure(rise, None, change, 0.0, change - 0.6 * response, limit);
                blob.map(|b| Blob { rise: 1.0, ..b })
            } else {
                let around = ring_median(map, peak, radius);
                self.flood.measure(now, Some(before), top, around, top - 0.6 * response, limit)
            };
            let Some(mut blob) = blob else {
                self.counts.not_a_blob += 1;
                continue;
            };
            if coloured {
                blob.x = 2.0 * blob.x + 0.5;
                blob.y = 2.0 * blob.y + 0.5;
                blob.radius *= 2.0;
                blob.length *= 2.0;
                blob.area *= 4.0;
            }
            let width = 2.0 * blob.radius;
            // A disc in motion fills its outline; a branch, a line or an edge of something does not. On the few samples
            // that a small spot has in chroma this cannot be told.
            let outline = blob.radius * (std::f32::consts::PI * blob.radius + 2.0 * blob.length);
            if !coloured && blob.area < LEAST_FILL * outline {
                self.counts.not_a_blob += 1;
                continue;
            }
            if width < 0.6 * smallest.min(4.0) || width > 1.5 * largest || blob.length > 1.3 * self.longest_px
            {
                self.counts.not_a_blob += 1;
                continue;
            }
            let cover = (1.0 / (1.0 + 0.6 * blob.length / width)).clamp(0.2, 1.0);
            let colour = self.colour_match(look_idx, blob.x, blob.y, blob.angle_rad, width, cover);
            let contrast = blob.contrast / (blob.contrast + 10.0);
            // Small bright things are many: between two that look alike, the one of a likely size comes first.
            let usual = (width / self.sizes_px[look_idx][1]).ln();
            let likely = size_match(width, self.sizes_px[look_idx]) * (-0.5 * (usual / 0.9).powi(2)).exp();
            let score = (if coloured { colour } else { 0.05 + colour }) * contrast * likely;
            let warmth = warmth_at(&self.remembered, look_idx, &blob);
            let moving_score = score * (0.2 + blob.rise.max(warmth).max(0.0));
            self.rough.push(Rough { blob, score, moving_score });
        }
    }

    /// Colour of a spot from the half-size chroma maps.
    fn colour_match(&self, look_idx: usize, x: f32, y: f32, angle_rad: f32, width: f32, cover: f32) -> f32 {
        if !self.grid.has_chroma() {
            return 1.0;
        }
        let (cb, cr) = (&self.grid.cb, &self.grid.cr);
        let at = |x: f32, y: f32| {
            let column = (0.5 * (x - 0.5)).round().clamp(0.0, cb.width as f32 - 1.0) as usize;
            let row = (0.5 * (y - 0.5)).round().clamp(0.0, cb.height as f32 - 1.0) as usize;
            [f32::from(cb.row(row)[column]) - 128.0, f32::from(cr.row(row)[column]) - 128.0]
        };
        let (ux, uy) = (angle_rad.cos(), angle_rad.sin());
        let mean = |places: &[[f32; 2]]| {
            let sum = places.iter().fold([0.0f32; 2], |s, p| {
                let c = at(p[0], p[1]);
                [s[0] + c[0], s[1] + c[1]]
            });
            sum.map(|s| s / places.len() as f32)
        };
        let core = mean(&[[x, y], [x + ux, y + uy], [x - ux, y - uy]]);
        let side = 0.5 * width + 4.0;
        let around = mean(&[
            [x - side * uy, y + side * ux],
            [x + side * uy, y - side * ux],
            [x - side * uy + 2.0 * ux, y + side * ux + 2.0 * uy],
            [x + side * uy - 2.0 * ux, y - side * ux - 2.0 * uy],
        ]);
        match_colour(self.hues[look_idx], core, around, cover)
    }

    fn fit_best(&mut self, frame: &FrameView<'_>, look_idx: usize, found: &mut Vec<Found>) {
        let mut rough = std::mem::take(&mut self.rough);
        let by = |key: fn(&Rough) -> f32| {
            move |a: &Rough, b: &Rough| {
                key(b)
                    .total_cmp(&key(a))
                    .then(a.blob.x.total_cmp(&b.blob.x))
                    .then(a.blob.y.total_cmp(&b.blob.y))
            }
        };
        rough.sort_unstable_by(by(|r| r.moving_score));
        let moving = rough.len().min(FITTED_MOVING);
        rough[moving..].sort_unstable_by(by(|r| r.score));
        let chosen = rough.len().min(FITTED_MOVING + FITTED_STILL);
        self.counts.outranked += (rough.len() - chosen) as u64;
        let start = found.len();
        let best = rough.iter().fold(0.0f32, |m, r| m.max(r.score));
        for item in &rough[..chosen] {
            let least = if self.hues[look_idx].is_some() { LEAST_COLOURED } else { LEAST_WHITE };
            if item.score < least[0].max(least[1] * best) {
                self.counts.outranked += 1;
                continue;
            }
            let blob = item.blob;
            let known =
                self.remembered.iter().find(|m| m.look_idx == look_idx && m.still_there(&blob)).copied();
            let (new, age) = match known {
                Some(known) => (known.found, known.age + 1),
                None => (self.fit_one(frame, look_idx, &blob), 0),
            };
            let warmth = blob.rise.max(WARMTH_KEPT * warmth_at(&self.remembered, look_idx, &blob)).max(0.0);
            self.memory.push(Memory { look_idx, blob, found: new, warmth, age });
            match new {
                Some(new) => {
                    let place = new.candidate.centre;
                    let same = found[start..].iter_mut().find(|f| {
                        let (dx, dy) =
                            (f.candidate.centre.x_px - place.x_px, f.candidate.centre.y_px - place.y_px);
                        dx.hypot(dy) < 0.35 * f64::from(f.diameter_px.min(new.diameter_px)) + 0.5
                    });
                    match same {
                        Some(old) => {
                            self.counts.same_spot += 1;
                            if new.quality > old.quality {
                                *old = new;
                            }
                        }
                        None => found.push(new),
                    }
                }
                None => self.counts.no_fit += 1,
            }
        }
        self.rough = rough;
    }

    fn fit_one(&mut self, frame: &FrameView<'_>, look_idx: usize, blob: &Blob) -> Option<Found> {
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
        let start = Start {
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
            self.fitter.fit(&self.now, before, start).filter(|f| f.amplitude > 0.0)?
        } else {
            self.fit_coloured(look_idx, start, elsewhere)?
        };
        self.judge(look_idx, blob, &fitted, frame)
    }

    /// Chroma gives the spot its place to about half a pixel whatever stands behind it; luma, where it differs from
    /// the background, then gives it finer.
    fn fit_coloured(&mut self, look_idx: usize, start: Start, elsewhere: bool) -> Option<Fitted> {
        let hue = self.hues[look_idx]?;
        let centre = [
            (0.5 * (start.x - 0.5)).round().max(0.0) as usize,
            (0.5 * (start.y - 0.5)).round().max(0.0) as usize,
        ];
        self.chroma.cut_chroma(&self.grid.cb, &self.grid.cr, hue.along, centre);
        let half = Start {
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
            .fit(&self.chroma, None, half)
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
        if colour < LEAST_COLOUR_FOR_LUMA {
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
        let fine_start = Start {
            x: coarse.x,
            y: coarse.y,
            radius: coarse.radius,
            length: coarse.length,
            angle_rad: coarse.angle_rad,
            amplitude: local(coarse.x, coarse.y) - beside,
            ..start
        };
        let before = elsewhere.then_some(&self.before);
        let fine = self.fitter.fit(&self.now, before, fine_start).filter(|f| {
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

    fn judge(&self, look_idx: usize, blob: &Blob, fitted: &Fitted, frame: &FrameView<'_>) -> Option<Found> {
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
        let quality = colour * contrast * shape * snr * size_match(diameter, self.sizes_px[look_idx]);
        if !(quality > 0.01) {
            return None;
        }
        let cov = fitted.cov.map(f64::from);
        let coloured = self.hues[look_idx].is_some();
        let floor_px2 = if coloured { self.coloured_floor_px2 } else { self.floor_px2 };
        let streak = (fitted.length > 1.0 && fitted.length > 3.0 * fitted.length_sd).then(|| Streak {
            length_px: f64::from(fitted.length),
            length_sd_px: f64::from(fitted.length_sd),
            angle_rad: upright_angle(self.picture.rotation, f64::from(fitted.angle_rad)),
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
        };
        finite(&candidate).then_some(Found { candidate, diameter_px: diameter, quality })
    }
}

impl Memory {
    /// The same thing has not moved, did not move lately, and its fit is fresh enough to be taken over.
    fn still_there(&self, blob: &Blob) -> bool {
        let moved = (blob.x - self.blob.x).hypot(blob.y - self.blob.y);
        self.age < KEEP_STILL_FRAMES
            && self.warmth < 0.1
            && blob.rise.abs() < 0.1
            && moved < 0.25
            && (blob.area - self.blob.area).abs() <= 0.25 * self.blob.area + 2.0
    }
}

/// How surely what stands at a blob moved lately.
fn warmth_at(remembered: &[Memory], look_idx: usize, blob: &Blob) -> f32 {
    let near = |m: &&Memory| {
        let size = m.blob.radius / blob.radius;
        m.look_idx == look_idx
            && (m.blob.x - blob.x).hypot(m.blob.y - blob.y) < 2.0 + blob.radius
            && (0.6..1.7).contains(&size)
    };
    remembered.iter().filter(near).fold(0.0, |w, m| w.max(m.warmth))
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

/// 1 within the range of sizes, falling off outside it.
fn size_match(width: f32, [smallest, _, largest]: [f32; 3]) -> f32 {
    let off = (width / largest).ln().max((smallest / width).ln()).max(0.0);
    (-0.5 * (off / 0.25).powi(2)).exp()
}

/// Level around a peak: median of the ring.
fn ring_median(map: &super::grid::Map, peak: Peak, radius: usize) -> f32 {
    let mut ring = [0u8; 16];
    for (k, place) in ring.iter_mut().enumerate() {
        let angle = std::f32::consts::TAU * k as f32 / 16.0;
        let at = |centre: usize, offset: f32, size: usize| {
            (centre as f32 + offset).round().clamp(0.0, size as f32 - 1.0) as usize
        };
        let x = at(peak.x, radius as f32 * angle.cos(), map.width);
        let y = at(peak.y, radius as f32 * angle.sin(), map.height);
        *place = map.row(y)[x];
    }
    ring.sort_unstable();
    0.5 * (f32::from(ring[7]) + f32::from(ring[8]))
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
    Fitted { x: a.x + cov[0] * px + cov[1] * py, y: a.y + cov[1] * px + cov[2] * py, cov, ..a }
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

fn upright_angle(rotation: Rotation, angle_rad: f64) -> f64 {
    let turned = match rotation {
        Rotation::R0 | Rotation::R180 => angle_rad,
        Rotation::R90 | Rotation::R270 => angle_rad + std::f64::consts::FRAC_PI_2,
    };
    turned.rem_euclid(std::f64::consts::PI)
}

fn upright_cov(rotation: Rotation, [uu, uv, vv]: [f64; 3]) -> [f64; 3] {
    match rotation {
        Rotation::R0 | Rotation::R180 => [uu, uv, vv],
        Rotation::R90 | Rotation::R270 => [vv, -uv, uu],
    }
}
