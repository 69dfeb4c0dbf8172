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

use nalgebra::Vector3;

use super::band::Band;

mod damping;
mod step;

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
    flat: Vec<f64>,
    mid: Vec<Vector3<f64>>,
    external: Vec<Vector3<f64>>,
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
            flat: vec![0.0; 3 * n],
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
}
