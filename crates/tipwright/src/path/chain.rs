//! Pieces of 3D track from pairs of cameras, and for each marker the chain of pieces that is it.
//!
//! A piece ([`crate::tracks::pieces`]) is a run of sightings in which one track of one camera and one of another
//! agree. The chain is the best path through the pieces in order of time (`jumps`).

use std::collections::BTreeMap;

use nalgebra::Point3;

use super::jumps::best_chain;
use super::view::View;
use super::whose::{Chosen, casters, choose};
use super::{PathConfig, PathError, RoleLook, TakeInput};
use crate::model::{Colour, Role, Severity, Warning};
use crate::tracks::pieces::{Piece, PieceConfig, TrackView, find_pieces, pieces_in_plane};

/// The pieces that are one marker, in order of time.
#[derive(Debug, Clone)]
pub(super) struct Chain {
    pub look: RoleLook,
    pub pieces: Vec<Piece>,
}

impl Chain {
    /// Position at a session time, by straight lines, inside pieces and `slack_s` beyond.
    pub fn near(&self, t_s: f64, slack_s: f64) -> Option<Point3<f64>> {
        let piece =
            self.pieces.iter().find(|p| t_s >= p.start_s() - slack_s && t_s <= p.end_s() + slack_s)?;
        piece.at(t_s.clamp(piece.start_s(), piece.end_s()))
    }
}

/// Finds the chain of every role. The tip must be found; a butt marker that is not found costs a warning.
pub(super) fn find_chains(
    input: &TakeInput,
    config: &PathConfig,
    views: &[View],
    warnings: &mut Vec<Warning>,
) -> Result<Vec<Chain>, PathError> {
    let tip_look = input.roles.iter().find(|r| r.role == Role::Tip);
    let tip_look = *tip_look.ok_or_else(|| PathError::NoTipRole { take: input.take.to_string() })?;
    let mut used: Vec<UsedTrack> = Vec::new();
    let mut by_look: BTreeMap<(Colour, u64, Option<Role>), Vec<Piece>> = BTreeMap::new();
    let mut pieces_for = |look: &RoleLook| -> Vec<Piece> {
        by_look
            // in a plane each marker has its own place
            .entry((look.colour, look.diameter_m.to_bits(), input.held().map(|_| look.role)))
            .or_insert_with(|| all_pieces(input, config, views, look))
            .clone()
    };
    let everybody = casters(pieces_for(&tip_look), tip_look.at_m);
    let Chosen { own, others } = choose(everybody, input.scene.wand_reach_m, input.take)?;
    for other in others {
        warnings.push(Warning::new(
            Severity::Warning,
            input.take,
            format!(
                "another rod casts {:.1} m beside this caster ({:.1} s of fast movement); it was left out",
                other.apart_from_m(own.place_m),
                other.fast_s
            ),
            "The figures are of the caster who stands where the wand was waved; a quiet field behind makes them surer",
        ));
    }
    let tip = own.chain;
    mark(&tip, &tip_look, &mut used);
    let mut chains = vec![Chain { look: tip_look, pieces: tip }];
    for look in input.roles.iter().filter(|r| r.role != Role::Tip) {
        let tip = &chains[0];
        let reach_m = tip_look.at_m - look.at_m;
        let candidates = pieces_for(look);
        let twin = input
            .roles
            .iter()
            .find(|r| r.role != Role::Tip && r.role != look.role && r.colour == look.colour);
        let ranks = twin.map(|t| ranks(&candidates, tip, (t.at_m - look.at_m).abs(), unlike(input)));
        let wanted = twin.map(|t| if look.at_m > t.at_m { Rank::Nearer } else { Rank::Farther });
        let free: Vec<Piece> = candidates
            .into_iter()
            .enumerate()
            .filter(|(i, _)| match (&ranks, wanted) {
                (Some(ranks), Some(wanted)) => ranks[*i].is_none_or(|r| r == wanted),
                _ => true,
            })
            .map(|(_, p)| p)
            .filter(|p| !used.iter().any(|u| u.covers(p, look)))
            // a butt marker is nearer to the tip than the rod between them is long, and a rod bends by a third at most; 15 % more,
            // so that a scale that is wrong by as much as people mistype is told by the markers' distance, not hidden by their absence
            .filter(|p| {
                let m = &p.samples[p.samples.len() / 2];
                tip.near(m.t_s, 0.02).is_none_or(|t| {
                    let d = (t - m.position).norm();
                    d < 1.15 * reach_m + 0.05 && d > 0.5 * reach_m
                })
            })
            .filter(|p| {
                // and as far from its neighbour as they were mounted
                let other = chains.iter().find(|c| c.look.role != Role::Tip);
                other.is_none_or(|c| {
                    let m = &p.samples[p.samples.len() / 2];
                    let apart_m = (c.look.at_m - look.at_m).abs();
                    let off_m = 0.05_f64.max(unlike(input) * apart_m);
                    c.near(m.t_s, 0.02).is_none_or(|q| ((q - m.position).norm() - apart_m).abs() < off_m)
                })
            })
            .collect();
        let chain = best_chain(free, |p| p.end_s() - p.start_s(), Some(15.0));
        if chain.is_empty() {
            warnings.push(Warning::new(
                Severity::Warning,
                input.take,
                format!(
                    "the butt marker at {:.2} m was not followed{}",
                    look.at_m,
                    if views.len() > 1 { " in two cameras" } else { "" }
                ),
                "Figures that need it are empty; check its colour and that the arm does not hide it",
            ));
            continue;
        }
        mark(&chain, look, &mut used);
        chains.push(Chain { look: *look, pieces: chain });
    }
    Ok(chains)
}

