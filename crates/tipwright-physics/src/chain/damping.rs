//! What takes energy out: damping, air, ground; as a matrix on the step's mean velocity, and weight.

use nalgebra::{Matrix3, Vector3};

use super::step::{add_block, add_scalar};
use super::{Chain, Node, Surroundings};

fn skew(v: &Vector3<f64>) -> Matrix3<f64> {
    v.cross_matrix()
}

impl Chain {
    /// Damping, drag and ground at the start of the step: a matrix on the mean velocity, and given forces.
    pub(super) fn assemble_damping(&mut self, dt_s: f64, axis_rate: &Vector3<f64>) {
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
            if let Some(ground) = ground
                && node.position_m.z < ground.height_m
                && !node.held
            {
                add_scalar(&mut self.damping, k, k, node.mass_kg * ground.friction_per_s);
            }
        }
    }
}
