//! The loop of each stroke as the simulated line was, by the definitions in `crates/tipwright/src/line/README.md` and
//! nothing else: written apart from the measuring library. The line's nodes are known in order from the tip to the fly,
//! so nothing has to be found.

use nalgebra::{Point3, Vector2, Vector3};
use tipwright::model::stroke::LoopShape;
use tipwright::model::{FigureId, Figures, Measured};

use tipwright_physics::motion::RodMotion;

/// Standard moment: nose ahead of the tip.
const STANDARD_M: f64 = 1.5;
/// Travel over which trajectory, speed and narrowest width are read.
const TRAVEL_M: [f64; 2] = [0.75, 2.25];
/// Section no nearer to the front than this.
const SECTION_M: f64 = 0.3;
/// Fly leg read to so far behind the front.
const FLY_LEG_M: f64 = 2.5;
/// Straight when within this share of its length.
const STRAIGHT_SHARE: f64 = 0.04;
/// A crossing comes out by this much.
const CROSSING_M: f64 = 0.03;
/// Time between looks.
const STEP_S: f64 = 0.004;
/// And how long after rod straight position.
const LONGEST_S: f64 = 0.8;

/// The loop at the standard moment.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueLoop {
    /// Time in the take.
    pub t_s: f64,
    /// Width, negative when the fly leg is the lower one.
    pub width_m: f64,
    /// Smallest width over the travel.
    pub narrowest_m: f64,
    /// Speed of the nose along its trajectory.
    pub nose_m_s: f64,
    /// Mean speed of the fly leg along the trajectory, from its own nodes.
    pub fly_leg_m_s: f64,
    /// Elevation of the trajectory.
    pub angle_deg: f64,
    /// Dip of the fly leg.
    pub dip_m: f64,
    /// Dome of the fly leg.
    pub dome_m: f64,
    /// Crossings.
    pub crossings: u32,
    /// Smallest separation from the section to the tip; negative: crossed.
    pub least_separation_m: f64,
    /// Shape.
    pub shape: LoopShape,
    /// Line beyond the nose, unstrained: what is still to unroll.
    pub to_unroll_m: f64,
}

/// The line in the plane along `way` and up.
struct Flat {
    nodes: Vec<Vector2<f64>>,
}

/// Places between two nodes of the chain.
const BETWEEN: usize = 6;

/// The line between the nodes of its chain: the cubic through them (Catmull & Rom 1974) that the pictures show too. A nose of
/// 0.15 m radius is cut off by 12 mm between nodes 0.12 m apart.
#[must_use]
pub fn smooth_line(nodes: &[Point3<f64>]) -> Vec<Point3<f64>> {
    let Some(last) = nodes.len().checked_sub(1) else { return Vec::new() };
    let mut out = Vec::with_capacity(BETWEEN * last + 1);
    for i in 0..last {
        let [p, a, b, q] = [i.saturating_sub(1), i, i + 1, (i + 2).min(last)].map(|k| nodes[k].coords);
        for k in 0..BETWEEN {
            let u = k as f64 / BETWEEN as f64;
            let bend = 2.0 * p - 5.0 * a + 4.0 * b - q + u * (3.0 * (a - b) + q - p);
            out.push(Point3::from(a + 0.5 * u * (b - p + u * bend)));
        }
    }
    out.push(nodes[last]);
    out
}

impl Flat {
    fn at(motion: &RodMotion, way: &Vector3<f64>, t_s: f64) -> Self {
        let flat = |p: &Point3<f64>| Vector2::new(p.coords.dot(way), p.z);
        Self { nodes: smooth_line(&motion.line_nodes_at(t_s)).iter().map(flat).collect() }
    }

    /// Foremost place along `along`: its value, and the node it is nearest to.
    fn front(&self, along: &Vector2<f64>) -> Option<(f64, usize)> {
        let x: Vec<f64> = self.nodes.iter().map(|p| p.dot(along)).collect();
        let i = (0..x.len()).max_by(|a, b| x[*a].total_cmp(&x[*b]))?;
        if i == 0 || i + 1 >= x.len() {
            return None;
        }
        let (_, top) = super::top(x[i - 1], x[i], x[i + 1]);
        Some((top, i))
    }

    /// Where the leg on one side of node `i` first falls behind `level`, and the node beyond.
    fn behind(
        &self,
        along: &Vector2<f64>,
        i: usize,
        outward: bool,
        level: f64,
    ) -> Option<(Vector2<f64>, usize)> {
        let mut k = i;
        loop {
            let next = if outward { (k + 1 < self.nodes.len()).then_some(k + 1)? } else { k.checked_sub(1)? };
            let (a, b) = (self.nodes[k].dot(along), self.nodes[next].dot(along));
            if b < level {
                let u = ((a - level) / (a - b)).clamp(0.0, 1.0);
                return Some((self.nodes[k] + u * (self.nodes[next] - self.nodes[k]), next));
            }
            k = next;
        }
    }
}

