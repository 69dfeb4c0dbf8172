//! A line in a plane, led by its end: the fast model of what a path of the tip does to a line.
//!
//! Point masses on links that do not stretch. The first node goes where it is told; weight, air and a little damping of the
//! bends act on the others (the forms of [`crate::chain`]). What keeps the links' lengths are forces along them as they were
//! at the step's start, found by Newton's iteration on lengths at its end: one row a link, each touching its neighbours only
//! (SHAKE: Ryckaert, Ciccotti & Berendsen, J. Comput. Phys. 23 (1977) 327, from memory). With the positions' difference as
//! velocity that is Verlet's scheme: it neither damps nor feeds the waves that make a loop and a tail.
//!
//! Metres, seconds, newtons; a place is (along the cast, up).

use super::line::LineSpec;

/// A place or vector in the plane.
pub type Flat = [f64; 2];

/// What is around the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlanarAir {
    /// Downward.
    pub gravity_m_s2: f64,
    /// 0 turns drag off.
    pub air_density_kg_m3: f64,
}

impl Default for PlanarAir {
    fn default() -> Self {
        Self { gravity_m_s2: 9.80665, air_density_kg_m3: 1.225 }
    }
}

/// Links' lengths are kept to this share.
const LENGTH_SHARE: f64 = 1e-6;
const MOST_ITERATIONS: usize = 8;
/// A link that is off by this share of its square is not found by more iterations.
const FAR_OFF: f64 = 10.0;
const MOST_HALVINGS: u32 = 6;

/// What does not change of a link and the joint at its first node.
#[derive(Debug, Clone, Copy)]
struct Part {
    length_m: f64,
    /// Half of half of density, diameter and length: times a squared speed, a node's share of the drag.
    drag: f64,
    normal: f64,
    tangential: f64,
    joint_damping: f64,
}

/// The line.
#[derive(Debug, Clone)]
pub struct PlanarLine {
    parts: Vec<Part>,
    /// One per node; 0 for the first, which goes where it is told.
    inverse_kg: Vec<f64>,
    masses_kg: Vec<f64>,
    gravity_m_s2: f64,
    at: Vec<Flat>,
    speed: Vec<Flat>,
    /// Tension of the last step, newtons; a start for the next.
    tension_n: Vec<f64>,
    force: Vec<Flat>,
    along: Vec<Flat>,
    next: Vec<Flat>,
    rows: Vec<Row>,
}

#[derive(Debug, Clone, Copy, Default)]
struct Row {
    before: f64,
    own: f64,
    after: f64,
    rest: f64,
}

fn dot(a: Flat, b: Flat) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

fn cross(a: Flat, b: Flat) -> f64 {
    a[0] * b[1] - a[1] * b[0]
}

fn minus(a: Flat, b: Flat) -> Flat {
    [a[0] - b[0], a[1] - b[1]]
}

fn add(to: &mut Flat, share: f64, what: Flat) {
    to[0] += share * what[0];
    to[1] += share * what[1];
}

impl PlanarLine {
    /// A line at rest, straight from `tip` along the unit vector `toward`.
    #[must_use]
    pub fn new(spec: &LineSpec, air: PlanarAir, tip: Flat, toward: Flat) -> Self {
        let (links, joints, masses_kg) = spec.parts();
        let parts: Vec<Part> = links
            .iter()
            .zip(&joints)
            .map(|(link, joint)| Part {
                length_m: link.rest_m,
                drag: 0.25 * air.air_density_kg_m3 * link.diameter_m * link.rest_m,
                normal: link.drag_normal,
                tangential: std::f64::consts::PI * link.drag_tangential,
                joint_damping: joint.damping_n_m_s,
            })
            .collect();
        let mut at = vec![tip];
        for part in &parts {
            let mut next = at[at.len() - 1];
            add(&mut next, part.length_m, toward);
            at.push(next);
        }
        let (nodes, links) = (at.len(), parts.len());
        let mut inverse_kg: Vec<f64> = masses_kg.iter().map(|m| 1.0 / m).collect();
        inverse_kg[0] = 0.0;
        Self {
            parts,
            inverse_kg,
            masses_kg,
            gravity_m_s2: air.gravity_m_s2,
            speed: vec![[0.0; 2]; nodes],
            tension_n: vec![0.0; links],
            force: vec![[0.0; 2]; nodes],
            along: vec![[0.0; 2]; links],
            next: at.clone(),
            rows: vec![Row::default(); links],
            at,
        }
    }

