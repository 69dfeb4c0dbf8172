//! Frame times from time stamps. A stamp is a record and not the exposure: it is rounded, it comes late when the phone is busy,
//! frames are dropped, the rate changes in mid clip. A sensor reads its rows by a crystal: exposures are evenly spaced until
//! the rate is changed.
//!
//! 1. Stamps that make no sense (not finite, running back, beyond a pause of ten seconds) are left out (`kept`).
//! 2. Frames get numbers on the grid of exposures, dropped ones counted (`grid`).
//! 3. Rounded stamps: all evenly spaced lines whose rounding gives the stamps form a convex polygon (place, rate); its
//!    centre is the estimate and its second moments the covariance, for nothing within is likelier (`rounded`). Stretches end
//!    where no line is left.
//! 4. Stamps with noise: stretches are parted where that explains the stamps far better, each gets a robust line (`noisy`).
//! 5. Even spacing is believed only where it explains the stamps clearly better than steps that vary by themselves; otherwise each
//!    frame keeps its stamp and the noise of one.
//!
//! Constants chosen on simulated stamps of each kind, checked by this module's tests on other seeds. On the stamps of one real clip
//! (open data, `oliv_drop`) it finds one stretch of 8.3345 ms. Not yet checked: what it does to whole takes (`--example coverage --
//! --stamps KIND` of the simulator) and to the residual of that clip's fall.

mod grid;
mod kept;
mod noisy;
mod rounded;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use crate::model::frame_times::{FrameTimes, Stretch};
use crate::model::{ClipSpots, FrameSpots, Picture};
use crate::tracks::gather::Source;

/// Fewest frames of a stretch: a line through fewer says less of its frames than their stamps do.
const FEWEST: usize = 8;
/// Sightings farther apart say nothing of a marker's speed, seconds.
const FARTHEST_S: f64 = 0.15;

/// Estimates the times of the frames with these stamps (seconds; re-timed), which the file counts in ticks of `tick_s`. Also
/// the positions of the frames that have one.
///
/// ```
/// use tipwright::times::frame_times;
/// // 240 frames a second, stamps rounded to 1/600 s
/// let stamps: Vec<f64> = (0..480).map(|k| (f64::from(k) / 239.99 * 600.0).round() / 600.0).collect();
/// let (found, kept) = frame_times(&stamps, Some(1.0 / 600.0));
/// assert_eq!(kept.len(), 480);
/// let step_s = found.stretches[0].step_s.unwrap();
/// assert!((step_s * 239.99 - 1.0).abs() < 4.0 * found.rate_sd(), "{step_s}");
/// ```
#[must_use]
pub fn frame_times(stamps_s: &[f64], tick_s: Option<f64>) -> (FrameTimes, Vec<usize>) {
    let kept = kept::kept(stamps_s);
    let stamps: Vec<f64> = kept.iter().map(|&i| stamps_s[i]).collect();
    let left_out = stamps_s.len() - kept.len();
    let rounding_s = grid::rounding_s(&stamps, tick_s);
    let stretches = if stamps.len() < FEWEST {
        uneven(0, stamps.len(), rounding_s / 12.0_f64.sqrt()).into_iter().collect()
    } else {
        let numbers = grid::numbers(&stamps, rounding_s);
        let found = rounded::stretches(&stamps, &numbers, rounding_s)
            .unwrap_or_else(|| noisy::stretches(&stamps, &numbers, rounding_s));
        with_numbers(found, &stamps, &numbers)
    };
    let mut times_s = stamps.clone();
    for (line, stretch) in &stretches {
        if let Some(line) = line {
            times_s[stretch.first..stretch.first + stretch.frames].copy_from_slice(line);
        }
    }
    let stretches: Vec<Stretch> = stretches.into_iter().map(|s| s.1).collect();
    let stamp_sd_s = {
        let even: f64 = stretches.iter().filter(|s| s.step_s.is_some()).map(|s| s.frames as f64).sum();
        let square: f64 = times_s.iter().zip(&stamps).map(|(t, s)| (t - s).powi(2)).sum();
        if even > 0.0 { (square / even).sqrt() } else { 0.0 }
    };
    (FrameTimes { times_s, stamps_s: stamps, rounding_s, stamp_sd_s, stretches, left_out }, kept)
}

/// A clip's candidates with the frame times that its stamps (in `pts_s` of the frames) tell.
#[must_use]
pub fn timed(camera: &str, picture: Picture, frames: Vec<FrameSpots>, tick_s: Option<f64>) -> ClipSpots {
    let stamps_s: Vec<f64> = frames.iter().map(|f| f.pts_s).collect();
    let (times, kept) = frame_times(&stamps_s, tick_s);
    let mut next = kept.iter().zip(&times.times_s).peekable();
    let of_frame = |(i, frame): (usize, FrameSpots)| {
        let (_, pts_s) = next.next_if(|(k, _)| **k == i)?;
        Some(FrameSpots { pts_s: *pts_s, ..frame })
    };
    let frames = frames.into_iter().enumerate().filter_map(of_frame).collect();
    ClipSpots { camera: camera.to_owned(), picture, frames, times }
}

