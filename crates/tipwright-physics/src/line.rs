//! Lines and leaders.

use super::chain::{Joint, Link};

/// Weight of the first 30 ft (9.144 m) without the level tip, by line class (AFFTA; 3 to 8 as printed at about-flyfishing.com,
/// the others from memory), grams; 1 grain is 64.79891 mg.
pub const AFFTA_G: [(u8, f64); 15] = [
    (1, 3.888),
    (2, 5.184),
    (3, 6.480),
    (4, 7.776),
    (5, 9.072),
    (6, 10.368),
    (7, 11.988),
    (8, 13.608),
    (9, 15.552),
    (10, 18.144),
    (11, 21.384),
    (12, 24.624),
    (13, 29.160),
    (14, 32.399),
    (15, 35.639),
];

/// A line out of the tip-top with a leader and a fly.
#[derive(Debug, Clone, PartialEq)]
pub struct LineSpec {
    /// Line beyond the tip-top, leader not counted.
    pub carry_m: f64,
    /// Mass of the first 9.144 m behind the level tip.
    pub weight_g: f64,
    /// Level tip. 0.15 m: common practice.
    pub level_tip_m: f64,
    /// Front taper. 1.5 m: common practice.
    pub front_taper_m: f64,
    /// Mass per length at the thin end of the taper, relative to the belly's. 0.35: common practice.
    pub taper_ratio: f64,
    /// Leader. 2.74 m (9 ft): common practice.
    pub leader_m: f64,
    /// Diameter of the leader's butt. 0.45 mm: common practice.
    pub leader_butt_m: f64,
    /// Diameter of the tippet. 0.20 mm: common practice.
    pub leader_tip_m: f64,
    /// Fly or tuft of yarn.
    pub fly_kg: f64,
    /// Its Cd A.
    pub fly_drag_area_m2: f64,
    /// Density of the line, for its diameter. 870 kg/m3: it floats.
    pub density_kg_m3: f64,
    /// EA of the line. 200 N: 10 % at 20 N (common practice).
    pub axial_stiffness_n: f64,
    /// Cdn, about 1 (from memory).
    pub drag_normal: f64,
    /// Cdt, 0.01 to 0.02 (from memory); normal drag is about 50 times axial drag at equal speed (Ekander, Perkins &
    /// Richards, companion page), pi included: 1 / (0.0065 pi).
    pub drag_tangential: f64,
    /// Length of a link. 0.12 m: ten links around the nose of a loop 0.8 m wide.
    pub link_m: f64,
    /// Moment per rate of the angle between links: damps the zigzag that only the links' length allows; a nose of
    /// 0.4 m radius at 10 m/s loses about 2 mW to it.
    pub joint_damping_n_m_s: f64,
}

impl Default for LineSpec {
    fn default() -> Self {
        Self {
            carry_m: 9.144,
            weight_g: 9.072,
            level_tip_m: 0.15,
            front_taper_m: 1.5,
            taper_ratio: 0.35,
            leader_m: 2.74,
            leader_butt_m: 0.45e-3,
            leader_tip_m: 0.20e-3,
            fly_kg: 30e-6,
            fly_drag_area_m2: 0.6e-4,
            density_kg_m3: 870.0,
            axial_stiffness_n: 200.0,
            drag_normal: 1.0,
            drag_tangential: 0.01,
            link_m: 0.12,
            joint_damping_n_m_s: 2e-6,
        }
    }
}

impl LineSpec {
    /// Line of a class of [`AFFTA_G`]; the nearest class when it is not in the table.
    #[must_use]
    pub fn of_class(class: u8) -> Self {
        let weight_g = AFFTA_G
            .iter()
            .min_by_key(|(c, _)| c.abs_diff(class))
            .map_or(Self::default().weight_g, |(_, g)| *g);
        Self { weight_g, ..Self::default() }
    }

    /// Line whose belly weighs so much, grams per metre.
    #[must_use]
    pub fn of_mass(belly_g_m: f64) -> Self {
        let base = Self::default();
        Self { weight_g: base.weight_g * belly_g_m / (1e3 * base.belly_kg_m()), ..base }
    }