    /// Places from the tip to the fly.
    #[must_use]
    pub fn nodes(&self) -> &[Flat] {
        &self.at
    }

    /// Velocities of the nodes.
    #[must_use]
    pub fn velocities(&self) -> &[Flat] {
        &self.speed
    }

    /// Tension of each link over the last step, newtons.
    #[must_use]
    pub fn tensions_n(&self) -> &[f64] {
        &self.tension_n
    }

    /// Puts the line elsewhere: places and velocities of every node. Links must have their lengths.
    pub fn lay(&mut self, place: impl Fn(usize) -> (Flat, Flat)) {
        for k in 0..self.at.len() {
            (self.at[k], self.speed[k]) = place(k);
        }
        self.tension_n.fill(0.0);
    }

    /// One step; the tip is at `tip` at its end. Where a link turns too far for the iteration, as in the crack of a leader that
    /// turns over, the step is taken in halves, down to a sixty-fourth. False: even that was too long, and the links were
    /// laid end to end as they pointed.
    pub fn step(&mut self, dt_s: f64, tip: Flat) -> bool {
        self.step_in_parts(dt_s, tip, MOST_HALVINGS)
    }

    fn step_in_parts(&mut self, dt_s: f64, tip: Flat, halvings: u32) -> bool {
        if self.try_step(dt_s, tip) {
            return true;
        }
        if halvings == 0 {
            self.lay_end_to_end(dt_s);
            return false;
        }
        let middle = [0.5 * (self.at[0][0] + tip[0]), 0.5 * (self.at[0][1] + tip[1])];
        let first = self.step_in_parts(0.5 * dt_s, middle, halvings - 1);
        self.step_in_parts(0.5 * dt_s, tip, halvings - 1) && first
    }

    /// The step, or nothing where the links cannot be kept.
    fn try_step(&mut self, dt_s: f64, tip: Flat) -> bool {
        self.forces();
        let square = dt_s * dt_s;
        self.next[0] = tip;
        for k in 1..self.at.len() {
            let mut next = self.at[k];
            add(&mut next, dt_s, self.speed[k]);
            add(&mut next, square * self.inverse_kg[k], self.force[k]);
            self.next[k] = next;
        }
        for i in 0..self.parts.len() {
            self.pull(i, square * self.tension_n[i] / self.parts[i].length_m);
        }
        for _ in 0..MOST_ITERATIONS {
            let off = self.lengths_off();
            if off < LENGTH_SHARE {
                self.take_over(dt_s);
                return true;
            }
            if !(off < FAR_OFF) {
                break;
            }
            self.solve_rows();
            for i in 0..self.parts.len() {
                let more = self.rows[i].rest;
                self.tension_n[i] += more * self.parts[i].length_m / square;
                self.pull(i, more);
            }
        }
        self.tension_n.fill(0.0);
        false
    }

    fn take_over(&mut self, dt_s: f64) {
        for k in 0..self.at.len() {
            self.speed[k] = minus(self.next[k], self.at[k]).map(|d| d / dt_s);
        }
        std::mem::swap(&mut self.at, &mut self.next);
    }

