//! A chain of point masses: stretch, bending, damping, weight, air drag and a ground.
//!
//! # Model
//! Link i joins nodes i and i + 1. With `d` the vector along a link and `l` its rest length:
//! - stretch energy `EA l e^2 / 2`, `e = (|d|^2 - l^2) / (2 l^2)` (Green strain);
//! - bending energy `(EI / h) |d2/l2 - d1/l1|^2 / 2` at each joint: the discrete elastic rod without twist. The
//!   difference of unit vectors stands for the angle (0.05 % low in energy at 4.5 degrees per joint) and makes the
//!   energy quadratic in the positions, hence the force linear. At a clamp the first "link" is the grip's axis and
//!   `h` is half a link, which keeps the clamp second-order accurate;
//! - damping of stretch (along the link) and of bending (on the difference of the links' angular velocities, so that
//!   turning as a whole is not damped);
//! - drag per unit length `rho d Cdn v_n |v_n| / 2` across and `rho pi d Cdt v_t |v_t| / 2` along the link, the form of
//!   Gatti-Bono & Perkins, J. Sound Vib. 272 (2004) 773-791 (pi is outside Cdt here), lumped at the nodes.
//!
//! # Integrator
//! Implicit midpoint, with the stretch stress averaged over the ends of the step (Simo & Tarnow, ZAMP 43 (1992) 757;
//! Gonzalez, J. Nonlinear Sci. 6 (1996) 449; from memory): with that average and the quadratic bending energy the
//! scheme keeps energy and momentum exactly, to the tolerance of its Newton iteration, at any step. Chosen over small
//! explicit steps because bending waves on short, light rod links would ask for steps of microseconds, and over
//! XPBD or backward Euler because those damp the very waves (loop, dip, ring-down) that are to be measured.
//! Damping, drag and ground forces are linear in the step's mean velocity with coefficients foreseen from its start,
//! so that they can only take energy out.

use nalgebra::{Matrix3, Vector3};

use super::PhysicsError;
use super::band::{Band, W};

/// A point mass.
#[derive(Debug, Clone, PartialEq)]
pub struct Node {
    /// World frame, metres.
    pub position_m: Vector3<f64>,
    /// Metres per second.
    pub velocity_m_s: Vector3<f64>,
    /// Mass.
    pub mass_kg: f64,
    /// Moved by a hand (node 0) or kept where it is.
    pub held: bool,
    /// Drag area Cd A of something round at the node (a marker, a fly).
    pub drag_area_m2: f64,
}

/// From node i to node i + 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Link {
    /// Length without tension.
    pub rest_m: f64,
    /// EA.
    pub axial_stiffness_n: f64,
    /// Tension per strain rate.
    pub axial_damping_n_s: f64,
    /// For drag.
    pub diameter_m: f64,
    /// Across the link.
    pub drag_normal: f64,
    /// Along the link.
    pub drag_tangential: f64,
}

/// At node i, between link i - 1 (the clamp's axis for i = 0) and link i.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Joint {
    /// EI / h.
    pub stiffness_n_m: f64,
    /// Moment per rate of the angle.
    pub damping_n_m_s: f64,
}

/// Grass or water the line lies on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ground {
    /// Its height.
    pub height_m: f64,
    /// Spring: natural frequency of a node resting on it, radians per second.
    pub stiffness_rad_s: f64,
    /// Rate at which sliding and bouncing die down, per second.
    pub friction_per_s: f64,
}

/// What is around the chain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surroundings {
    /// Standard gravity 9.80665 m/s2 downward by default.
    pub gravity_m_s2: f64,
    /// 0 turns drag off.
    pub air_density_kg_m3: f64,
    /// None: bottomless.
    pub ground: Option<Ground>,
}

impl Default for Surroundings {
    fn default() -> Self {
        Self { gravity_m_s2: 9.80665, air_density_kg_m3: 1.225, ground: None }
    }
}

/// Where the clamp is at the end of a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clamp {
    /// Position of node 0.
    pub position_m: Vector3<f64>,
    /// Unit vector of the clamp's axis.
    pub axis: Vector3<f64>,
}

