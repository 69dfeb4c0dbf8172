//! After the clip: how large the marker is in it and what moves like one thing over three frames are known now, so the
//! candidates are judged once more and the lists cut to the best few.

use crate::model::{Colour, FrameSpots, Picture, Streak};

use super::finder::{Found, FrameFound};
use super::light;
use super::{MarkerLook, SpotCounts, SpotsConfig, streaks};

/// Places that a list always keeps for what stands still and looks right: a wand at rest, a plumb.
const STILL_PLACES: usize = 6;

/// Final lists, and the diameter per colour as the clip shows it.
pub(super) fn finish(
    mut frames: Vec<FrameFound>,
    picture: Picture,
    looks: &[MarkerLook],
    config: &SpotsConfig,
    counts: &mut SpotCounts,
) -> (Vec<FrameSpots>, Vec<(Colour, f64)>) {
    let links: Vec<Vec<Link>> = of_all(&frames, by_streak);
    // Three in a row happen by chance among glints; five hardly do.
    let support: Vec<Vec<f32>> = (0..frames.len())
        .map(|k| {
            let of = |l: &Link| {
                let next = |k: Option<usize>, idx: usize| {
                    k.and_then(|k| links.get(k)).and_then(|f| f.get(idx)).map_or(0.0, |l| l.fit)
                };
                l.fit * (0.2 + 0.8 * next(k.checked_sub(1), l.before).max(next(Some(k + 1), l.after)))
            };
            links[k].iter().map(of).collect()
        })
        .collect();
    let rows = rows(&links);
    let mut sizes: Vec<(Colour, f64)> = Vec::new();
    for look in looks {
        let sure = sure(&frames, &rows, look.colour);
        let are_enough = sure.len() >= FEW;
        let known = if are_enough { sure } else { light::best(&frames, look.colour) };
        let Some(size_px) = median_px(&known) else { continue };
        if are_enough {
            sizes.push((look.colour, size_px));
        }
        let shades = light::shades(&known);
        let together = (known.len() >= FEW).then(|| light::Together::of(&known, &shades));
        if let Some(together) = &together {
            light::own_marks(&mut frames, look.colour, together);
        }
        if size_px >= light::LEAST_PX {
            light::settle(&mut frames, picture, look.colour, &shades);
        } else if let Some(together) = &together {
            light::shift(&mut frames, picture, look.colour, together);
        }
    }
    let by_place = of_all(&frames, by_place);
    for look in looks {
        streaks::agree(&mut frames, [&links, &by_place], look.colour);
    }
    let lists = frames
        .iter()
        .zip(&support)
        .map(|(frame, support)| {
            let mut judged: Vec<(f64, f64, Found)> = frame
                .found
                .iter()
                .zip(support)
                .map(|(found, support)| {
                    let size = sizes.iter().find(|s| s.0 == found.candidate.colour).map_or(1.0, |s| {
                        let off = (f64::from(found.diameter_px) / s.1).ln();
                        0.25 + 0.75 * (-0.5 * (off / 0.35).powi(2)).exp()
                    });
                    let looks = f64::from(found.quality) * size;
                    let motion = found.candidate.moving.max(f64::from(*support));
                    (looks * (0.35 + 0.4 * motion + 0.25 * f64::from(*support)), looks, *found)
                })
                .collect();
            judged.sort_by(|a, b| b.0.total_cmp(&a.0));
            let mut candidates = Vec::with_capacity(judged.len().min(looks.len() * config.keep_per_colour));
            for look in looks {
                let own: Vec<&(f64, f64, Found)> =
                    judged.iter().filter(|j| j.2.candidate.colour == look.colour).collect();
                let mut by_looks: Vec<usize> = (0..own.len()).collect();
                by_looks.sort_by(|a, b| own[*b].1.total_cmp(&own[*a].1));
                let reserved = &by_looks[..by_looks.len().min(STILL_PLACES)];
                let free = config.keep_per_colour.saturating_sub(reserved.len());
                let mut taken = 0;
                for (idx, item) in own.iter().enumerate() {
                    let keep = reserved.contains(&idx) || taken < free;
                    if !keep {
                        counts.cut += 1;
                        continue;
                    }
                    taken += usize::from(!reserved.contains(&idx));
                    counts.kept += 1;
                    let mut candidate = item.2.candidate;
                    candidate.score = item.0.clamp(0.0, 1.0);
                    candidates.push(candidate);
                }
            }
            candidates.sort_by(|a, b| b.score.total_cmp(&a.score));
            FrameSpots { frame_idx: frame.frame_idx, pts_s: frame.pts_s, candidates }
        })
        .collect();
    (lists, sizes)
}

/// The best pair of candidates before and after one, and how well they go on with it at nearly constant velocity.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Link {
    pub fit: f32,
    before: usize,
    after: usize,
    /// Way from frame to frame, and its direction.
    pub way_px: f64,
    pub angle_rad: f64,
}

