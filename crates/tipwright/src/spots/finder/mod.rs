//! Candidates of one frame: measured roughly where they may be ([`rough`]), the best of them fitted ([`place`]).

mod place;
mod rough;

use crate::model::footage::FrameView;
use crate::model::{Candidate, Colour, Picture, Still};

use super::blob::{Blob, Flood};
use super::causes::{Cause, LIKELY, Sight};
use super::colour::Hue;
use super::fit::{Fitter, Lean};
use super::grid::Grid;
use super::patch::Patch;
use super::search::{Peak, Search};
use super::still::StillSums;
use super::{MarkerLook, SpotCounts, SpotsConfig, USUAL_FPS};

/// Largest square cut out for close work, samples.
const MOST_SIDE: usize = 192;

/// Places looked at per map, colour and frame: enough for a tree full of light.
const PLACES: usize = 64;
/// Spots fitted per colour and frame for their motion and looks, and for their looks alone.
const FITTED_MOVING: usize = 6;
const FITTED_STILL: usize = 8;
/// Least score of a blob to be fitted, as it is and as a share of the best of the frame. A coloured marker in the shade
/// may look faint beside anything coloured in the sun.
const LEAST_WHITE: [f32; 2] = [0.04, 0.15];
const LEAST_COLOURED: [f32; 2] = [0.004, 0.02];
/// A thing that stands still gives the same fit again: it is taken over for so many frames.
const KEEP_STILL_FRAMES: u8 = 8;
/// As long as its rough place is within this of where it was fitted. 0.02 px: less than what a fit knows; a tip before a pick-up
/// creeps by a tenth of a pixel a frame, and a fit taken over for eight frames would hold it back by most of one.
const STILL_PX: f32 = 0.02;
/// What has moved and come to rest is remembered; per frame this much of it is left (half after 2 s at 120 a second).
const WARMTH_KEPT: f32 = 0.997;
/// Least share of its outline that a blob fills, rough as its measure is.
const LEAST_FILL: f32 = 0.6;
/// What changes since the frame before by so much of its contrast, and has a radius of so many pixels, may be a streak that its outline
/// does not show.
const LEAST_RISE: f32 = 0.1;
const SEEK_RADIUS_PX: f32 = 6.0;
/// Match of colour, and width in pixels, from which on a spot that no disc fits is kept as it is: what is smaller has no pattern that a
/// lens shows.
const COLOUR_WITHOUT_FIT: f32 = 0.5;
const WIDTH_WITHOUT_FIT: f32 = 12.0;
/// Standard deviation of the middle of such a spot's samples: pixels, and a share of its radius.
const ROUGH_SD: [f32; 2] = [0.4, 0.08];
/// What is taken for its signal over noise, and for its misfit as a share of its contrast: neither good nor bad.
const ROUGH_SNR: f32 = 12.0;
const ROUGH_MISFIT: f32 = 0.1;
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
    /// What speaks against it the most.
    pub weakness: Cause,
    /// What luma and chroma saw of light that falls off across it.
    pub leans: [Option<Lean>; 2],
    /// Looks like a marker and belongs to something larger than one can be: its rim, a patch on it. For words only: a marker may pass before
    /// something of its colour.
    pub of_large: bool,
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
    /// What it looked like when it was fitted.
    fitted: Blob,
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
    chroma: Patch,
    still: Vec<Peak>,
    moving: Vec<Peak>,
    rough: Vec<Rough>,
    memory: Vec<Memory>,
    remembered: Vec<Memory>,
    /// Why the strongest place of the frame at hand that cannot be a marker is none.
    turned_down: Option<Cause>,
    sights: Vec<Sight>,
    steps: Vec<u8>,
    noise: f32,
    stills: StillSums,
    counts: SpotCounts,
}

