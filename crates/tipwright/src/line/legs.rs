//! From points to curves: the legs are followed from the nose's front backward, step by step along their own direction,
//! so that they are kept apart where they cross.

use super::geometry::{Flat, dot, minus};
use super::side::SidePoint;

/// Step along a leg.
const STEP_M: f64 = 0.025;
/// Points this near across to where the leg should go are its own; farther after a gap.
const GATE_M: f64 = 0.03;
/// And this near along.
const NEAR_M: f64 = 0.03;
/// And run within this angle of it: cosine of 35 degrees.
const ALIKE: f64 = 0.82;
/// Longest stretch bridged without points.
const LONGEST_GAP_M: f64 = 0.30;
/// A leg has come to the tip when it is this near.
const AT_TIP_M: f64 = 0.12;

/// A followed leg.
#[derive(Debug, Clone, Default)]
pub(super) struct Leg {
    /// From the front backward; ends where points were last seen.
    pub curve: Vec<Flat>,
    /// Steps with points among those up to each vertex.
    pub seen: Vec<bool>,
    /// It came to the tip.
    pub at_tip: bool,
    /// Root mean square distance of its points.
    pub scatter_m: f64,
}

impl Leg {
    /// Share of steps with points as far as `behind_m` behind the front.
    pub fn share_seen(&self, way: Flat, behind_m: f64) -> f64 {
        let front = self.curve.first().map_or(0.0, |p| dot(*p, way));
        let upto = self.curve.iter().take_while(|p| front - dot(**p, way) < behind_m).count();
        if upto == 0 {
            return 0.0;
        }
        self.seen[..upto].iter().filter(|s| **s).count() as f64 / upto as f64
    }
}

/// Points in cells, for looking around.
pub(super) struct Cells {
    low: Flat,
    columns: usize,
    rows: usize,
    cells: Vec<Vec<SidePoint>>,
}

const CELL_M: f64 = 0.08;

impl Cells {
    pub fn new(points: &[SidePoint]) -> Option<Self> {
        let first = points.first()?;
        let (mut low, mut high) = (first.at, first.at);
        for p in points {
            for k in 0..2 {
                low[k] = f64::min(low[k], p.at[k]);
                high[k] = f64::max(high[k], p.at[k]);
            }
        }
        let columns = ((high[0] - low[0]) / CELL_M) as usize + 1;
        let rows = ((high[1] - low[1]) / CELL_M) as usize + 1;
        if columns * rows > 4_000_000 {
            return None;
        }
        let mut cells = vec![Vec::new(); columns * rows];
        for p in points {
            let [x, y] = [0, 1].map(|k| ((p.at[k] - low[k]) / CELL_M) as usize);
            cells[y * columns + x].push(*p);
        }
        Some(Self { low, columns, rows, cells })
    }

    fn around(&self, at: Flat) -> impl Iterator<Item = &SidePoint> {
        let cell = |k: usize, most: usize| {
            let i = ((at[k] - self.low[k]) / CELL_M).floor();
            let first = (i - 1.0).max(0.0) as usize;
            let last = ((i + 1.0).max(-1.0) + 1.0) as usize;
            first..last.min(most)
        };
        let columns = cell(0, self.columns);
        cell(1, self.rows)
            .flat_map(move |row| columns.clone().map(move |column| (row, column)))
            .flat_map(|(row, column)| &self.cells[row * self.columns + column])
    }

    /// Follows a leg from the front. `first`: unit vector to set out along. Ends at the tip, `longest_m` behind
    /// the front along `way`, or where it is lost.
    pub fn follow(&self, front: Flat, first: Flat, tip: Flat, way: Flat, longest_m: f64) -> Leg {
        let mut leg = Leg { curve: vec![front], seen: vec![true], ..Leg::default() };
        let (mut at, mut to) = (front, first);
        let (mut gap_m, mut sum2, mut n) = (0.0, 0.0, 0.0);
        let mut last_seen = 0;
        for _ in 0..600 {
            let foreseen = [at[0] + STEP_M * to[0], at[1] + STEP_M * to[1]];
            let gate_m = GATE_M + 0.15 * gap_m;
            let normal = [-to[1], to[0]];
            let mut own: Vec<(f64, Flat)> = Vec::new();
            for p in self.around(foreseen) {
                let d = minus(p.at, foreseen);
                let (across, alike) = (dot(d, normal), dot(p.along, to));
                if across.abs() < gate_m && dot(d, to).abs() < NEAR_M && alike.abs() > ALIKE {
                    own.push((across, [p.along[0] * alike.signum(), p.along[1] * alike.signum()]));
                }
            }
            if own.len() >= 2 {
                own.sort_by(|a, b| a.0.total_cmp(&b.0));
                let middle = own[own.len() / 2].0;
                let (mut w, mut shift, mut mean) = (0.0, 0.0, [0.0, 0.0]);
                for (across, along) in &own {
                    let weight = 1.0 / (1.0 + ((across - middle) / 0.01).powi(2));
                    w += weight;
                    shift += weight * across;
                    mean = [mean[0] + weight * along[0], mean[1] + weight * along[1]];
                }
                shift /= w;
                for (across, _) in &own {
                    if (across - shift).abs() < 0.02 {
                        sum2 += (across - shift).powi(2);
                        n += 1.0;
                    }
                }
                at = [foreseen[0] + shift * normal[0], foreseen[1] + shift * normal[1]];
                let turned = [0.25 * to[0] + 0.75 * mean[0] / w, 0.25 * to[1] + 0.75 * mean[1] / w];
                let length = dot(turned, turned).sqrt().max(1e-9);
                to = [turned[0] / length, turned[1] / length];
                gap_m = 0.0;
                leg.curve.push(at);
                leg.seen.push(true);
                last_seen = leg.curve.len();
            } else {
                at = foreseen;
                gap_m += STEP_M;
                leg.curve.push(at);
                leg.seen.push(false);
            }
            let to_tip = minus(at, tip);
            if dot(to_tip, to_tip).sqrt() < AT_TIP_M {
                leg.at_tip = true;
                leg.curve.push(tip);
                leg.seen.push(true);
                last_seen = leg.curve.len();
                break;
            }
            if gap_m > LONGEST_GAP_M || dot(front, way) - dot(at, way) > longest_m {
                break;
            }
        }
        leg.curve.truncate(last_seen.max(1));
        leg.seen.truncate(last_seen.max(1));
        leg.scatter_m = if n > 0.0 { f64::sqrt(sum2 / n) } else { f64::NAN };
        leg
    }
}
