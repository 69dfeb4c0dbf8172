//! Balls lit from one side: how a clip is lit, from all its fits, and centres that own it.
//!
//! A fit takes a ball for an evenly bright disc, so its centre lies towards the light, by about the same share of the radius in every
//! frame. What the fits leave of it says which way and how much ([`Lean`]); pooled over a clip this is known well though a single frame
//! says little. The centre moves by what the clip says, and its covariance grows along the move.

use nalgebra::Vector2;

use super::finder::{Found, FrameFound};
use super::fit::Lean;
use crate::model::{Colour, Picture};

/// Diameter as seen from which a ball's light is asked for, pixels: between balls of 4 px and those of 8 px of which the dark side
/// is not seen. Balls of 8 px and more were put right in clips of their own (`tests/lit.rs`);
/// on simulated days with balls of 4 px (seeds 41 to 44, `simulate --days minimal --side-light`) places came nearer the truth, but
/// scattered more, and dips were the worse for it: 0.33, 0.56, 0.52, 1.21 mm before, 1.25, 0.66, 1.16, 1.70 after.
pub(super) const LEAST_PX: f64 = 5.5;
/// Quality from which a spot says something of its clip: how large its marker is, how it is lit.
pub(super) const LOOKS_RIGHT: f32 = 0.3;
/// Standard deviation of a move as a share of it: what is not linear in the shading of a ball half of which is dark. On simulated clips
/// (seeds 3001 to 3090, `tests/lit.rs`) the moves left 0.53 of themselves (rms; median 0.24), nearly all of it the same in every
/// frame of a clip. Noise per frame cannot say so: it is the wider by this, and so much is drawn once for each marker of a phone
/// (`Candidate::steady_px`); poses, which take over what is the same in wand and take, need not be. `study_of_lit_balls` (ignored; `--ignored --nocapture`) prints, with what is below in place: 0.83 px rms and 93.0 % inside on
/// those seeds, 0.70 px and 93.3 % on seeds 7001 to 7090, which set nothing.
const OWN: f64 = 0.5;

/// The best of each frame, where it looks right.
pub(super) fn best(frames: &[FrameFound], colour: Colour) -> Vec<&Found> {
    let own = |f: &&Found| f.candidate.colour == colour && f.quality > LOOKS_RIGHT;
    frames
        .iter()
        .filter_map(|f| f.found.iter().filter(own).max_by(|a, b| a.quality.total_cmp(&b.quality)))
        .collect()
}

/// Shading in luma and in chroma that these spots show together.
pub(super) fn shades(known: &[&Found]) -> [Vector2<f32>; 2] {
    [0, 1].map(|k| Lean::together(known.iter().filter_map(|f| f.leans[k].as_ref())))
}

/// Puts the spots of a colour where their fits say in a light of these shades: each by its own fit, for what a streak is off by differs
/// from what a disc is.
pub(super) fn settle(
    frames: &mut [FrameFound],
    picture: Picture,
    colour: Colour,
    shades: &[Vector2<f32>; 2],
) {
    let origin = picture.upright_from_stored(0.0, 0.0);
    for found in frames.iter_mut().flat_map(|f| &mut f.found).filter(|f| f.candidate.colour == colour) {
        let of = |k: usize| found.leans[k].map_or(Vector2::zeros(), |lean| lean.off(&shades[k]));
        let off = of(0) + of(1);
        let there = picture.upright_from_stored(f64::from(off.x), f64::from(off.y));
        let [dx, dy] = [there.x_px - origin.x_px, there.y_px - origin.y_px];
        let c = &mut found.candidate;
        c.centre.x_px += dx;
        c.centre.y_px += dy;
        c.steady_px = [OWN * dx, OWN * dy];
        let own2 = OWN * OWN;
        c.cov_px2[0] += own2 * dx * dx;
        c.cov_px2[1] += own2 * dx * dy;
        c.cov_px2[2] += own2 * dy * dy;
    }
}

/// By how much of their diameters the spots of a colour were moved, in the mean; `None` where none looks right.
pub(super) fn move_by_diameter(frames: &[FrameFound], colour: Colour) -> Option<Vector2<f64>> {
    let all = best(frames, colour);
    let moved = |f: &&Found| Vector2::from(f.candidate.steady_px) / (OWN * f64::from(f.diameter_px));
    let n = all.len() as f64;
    (n > 0.0).then(|| all.iter().map(moved).sum::<Vector2<f64>>() / n)
}

/// Leaves the spots of a colour, whose balls are too small to show their light, where they are: what the larger balls of the clip were
/// moved by is what these may be off by, the same in every frame. On the filmed clinic day of seed 7 with the sun from 60 degrees (butt
/// markers of 30 mm at 8 m) the moments at which rods were straight, 1.3 ms off, lay in 71 % inside without and in 97 % with.
pub(super) fn leave(frames: &mut [FrameFound], colour: Colour, moves: &[Vector2<f64>]) {
    if moves.is_empty() {
        return;
    }
    let mean = moves.iter().sum::<Vector2<f64>>() / moves.len() as f64;
    for found in frames.iter_mut().flat_map(|f| &mut f.found).filter(|f| f.candidate.colour == colour) {
        found.candidate.steady_px = (mean * f64::from(found.diameter_px)).into();
    }
}