/// Separation at a distance behind the front: rod leg, fly leg, node beyond on the fly leg.
type Pair = (Vector2<f64>, Vector2<f64>, usize);

struct Section {
    width_m: f64,
    behind_m: f64,
    fly: (Vector2<f64>, usize),
}

fn pair(line: &Flat, along: &Vector2<f64>, front: (f64, usize), behind_m: f64) -> Option<Pair> {
    let (rod, _) = line.behind(along, front.1, false, front.0 - behind_m)?;
    let (fly, k) = line.behind(along, front.1, true, front.0 - behind_m)?;
    Some((rod, fly, k))
}

fn section(line: &Flat, along: &Vector2<f64>, up: &Vector2<f64>) -> Option<(Section, (f64, usize))> {
    let front = line.front(along)?;
    (0..600).find_map(|i| {
        let behind_m = SECTION_M + 0.005 * f64::from(i);
        let (rod, fly, k) = pair(line, along, front, behind_m)?;
        let width_m = (fly - rod).dot(up);
        (width_m.abs() <= 2.0 * behind_m).then_some((Section { width_m, behind_m, fly: (fly, k) }, front))
    })
}

/// The loop of a stroke that was straight at `rsp_s` and went `chord`; `None` when no loop came to the standard moment.
#[must_use]
pub fn true_loop(motion: &RodMotion, chord: &Vector3<f64>, rsp_s: f64) -> Option<TrueLoop> {
    if motion.line_at_m.is_empty() {
        return None;
    }
    let way = Vector3::new(chord.x, chord.y, 0.0).normalize();
    let flat_tip = |t_s: f64| {
        let p = motion.tip_at(t_s);
        Vector2::new(p.coords.dot(&way), p.z)
    };
    // horizontal fronts fix the trajectory
    let mut places = Vec::new();
    let mut t_s = rsp_s;
    while t_s < (rsp_s + LONGEST_S).min(motion.end_s()) {
        let line = Flat::at(motion, &way, t_s);
        if let Some((x, i)) = line.front(&Vector2::x()) {
            let ahead = x - flat_tip(t_s).x;
            if ahead > TRAVEL_M[0] && ahead < TRAVEL_M[1] {
                places.push(Vector2::new(x, line.nodes[i].y));
            } else if ahead >= TRAVEL_M[1] {
                break;
            }
        }
        t_s += STEP_S;
    }
    let along = principal(&places)?;
    let up = Vector2::new(-along.y, along.x);
    let travel = |t_s: f64| {
        let line = Flat::at(motion, &way, t_s);
        line.front(&along).map(|f| (f.0 - flat_tip(t_s).dot(&along), f.0))
    };
    let (mut standard_s, mut narrowest_m, mut fronts) = (None, f64::INFINITY, Vec::new());
    let mut before: Option<(f64, f64)> = None;
    let mut t_s = rsp_s;
    while t_s < (rsp_s + LONGEST_S).min(motion.end_s()) {
        if let Some((ahead, front)) = travel(t_s) {
            if let Some((bt, b)) = before
                && standard_s.is_none()
                && b < STANDARD_M
                && ahead >= STANDARD_M
            {
                standard_s = Some(bt + (t_s - bt) * (STANDARD_M - b) / (ahead - b));
            }
            before = Some((t_s, ahead));
            if (TRAVEL_M[0]..=TRAVEL_M[1]).contains(&ahead) {
                fronts.push((t_s, front));
                let line = Flat::at(motion, &way, t_s);
                if let Some((s, _)) = section(&line, &along, &up) {
                    narrowest_m = f64::min(narrowest_m, s.width_m.abs());
                }
            } else if ahead > TRAVEL_M[1] {
                break;
            }
        }
        t_s += STEP_S;
    }
    let t_s = standard_s?;
    let line = Flat::at(motion, &way, t_s);
    let (cut, front) = section(&line, &along, &up)?;
    let side = cut.width_m.signum();
    let (mut least_m, mut at_side, mut crossings) = (f64::INFINITY, 1.0, 0);
    let mut behind_m = cut.behind_m;
    while behind_m < STANDARD_M {
        let Some((rod, fly, _)) = pair(&line, &along, front, behind_m) else { break };
        let w = side * (fly - rod).dot(&up);
        least_m = f64::min(least_m, w);
        if w * at_side < -CROSSING_M {
            at_side = -at_side;
            crossings += 1;
        }
        behind_m += 0.01;
    }
    let (dip_m, dome_m, length_m) = fly_leg(&line, &along, cut.fly, front.0 - FLY_LEG_M, side);
    let shape = match crossings {
        0 if dip_m.max(dome_m) <= STRAIGHT_SHARE * length_m => LoopShape::Straight,
        0 if dip_m > dome_m => LoopShape::Concave,
        0 => LoopShape::Convex,
        1 => LoopShape::Crossing,
        _ => LoopShape::Tailing,
    };
    let later = Flat::at(motion, &way, t_s + 5e-4);
    let earlier = Flat::at(motion, &way, t_s - 5e-4);
    // the fly leg from the section to its far end of what is read: mean over its nodes
    let far = front.0 - FLY_LEG_M;
    let nodes: Vec<usize> =
        (cut.fly.1..line.nodes.len()).take_while(|k| line.nodes[*k].dot(&along) > far).collect();
    let fly_leg_m_s =
        nodes.iter().map(|k| (later.nodes[*k] - earlier.nodes[*k]).dot(&along) / 1e-3).sum::<f64>()
            / nodes.len().max(1) as f64;
    Some(TrueLoop {
        t_s,
        width_m: cut.width_m,
        narrowest_m,
        nose_m_s: slope(&fronts, t_s)?,
        fly_leg_m_s,
        angle_deg: along.y.atan2(along.x).to_degrees(),
        dip_m,
        dome_m,
        crossings,
        least_separation_m: least_m,
        shape,
        to_unroll_m: {
            let (node, rest) = (front.1 / BETWEEN, front.1 % BETWEEN);
            let at = |k: usize| motion.line_at_m[k.min(motion.line_at_m.len() - 1)];
            at(usize::MAX) - at(node) - (at(node + 1) - at(node)) * rest as f64 / BETWEEN as f64
        },
    })
}