/// Covariances of sightings (sorted sources of these clips) with what is unsure of each frame's own time: along the way that the
/// marker moves in the picture, by its speed. Only frames that keep their stamps have any.
#[must_use]
pub fn covariances_px2(clips: &[&ClipSpots], sources: &[Source]) -> Vec<[f64; 3]> {
    let of = |s: &Source| {
        let frame = &clips[s.view_idx].frames[s.frame_pos];
        (frame.pts_s, &frame.candidates[s.candidate_idx])
    };
    let mut series: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
    for (i, s) in sources.iter().enumerate() {
        series.entry((s.view_idx, s.marker_idx)).or_default().push(i);
    }
    let mut out: Vec<[f64; 3]> = sources.iter().map(|s| of(s).1.cov_px2).collect();
    for one in series.values() {
        for (at, &i) in one.iter().enumerate() {
            let sd_s = clips[sources[i].view_idx].times.frame_sd_s(sources[i].frame_pos);
            if !(sd_s > 0.0) {
                continue;
            }
            let (before, after) = (one[at.saturating_sub(1)], one[(at + 1).min(one.len() - 1)]);
            let ((t0, a), (t1, b)) = (of(&sources[before]), of(&sources[after]));
            if !(t1 - t0 > 0.0 && t1 - t0 < FARTHEST_S) {
                continue;
            }
            let f = sd_s / (t1 - t0);
            let (dx, dy) = (f * (b.centre.x_px - a.centre.x_px), f * (b.centre.y_px - a.centre.y_px));
            let [xx, xy, yy] = &mut out[i];
            (*xx, *xy, *yy) = (*xx + dx * dx, *xy + dx * dy, *yy + dy * dy);
        }
    }
    out
}

/// A stretch as found: `from..to`, its line (`None`: uneven).
#[derive(Debug, Clone, PartialEq)]
struct TimesFound {
    from: usize,
    to: usize,
    line: Option<Line>,
    /// Noise of one stamp, for frames that keep theirs.
    frame_sd_s: f64,
}

/// Evenly spaced exposures: frame of number k at `at_s + step_s * (k - middle)`.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Line {
    middle: f64,
    at_s: f64,
    step_s: f64,
    at_sd_s: f64,
    step_sd_s: f64,
}

impl Line {
    fn at(&self, number: f64) -> f64 {
        self.at_s + self.step_s * (number - self.middle)
    }
}

type Told = (Option<Vec<f64>>, Stretch);

fn uneven(first: usize, frames: usize, frame_sd_s: f64) -> Option<Told> {
    let stretch =
        Stretch { first, frames, step_s: None, dropped: 0, shift_sd_s: 0.0, rate_sd: 0.0, frame_sd_s };
    (frames > 0).then_some((None, stretch))
}

/// Times of every stretch. A line that would turn the order of frames around is not believed.
fn with_numbers(found: Vec<TimesFound>, stamps: &[f64], numbers: &[u64]) -> Vec<Told> {
    let mut out: Vec<Told> = Vec::with_capacity(found.len());
    let mut last_s = f64::NEG_INFINITY;
    for f in found {
        let frames = f.to - f.from;
        let line = f.line.filter(|l| {
            let next_s = stamps.get(f.to).copied().unwrap_or(f64::INFINITY);
            let [a, b] = [f.from, f.to - 1].map(|i| l.at(numbers[i] as f64));
            l.step_s > 0.0 && a > last_s && (b < next_s || b - next_s < 0.5 * l.step_s)
        });
        let Some(line) = line else {
            // neighbours that keep their stamps are one stretch
            match out.last_mut() {
                Some((None, s)) => {
                    s.frames += frames;
                    s.frame_sd_s = s.frame_sd_s.max(f.frame_sd_s);
                }
                _ => out.extend(uneven(f.from, frames, f.frame_sd_s)),
            }
            last_s = stamps[f.to - 1];
            continue;
        };
        let times: Vec<f64> = numbers[f.from..f.to].iter().map(|k| line.at(*k as f64)).collect();
        last_s = times[frames - 1];
        let dropped = (numbers[f.to - 1] - numbers[f.from]) as usize + 1 - frames;
        out.push((
            Some(times),
            Stretch {
                first: f.from,
                frames,
                step_s: Some(line.step_s),
                dropped,
                shift_sd_s: line.at_sd_s,
                rate_sd: line.step_sd_s / line.step_s,
                frame_sd_s: 0.0,
            },
        ));
    }
    out
}
