//! Tapered rods.

use super::chain::{Joint, Link};

/// A rod: a stiff handle and a tapered blank. Diameter falls linearly from the top of the handle to the tip-top;
/// bending stiffness follows a power of the diameter, mass per length another.
///
/// The default is a 9 ft (2.743 m) rod for a 5-weight line. Its two free numbers, stiffness and mass at the butt, are
/// set so that it rings bare at 2.75 Hz and at 82 cycles per minute with the 9.07 g of 30 ft of line at its tip: the
/// middle of what le Breton (fly-fish-guide.net) reports for 9 ft rods, 2.5 to 3 Hz and 78 to 87 cycles per minute.
#[derive(Debug, Clone, PartialEq)]
pub struct RodSpec {
    /// Butt cap to tip-top.
    pub length_m: f64,
    /// Stiff part: cork, reel seat and the hand on it. 0.25 m is a usual grip (common practice).
    pub handle_m: f64,
    /// Links of the blank. 24: halving them moves the first frequency by less than 1 %.
    pub links: usize,
    /// EI at the top of the handle.
    pub butt_stiffness_n_m2: f64,
    /// Mass per length there, guides and windings included.
    pub butt_mass_kg_m: f64,
    /// Diameter there. 8.5 mm: common practice.
    pub butt_diameter_m: f64,
    /// Diameter at the tip-top. 1.8 mm: common practice.
    pub tip_diameter_m: f64,
    /// EI goes with this power of the diameter: 3 for a tube of even wall.
    pub stiffness_power: f64,
    /// Mass per length goes with this power of the diameter: 1 for a tube of even wall.
    pub mass_power: f64,
    /// Damping ratio of the bare rod's first mode, the hand that gives included. 0.12: no source, chosen so that the
    /// rebound after a stop stays below half the stroke's speed and a ring-down dies in two or three swings.
    pub damping_ratio: f64,
    /// First frequency the damping ratio refers to.
    pub damping_at_hz: f64,
    /// Mass of the marker at the tip-top.
    pub tip_marker_kg: f64,
    /// Diameter of that marker, for its drag (Cd 0.47, a sphere).
    pub tip_marker_diameter_m: f64,
    /// Drag coefficient across the blank: 1, a cylinder.
    pub drag_normal: f64,
}

impl Default for RodSpec {
    fn default() -> Self {
        Self {
            length_m: 2.743,
            handle_m: 0.25,
            links: 24,
            butt_stiffness_n_m2: 12.5,
            butt_mass_kg_m: 0.0197,
            butt_diameter_m: 8.5e-3,
            tip_diameter_m: 1.8e-3,
            stiffness_power: 3.0,
            mass_power: 1.0,
            damping_ratio: 0.12,
            damping_at_hz: 2.75,
            tip_marker_kg: 0.5e-3,
            tip_marker_diameter_m: 0.0,
            drag_normal: 1.0,
        }
    }
}

impl RodSpec {
    /// Even in stiffness and mass, no handle, no damping, no marker: for comparison with textbooks.
    #[must_use]
    pub fn uniform(length_m: f64, stiffness_n_m2: f64, mass_kg_m: f64, links: usize) -> Self {
        Self {
            length_m,
            handle_m: 0.0,
            links,
            butt_stiffness_n_m2: stiffness_n_m2,
            butt_mass_kg_m: mass_kg_m,
            butt_diameter_m: 0.01,
            tip_diameter_m: 0.01,
            damping_ratio: 0.0,
            tip_marker_kg: 0.0,
            drag_normal: 0.0,
            ..Self::default()
        }
    }

    /// Diameter relative to the butt's, `s_m` from the butt cap.
    fn relative_diameter(&self, s_m: f64) -> f64 {
        let u = ((s_m - self.handle_m) / (self.length_m - self.handle_m)).clamp(0.0, 1.0);
        1.0 + u * (self.tip_diameter_m / self.butt_diameter_m - 1.0)
    }

    /// Diameter of the blank `s_m` from the butt cap; within the handle that of its top.
    #[must_use]
    pub fn diameter_m(&self, s_m: f64) -> f64 {
        self.butt_diameter_m * self.relative_diameter(s_m)
    }

    /// EI `s_m` from the butt cap.
    #[must_use]
    pub fn stiffness_n_m2(&self, s_m: f64) -> f64 {
        self.butt_stiffness_n_m2 * self.relative_diameter(s_m).powf(self.stiffness_power)
    }

    /// Mass per length `s_m` from the butt cap.
    #[must_use]
    pub fn mass_kg_m(&self, s_m: f64) -> f64 {
        self.butt_mass_kg_m * self.relative_diameter(s_m).powf(self.mass_power)
    }

    /// Length of a link of the blank.
    #[must_use]
    pub fn link_m(&self) -> f64 {
        (self.length_m - self.handle_m) / self.links as f64
    }

    /// Links and joints from the top of the handle to the tip-top, and the mass of each node (one more).
    #[must_use]
    pub fn parts(&self) -> (Vec<Link>, Vec<Joint>, Vec<f64>) {
        let h = self.link_m();
        let lag_s = self.damping_ratio / (std::f64::consts::PI * self.damping_at_hz);
        let mut masses = vec![0.0; self.links + 1];
        let mut links = Vec::new();
        let mut joints = Vec::new();
        for i in 0..self.links {
            let start_m = self.handle_m + h * i as f64;
            let middle_m = start_m + 0.5 * h;
            let half_kg = 0.5 * h * self.mass_kg_m(middle_m);
            masses[i] += half_kg;
            masses[i + 1] += half_kg;
            let span_m = if i == 0 { 0.5 * h } else { h };
            let stiffness_n_m = self.stiffness_n_m2(start_m) / span_m;
            joints.push(Joint { stiffness_n_m, damping_n_m_s: stiffness_n_m * lag_s });
            links.push(Link {
                rest_m: h,
                // 2 N of pull stretch it by 2e-5; stiffer would only cost iterations
                axial_stiffness_n: 1e5,
                axial_damping_n_s: if self.damping_ratio > 0.0 { 1.0 } else { 0.0 },
                diameter_m: self.butt_diameter_m * self.relative_diameter(middle_m),
                drag_normal: self.drag_normal,
                drag_tangential: 0.0,
            });
        }
        masses[self.links] += self.tip_marker_kg;
        (links, joints, masses)
    }
}