/// Links of every candidate, of those on whose way it lies by a test of the step between the two (dx, dy).
fn of_all(frames: &[FrameFound], fits: fn(&Found, f64, f64) -> bool) -> Vec<Vec<Link>> {
    (0..frames.len()).map(|k| frames[k].found.iter().map(|f| link(frames, k, f, fits)).collect()).collect()
}

/// The shutter is open for a part of the time between two frames, so the streak lies on the way and is no longer than it. Of what
/// is hardly longer than wide neither length nor direction is sure.
fn by_streak(of: &Found, dx: f64, dy: f64) -> bool {
    let clear = |s: &Streak| s.length_px > 0.7 * f64::from(of.diameter_px);
    of.candidate.streak.filter(clear).is_none_or(|streak| {
        let turn = (dy.atan2(dx) - streak.angle_rad).sin().abs();
        turn <= 0.4 && streak.length_px <= 0.65 * dx.hypot(dy) + 2.0
    })
}

/// What surely moves, wherever its streak seems to lie.
fn by_place(of: &Found, _: f64, _: f64) -> bool {
    of.candidate.moving > 0.2
}

fn link(frames: &[FrameFound], k: usize, of: &Found, fits: fn(&Found, f64, f64) -> bool) -> Link {
    let (Some(before), Some(after)) = (k.checked_sub(1).and_then(|k| frames.get(k)), frames.get(k + 1))
    else {
        return Link::default();
    };
    let c = of.candidate.centre;
    let mut best = Link::default();
    for (before_idx, a) in before.found.iter().enumerate().filter(|(_, a)| alike(a, of)) {
        for (after_idx, b) in after.found.iter().enumerate().filter(|(_, b)| alike(b, of)) {
            let (pa, pb) = (a.candidate.centre, b.candidate.centre);
            let (dx, dy) = (pb.x_px - pa.x_px, pb.y_px - pa.y_px);
            let travel = dx.hypot(dy);
            // Still things support each other without end: motion is what counts here.
            if travel < 2.0 {
                continue;
            }
            if !fits(of, dx, dy) {
                continue;
            }
            let bend = (pa.x_px + pb.x_px - 2.0 * c.x_px).hypot(pa.y_px + pb.y_px - 2.0 * c.y_px);
            let allowed = 1.0 + 0.06 * travel;
            let fit = (-0.5 * (bend / allowed).powi(2)).exp() as f32;
            if fit > best.fit {
                best = Link {
                    fit,
                    before: before_idx,
                    after: after_idx,
                    way_px: 0.5 * travel,
                    angle_rad: dy.atan2(dx),
                };
            }
        }
    }
    best
}

fn alike(a: &Found, b: &Found) -> bool {
    if a.candidate.colour != b.candidate.colour {
        return false;
    }
    let size = a.diameter_px / b.diameter_px;
    (0.6..1.67).contains(&size)
}

/// Frames in a row that make sure of motion. Nine: in a water full of glints five in a row still come about by chance, hundreds
/// of times in a clip.
const SURE_ROW: u32 = 9;

/// How many frames in a row each candidate goes on with the ones before and after it at nearly constant velocity.
fn rows(links: &[Vec<Link>]) -> Vec<Vec<u32>> {
    let goes_on = |l: &Link| l.fit > 0.5;
    let mut after: Vec<Vec<u32>> = links.iter().map(|f| vec![0; f.len()]).collect();
    for k in (0..links.len()).rev() {
        for (i, l) in links[k].iter().enumerate().filter(|(_, l)| goes_on(l)) {
            after[k][i] = 1 + after.get(k + 1).and_then(|f| f.get(l.after)).copied().unwrap_or(0);
        }
    }
    let mut before: Vec<Vec<u32>> = links.iter().map(|f| vec![0; f.len()]).collect();
    for k in 0..links.len() {
        for (i, l) in links[k].iter().enumerate().filter(|(_, l)| goes_on(l)) {
            let so_far = k.checked_sub(1).and_then(|k| before[k].get(l.before)).copied().unwrap_or(0);
            before[k][i] = 1 + so_far;
        }
    }
    let both =
        |(a, b): (Vec<u32>, Vec<u32>)| a.into_iter().zip(b).map(|(a, b)| (a + b).saturating_sub(1)).collect();
    after.into_iter().zip(before).map(both).collect()
}

/// Fewest surely moving spots that say something of a clip.
const FEW: usize = 20;

/// What is surely moving and looks right.
fn sure<'a>(frames: &'a [FrameFound], rows: &[Vec<u32>], colour: Colour) -> Vec<&'a Found> {
    frames
        .iter()
        .zip(rows)
        .flat_map(|(frame, rows)| frame.found.iter().zip(rows))
        .filter(|(f, row)| {
            f.candidate.colour == colour && **row >= SURE_ROW && f.quality > light::LOOKS_RIGHT
        })
        .map(|(f, _)| f)
        .collect()
}

/// Median diameter; `None` of nothing.
fn median_px(spots: &[&Found]) -> Option<f64> {
    let mut sizes: Vec<f32> = spots.iter().map(|f| f.diameter_px).collect();
    sizes.sort_unstable_by(f32::total_cmp);
    sizes.get(sizes.len() / 2).map(|size| f64::from(*size))
}