/// The chain.
#[derive(Debug, Clone)]
pub struct Chain {
    /// Point masses.
    pub nodes: Vec<Node>,
    /// One fewer than nodes.
    pub links: Vec<Link>,
    /// One per link: joint i bends at node i.
    pub joints: Vec<Joint>,
    /// Axis of the clamp at node 0.
    pub clamp_axis: Vector3<f64>,
    /// Gravity, air, ground.
    pub surroundings: Surroundings,
    /// Time.
    pub t_s: f64,
    /// Work done so far by what holds node 0, joules.
    pub work_j: f64,
    /// Newton iterations so far.
    pub iterations: u64,
    linear: Band,
    matrix: Band,
    damping: Band,
    rhs: Vec<f64>,
    mid: Vec<Vector3<f64>>,
    external: Vec<Vector3<f64>>,
}

/// Longest Newton iteration before a step is given up.
const MAX_ITERATIONS: usize = 30;
/// A step is solved when no node's velocity changes by more than this, metres per second: at 10^4 steps of
/// 0.25 ms an error of 10 picometres per step.
const TOLERANCE_M_S: f64 = 1e-8;

fn skew(v: &Vector3<f64>) -> Matrix3<f64> {
    v.cross_matrix()
}

fn add_block(band: &mut Band, i: usize, j: usize, m: &Matrix3<f64>) {
    for r in 0..3 {
        for c in 0..3 {
            band.add(3 * i + r, 3 * j + c, m[(r, c)]);
        }
    }
}

fn add_scalar(band: &mut Band, i: usize, j: usize, k: f64) {
    for r in 0..3 {
        band.add(3 * i + r, 3 * j + r, k);
    }
}

impl Chain {
    /// A chain at rest; `joints` may be shorter than `links`, the rest bends freely.
    #[must_use]
    pub fn new(
        nodes: Vec<Node>,
        links: Vec<Link>,
        mut joints: Vec<Joint>,
        surroundings: Surroundings,
    ) -> Self {
        joints.resize(links.len(), Joint::default());
        let n = nodes.len();
        let clamp_axis =
            if n > 1 { (nodes[1].position_m - nodes[0].position_m).normalize() } else { Vector3::z() };
        Self {
            links,
            joints,
            clamp_axis,
            surroundings,
            t_s: 0.0,
            work_j: 0.0,
            iterations: 0,
            linear: Band::zeros(3 * n),
            matrix: Band::zeros(3 * n),
            damping: Band::zeros(3 * n),
            rhs: vec![0.0; 3 * n],
            mid: vec![Vector3::zeros(); n],
            external: vec![Vector3::zeros(); n],
            nodes,
        }
    }

    fn along(&self, i: usize) -> Vector3<f64> {
        self.nodes[i + 1].position_m - self.nodes[i].position_m
    }

    /// Green strain of a link.
    #[must_use]
    pub fn strain(&self, link: usize) -> f64 {
        let l = self.links[link].rest_m;
        (self.along(link).norm_squared() - l * l) / (2.0 * l * l)
    }

    /// Tension of a link, newtons.
    #[must_use]
    pub fn tension_n(&self, link: usize) -> f64 {
        let l = self.links[link];
        l.axial_stiffness_n * self.strain(link) * self.along(link).norm() / l.rest_m
    }

    /// Kinetic energy of the free nodes plus energy of stretch, bending and height, joules.
    #[must_use]
    pub fn energy_j(&self) -> f64 {
        let g = self.surroundings.gravity_m_s2;
        let mut e: f64 = self
            .nodes
            .iter()
            .filter(|n| !n.held)
            .map(|n| n.mass_kg * (0.5 * n.velocity_m_s.norm_squared() + g * n.position_m.z))
            .sum();
        e += self.stretch_energy_j();
        for (i, joint) in self.joints.iter().enumerate() {
            if joint.stiffness_n_m > 0.0 {
                let after = self.along(i) / self.links[i].rest_m;
                let before =
                    if i == 0 { self.clamp_axis } else { self.along(i - 1) / self.links[i - 1].rest_m };
                e += 0.5 * joint.stiffness_n_m * (after - before).norm_squared();
            }
        }
        e
    }

    /// Energy of stretch, joules.
    #[must_use]
    pub fn stretch_energy_j(&self) -> f64 {
        (0..self.links.len())
            .map(|i| 0.5 * self.links[i].axial_stiffness_n * self.links[i].rest_m * self.strain(i).powi(2))
            .sum()
    }

