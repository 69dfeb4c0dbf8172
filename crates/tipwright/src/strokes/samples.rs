//! What is shown of a stroke: the tip's places about it, and the rod over the whole take.

use nalgebra::Vector3;
use rayon::prelude::*;

use super::direction::Casting;
use super::draws;
use super::raw::{Raw, RodView};
use super::rod::Rod;
use super::segment::FoundStroke;
use crate::model::Direction;
use crate::model::results::RodSample;
use crate::model::stroke::CastSample;

/// Most of the path before the start and after the stop that a stroke's samples show.
const SHOWN_S: f64 = 1.0;

/// The tip's samples about a stroke, in the cast frame and the stroke's own plane.
pub(super) fn samples(
    rod: &Rod<'_>,
    nominal: &RodView<'_>,
    found: &FoundStroke,
    raw: &Raw,
    by_draw: &[Vec<Raw>],
    casting: &Casting,
    i: usize,
) -> Vec<CastSample> {
    let Some(plane) = raw.plane else { return Vec::new() };
    let start_s = raw.times.t_start_s;
    let stop_s = if raw.times.t_stop_s.is_finite() { raw.times.t_stop_s } else { found.between_s.1 };
    let from_s = found.between_s.0.max(start_s - SHOWN_S).min(start_s);
    let to_s = found.between_s.1.max(stop_s).min(stop_s + SHOWN_S);
    let columns = &rod.tip.columns;
    let left = match casting.directions[i] {
        Direction::Forward => 1.0,
        Direction::Back => -1.0,
    };
    let x_in_world = casting.cast_from_world.inverse_transform_vector(&Vector3::x());
    let range = columns.t_s.partition_point(|t| *t < from_s)..columns.t_s.partition_point(|t| *t <= to_s);
    range
        .map(|n| {
            let t_s = columns.t_s[n];
            let at = plane.coordinates(&columns.nominal.positions_in_world[n]);
            let height_m = |(k, d): (usize, &Vec<Raw>)| {
                let (plane, error_m) = (d[i].plane?, rod.tip.draws.error_m(k, n)?);
                Some(plane.coordinates(&(columns.nominal.positions_in_world[n] + error_m)).h_m)
            };
            let heights: Vec<f64> =
                by_draw.iter().enumerate().map(|of| height_m(of).unwrap_or(f64::NAN)).collect();
            let pair = nominal.pair.filter(|_| rod.pair_covers(t_s, t_s));
            CastSample {
                t_s,
                tip_in_cast: casting.cast_from_world * columns.nominal.positions_in_world[n],
                velocity_in_cast_m_s: casting.cast_from_world * columns.nominal.velocities_in_world_m_s[n],
                height_sd_m: draws::spread(&heights),
                s_m: at.s_m,
                h_m: at.h_m,
                off_plane_m: left * at.left_m,
                bend_m: pair.map(|p| p.bend_m(&nominal.tip, &plane.left, t_s).0),
                butt_angle_deg: pair.map(|p| 90.0 - p.angle_rad(&x_in_world, t_s).to_degrees()),
            }
        })
        .collect()
}

/// rod.csv: butt angle and bend wherever both butt markers and the tip are seen.
pub(super) fn rod_samples(rod: &Rod<'_>, casting: &Casting) -> Vec<RodSample> {
    let nominal = rod.nominal();
    let Some(pair) = nominal.pair else { return Vec::new() };
    let to_world = casting.cast_from_world.inverse();
    let (ahead, left) = (to_world * Vector3::x(), to_world * Vector3::y());
    let times: Vec<f64> = rod.tip.columns.t_s.iter().copied().filter(|t| rod.pair_covers(*t, *t)).collect();
    // draw by draw: as views of all draws at once they would need many times what their bends do
    let drawn: Vec<Vec<f64>> = (0..rod.draw_count)
        .into_par_iter()
        .filter_map(|k| {
            let drawn = rod.draw(k);
            let view = drawn.view();
            let pair = view.pair?;
            Some(times.iter().map(|&t_s| pair.bend_m(&view.tip, &left, t_s).0).collect())
        })
        .collect();
    times
        .par_iter()
        .enumerate()
        .map(|(n, &t_s)| RodSample {
            t_s,
            butt_angle_deg: 90.0 - pair.angle_rad(&ahead, t_s).to_degrees(),
            bend_m: pair.bend_m(&nominal.tip, &left, t_s).0,
            bend_sigma_m: draws::spread(&drawn.iter().map(|d| d[n]).collect::<Vec<_>>()),
        })
        .collect()
}
