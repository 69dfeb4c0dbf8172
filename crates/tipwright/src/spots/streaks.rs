//! Streaks of a whole clip brought into line: the shutter is open for one share of the time between frames, so a streak is that share
//! of the way. A single fit of a large, textured ball may see none, or one twice as long.

use super::finder::FrameFound;
use super::finish::Link;
use crate::math::median;
use crate::model::{Colour, Streak};

/// Fewest streaks that tell the share.
const FEW: usize = 12;
/// Least relative uncertainty of a streak taken from share and way: what automatic exposure and a change of pace leave.
const LEAST_SPREAD: f64 = 0.07;
/// And of the way between neighbouring frames, pixels.
const WAY_SD_PX: f64 = 0.3;
/// A fitted streak farther off than so many standard deviations is not believed.
const OFF: f64 = 3.0;
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

/// `None` when too few streaks are sure.
fn share(frames: &[FrameFound], links: &[Vec<Link>], colour: Colour) -> Option<Share> {
    let ratios: Vec<f64> = frames
        .iter()
        .zip(links)
        .flat_map(|(frame, links)| frame.found.iter().zip(links))
        .filter(|(f, l)| f.candidate.colour == colour && f.quality > 0.2 && l.fit > 0.5)
        .filter_map(|(f, l)| {
            let streak = f.candidate.streak?;
            let sure = streak.length_px > 5.0 * streak.length_sd_px && l.way_px > 4.0;
            sure.then(|| streak.length_px / l.way_px)
        })
        .collect();
    if ratios.len() < FEW {
        return None;
    }
    let middle = median(ratios.iter().copied())?;
    let scatter = 1.4826 * median(ratios.iter().map(|r| (r - middle).abs()))? / middle;
    let sd = (scatter / (ratios.len() as f64).sqrt()).hypot(LEAST_SPREAD);
    Some(Share { share: middle, sd, scatter })
}

/// Gives every spot that goes on evenly the streak that its way asks for, together with the one it was fitted with.
pub(super) fn agree(frames: &mut [FrameFound], links: &[Vec<Link>], colour: Colour) {
    let Some(Share { share, sd, scatter }) = share(frames, links, colour) else { return };
    for (frame, links) in frames.iter_mut().zip(links) {
        for (found, link) in frame.found.iter_mut().zip(links) {
            if found.candidate.colour != colour || !(link.fit > 0.5) {
                continue;
            }
            let expected = share * link.way_px;
            let expected_sd = (sd * expected).hypot(share * WAY_SD_PX);
            let fit_sd = |s: &Streak| s.length_sd_px.hypot(scatter * expected);
            let near = |s: &Streak| (s.length_px - expected).abs() < OFF * fit_sd(s).hypot(expected_sd);
            let (length_px, length_sd_px, angle_rad) = match found.candidate.streak.filter(near) {
                Some(s) => {
                    let (a, b) = (fit_sd(&s).powi(-2), expected_sd.powi(-2));
                    ((s.length_px * a + expected * b) / (a + b), (a + b).sqrt().recip(), s.angle_rad)
                }
                None => (expected, expected_sd, link.angle_rad),
            };
            let stated = length_px > SHORTEST[0] && length_px > SHORTEST[1] * length_sd_px;
            found.candidate.streak = stated.then_some(Streak { length_px, length_sd_px, angle_rad });
        }
    }
}