    /// Changes the rest length of a link (line taken in or given out); the work goes to [`Self::work_j`].
    pub fn set_rest(&mut self, link: usize, rest_m: f64) {
        let energy =
            |c: &Self| 0.5 * c.links[link].axial_stiffness_n * c.links[link].rest_m * c.strain(link).powi(2);
        let before = energy(self);
        self.links[link].rest_m = rest_m;
        self.work_j += energy(self) - before;
    }

    /// Damping, drag and ground at the start of the step: a matrix on the mean velocity, and given forces.
    fn assemble_damping(&mut self, dt_s: f64, axis_rate: &Vector3<f64>) {
        // where links are at mid-step if they keep their velocity: with the start's direction a link that merely
        // turns would seem to shorten
        let mid_along = |nodes: &[Node], i: usize| {
            nodes[i + 1].position_m - nodes[i].position_m
                + 0.5 * dt_s * (nodes[i + 1].velocity_m_s - nodes[i].velocity_m_s)
        };
        self.damping.clear();
        let Surroundings { gravity_m_s2, air_density_kg_m3: rho, ground } = self.surroundings;
        for (node, f) in self.nodes.iter().zip(&mut self.external) {
            *f = Vector3::new(0.0, 0.0, -node.mass_kg * gravity_m_s2);
        }
        for i in 0..self.links.len() {
            let link = self.links[i];
            let d = mid_along(&self.nodes, i);
            let t = d.normalize();
            let tt = t * t.transpose();
            if link.axial_damping_n_s > 0.0 {
                let c = tt * (link.axial_damping_n_s / link.rest_m);
                add_block(&mut self.damping, i, i, &c);
                add_block(&mut self.damping, i + 1, i + 1, &c);
                add_block(&mut self.damping, i + 1, i, &-c);
            }
            if rho > 0.0 && link.diameter_m > 0.0 {
                let half = 0.25 * rho * link.diameter_m * link.rest_m; // half of a half
                for k in [i, i + 1] {
                    let v = self.nodes[k].velocity_m_s;
                    let along = v.dot(&t);
                    let across = (v - along * t).norm();
                    let normal = half * link.drag_normal * across;
                    let tangential = half * std::f64::consts::PI * link.drag_tangential * along.abs();
                    let m = Matrix3::identity() * normal + tt * (tangential - normal);
                    add_block(&mut self.damping, k, k, &m);
                }
            }
            let joint = self.joints[i];
            if joint.damping_n_m_s > 0.0 {
                let c = joint.damping_n_m_s;
                let a2 = skew(&d) / d.norm_squared();
                let a2t = a2.transpose();
                if i == 0 {
                    // spin of the clamp is given
                    let spin = self.clamp_axis.cross(axis_rate);
                    let m = a2t * a2 * c;
                    add_block(&mut self.damping, 0, 0, &m);
                    add_block(&mut self.damping, 1, 1, &m);
                    add_block(&mut self.damping, 1, 0, &-m);
                    let f = a2t * spin * c;
                    self.external[1] += f;
                    self.external[0] -= f;
                } else {
                    let d1 = mid_along(&self.nodes, i - 1);
                    let a1 = skew(&d1) / d1.norm_squared();
                    // relative spin = b0 v(i-1) + b1 v(i) + b2 v(i+1)
                    let b = [a1, -(a1 + a2), a2];
                    for p in 0..3 {
                        let bt = b[p].transpose() * c;
                        for (q, bq) in b.iter().enumerate().take(p + 1) {
                            add_block(&mut self.damping, i - 1 + p, i - 1 + q, &(bt * bq));
                        }
                    }
                }
            }
        }
        for (k, node) in self.nodes.iter().enumerate() {
            if rho > 0.0 && node.drag_area_m2 > 0.0 {
                let c = 0.5 * rho * node.drag_area_m2 * node.velocity_m_s.norm();
                add_scalar(&mut self.damping, k, k, c);
            }
            if let Some(ground) = ground {
                if node.position_m.z < ground.height_m && !node.held {
                    add_scalar(&mut self.damping, k, k, node.mass_kg * ground.friction_per_s);
                }
            }
        }
    }

