//! A rod with a line, moved by a hand.

use nalgebra::{Point3, Vector3};

use super::PhysicsError;
use super::chain::{Chain, Clamp, Ground, Node, Surroundings};
use super::line::LineSpec;
use super::rod::RodSpec;
use crate::motion::{GripPose, RodMotion, RodState};

/// What a caster's hands do.
pub trait GripMotion {
    /// The rod hand. Continuous in position and velocity.
    fn grip_at(&self, t_s: f64) -> GripPose;

    /// Line taken in by the other hand since the start.
    fn haul_m(&self, _t_s: f64) -> f64 {
        0.0
    }
}

/// A rod, a line or none, and how to step them.
#[derive(Debug, Clone, PartialEq)]
pub struct OutfitConfig {
    /// The rod.
    pub rod: RodSpec,
    /// The line; `None`: a bare rod.
    pub line: Option<LineSpec>,
    /// Gravity, air and the ground at height 0.
    pub surroundings: Surroundings,
    /// Which way the line lies at the start, horizontal unit vector. +X: toward the target.
    pub line_lies_toward: Vector3<f64>,
    /// Step. 0.25 ms: halving or doubling it moves the tip of a pick-up and a delivery by less than 0.3 mm rms (tested).
    pub step_s: f64,
    /// Steps per frame kept. 2: frames at 2 kHz.
    pub steps_per_frame: u32,
    /// Time given to rod and line to come to rest before the motion starts.
    pub settle_s: f64,
    /// Links nearest the tip-top that share what is hauled: 16 of them (1.9 m) shorten by a quarter at a haul of
    /// half a metre. Their mass stays.
    pub haul_links: usize,
}

impl Default for OutfitConfig {
    fn default() -> Self {
        Self {
            rod: RodSpec::default(),
            line: Some(LineSpec::default()),
            surroundings: Surroundings {
                ground: Some(Ground { height_m: 0.0, stiffness_rad_s: 200.0, friction_per_s: 30.0 }),
                ..Surroundings::default()
            },
            line_lies_toward: Vector3::x(),
            step_s: 0.25e-3,
            steps_per_frame: 2,
            settle_s: 2.0,
            haul_links: 16,
        }
    }
}

/// The coupled chain, ready to be stepped.
#[derive(Debug, Clone)]
pub struct Outfit {
    config: OutfitConfig,
    /// Rod nodes from the top of the handle, then line nodes; the tip-top is shared.
    pub chain: Chain,
    rod_links: usize,
}

fn clamp_of(pose: &GripPose, handle_m: f64) -> Clamp {
    Clamp {
        position_m: pose.butt_in_world.coords + handle_m * pose.butt_axis_in_world,
        axis: pose.butt_axis_in_world,
    }
}

impl Outfit {
    /// Straight rod, line straight from the tip-top down to the ground and along it.
    #[must_use]
    pub fn new(config: &OutfitConfig, start: &GripPose) -> Self {
        let clamp = clamp_of(start, config.rod.handle_m);
        let (mut links, mut joints, mut masses) = config.rod.parts();
        let rod_links = links.len();
        if let Some(line) = &config.line {
            let (more_links, more_joints, more_masses) = line.parts();
            links.extend(more_links);
            joints.extend(more_joints);
            masses[rod_links] += more_masses[0];
            masses.extend(&more_masses[1..]);
        }
        let mut position_m = clamp.position_m;
        let mut nodes = Vec::with_capacity(masses.len());
        for (k, mass_kg) in masses.iter().enumerate() {
            if k > 0 && k <= rod_links {
                position_m += clamp.axis * links[k - 1].rest_m;
            } else if k > rod_links {
                position_m = self::lay(position_m, links[k - 1].rest_m, config);
            }
            nodes.push(Node {
                position_m,
                velocity_m_s: Vector3::zeros(),
                mass_kg: *mass_kg,
                held: k == 0,
                drag_area_m2: 0.0,
            });
        }
        let d = config.rod.tip_marker_diameter_m;
        nodes[rod_links].drag_area_m2 = 0.47 * 0.25 * std::f64::consts::PI * d * d;
        if let (Some(line), Some(fly)) = (&config.line, nodes.last_mut()) {
            fly.drag_area_m2 = line.fly_drag_area_m2;
        }
        let mut chain = Chain::new(nodes, links, joints, config.surroundings);
        chain.clamp_axis = clamp.axis;
        Self { config: config.clone(), chain, rod_links }
    }

    /// Index of the tip-top among the chain's nodes.
    #[must_use]
    pub fn tip_idx(&self) -> usize {
        self.rod_links
    }

