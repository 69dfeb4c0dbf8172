//! One run of the line behind the tip, and the loop it makes.

use tipwright_physics::{LineSpec, PlanarAir, PlanarLine};

use super::lead::Lead;
use crate::line::LoopConfig;
use crate::line::geometry::{Flat, LoopLook, look, way_of_travel};

/// Step. 1 ms moves the loop by less than 2 cm against 0.25 ms (tested with the line).
const STEP_S: f64 = 1e-3;
/// Steps between looks.
const LOOK_EVERY: usize = 4;
/// Places between two nodes of the chain.
const BETWEEN: usize = 4;

/// The loop of one run.
#[derive(Debug, Clone)]
pub(super) struct Cast {
    /// Read at the standard moment.
    pub look: LoopLook,
    /// The line then, cast frame, X and Z.
    pub line_in_cast_m: Vec<Flat>,
}

impl Cast {
    pub fn width_m(&self) -> f64 {
        self.look.width_m.abs()
    }

    /// This run's departure from `own`, laid about another.
    pub fn about(&self, own: &Self, other: &Self) -> Self {
        let mut out = other.clone();
        out.look.width_m = other.width_m() + self.width_m() - own.width_m();
        out
    }
}

/// The cubic through the nodes (Catmull & Rom 1974): a nose of 0.15 m radius is cut off by 12 mm between nodes 0.12 m apart.
fn smooth(nodes: &[Flat]) -> Vec<Flat> {
    let Some(last) = nodes.len().checked_sub(1) else { return Vec::new() };
    let mut out = Vec::with_capacity(BETWEEN * last + 1);
    for i in 0..last {
        let of = [i.saturating_sub(1), i, i + 1, (i + 2).min(last)];
        for k in 0..BETWEEN {
            let u = k as f64 / BETWEEN as f64;
            out.push([0, 1].map(|c| {
                let [p, a, b, q] = of.map(|n| nodes[n][c]);
                let bend = 2.0 * p - 5.0 * a + 4.0 * b - q + u * (3.0 * (a - b) + q - p);
                a + 0.5 * u * (b - p + u * bend)
            }));
        }
    }
    out.push(nodes[last]);
    out
}

fn ahead(curve: &[Flat], way: Flat) -> (f64, Flat) {
    let along = |p: &Flat| p[0] * way[0] + p[1] * way[1];
    let first = curve[0];
    let front = curve.iter().fold(first, |a, b| if along(b) > along(&a) { *b } else { a });
    (along(&front) - along(&first), front)
}

/// Leads the line and reads its loop; `None` when none comes to the standard moment.
pub(super) fn cast(lead: &Lead, spec: &LineSpec, config: &LoopConfig) -> Option<Cast> {
    let mut line = PlanarLine::new(spec, PlanarAir::default(), lead.at(lead.from_s)?, lead.behind);
    let mut curves: Vec<Vec<Flat>> = Vec::new();
    let steps = ((lead.rsp_s + config.longest_s - lead.from_s) / STEP_S) as usize;
    for step in 1..=steps {
        let t_s = lead.from_s + STEP_S * step as f64;
        line.step(STEP_S, lead.at(t_s)?);
        if t_s < lead.rsp_s || step % LOOK_EVERY != 0 {
            continue;
        }
        let curve = smooth(line.nodes());
        let (ahead_m, _) = ahead(&curve, [1.0, 0.0]);
        if ahead_m > 0.5 * config.travel_m[0] {
            curves.push(curve);
        }
        if ahead_m > config.travel_m[1] {
            break;
        }
    }
    let fronts: Vec<Flat> = curves
        .iter()
        .map(|c| ahead(c, [1.0, 0.0]))
        .filter(|(m, _)| *m > config.travel_m[0] && *m < config.travel_m[1])
        .map(|(_, front)| front)
        .collect();
    let way = way_of_travel(&fronts)?;
    let curve = curves.iter().find(|c| ahead(c, way).0 >= config.standard_travel_m)?;
    let look = look(curve, way, config)?;
    let line_in_cast_m = curve.iter().map(|p| lead.in_cast_m(*p)).collect();
    Some(Cast { look, line_in_cast_m })
}