    /// One step. `clamp`: where node 0 and its axis are at the end of it (`None`: they stay).
    ///
    /// # Errors
    /// [`PhysicsError::Diverged`].
    pub fn step(&mut self, dt_s: f64, clamp: Option<Clamp>) -> Result<(), PhysicsError> {
        let n = self.nodes.len();
        let axis_end = clamp.map_or(self.clamp_axis, |c| c.axis);
        let axis_mid = 0.5 * (self.clamp_axis + axis_end);
        let axis_rate = (axis_end - self.clamp_axis) / dt_s;
        self.assemble_damping(dt_s, &axis_rate);

        // what does not change during the iteration: mass, bending, damping, ground
        self.linear.copy_from(&self.damping);
        let half = 0.5 * dt_s;
        for (k, node) in self.nodes.iter().enumerate() {
            add_scalar(&mut self.linear, k, k, 2.0 * node.mass_kg / dt_s);
        }
        for i in 0..self.links.len() {
            let k = self.joints[i].stiffness_n_m;
            if k <= 0.0 {
                continue;
            }
            let r2 = 1.0 / self.links[i].rest_m;
            if i == 0 {
                let s = k * half * r2 * r2;
                add_scalar(&mut self.linear, 0, 0, s);
                add_scalar(&mut self.linear, 1, 1, s);
                add_scalar(&mut self.linear, 1, 0, -s);
            } else {
                let r1 = 1.0 / self.links[i - 1].rest_m;
                let b = [r1, -(r1 + r2), r2];
                for p in 0..3 {
                    for q in 0..=p {
                        add_scalar(&mut self.linear, i - 1 + p, i - 1 + q, k * half * b[p] * b[q]);
                    }
                }
            }
        }
        if let Some(ground) = self.surroundings.ground {
            for (k, node) in self.nodes.iter().enumerate() {
                if node.position_m.z < ground.height_m && !node.held {
                    let s = node.mass_kg * ground.stiffness_rad_s.powi(2);
                    self.linear.add(3 * k + 2, 3 * k + 2, s * half);
                    self.external[k].z += s * (ground.height_m - node.position_m.z);
                }
            }
        }

        for (k, node) in self.nodes.iter().enumerate() {
            self.mid[k] = match clamp {
                Some(c) if k == 0 && node.held => (c.position_m - node.position_m) / dt_s,
                _ if node.held => Vector3::zeros(),
                _ => node.velocity_m_s,
            };
        }
        let mut solved = false;
        for _ in 0..MAX_ITERATIONS {
            self.iterations += 1;
            self.matrix.copy_from(&self.linear);
            self.residual(dt_s, &axis_mid, true);
            self.hold(n);
            if !self.matrix.factor() {
                return Err(PhysicsError::Diverged { t_s: self.t_s, why: "matrix not positive definite" });
            }
            self.matrix.solve(&mut self.rhs);
            let mut largest = 0.0_f64;
            for k in 0..n {
                let delta = Vector3::new(self.rhs[3 * k], self.rhs[3 * k + 1], self.rhs[3 * k + 2]);
                self.mid[k] += delta;
                largest = largest.max(delta.amax());
            }
            if !largest.is_finite() {
                return Err(PhysicsError::Diverged { t_s: self.t_s, why: "not a number" });
            }
            if largest < TOLERANCE_M_S {
                solved = true;
                break;
            }
        }
        if !solved {
            return Err(PhysicsError::Diverged { t_s: self.t_s, why: "too many iterations" });
        }

        // work of the hand: force on node 0 along its way, moment of the clamp along its turn
        if self.nodes[0].held {
            self.residual(dt_s, &axis_mid, false);
            let force = -Vector3::new(self.rhs[0], self.rhs[1], self.rhs[2]);
            let inertia = self.nodes[0].mass_kg * 2.0 * (self.mid[0] - self.nodes[0].velocity_m_s) / dt_s;
            let weight = Vector3::new(0.0, 0.0, self.nodes[0].mass_kg * self.surroundings.gravity_m_s2);
            self.work_j += (force - inertia - weight).dot(&self.mid[0]) * dt_s;
            if self.joints[0].stiffness_n_m > 0.0 {
                let d_mid = self.along(0) + half * (self.mid[1] - self.mid[0]);
                let bend = d_mid / self.links[0].rest_m - axis_mid;
                self.work_j -= self.joints[0].stiffness_n_m * bend.dot(&(axis_end - self.clamp_axis));
            }
        }
        for (node, mid) in self.nodes.iter_mut().zip(&self.mid) {
            node.position_m += dt_s * mid;
            node.velocity_m_s = if node.held { *mid } else { 2.0 * mid - node.velocity_m_s };
        }
        self.clamp_axis = axis_end;
        self.t_s += dt_s;
        Ok(())
    }