    /// Lets everything come to rest: steps of 1 ms that lose a part of their speed.
    ///
    /// # Errors
    /// [`PhysicsError::Diverged`].
    pub fn settle(&mut self, duration_s: f64) -> Result<(), PhysicsError> {
        let steps = (duration_s / 1e-3).round() as usize;
        for _ in 0..steps {
            self.chain.step(1e-3, None)?;
            for node in &mut self.chain.nodes {
                node.velocity_m_s *= 0.99;
            }
        }
        for node in &mut self.chain.nodes {
            node.velocity_m_s = Vector3::zeros();
        }
        self.chain.t_s = 0.0;
        self.chain.work_j = 0.0;
        Ok(())
    }

    /// The state as a frame.
    fn state(&self, pose: &GripPose, t_s: f64) -> RodState {
        let at = |k: usize| Point3::from(self.chain.nodes[k].position_m);
        let mut rod_in_world = vec![pose.butt_in_world];
        if self.config.rod.handle_m > 0.0 {
            rod_in_world.push(at(0));
        }
        rod_in_world.extend((1..=self.rod_links).map(at));
        let line_in_world = if self.config.line.is_some() {
            (self.rod_links..self.chain.nodes.len()).map(at).collect()
        } else {
            Vec::new()
        };
        RodState {
            t_s,
            butt_in_world: pose.butt_in_world,
            butt_axis_in_world: pose.butt_axis_in_world,
            rod_in_world,
            tip_velocity_in_world_m_s: self.chain.nodes[self.rod_links].velocity_m_s,
            line_in_world,
        }
    }

    /// Settles, then follows `motion` for `duration_s`. `seen` is told the chain after every step.
    ///
    /// # Errors
    /// [`PhysicsError::Diverged`].
    pub fn follow(
        &mut self,
        motion: &dyn GripMotion,
        duration_s: f64,
        mut seen: impl FnMut(&Chain),
    ) -> Result<RodMotion, PhysicsError> {
        self.settle(self.config.settle_s)?;
        let dt_s = self.config.step_s;
        let handle_m = self.config.rod.handle_m;
        let per_frame = self.config.steps_per_frame.max(1) as usize;
        let frames_wanted = (duration_s / (dt_s * per_frame as f64)).round() as usize;
        let mut frames = Vec::with_capacity(frames_wanted + 1);
        frames.push(self.state(&motion.grip_at(0.0), 0.0));
        let rests: Vec<f64> = self.chain.links[self.rod_links..].iter().map(|l| l.rest_m).collect();
        let hauled = self.config.haul_links.min(rests.len());
        let hauled_m: f64 = rests[..hauled].iter().sum();
        let mut taken_in_m = 0.0;
        for step in 1..=frames_wanted * per_frame {
            let t_s = step as f64 * dt_s;
            let haul_m = motion.haul_m(t_s);
            if haul_m != taken_in_m && hauled_m > 0.0 {
                let factor = (1.0 - haul_m / hauled_m).max(0.3);
                for (i, rest) in rests[..hauled].iter().enumerate() {
                    self.chain.set_rest(self.rod_links + i, rest * factor);
                }
                taken_in_m = haul_m;
            }
            let pose = motion.grip_at(t_s);
            self.chain.step(dt_s, Some(clamp_of(&pose, handle_m)))?;
            seen(&self.chain);
            if step % per_frame == 0 {
                frames.push(self.state(&pose, t_s));
            }
        }
        let mut rod_at_m = vec![0.0];
        if handle_m > 0.0 {
            rod_at_m.push(handle_m);
        }
        let h = self.config.rod.link_m();
        rod_at_m.extend((1..=self.rod_links).map(|k| handle_m + h * k as f64));
        let mut line_at_m = Vec::new();
        if self.config.line.is_some() {
            line_at_m.push(0.0);
            for rest in &rests {
                line_at_m.push(line_at_m[line_at_m.len() - 1] + rest);
            }
        }
        Ok(RodMotion { dt_s: dt_s * per_frame as f64, rod_at_m, line_at_m, frames })
    }
}

/// Next node of a line laid from the tip-top down at 45 degrees to the ground and then along it.
fn lay(from: Vector3<f64>, rest_m: f64, config: &OutfitConfig) -> Vector3<f64> {
    let toward = config.line_lies_toward;
    let Some(ground) = config.surroundings.ground else { return from + toward * rest_m };
    let above = from.z - ground.height_m;
    let drop = (rest_m * std::f64::consts::FRAC_1_SQRT_2).min(above.max(0.0));
    from + toward * (rest_m * rest_m - drop * drop).max(0.0).sqrt() - Vector3::z() * drop
}
