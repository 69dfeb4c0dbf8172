//! Balls lit from one side: how a clip is lit, from all its fits, and centres that own it.
//!
//! A fit takes a ball for an evenly bright disc, so its centre lies towards the light, by about the same share of the radius in every
//! frame. What the fits leave of it says which way and how much ([`Lean`]); pooled over a clip this is known well though a single frame
//! says little. The centre moves by what the clip says, and its covariance grows along the move.

use nalgebra::Vector2;

use super::finder::{Found, FrameFound};
use super::fit::Lean;
use crate::model::{Colour, Picture};

/// Diameter as seen from which each spot is moved by its own fit, pixels: between balls of 4 px and those of 8 px. Balls of 8 px and more
/// were put right so in clips of their own (`tests/lit.rs`); on simulated days with balls of 4 px (seeds 41 to 44,
/// `simulate --days minimal --side-light`) places came nearer the truth, but scattered more, and dips were the worse for it: 0.33, 0.56,
/// 0.52, 1.21 mm unmoved, 1.25, 0.66, 1.16, 1.70 moved. Smaller ones are therefore moved all alike ([`shift`]).
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

/// All spots of a colour.
fn of_colour(frames: &mut [FrameFound], colour: Colour) -> impl Iterator<Item = &mut Found> {
    frames.iter_mut().flat_map(|f| &mut f.found).filter(move |f| f.candidate.colour == colour)
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
    for found in of_colour(frames, colour) {
        let step = upright(picture, off(found, shades));
        let (dx, dy) = (step.x, step.y);
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

/// States what a surface that is not even makes of the spots of a colour: as a ball turns, its dark places turn with it, and what fits say of
/// its shading differs from frame to frame by more than their noise.
pub(super) fn own_marks(frames: &mut [FrameFound], colour: Colour, all: &Together) {
    for found in of_colour(frames, colour) {
        let of = |k: usize| found.leans[k].map_or(0.0, |lean| lean.uneven(all.scatter));
        found.candidate.uneven_px = f64::from(of(0) + of(1));
    }
}

/// What one shift for all leaves of moves that differ from frame to frame, in their standard deviation. Set with [`OWN_SHIFT`] on the
/// simulated day of seed 101 (`--days minimal --side-light 55`): there what lasts of the places' errors was 0.03 to 0.2 px, the moves'
/// spread 0.03 to 0.14. On the clinic day of seed 7, lit from 60 degrees, whose butt markers are so small and whose arcs (80 % inside) asked for
/// this: rod straight off by 0.88 ms (rms; 1.30 where they were left), largest bends by 5 mm (13), 97 % of all figures inside. Checked on
/// seed 8, 40 degrees and seamed balls: 98 % of all figures inside, arcs 90 %.
const LEAVES: f64 = 1.5;
/// Standard deviation of such a shift as a share of it.
const OWN_SHIFT: f64 = 1.0;

/// Moves the spots of a colour whose balls are too small to show their light frame by frame, all by what they show of it together: a shift that
/// is the same everywhere can scatter nothing.
pub(super) fn shift(frames: &mut [FrameFound], picture: Picture, colour: Colour, all: &Together) {
    let by = upright(picture, all.mean_px);
    for found in of_colour(frames, colour) {
        let c = &mut found.candidate;
        c.centre.x_px += by.x;
        c.centre.y_px += by.y;
        c.steady_px = (by * OWN_SHIFT).into();
        c.uneven_px = c.uneven_px.hypot(LEAVES * all.spread_px);
    }
}

/// A step in the stored picture as a step in the upright one.
fn upright(picture: Picture, step: Vector2<f32>) -> Vector2<f64> {
    let origin = picture.upright_from_stored(0.0, 0.0);
    let there = picture.upright_from_stored(f64::from(step.x), f64::from(step.y));
    Vector2::new(there.x_px - origin.x_px, there.y_px - origin.y_px)
}

/// By how much the centre of a spot is off in light of these shades.
fn off(found: &Found, shades: &[Vector2<f32>; 2]) -> Vector2<f32> {
    let of = |k: usize| found.leans[k].map_or(Vector2::zeros(), |lean| lean.off(&shades[k]));
    of(0) + of(1)
}

/// What the spots of a marker say together.
pub(super) struct Together {
    /// By how much they are off in the mean.
    mean_px: Vector2<f32>,
    /// How much that differs from one to the other, along either axis.
    spread_px: f64,
    /// How much their shading differs. Whether luma or chroma says so is a matter of which of them the marker stands out in.
    scatter: f32,
}

impl Together {
    pub fn of(known: &[&Found], shades: &[Vector2<f32>; 2]) -> Self {
        let n = known.len() as f32;
        let mean_px = known.iter().map(|f| off(f, shades)).sum::<Vector2<f32>>() / n;
        let square: f32 = known.iter().map(|f| (off(f, shades) - mean_px).norm_squared()).sum();
        let leans = known.iter().flat_map(|f| f.leans.iter().zip(shades));
        let scatter = Lean::scatter(leans.filter_map(|(lean, shade)| Some((lean.as_ref()?, shade))));
        Self { mean_px, spread_px: f64::from(0.5 * square / n).sqrt(), scatter }
    }
}
