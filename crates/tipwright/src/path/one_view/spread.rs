//! Draws of a path in a plane, carried onto planes as they may be.

use nalgebra::{Point3, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, StudentT};

use super::prior::{PlanePrior, Strays};
use crate::model::{MarkerPath, PathDraw, Role};

/// Waves that a random movement is made of: enough for its sum to be normal.
const WAVES: usize = 24;
/// Planes are not drawn farther out than so many standard deviations: what two takes know has long tails, but nobody casts a metre beside
/// or across where they stood before.
const FARTHEST_SD: f64 = 3.5;
/// How many times as far from the camera as in the mean plane a marker may be: from half as far to twice, which is metres.
const POSSIBLE: [f64; 2] = [0.5, 2.0];
/// Multiples of it, less their whole parts, lie evenly between 0 and 1 however many there are.
const GOLDEN: f64 = 0.618_033_988_75;
/// Planes tried for a draw; a camera that [`super::sees`] the plane needs more than one in some twenty draws.
const TRIES: usize = 100;

/// A smooth random movement: a sum of waves whose frequencies are drawn so that its correlation is Gaussian (Rahimi and Recht, Random
/// Features for Large-Scale Kernel Machines, 2007, from memory).
struct Movement(Vec<[f64; 3]>);

impl Movement {
    fn drawn(strays: &[Strays], rng: &mut ChaCha8Rng) -> Self {
        let mut waves = Vec::with_capacity(strays.len() * WAVES);
        for kind in strays {
            // the size of each wave is drawn too, so that the sum is exactly normal
            let size_m = (kind.variance_m2 / WAVES as f64).sqrt();
            for _ in 0..WAVES {
                let z: f64 = StandardNormal.sample(rng);
                let [a, b]: [f64; 2] = std::array::from_fn(|_| StandardNormal.sample(rng));
                let phase = b.atan2(a);
                waves.push([z / kind.lasts_s, phase, size_m * a.hypot(b)]);
            }
        }
        Self(waves)
    }

    /// Place and speed.
    fn at(&self, t_s: f64) -> [f64; 2] {
        let mut out = [0.0; 2];
        for [rate, phase, size_m] in &self.0 {
            let (sin, cos) = (rate * t_s + phase).sin_cos();
            out = [out[0] + size_m * cos, out[1] - size_m * rate * sin];
        }
        out
    }
}

/// One plane as it may be, and how the rod strays from it.
pub struct DrawnPlane {
    normal: Vector3<f64>,
    distance_m: f64,
    tip: Movement,
    hand: Movement,
    beside_m: f64,
}

impl DrawnPlane {
    /// The next one of a generator, the way to stray by `share` (0 to 1). Coordinates farther out than [`FARTHEST_SD`] are drawn again.
    pub fn drawn(prior: &PlanePrior, mut share: f64, rng: &mut ChaCha8Rng) -> Self {
        let heavy = StudentT::new(prior.dof).ok();
        let mut sample = || loop {
            let z: f64 = match &heavy {
                Some(heavy) => heavy.sample(rng),
                None => StandardNormal.sample(rng),
            };
            if z.abs() <= FARTHEST_SD {
                return z;
            }
        };
        let coordinates: [f64; 3] = std::array::from_fn(|i| prior.mean[i] + prior.sd[i] * sample());
        let (normal, distance_m) = prior.with(coordinates);
        let beside: f64 = StandardNormal.sample(rng);
        let like = prior.strays.iter().find(|like| {
            share -= like.share;
            share < 0.0
        });
        let strays = like.or(prior.strays.last()).map_or(&[][..], |like| &like.movements);
        Self {
            normal,
            distance_m,
            tip: Movement::drawn(strays, rng),
            hand: Movement::drawn(strays, rng),
            beside_m: prior.butts_sd_m * beside,
        }
    }

    /// How far off the plane a marker is, and how fast it goes there. The rod is a straight line to that: what lies `share` of its length
    /// from the hand strays by so much with the tip, and by the rest with the hand.
    pub fn off(&self, share: f64, t_s: f64) -> [f64; 2] {
        let (tip, hand) = (self.tip.at(t_s), self.hand.at(t_s));
        [0, 1].map(|i| share * tip[i] + (1.0 - share) * hand[i])
    }

    /// A draw of a marker's path carried along the rays from `centre` onto it; `None` where that puts any of it impossibly near or far.
    fn carried(
        &self,
        prior: &PlanePrior,
        marker: &OnRod<'_>,
        draw_idx: usize,
        centre: &Point3<f64>,
    ) -> Option<PathDraw> {
        let size = self.normal.norm();
        let from_origin = self.normal.dot(&(centre - prior.origin));
        let is_tip = marker.role == Role::Tip;
        let aside_m = if is_tip { 0.0 } else { prior.beside_m(marker.role) + self.beside_m };
        let mut draw = marker.path.draws.get(draw_idx, &marker.path.samples);
        let places = draw.positions_in_world.iter_mut().zip(&mut draw.velocities_in_world_m_s);
        for (sample, (p, v)) in marker.path.samples.iter().zip(places) {
            let [off_m, off_m_s] = self.off(marker.share, sample.t_s).map(|x| x * size);
            let ray = *p - centre;
            let by_ray = self.normal.dot(&ray);
            let stretch = (self.distance_m + aside_m + off_m - from_origin) / by_ray;
            if !(POSSIBLE[0]..POSSIBLE[1]).contains(&stretch) {
                return None;
            }
            let stretch_s = off_m_s / by_ray - stretch * self.normal.dot(v) / by_ray;
            *v = ray * stretch_s + *v * stretch;
            *p = centre + ray * stretch;
        }
        Some(draw)
    }
}

/// A marker on the rod: what it is, how far from the hand as a share of the rod, and its path.
pub struct OnRod<'a> {
    pub role: Role,
    pub share: f64,
    pub path: &'a mut MarkerPath,
}

/// Carries the draws of all markers' paths along the rays of the camera (`centres`, draw by draw) onto drawn planes, one for all of a
/// draw, and states the samples' standard deviations from them.
pub fn spread(markers: &mut [OnRod<'_>], prior: &PlanePrior, centres: &[Point3<f64>], seed: u64) {
    for (draw_idx, centre) in centres.iter().enumerate() {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x706c_616e_6521);
        rng.set_stream(draw_idx as u64);
        // each way to stray in its share of any few draws, not by chance
        let share = (GOLDEN * (draw_idx as f64 + 0.5)).fract();
        // a whole draw is possible or is drawn again: parts of it on different planes would be no path
        let carried = (0..TRIES).find_map(|_| {
            let plane = DrawnPlane::drawn(prior, share, &mut rng);
            let all = markers.iter().map(|m| plane.carried(prior, m, draw_idx, centre));
            all.collect::<Option<Vec<PathDraw>>>()
        });
        for (marker, draw) in markers.iter_mut().zip(carried.into_iter().flatten()) {
            marker.path.draws.put(draw_idx, &marker.path.samples, &draw);
        }
    }
    markers.iter_mut().for_each(|m| m.path.take_sds_from_draws());
}
