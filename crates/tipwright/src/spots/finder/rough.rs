//! Places of a frame measured in their first rough form and scored by what a marker can be.

use crate::model::footage::FrameView;

use super::super::blob::{Blob, Flood, Rise, Samples, Square};
use super::super::causes::Cause;
use super::super::colour::{ColourMatch, match_colour};
use super::super::grid::Map;
use super::super::search::Peak;
use super::{Finder, LEAST_FILL, PLACES, Rough, size_match, warmth_at};

impl Finder {
    pub(super) fn radius_half_px(&self, look_idx: usize) -> usize {
        // The ring lies outside a marker half as large again as the likely one.
        ((0.4 * self.sizes_px[look_idx][1] + 1.6).round() as usize).clamp(3, 24)
    }

    /// Ring outside the largest marker, when the usual one would lie within it.
    fn large_radius_half_px(&self, look_idx: usize) -> Option<usize> {
        let largest = self.sizes_px[look_idx][2];
        let within = 2.0 * (self.radius_half_px(look_idx) as f32) < 0.5 * largest;
        within.then(|| ((0.52 * largest + 1.6).round() as usize).clamp(3, 60))
    }

    pub(super) fn find_rough(&mut self, frame: &FrameView<'_>, look_idx: usize) {
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
        self.search.still(map, radius, least(4.0), PLACES, &mut self.still);
        if let Some(large) = self.large_radius_half_px(look_idx) {
            self.search.large(map, large, least(4.0), PLACES / 2, &mut self.still);
            // What stands out the most leads: a patch on a large ball stands out by less than the ball.
            self.still.sort_by_key(|p| std::cmp::Reverse(p.response));
        }
        if self.grid.frames > 1 {
            self.search.moving(map, map_before, radius, least(5.0), PLACES, &mut self.moving);
        }
        self.counts.places += (self.still.len() + self.moving.len()) as u64;
        let scale = if coloured { 2.0 } else { 1.0 };
        let [smallest, _, largest] = self.sizes_px[look_idx];
        let limit_px2 = 0.8 * (1.4 * largest).powi(2) + 1.2 * largest * self.longest_px;
        let limit = (limit_px2 / (scale * scale)) as usize + 12;
        let mut turned_down = TurnedDown::default();
        let (still, moving) = (std::mem::take(&mut self.still), std::mem::take(&mut self.moving));
        for (peak, by_motion) in still.iter().map(|p| (*p, false)).chain(moving.iter().map(|p| (*p, true))) {
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
            let top = f32::from(map.row(peak.y)[peak.x]);
            let response = f32::from(peak.response);
            // What is drawn out and stands still is no streak: the edge of something, a branch.
            let moves = by_motion || top - f32::from(map_before.row(peak.y)[peak.x]) > 0.5 * response;
            let drawn_out = if moves { Cause::Blurred } else { Cause::Shape };
            let levels = if by_motion {
                let change = top - f32::from(map_before.row(peak.y)[peak.x]);
                [change, 0.0, change - 0.6 * response]
            } else {
                [top, ring_median(map, peak, peak.radius), top - 0.6 * response]
            };
            let blob = if coloured {
                let square = Square::around([peak.x, peak.y], self.chroma.side);
                measure(&mut self.flood, [map, map_before], square, by_motion, levels, limit)
            } else {
                let square = Square::around([2 * peak.x, 2 * peak.y], self.now.side);
                let now = &frame.now.luma;
                let before = frame.before.as_ref().map_or(now, |planes| &planes.luma);
                measure(&mut self.flood, [now, before], square, by_motion, levels, limit)
            };
            let mut blob = match blob {
                Ok(blob) => blob,
                Err(cause) => {
                    turned_down.add(peak, if cause == Cause::Blurred { drawn_out } else { cause });
                    self.counts.not_a_blob += 1;
                    continue;
                }
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
            let cause = if !coloured && blob.area < LEAST_FILL * outline {
                Some(Cause::Shape)
            } else if width < 0.6 * smallest.min(4.0) {
                Some(Cause::Small)
            } else if 2.0 * blob.radius_of_streak() > 1.5 * largest {
                Some(Cause::Large)
            } else if blob.length > 1.3 * self.longest_px {
                Some(drawn_out)
            } else {
                None
            };
            if let Some(cause) = cause {
                turned_down.add(peak, cause);
                self.counts.not_a_blob += 1;
                continue;
            }
            let cover = (1.0 / (1.0 + 0.6 * blob.length / width)).clamp(0.2, 1.0);
            let colour = self.colour_match(look_idx, blob.x, blob.y, blob.angle_rad, width, cover).score();
            let contrast = blob.contrast / (blob.contrast + 10.0);
            // Small bright things are many: between two that look alike, the one of a likely size comes first.
            let usual = (width / self.sizes_px[look_idx][1]).ln();
            let likely = size_match(width, self.sizes_px[look_idx]) * (-0.5 * (usual / 0.9).powi(2)).exp();
            let score = (if coloured { colour } else { 0.05 + colour }) * contrast * likely;
            let warmth = warmth_at(&self.remembered, look_idx, &blob);
            let moving_score = score * (0.2 + blob.rise.max(warmth).max(0.0));
            self.rough.push(Rough { blob, score, moving_score });
        }
        (self.still, self.moving) = (still, moving);
        self.turned_down = turned_down.cause();
    }

    /// Colour of a spot from the half-size chroma maps.
    pub(super) fn colour_match(
        &self,
        look_idx: usize,
        x: f32,
        y: f32,
        angle_rad: f32,
        width: f32,
        cover: f32,
    ) -> ColourMatch {
        if !self.grid.has_chroma() {
            return ColourMatch::ANY;
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
}

/// Measures a blob as it is, or what it changed since the frame before.
fn measure<S: Samples>(
    flood: &mut Flood,
    [now, before]: [&S; 2],
    square: Square,
    by_motion: bool,
    levels: [f32; 3],
    limit: usize,
) -> Result<Blob, Cause> {
    if by_motion {
        let blob = flood.measure(&Rise(now, before), square, None, levels, limit);
        return blob.map(|b| Blob { rise: 1.0, ..b });
    }
    flood.measure(now, square, Some(before), levels, limit)
}

/// The strongest place that cannot be a marker, and why; and the strongest that is drawn out.
#[derive(Default)]
struct TurnedDown {
    strongest: Option<(u8, Cause)>,
    drawn_out: u8,
    large: u8,
}

impl TurnedDown {
    fn add(&mut self, peak: Peak, cause: Cause) {
        if self.strongest.is_none_or(|(response, _)| peak.response > response) {
            self.strongest = Some((peak.response, cause));
        }
        match cause {
            Cause::Blurred => self.drawn_out = self.drawn_out.max(peak.response),
            Cause::Large => self.large = self.large.max(peak.response),
            _ => {}
        }
    }

    /// Of a long streak some places have a shape of their own, and the rim of a large ball that moves is drawn out: the whole is told
    /// before them.
    fn cause(&self) -> Option<Cause> {
        let (response, cause) = self.strongest?;
        let nearly = |other: u8| 2 * u16::from(other) >= u16::from(response);
        Some(match cause {
            Cause::Shape if nearly(self.drawn_out) => Cause::Blurred,
            Cause::Blurred if nearly(self.large) => Cause::Large,
            cause => cause,
        })
    }
}

/// Level around a peak: median of the ring.
fn ring_median(map: &Map, peak: Peak, radius: usize) -> f32 {
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
