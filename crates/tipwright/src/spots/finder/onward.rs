//! From frame to frame: where a spot is going tells how its streak must lie.
//!
//! A blob of a large ball in motion is hardly longer than wide, and whether it counts as a streak flips from frame to frame. The way
//! since the frame before says that it moves, and the share of that way during which the shutter was open is the same for a
//! whole clip.

use super::super::blob::Blob;
use super::super::causes::LIKELY;
use super::{Finder, Found};

/// Share of the time between frames for which a shutter is open, until the clip has shown its own: common practice.
pub(super) const USUAL_SHARE: f32 = 0.5;
/// Shortest streak worth looking for, pixels: below it a disc and a streak are the same picture.
const SHORTEST_PX: f32 = 1.5;
/// How fast the share follows what fits say.
const FOLLOW: f32 = 0.1;

/// A spot of the frame before, in stored pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Past {
    look_idx: usize,
    x: f32,
    y: f32,
    diameter_px: f32,
    /// Its way since the frame before it.
    motion: Option<[f32; 2]>,
}

impl Past {
    fn alike(&self, look_idx: usize, diameter_px: f32) -> bool {
        self.look_idx == look_idx && (0.5..2.0).contains(&(self.diameter_px / diameter_px))
    }

    /// How far a place lies from where this goes on to, when it is near enough.
    fn goes_on_to(&self, x: f32, y: f32) -> Option<f32> {
        let [mx, my] = self.motion?;
        let off = (self.x + mx - x).hypot(self.y + my - y);
        (off < 2.0 + 0.3 * mx.hypot(my) + 0.2 * self.diameter_px).then_some(off)
    }
}

impl Finder {
    /// Streak that a blob must have when it goes on as before: length and direction.
    pub(super) fn expected_streak(&self, look_idx: usize, blob: &Blob) -> Option<[f32; 2]> {
        let motion = self
            .past
            .iter()
            .filter(|p| p.alike(look_idx, 2.0 * blob.radius))
            .filter_map(|p| Some((p.goes_on_to(blob.x, blob.y)?, p.motion?)))
            .min_by(|a, b| a.0.total_cmp(&b.0))?
            .1;
        let length = self.shutter_shares[look_idx] * motion[0].hypot(motion[1]);
        (length > SHORTEST_PX).then(|| [length, motion[1].atan2(motion[0])])
    }

    /// Keeps where the spots of a frame are and where they are going.
    pub(super) fn look_onward(&mut self, look_idx: usize, found: &[Found]) {
        let best = found.iter().max_by(|a, b| a.quality.total_cmp(&b.quality));
        if let Some(best) = best.filter(|b| b.quality > LIKELY) {
            for (light, centre) in self.lights[look_idx].iter_mut().zip(&best.centres) {
                centre.iter().for_each(|c| light.add(&c.shade));
            }
        }
        for f in found {
            let (u, v) = self.picture.stored_from_upright(f.candidate.centre);
            let (x, y) = (u as f32, v as f32);
            let own = || self.past.iter().filter(|p| p.alike(look_idx, f.diameter_px));
            let on = own()
                .filter_map(|p| Some((p.goes_on_to(x, y)?, p)))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .map(|(_, p)| (p, true));
            let far = 4.0 + 2.0 * self.longest_px;
            let from = on.or_else(|| {
                own()
                    .map(|p| ((p.x - x).hypot(p.y - y), p))
                    .filter(|(off, p)| p.motion.is_none() && *off < far)
                    .min_by(|a, b| a.0.total_cmp(&b.0))
                    .map(|(_, p)| (p, false))
            });
            let motion = from.map(|(p, _)| [x - p.x, y - p.y]);
            if let (Some((_, true)), Some([mx, my]), Some(streak)) = (from, motion, f.candidate.streak) {
                let way = mx.hypot(my);
                if streak.length_px > 6.0 * streak.length_sd_px && way > 4.0 && f.quality > 0.2 {
                    let share = (streak.length_px as f32 / way).clamp(0.05, 1.0);
                    self.shutter_shares[look_idx] += FOLLOW * (share - self.shutter_shares[look_idx]);
                }
            }
            self.new_past.push(Past { look_idx, x, y, diameter_px: f.diameter_px, motion });
        }
    }
}
