//! Somebody else in the pictures: who is measured then?

use nalgebra::{Point3, Vector3};
use rand::RngExt;
use tipwright::path::TakePaths;
use tipwright_physics::motion::RodMotion;
use tipwright_simulate::casters::{Habit, Manner, TakePlan, cast_take, take_outfit};
use tipwright_simulate::phone::noise::{between, stream};

/// What is beside the caster.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Beside {
    /// Another caster with the same markers, five to eight metres away, anywhere about.
    Neighbour,
    /// Another caster seven metres behind, casting along the same line.
    SecondRod,
    /// Somebody who walks about with the tip's colour on the hat.
    Walker,
}

impl Beside {
    pub fn parse(kind: &str) -> Self {
        match kind {
            "neighbour" => Self::Neighbour,
            "second-rod" => Self::SecondRod,
            "walker" => Self::Walker,
            _ => panic!("--beside neighbour|second-rod|walker"),
        }
    }

    /// Somebody of this kind; `None` where the rod's simulation diverges.
    pub fn somebody(self, seed: u64) -> Option<Somebody> {
        let mut rng = stream(seed, "beside");
        let away_m = if self == Self::SecondRod { 7.0 } else { between(&mut rng, 5.0, 8.0) };
        let turn_rad =
            if self == Self::SecondRod { 0.0 } else { between(&mut rng, 0.0, std::f64::consts::TAU) };
        let shift = Vector3::new(away_m * turn_rad.cos(), away_m * turn_rad.sin(), 0.0);
        let speed_m_s = between(&mut rng, 0.8, 1.8);
        let late_s = between(&mut rng, -1.0, 1.0);
        let habit = Habit::ALL[rng.random_range(0..Habit::ALL.len())];
        let plan = TakePlan { manner: Manner::of_person(habit, seed + 7_000), ..TakePlan::default() };
        let motion = if self == Self::Walker {
            None
        } else {
            Some(cast_take(&plan, &take_outfit(0.04), seed + 7_000).ok()?)
        };
        Some(Somebody { motion, shift, late_s, speed_m_s })
    }
}

pub struct Somebody {
    motion: Option<RodMotion>,
    shift: Vector3<f64>,
    late_s: f64,
    speed_m_s: f64,
}

impl Somebody {
    pub fn has_rod(&self) -> bool {
        self.motion.is_some()
    }

    fn own_s(&self, motion: &RodMotion, t_s: f64) -> f64 {
        (t_s - self.late_s).clamp(0.0, motion.end_s() - 1e-3)
    }

    pub fn tip_at(&self, t_s: f64) -> Point3<f64> {
        match &self.motion {
            Some(motion) => motion.tip_at(self.own_s(motion, t_s)) + self.shift,
            None => self.on_the_hat(t_s),
        }
    }

    pub fn rod_point_at(&self, t_s: f64, at_m: f64) -> Point3<f64> {
        match &self.motion {
            Some(motion) => motion.rod_point_at(self.own_s(motion, t_s), at_m) + self.shift,
            None => self.on_the_hat(t_s),
        }
    }

    /// To and fro past the caster, with the nod of a step.
    fn on_the_hat(&self, t_s: f64) -> Point3<f64> {
        let way_m = 3.0 * (self.speed_m_s / 3.0 * t_s).sin();
        let along = self.shift.normalize();
        let aside = Vector3::new(-along.y, along.x, 0.0);
        Point3::from(0.4 * self.shift + way_m * aside) + Vector3::z() * (1.8 + 0.03 * (11.0 * t_s).sin())
    }
}

/// Median distance of the tip's height from a thing's, metres.
pub fn nearness_m(found: &TakePaths, place: &dyn Fn(f64) -> Point3<f64>) -> f64 {
    // heights need no frame, and what rises and falls together is one thing wherever it stands: the mean is taken off
    let samples: Vec<_> = found.rod.tip.samples.iter().filter(|s| s.views >= 2).collect();
    let n = samples.len().max(1) as f64;
    let mean_found = samples.iter().map(|s| s.position_in_world.z).sum::<f64>() / n;
    let mean_true = samples.iter().map(|s| place(s.t_s).z).sum::<f64>() / n;
    let mut off: Vec<f64> = samples
        .iter()
        .map(|s| (s.position_in_world.z - mean_found - place(s.t_s).z + mean_true).abs())
        .collect();
    off.sort_by(f64::total_cmp);
    off.get(off.len() / 2).copied().unwrap_or(f64::INFINITY)
}
