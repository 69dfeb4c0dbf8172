//! Streaks of a whole clip brought into line: the shutter is open for one share of the time between frames, so a streak is that share
//! of the way. A single fit of a large, textured ball may see none, or one twice as long.

use super::finder::FrameFound;
use super::finish::Link;
use crate::math::{median, pairs};
use crate::model::{Colour, Streak};

/// Fewest streaks that tell the share, and the most that are looked at.
const FEW: usize = 12;
const MOST: usize = 200;
/// Shortest way, pixels: on a shorter one no streak is seen.
const LEAST_WAY_PX: f64 = 4.0;
/// Ways of two streaks differ by so much, as a logarithm, or say nothing of the slope.
const APART: f64 = 0.2;
/// Least share that is told from none.
const LEAST_SHARE: f64 = 0.05;
/// Least relative uncertainty of a streak taken from share and way: what automatic exposure and a change of pace leave.
const LEAST_SPREAD: f64 = 0.07;
/// And of the way between neighbouring frames, pixels.
const WAY_SD_PX: f64 = 0.3;
/// A fitted streak farther off than so many standard deviations is not believed.
const OFF: f64 = 3.0;
/// Fit of the places before and after from which on a spot goes on evenly: they are off by less than two and a half times what a
/// turn or a change of pace leaves.
const GOES_ON: f32 = 0.05;
/// Shortest streak that is stated, pixels, and in standard deviations.
const SHORTEST: [f64; 2] = [1.0, 3.0];

/// Streak as a share of the way from frame to frame.
struct Share {
    share: f64,
    /// How sure it is, relative.
    sd: f64,
    /// How far single fits lie from it, relative.
    scatter: f64,
}

/// `None` when too few streaks are seen, or they are no share of the way. Of streaks at one pace it is the plain ratio.
///
/// A pattern, or a part that is hidden, makes a ball longer one way whatever its pace, and what is longer adds up in squares, as
/// variances do: so the share's square is the slope of squared length over squared way, the median of the slopes of all pairs (Theil,
/// Proc. K. Ned. Akad. Wet. 53 (1950) 386-392; Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389), which a quarter of wrong fits leaves
/// as it is.
fn share(frames: &[FrameFound], links: &[Vec<Link>], colour: Colour) -> Option<Share> {
    let mut seen: Vec<[f64; 2]> = frames
        .iter()
        .zip(links)
        .flat_map(|(frame, links)| frame.found.iter().zip(links))
        .filter(|(f, l)| f.candidate.colour == colour && f.quality > super::causes::LIKELY && l.fit > 0.5)
        .filter_map(|(f, l)| {
            let length_px = f.candidate.streak?.length_px;
            (l.way_px > LEAST_WAY_PX).then_some([l.way_px, length_px])
        })
        .collect();
    seen = seen.iter().step_by(seen.len() / MOST + 1).copied().collect();
    let ways = || seen.iter().map(|s| s[0]);
    let middle = median(ways()).filter(|_| seen.len() >= FEW)?;
    let slope = |[a, b]: [&[f64; 2]; 2]| {
        let apart = (a[0] / b[0]).ln().abs() > APART;
        apart.then(|| (a[1].powi(2) - b[1].powi(2)) / (a[0].powi(2) - b[0].powi(2)))
    };
    let slopes: Vec<f64> = pairs(seen.len()).filter_map(|(a, b)| slope([&seen[a], &seen[b]])).collect();
    // At one pace pattern and streak cannot be told apart: what is longer is taken for the streak.
    let share = match median(slopes.iter().copied()).filter(|_| slopes.len() >= seen.len()) {
        Some(slope) => slope.max(0.0).sqrt(),
        None => median(seen.iter().map(|s| s[1]))? / middle,
    };
    if !(share > LEAST_SHARE) {
        return None;
    }
    // A shutter is open for no longer than from frame to frame.
    let share = share.min(1.0);
    let scatter = 1.4826 * median(seen.iter().map(|[way, length]| (length / (share * way) - 1.0).abs()))?;
    let sd = (scatter / (seen.len() as f64).sqrt()).hypot(LEAST_SPREAD);
    Some(Share { share, sd, scatter })
}

/// Gives every spot that goes on evenly the streak that its way asks for, together with the one it was fitted with. `links` are those
/// that its fitted streak bears, and those by its place alone.
pub(super) fn agree(frames: &mut [FrameFound], links: [&[Vec<Link>]; 2], colour: Colour) {
    let Some(share) = share(frames, links[0], colour) else { return };
    for (frame, (by_streak, by_place)) in frames.iter_mut().zip(links[0].iter().zip(links[1])) {
        for (found, (by_streak, by_place)) in frame.found.iter_mut().zip(by_streak.iter().zip(by_place)) {
            let link = if by_streak.fit > GOES_ON { by_streak } else { by_place };
            if found.candidate.colour == colour && link.fit > GOES_ON {
                found.candidate.streak = share.with(found.candidate.streak, link);
            }
        }
    }
}

impl Share {
    /// Mean of a fitted streak, where it is near, and what the way asks for.
    fn with(&self, fitted: Option<Streak>, link: &Link) -> Option<Streak> {
        let expected = self.share * link.way_px;
        let expected_sd = (self.sd * expected).hypot(self.share * WAY_SD_PX);
        let fit_sd = |s: &Streak| s.length_sd_px.hypot(self.scatter * expected);
        let near = |s: &Streak| (s.length_px - expected).abs() < OFF * fit_sd(s).hypot(expected_sd);
        let (length_px, length_sd_px, angle_rad) = match fitted.filter(near) {
            Some(s) => {
                let (a, b) = (fit_sd(&s).powi(-2), expected_sd.powi(-2));
                ((s.length_px * a + expected * b) / (a + b), (a + b).sqrt().recip(), s.angle_rad)
            }
            None => (expected, expected_sd, link.angle_rad),
        };
        let stated = length_px > SHORTEST[0] && length_px > SHORTEST[1] * length_sd_px;
        stated.then_some(Streak { length_px, length_sd_px, angle_rad })
    }
}