/// A track already taken for a marker during a time.
struct UsedTrack {
    view_idx: usize,
    colour: Colour,
    track_idx: usize,
    span_s: [f64; 2],
}

impl UsedTrack {
    fn covers(&self, p: &Piece, look: &RoleLook) -> bool {
        self.colour == look.colour
            && p.start_s() < self.span_s[1]
            && p.end_s() > self.span_s[0]
            && [(p.a_view, p.a_track), (p.b_view, p.b_track)].contains(&(self.view_idx, self.track_idx))
    }
}

fn mark(chain: &[Piece], look: &RoleLook, used: &mut Vec<UsedTrack>) {
    for p in chain {
        for (view_idx, track_idx) in [(p.a_view, p.a_track), (p.b_view, p.b_track)] {
            used.push(UsedTrack {
                view_idx,
                colour: look.colour,
                track_idx,
                span_s: [p.start_s(), p.end_s()],
            });
        }
    }
}

/// Which of two butt markers of one colour a piece is, by its distance to the tip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Rank {
    Nearer,
    Farther,
}

/// By what share of their distance two butt markers may be found nearer or farther than they were mounted. A tenth, for the first poses
/// and clocks are not the last; in a plane, from which each strays by itself by some centimetres in the direction of sight, four times that.
fn unlike(input: &TakeInput) -> f64 {
    if input.held().is_some() { 0.4 } else { 0.1 }
}

/// Rank of every piece that has a partner the right distance away at the same time; `None` where it is alone.
fn ranks(pieces: &[Piece], tip: &Chain, apart_m: f64, unlike: f64) -> Vec<Option<Rank>> {
    pieces
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let mut votes = 0_i64;
            for (j, q) in pieces.iter().enumerate() {
                if i == j || p.end_s() < q.start_s() || p.start_s() > q.end_s() {
                    continue;
                }
                let stride = (p.samples.len() / 40).max(1);
                for s in p.samples.iter().step_by(stride) {
                    let (Some(t), Some(other)) = (tip.near(s.t_s, 0.0), q.at(s.t_s)) else { continue };
                    if ((other - s.position).norm() - apart_m).abs() < unlike * apart_m {
                        votes += if (t - s.position).norm() < (t - other).norm() { 1 } else { -1 };
                    }
                }
            }
            match votes.signum() {
                1 => Some(Rank::Nearer),
                -1 => Some(Rank::Farther),
                _ => None,
            }
        })
        .collect()
}

/// What a piece of a marker must satisfy.
pub(super) fn needs(config: &PathConfig, look: &RoleLook) -> PieceConfig {
    PieceConfig {
        epipolar_px: config.epipolar_px,
        farthest: config.farthest_m,
        fastest_per_s: config.fastest_m_s,
        fewest: config.fewest_in_piece,
        size: Some((look.diameter_m, config.area_ratio)),
    }
}

fn all_pieces(input: &TakeInput, config: &PathConfig, views: &[View], look: &RoleLook) -> Vec<Piece> {
    let seen: Vec<TrackView> = views
        .iter()
        .map(|v| {
            // a camera laid onto the path of the others has tracks of anything: its sightings are gathered on the path
            let laid_on = v.offset_on_path_s.is_some();
            v.with_tracks(if laid_on { &[] } else { v.tracks_of(look.colour) })
        })
        .collect();
    let needs = needs(config, look);
    match (input.held(), seen.as_slice()) {
        (Some(plane), [alone]) => {
            let (normal, offset_m) = plane.held(look.role);
            pieces_in_plane(alone, &normal, offset_m, &needs)
        }
        _ => find_pieces(&seen, &needs),
    }
}

/// A step along a piece, long enough for noise not to look like speed.
pub(super) struct Step {
    /// How long.
    pub dt_s: f64,
    /// Speed squared without what noise adds, (m/s)^2.
    pub speed2: f64,
    /// Where it begins.
    pub position: Point3<f64>,
}

/// Steps of a piece in order of time.
pub(super) fn steps(piece: &Piece) -> impl Iterator<Item = Step> + '_ {
    let s = &piece.samples;
    let stride = (s.len() / 200).max(2).min(s.len() - 1).max(1);
    (0..s.len().saturating_sub(stride)).step_by(stride).filter_map(move |i| {
        let (p, q) = (&s[i], &s[i + stride]);
        let dt_s = q.t_s - p.t_s;
        let noise2 = (p.covariance.trace() + q.covariance.trace()) / (dt_s * dt_s);
        let speed2 = ((q.position - p.position) / dt_s).norm_squared() - noise2;
        (dt_s > 0.0).then_some(Step { dt_s, speed2, position: p.position })
    })
}

/// Worth of a piece of tip: seconds weighted by speed squared, in units of 10 m/s, so that half a second of casting
/// outweighs a minute of walking (1.5 m/s).
pub(super) fn speed_worth(piece: &Piece) -> f64 {
    steps(piece).map(|s| s.dt_s * ((s.speed2 / 100.0).clamp(0.0, 1.0) + 0.005)).sum()
}