    /// Every link with its length, the way it would point without pulls, from the tip on.
    fn lay_end_to_end(&mut self, dt_s: f64) {
        for k in 1..self.at.len() {
            let mut next = self.at[k];
            add(&mut next, dt_s, self.speed[k]);
            let d = minus(next, self.next[k - 1]);
            let share = self.parts[k - 1].length_m / dot(d, d).sqrt().max(1e-9);
            self.next[k] = self.next[k - 1];
            add(&mut self.next[k], share, d);
        }
        self.take_over(dt_s);
    }

    /// Moves both ends of a link together by a pull of `share` times the link as it was.
    fn pull(&mut self, i: usize, share: f64) {
        let along = self.along[i];
        add(&mut self.next[i], share * self.inverse_kg[i], along);
        add(&mut self.next[i + 1], -share * self.inverse_kg[i + 1], along);
    }

    /// Rows of Newton's iteration on the links' lengths; the largest share by which one is off.
    fn lengths_off(&mut self) -> f64 {
        let mut worst = 0.0_f64;
        let last = self.parts.len() - 1;
        for i in 0..=last {
            let e = minus(self.next[i + 1], self.next[i]);
            let square = self.parts[i].length_m.powi(2);
            let off = dot(e, e) - square;
            worst = worst.max((off / square).abs());
            let [a, b] = [self.inverse_kg[i], self.inverse_kg[i + 1]];
            self.rows[i] = Row {
                before: if i > 0 { -a * dot(e, self.along[i - 1]) } else { 0.0 },
                own: (a + b) * dot(e, self.along[i]),
                after: if i < last { -b * dot(e, self.along[i + 1]) } else { 0.0 },
                rest: 0.5 * off,
            };
        }
        worst
    }

    /// Solves the rows; the solution is left in `rest`.
    fn solve_rows(&mut self) {
        let rows = &mut self.rows;
        for i in 1..rows.len() {
            let share = rows[i].before / rows[i - 1].own;
            rows[i].own -= share * rows[i - 1].after;
            rows[i].rest -= share * rows[i - 1].rest;
        }
        for i in (0..rows.len()).rev() {
            let beyond = rows.get(i + 1).map_or(0.0, |r| rows[i].after * r.rest);
            rows[i].rest = (rows[i].rest - beyond) / rows[i].own;
        }
    }

    /// Weight, air and damping of bends at the step's start.
    fn forces(&mut self) {
        for (f, m) in self.force.iter_mut().zip(&self.masses_kg) {
            *f = [0.0, -m * self.gravity_m_s2];
        }
        for i in 0..self.parts.len() {
            let part = self.parts[i];
            let d = minus(self.at[i + 1], self.at[i]);
            self.along[i] = d;
            let unit = d.map(|x| x / part.length_m);
            let normal = [-unit[1], unit[0]];
            if part.drag > 0.0 {
                for k in [i, i + 1] {
                    let (across, along) = (cross(unit, self.speed[k]), dot(unit, self.speed[k]));
                    let f = &mut self.force[k];
                    add(f, -part.drag * part.normal * across.abs() * across, normal);
                    add(f, -part.drag * part.tangential * along.abs() * along, unit);
                }
            }
            if i > 0 && part.joint_damping > 0.0 {
                self.damp(i);
            }
        }
    }

    /// Moment against the rate of the angle at node `i`, as forces on it and its neighbours.
    fn damp(&mut self, i: usize) {
        let arm = |k: usize| {
            let (d, l) = (self.along[k], self.parts[k].length_m);
            [-d[1] / (l * l), d[0] / (l * l)]
        };
        let (a, b) = (arm(i - 1), arm(i));
        let rate =
            dot(b, minus(self.speed[i + 1], self.speed[i])) - dot(a, minus(self.speed[i], self.speed[i - 1]));
        let moment = self.parts[i].joint_damping * rate;
        add(&mut self.force[i + 1], -moment, b);
        add(&mut self.force[i], moment, [a[0] + b[0], a[1] + b[1]]);
        add(&mut self.force[i - 1], -moment, a);
    }
}