    /// Mass per length of the belly: the first 9.144 m behind the level tip weigh [`Self::weight_g`].
    #[must_use]
    pub fn belly_kg_m(&self) -> f64 {
        let taper_mean = 0.5 * (1.0 + self.taper_ratio);
        1e-3 * self.weight_g / (9.144 - self.front_taper_m + self.front_taper_m * taper_mean)
    }

    /// Mass per length of the line, `from_end_m` from where the leader is tied on.
    #[must_use]
    pub fn mass_kg_m(&self, from_end_m: f64) -> f64 {
        let u = ((from_end_m - self.level_tip_m) / self.front_taper_m).clamp(0.0, 1.0);
        self.belly_kg_m() * (self.taper_ratio + u * (1.0 - self.taper_ratio))
    }

    /// Diameter at every node from the tip-top to the fly, and the node at which the leader is tied on.
    #[must_use]
    pub fn node_diameters_m(&self) -> (Vec<f64>, usize) {
        let (links, ..) = self.parts();
        let line_links = (self.carry_m / self.link_m).round().max(1.0) as usize;
        let at = |i: usize| links[i.min(links.len() - 1)].diameter_m;
        let nodes =
            (0..=links.len()).map(|i| if i == 0 { at(0) } else { 0.5 * (at(i - 1) + at(i)) }).collect();
        (nodes, line_links)
    }

    /// Links and joints from the tip-top to the fly, and the mass of each node (one more; the first is the line's
    /// share of the tip-top).
    #[must_use]
    pub fn parts(&self) -> (Vec<Link>, Vec<Joint>, Vec<f64>) {
        let mut links = Vec::new();
        let line_links = (self.carry_m / self.link_m).round().max(1.0) as usize;
        let leader_links = (self.leader_m / self.link_m).round() as usize;
        let mut masses = vec![0.0; line_links + leader_links + 1];
        for i in 0..line_links + leader_links {
            let (rest_m, mass_kg_m, diameter_m, axial_stiffness_n) = if i < line_links {
                let h = self.carry_m / line_links as f64;
                let mu = self.mass_kg_m(self.carry_m - (i as f64 + 0.5) * h);
                let diameter = (4.0 * mu / (std::f64::consts::PI * self.density_kg_m3)).sqrt();
                (h, mu, diameter, self.axial_stiffness_n)
            } else {
                let h = self.leader_m / leader_links as f64;
                let u = ((i - line_links) as f64 + 0.5) / leader_links as f64;
                let d = self.leader_butt_m + u * (self.leader_tip_m - self.leader_butt_m);
                let area = 0.25 * std::f64::consts::PI * d * d;
                // nylon: 1140 kg/m3, 2.5 GPa (common practice)
                (h, 1140.0 * area, d, 2.5e9 * area)
            };
            masses[i] += 0.5 * mass_kg_m * rest_m;
            masses[i + 1] += 0.5 * mass_kg_m * rest_m;
            links.push(Link {
                rest_m,
                axial_stiffness_n,
                // a tenth of critical for the shortest wave along the chain
                axial_damping_n_s: 3e-5 * axial_stiffness_n,
                diameter_m,
                drag_normal: self.drag_normal,
                drag_tangential: self.drag_tangential,
            });
        }
        if let Some(last) = masses.last_mut() {
            *last += self.fly_kg;
        }
        let joint = Joint { stiffness_n_m: 0.0, damping_n_m_s: self.joint_damping_n_m_s };
        let mut joints = vec![joint; links.len()];
        for (i, joint) in joints.iter_mut().enumerate() {
            // nothing damps the turn of the line about the tip-top; the leader's share goes with its mass
            if i == 0 {
                joint.damping_n_m_s = 0.0;
            } else if i >= line_links {
                joint.damping_n_m_s *= masses[i] / masses[1];
            }
        }
        (links, joints, masses)
    }
}
