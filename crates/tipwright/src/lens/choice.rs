//! Which views of the board a lens may rest on.
//!
//! First all views are adjusted with weights that fall with their own rms (the function of Geman and McClure, 1987),
//! so that bad views cannot pull the lens to themselves; then views beyond a multiple of the median rms are left
//! out and the rest is adjusted plainly, until the choice stands still.

use nalgebra::Point3;

use super::adjust::{AdjustView, Adjusted, State, adjust, view_cost_px2};
use super::views::LensConfig;
use crate::math::median;
use crate::model::RawPixel;

/// Rounds of weighting before the choice, and of choosing. Both settle in three or four rounds; the cap only ends
/// a view that hops in and out.
const ROUNDS: usize = 12;
/// Most steps of one adjustment; it takes 8 to 20.
const MOST_STEPS: usize = 100;

/// A view that may be chosen: its points in the picture and on the board.
#[derive(Clone, Copy)]
pub(crate) struct Seen<'a> {
    /// In the picture.
    pub corners: &'a [RawPixel],
    /// On the board, metres.
    pub points: &'a [Point3<f64>],
}

impl<'a> Seen<'a> {
    fn weighted(&self, weight: f64) -> AdjustView<'a> {
        AdjustView { corners: self.corners, points: self.points, weight }
    }
}

/// The choice of views and the adjustment over it.
pub(crate) struct Chosen {
    /// Over the views in use.
    pub adjusted: Adjusted,
    /// By candidate.
    pub used: Vec<bool>,
    /// By candidate, also of those left out.
    pub rms_px: Vec<f64>,
    /// What was accepted.
    pub limit_px: f64,
}

fn rms_by_view_px(state: &State, candidates: &[Seen<'_>]) -> Vec<f64> {
    candidates
        .iter()
        .zip(&state.camera_from_board)
        .map(|(c, pose)| {
            (view_cost_px2(&state.lens, pose, c.points, c.corners) / c.points.len() as f64).sqrt()
        })
        .collect()
}

/// Moves the poses of the views not in use to where they fit the lens best.
fn settle_poses(state: State, candidates: &[Seen<'_>], used: &[bool]) -> State {
    let mut settled = state;
    // One at a time: a view that cannot be placed must not stop the others.
    for i in 0..candidates.len() {
        if used[i] {
            continue;
        }
        let one = State { lens: settled.lens, camera_from_board: vec![settled.camera_from_board[i]] };
        let view = [candidates[i].weighted(1.0)];
        if let Some(done) = adjust(one, &view, false, MOST_STEPS) {
            settled.camera_from_board[i] = done.state.camera_from_board[0];
        }
    }
    settled
}

/// Leaves out views that disagree and adjusts over the rest; `None` when the adjustment breaks down.
pub(crate) fn choose(start: State, candidates: &[Seen<'_>], config: &LensConfig) -> Option<Chosen> {
    let run = |state: State, weights: &[f64], steps: usize| {
        let views: Vec<AdjustView<'_>> =
            candidates.iter().zip(weights).map(|(c, w)| c.weighted(*w)).collect();
        adjust(state, &views, true, steps)
    };
    // Weighted rounds. A view that lies behind the camera at the start has infinite cost: it waits outside.
    let mut state = settle_poses(start, candidates, &vec![false; candidates.len()]);
    for _ in 0..ROUNDS {
        let rms = rms_by_view_px(&state, candidates);
        let typical = median(rms.iter().copied()).unwrap_or(f64::NAN).max(1e-9);
        let weights: Vec<f64> = rms
            .iter()
            .map(|r| if r.is_finite() { (1.0 + (r / (2.0 * typical)).powi(2)).powi(-2) } else { 0.0 })
            .collect();
        let done = run(state.clone(), &weights, 12)?;
        let moved = (done.state.lens - state.lens).norm() / state.lens.norm();
        state = done.state;
        if moved < 1e-6 {
            break;
        }
    }
    // Plain rounds over a choice.
    let mut used = vec![true; candidates.len()];
    let mut best: Option<Chosen> = None;
    for round in 0..ROUNDS {
        let state_now = best.as_ref().map_or(&state, |c| &c.adjusted.state).clone();
        let settled = settle_poses(state_now, candidates, &used);
        let rms_px = rms_by_view_px(&settled, candidates);
        let of_used = rms_px.iter().zip(&used).filter(|(_, u)| **u).map(|(r, _)| *r);
        let typical = median(of_used).unwrap_or(f64::NAN);
        let limit_px = (config.leave_out_factor * typical).max(config.leave_out_floor_px);
        // After half the rounds views may only leave, so that the choice comes to an end.
        let next: Vec<bool> =
            rms_px.iter().zip(&used).map(|(r, u)| *r <= limit_px && (*u || round < ROUNDS / 2)).collect();
        if next.iter().filter(|u| **u).count() < config.min_views.min(candidates.len()) {
            break;
        }
        let unchanged = next == used && best.is_some();
        if unchanged {
            best = best.map(|c| Chosen {
                adjusted: Adjusted { state: settled, ..c.adjusted },
                rms_px,
                limit_px,
                used: c.used,
            });
            break;
        }
        let weights: Vec<f64> = next.iter().map(|u| if *u { 1.0 } else { 0.0 }).collect();
        let adjusted = run(settled, &weights, MOST_STEPS)?;
        used = next;
        best = Some(Chosen { adjusted, used: used.clone(), rms_px, limit_px });
    }
    best
}