/// Unit vector of the orthogonal least-squares line, forward.
fn principal(places: &[Vector2<f64>]) -> Option<Vector2<f64>> {
    if places.len() < 3 {
        return None;
    }
    let mean = places.iter().sum::<Vector2<f64>>() / places.len() as f64;
    let spread =
        places.iter().fold(nalgebra::Matrix2::zeros(), |m, p| m + (p - mean) * (p - mean).transpose());
    let eigen = spread.symmetric_eigen();
    let axis = eigen.eigenvectors.column(eigen.eigenvalues.imax()).into_owned();
    Some(if axis.x < 0.0 { -axis } else { axis })
}

/// Slope at `t_s` of the least-squares parabola.
fn slope(points: &[(f64, f64)], t_s: f64) -> Option<f64> {
    let rows = nalgebra::DMatrix::from_fn(points.len(), 3, |i, k| (points[i].0 - t_s).powi(k as i32));
    let values = nalgebra::DVector::from_fn(points.len(), |i, _| points[i].1);
    rows.svd(true, true).solve(&values, 1e-12).ok().map(|c| c[1])
}

fn fly_leg(
    line: &Flat,
    along: &Vector2<f64>,
    (start, from): (Vector2<f64>, usize),
    far: f64,
    side: f64,
) -> (f64, f64, f64) {
    let mut leg = vec![start];
    let mut k = from;
    while k < line.nodes.len() && line.nodes[k].dot(along) >= far {
        leg.push(line.nodes[k]);
        k += 1;
    }
    if k < line.nodes.len() {
        let (a, b) = (leg[leg.len() - 1], line.nodes[k]);
        let u = (a.dot(along) - far) / (a.dot(along) - b.dot(along));
        leg.push(a + u.clamp(0.0, 1.0) * (b - a));
    }
    let chord = leg[leg.len() - 1] - start;
    let length_m = chord.norm().max(1e-9);
    let (mut dip_m, mut dome_m) = (0.0_f64, 0.0_f64);
    for p in &leg {
        let r = p - start;
        // the chord runs backward: its left-hand normal, turned to the upper side
        let off = side * (chord.y * r.x - chord.x * r.y) / length_m * if along.x > 0.0 { 1.0 } else { -1.0 };
        dip_m = dip_m.max(-off);
        dome_m = dome_m.max(off);
    }
    (dip_m, dome_m, length_m)
}

impl TrueLoop {
    /// Enters the figures of the loop; `before`: width of the stroke before.
    pub fn put_into(&self, figures: &mut Figures, before: Option<f64>) {
        let mut put = |id, value| figures.set(id, Measured::new(value, 0.0));
        put(FigureId::LoopWidth, self.width_m.abs());
        put(FigureId::LoopNarrowest, self.narrowest_m);
        put(FigureId::LoopSpeed, self.nose_m_s);
        put(FigureId::LoopAngle, self.angle_deg);
        put(FigureId::FlyLegSpeed, self.fly_leg_m_s);
        put(FigureId::FlyLegDip, self.dip_m);
        put(FigureId::LoopCrossings, f64::from(self.crossings));
        // what is predicted is to be the loop as it was
        put(FigureId::LoopWidthPredicted, self.width_m.abs());
        put(FigureId::LoopCrossingsPredicted, f64::from(self.crossings.min(2)));
        put(FigureId::FlyLegDipPredicted, self.dip_m);
        if let Some(before) = before {
            put(FigureId::LoopSymmetry, self.width_m.abs() / before);
        }
    }
}

#[cfg(test)]
mod tests;
