//! Other paths that the sightings allow: draws of the error, and what the smoothing does to a path.

use nalgebra::{Point3, Vector3};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::solution::{Solution, place};
use super::state::State;
use super::sweep::ABREAST;
use crate::model::{PathDraw, PathSample};

/// One draw from the joint error of path and set-up, as absolute values.
#[derive(Debug, Clone, PartialEq)]
pub struct Draw {
    /// Path and cameras of this draw.
    pub state: State,
}

impl Solution {
    /// Joint draws of the whole path and set-up about the solution: as it would come out with other errors of the same kind
    /// (`misfit`). Draw k depends on `seed` and k alone, so more draws begin with the same ones. They are made a few at a time, as they
    /// are asked for: all at once they would need more memory than anything else of a take.
    pub fn draws(&self, count: usize, seed: u64) -> impl Iterator<Item = Draw> + '_ {
        let pull = move |k: usize| {
            let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
            rng.set_stream(k as u64);
            let mut sample = || -> f64 { StandardNormal.sample(&mut rng) };
            let mut pull = self.replicator.nothing();
            let errors = self.replicator.errors(&self.misfit.mixes, &mut sample);
            self.replicator.add_errors(&errors, &mut pull);
            self.replicator.add_priors(&mut sample, &mut pull);
            pull
        };
        (0..count)
            .step_by(ABREAST)
            .flat_map(move |from| {
                let few: Vec<_> = (from..count.min(from + ABREAST)).map(pull).collect();
                self.factor.solve_all(&few)
            })
            .map(|(x, b)| Draw { state: self.state.moved(&self.layout, &x, b.as_slice()) })
    }

    /// Position, velocity and acceleration of a draw at a session time; `None` where there is no path.
    #[must_use]
    pub fn draw_at(
        &self,
        draw: &Draw,
        marker_idx: usize,
        t_s: f64,
    ) -> Option<(Point3<f64>, Vector3<f64>, Vector3<f64>)> {
        let locus = self.timeline.locate(t_s)?;
        Some(place(&self.timeline, &draw.state, marker_idx, locus))
    }

    /// A draw of a marker's path at the instants of its samples; a sample without a place on the timeline stays where it is.
    #[must_use]
    pub fn draw_of(&self, draw: &Draw, marker_idx: usize, samples: &[PathSample]) -> PathDraw {
        let at = |s: &PathSample| {
            let place = self.draw_at(draw, marker_idx, s.t_s);
            place.map_or((s.position_in_world, s.velocity_in_world_m_s), |(p, v, _)| (p, v))
        };
        let (positions_in_world, velocities_in_world_m_s) = samples.iter().map(at).unzip();
        PathDraw { positions_in_world, velocities_in_world_m_s }
    }

    /// The solution as it would come out of its own sightings without noise: smoothed once more. What this takes from a peak
    /// is, to first order, what the first smoothing took from the true one (twicing: Tukey, Exploratory Data Analysis,
    /// 1977, ch. 16, from memory).
    #[must_use]
    pub fn smoothed_again(&self) -> Draw {
        let (x, b) = self.factor.solve_for(self.pull.0.clone(), self.pull.1.clone());
        Draw { state: self.state.moved(&self.layout, &x, b.as_slice()) }
    }
}
