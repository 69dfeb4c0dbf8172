//! Rod, line, sticks: thin curves that move during the exposure.

use nalgebra::Point3;

use super::{ClipSpec, blur_px};
use crate::phone::film::Film;
use crate::phone::lens::see;
use crate::phone::play::Curve;
use crate::phone::sprite::CurvePoint;

/// A curve over the exposure: nodes are seen at a few instants that span all rows, then each node is taken at the
/// time of its own row, between those instants linearly (20 m/s and 500 m/s2 at 2 ms steps: 0.05 px).
pub(super) fn draw_curve(spec: &ClipSpec, film: &mut Film, curve: &Curve, pts_s: f64) {
    const INSTANTS: usize = 5;
    let shutter = &spec.shutter;
    let start_s = shutter.row_s(pts_s, 0.0) - shutter.exposure_s / 2.0;
    let end_s = shutter.row_s(pts_s, shutter.rows - 1.0) + shutter.exposure_s / 2.0;
    let f = spec.focal_px();
    let tracks: Vec<Vec<Option<CurvePoint>>> = (0..INSTANTS)
        .map(|i| {
            let t_s = start_s + (end_s - start_s) * i as f64 / (INSTANTS - 1) as f64;
            let nodes: Vec<Point3<f64>> = (curve.nodes_at)(t_s);
            nodes
                .iter()
                .zip(&curve.diameters_m)
                .map(|(p, diameter_m)| {
                    see(&spec.camera, p).map(|s| CurvePoint {
                        u_px: s.u_px,
                        v_px: s.v_px,
                        half_px: f * diameter_m / 2.0 / s.depth_m,
                    })
                })
                .collect()
        })
        .collect();
    let at = |node: usize, t_s: f64| -> Option<CurvePoint> {
        let x = ((t_s - start_s) / (end_s - start_s)).clamp(0.0, 1.0) * (INSTANTS - 1) as f64;
        let i = (x as usize).min(INSTANTS - 2);
        let a = x - i as f64;
        let (p, q) = (tracks[i][node]?, tracks[i + 1][node]?);
        Some(CurvePoint {
            u_px: p.u_px + (q.u_px - p.u_px) * a,
            v_px: p.v_px + (q.v_px - p.v_px) * a,
            half_px: p.half_px + (q.half_px - p.half_px) * a,
        })
    };
    let nodes = tracks[0].len();
    let seen_at = |within_s: f64| -> Vec<Option<CurvePoint>> {
        (0..nodes)
            .map(|node| {
                let mut p = tracks[INSTANTS / 2][node]?;
                for _ in 0..3 {
                    p = at(
                        node,
                        shutter.row_s(pts_s, p.v_px.clamp(-200.0, shutter.rows + 200.0)) + within_s,
                    )?;
                }
                Some(p)
            })
            .collect()
    };
    let (first, last) = (seen_at(-shutter.exposure_s / 2.0), seen_at(shutter.exposure_s / 2.0));
    let steps = ((moved_across_px(&first, &last) / 0.7).ceil() as usize).clamp(1, 40);
    for k in 0..steps {
        let points = seen_at(shutter.exposure_s * ((k as f64 + 0.5) / steps as f64 - 0.5));
        // pieces between points that cannot be seen
        for piece in points.split(Option::is_none) {
            let mut piece: Vec<CurvePoint> = piece.iter().flatten().copied().collect();
            if curve.is_smooth {
                piece = rounded(&piece);
            }
            film.cover.add_curve(&piece, blur_px(), 1.0 / steps as f32);
        }
    }
    film.paint(&curve.light.stored());
}

/// Largest movement of a curve across itself: what moves along itself leaves no streak.
fn moved_across_px(first: &[Option<CurvePoint>], last: &[Option<CurvePoint>]) -> f64 {
    let along = |points: &[Option<CurvePoint>], i: usize| -> Option<(f64, f64)> {
        let (a, b) = (points[i.saturating_sub(1)]?, points[(i + 1).min(points.len() - 1)]?);
        let (du, dv) = (b.u_px - a.u_px, b.v_px - a.v_px);
        let length = du.hypot(dv);
        (length > 1e-6).then_some((du / length, dv / length))
    };
    (0..first.len())
        .filter_map(|i| {
            let (a, b) = (first[i]?, last[i]?);
            let (du, dv) = (b.u_px - a.u_px, b.v_px - a.v_px);
            // at the nose the curve turns by a lot from node to node: there any movement counts
            let across = match (along(first, i), along(last, i)) {
                (Some((cu, cv)), Some((su, sv))) if cu * su + cv * sv > 0.98 => (du * cv - dv * cu).abs(),
                _ => du.hypot(dv),
            };
            Some(across)
        })
        .fold(0.0, f64::max)
}

/// Puts points between the nodes where the curve turns, on a cubic through them (Catmull-Rom).
fn rounded(nodes: &[CurvePoint]) -> Vec<CurvePoint> {
    let n = nodes.len();
    if n < 3 {
        return nodes.to_vec();
    }
    let mut out = Vec::with_capacity(2 * n);
    for i in 0..n - 1 {
        let [p, a, b, q] = [i.saturating_sub(1), i, i + 1, (i + 2).min(n - 1)].map(|k| nodes[k]);
        out.push(a);
        // how far the cubic leaves the straight piece, about an eighth of its second difference
        let bulge = |p: f64, a: f64, b: f64, q: f64| (p - a - b + q).abs() / 16.0;
        let off_px = bulge(p.u_px, a.u_px, b.u_px, q.u_px) + bulge(p.v_px, a.v_px, b.v_px, q.v_px);
        let pieces = ((off_px / 0.02).sqrt().ceil() as usize).clamp(1, 8);
        for k in 1..pieces {
            let u = k as f64 / pieces as f64;
            let at = |p: f64, a: f64, b: f64, q: f64| {
                a + 0.5 * u * (b - p + u * (2.0 * p - 5.0 * a + 4.0 * b - q + u * (3.0 * (a - b) + q - p)))
            };
            out.push(CurvePoint {
                u_px: at(p.u_px, a.u_px, b.u_px, q.u_px),
                v_px: at(p.v_px, a.v_px, b.v_px, q.v_px),
                half_px: a.half_px + u * (b.half_px - a.half_px),
            });
        }
    }
    out.push(nodes[n - 1]);
    out
}