    /// Force minus inertia into `rhs`; with `jacobian`, the stretch's part of the matrix is added.
    fn residual(&mut self, dt_s: f64, axis_mid: &Vector3<f64>, jacobian: bool) {
        let n = self.nodes.len();
        let half = 0.5 * dt_s;
        self.rhs.fill(0.0);
        let put = |rhs: &mut [f64], k: usize, f: &Vector3<f64>| {
            rhs[3 * k] += f.x;
            rhs[3 * k + 1] += f.y;
            rhs[3 * k + 2] += f.z;
        };
        for k in 0..n {
            let node = &self.nodes[k];
            let f = self.external[k] - node.mass_kg * 2.0 * (self.mid[k] - node.velocity_m_s) / dt_s;
            put(&mut self.rhs, k, &f);
        }
        if let Some(ground) = self.surroundings.ground {
            for k in 0..n {
                let node = &self.nodes[k];
                if node.position_m.z < ground.height_m && !node.held {
                    let s = node.mass_kg * ground.stiffness_rad_s.powi(2);
                    self.rhs[3 * k + 2] -= s * half * self.mid[k].z;
                }
            }
        }
        // damping times mean velocity
        for i in 0..3 * n {
            let mut sum = 0.0;
            for j in i.saturating_sub(W)..(i + W + 1).min(3 * n) {
                sum += self.damping.get(i, j) * self.mid[j / 3][j % 3];
            }
            self.rhs[i] -= sum;
        }
        for i in 0..self.links.len() {
            let link = self.links[i];
            let l = link.rest_m;
            let d0 = self.along(i);
            let rel = self.mid[i + 1] - self.mid[i];
            let d1 = d0 + dt_s * rel;
            let dm = d0 + half * rel;
            let mean_strain = (0.5 * (d0.norm_squared() + d1.norm_squared()) - l * l) / (2.0 * l * l);
            let stress = link.axial_stiffness_n * mean_strain;
            let f = dm * (stress / l);
            put(&mut self.rhs, i, &f);
            put(&mut self.rhs, i + 1, &-f);
            if jacobian {
                let c = link.axial_stiffness_n * half / (l * l * l);
                let m = (dm * d1.transpose() + d1 * dm.transpose()) * (0.5 * c)
                    + Matrix3::identity() * (stress.max(0.0) * half / l);
                add_block(&mut self.matrix, i, i, &m);
                add_block(&mut self.matrix, i + 1, i + 1, &m);
                add_block(&mut self.matrix, i + 1, i, &-m);
            }
            let k = self.joints[i].stiffness_n_m;
            if k > 0.0 {
                if i == 0 {
                    let w = (dm / l - axis_mid) * (k / l);
                    put(&mut self.rhs, 1, &-w);
                    put(&mut self.rhs, 0, &w);
                } else {
                    let l1 = self.links[i - 1].rest_m;
                    let dm1 = self.along(i - 1) + half * (self.mid[i] - self.mid[i - 1]);
                    let w = (dm / l - dm1 / l1) * k;
                    put(&mut self.rhs, i + 1, &(-w / l));
                    put(&mut self.rhs, i, &(w / l + w / l1));
                    put(&mut self.rhs, i - 1, &(-w / l1));
                }
            }
        }
    }

    /// Takes held nodes out of the equations.
    fn hold(&mut self, n: usize) {
        for k in (0..n).filter(|k| self.nodes[*k].held) {
            for r in 3 * k..3 * k + 3 {
                for j in r.saturating_sub(W)..=r {
                    let old = self.matrix.get(r, j);
                    self.matrix.add(r, j, -old);
                }
                for i in r + 1..(r + W + 1).min(3 * n) {
                    let old = self.matrix.get(i, r);
                    self.matrix.add(i, r, -old);
                }
                self.matrix.add(r, r, 1.0);
                self.rhs[r] = 0.0;
            }
        }
    }
}