impl Finder {
    pub fn new(picture: Picture, fps: f64, looks: &[MarkerLook], config: &SpotsConfig) -> Self {
        let longer = f64::from(picture.stored_px[0].max(picture.stored_px[1]));
        let focal_px = config.focal_px.unwrap_or(0.8 * longer);
        let [near, far] = config.distance_m;
        let sizes_px: Vec<[f32; 3]> = looks
            .iter()
            .map(|l| {
                let at = |distance_m: f64| (l.diameter_m * focal_px / distance_m) as f32;
                [at(far), at((near * far).sqrt()), at(near)]
            })
            .collect();
        let longest_px = (config.longest_streak * longer * (USUAL_FPS / fps).max(1.0)) as f32;
        // Room for the largest marker drawn out the most.
        let largest = sizes_px.iter().fold(0.0f32, |m, s: &[f32; 3]| m.max(s[2]));
        let side = (((1.2 * largest + longest_px) / 16.0).ceil() as usize * 16).clamp(64, MOST_SIDE);
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
            chroma: half(),
            still: Vec::new(),
            moving: Vec::new(),
            rough: Vec::new(),
            memory: Vec::new(),
            remembered: Vec::new(),
            turned_down: None,
            sights: vec![Sight::default(); looks.len()],
            steps: Vec::new(),
            noise: 2.0,
            stills: StillSums::default(),
            counts: SpotCounts::default(),
        }
    }

    pub fn counts(&self) -> SpotCounts {
        self.counts
    }

    /// What was seen of each look, and why not more.
    pub fn sights(&self) -> Vec<(Colour, Sight)> {
        self.looks.iter().map(|l| l.colour).zip(self.sights.iter().copied()).collect()
    }

    /// What stood still, first and last.
    pub fn stills(&mut self) -> Option<[Still; 2]> {
        std::mem::take(&mut self.stills).finish(self.picture)
    }

    /// Candidates of the next frame.
    pub fn look_at(&mut self, frame: &FrameView<'_>) -> FrameFound {
        self.counts.frames += 1;
        self.grid.advance(&frame.now, &self.hues);
        self.stills.add(self.grid.frames - 1, &self.grid.luma);
        self.estimate_noise();
        std::mem::swap(&mut self.memory, &mut self.remembered);
        self.memory.clear();
        let mut found = Vec::new();
        for look_idx in 0..self.looks.len() {
            let start = found.len();
            self.turned_down = None;
            self.find_rough(frame, look_idx);
            self.fit_best(frame, look_idx, &mut found);
            for spot in found[start..].iter_mut().filter(|f| f.quality > LIKELY) {
                spot.of_large = self.is_of_large(look_idx, spot);
            }
            self.sights[look_idx].add(&found[start..], self.turned_down);
        }
        // of every frame of the clip it is kept
        found.shrink_to_fit();
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
            let (new, fitted, age) = match known {
                Some(known) => (known.found, known.fitted, known.age + 1),
                None => (self.fit_one(frame, look_idx, &blob), blob, 0),
            };
            let warmth = blob.rise.max(WARMTH_KEPT * warmth_at(&self.remembered, look_idx, &blob)).max(0.0);
            self.memory.push(Memory { look_idx, blob, fitted, found: new, warmth, age });
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
                None => {
                    self.counts.no_fit += 1;
                    self.turned_down.get_or_insert(Cause::Shape);
                }
            }
        }
        self.rough = rough;
    }
}

impl Memory {
    /// The same thing has not moved, did not move lately, and its fit is fresh enough to be taken over.
    fn still_there(&self, blob: &Blob) -> bool {
        let moved = (blob.x - self.fitted.x).hypot(blob.y - self.fitted.y);
        self.age < KEEP_STILL_FRAMES
            && self.warmth < 0.1
            && blob.rise.abs() < 0.1
            && moved < STILL_PX
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

/// 1 within the range of sizes, falling off outside it.
fn size_match(width: f32, [smallest, _, largest]: [f32; 3]) -> f32 {
    let off = (width / largest).ln().max((smallest / width).ln()).max(0.0);
    (-0.5 * (off / 0.25).powi(2)).exp()
}
