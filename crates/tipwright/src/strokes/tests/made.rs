//! Paths made from formulas.

use nalgebra::{Point3, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::model::{MarkerPath, PathSample, RodPaths};

pub const FPS: f64 = 240.0;

/// Samples a position formula; velocities by central differences over a microsecond.
pub fn path(fps: f64, from_s: f64, to_s: f64, at: impl Fn(f64) -> Point3<f64>) -> MarkerPath {
    let n = ((to_s - from_s) * fps).round() as usize;
    let samples = (0..=n)
        .map(|i| {
            let t_s = from_s + i as f64 / fps;
            PathSample {
                t_s,
                position_in_world: at(t_s),
                velocity_in_world_m_s: (at(t_s + 1e-6) - at(t_s - 1e-6)) / 2e-6,
                position_sd_m: Vector3::repeat(0.002),
                views: 2,
            }
        })
        .collect();
    MarkerPath { samples, ..MarkerPath::default() }
}

pub fn tip_only(tip: MarkerPath) -> RodPaths {
    RodPaths { tip, butts: Vec::new() }
}

/// Adds smooth noise of the samples' sd with its velocity, as the stage assumes it, from another generator: a sum
/// of random cosines under a Gaussian spectrum of the same correlation.
pub fn noisy(path: &MarkerPath, seed: u64, correlation_samples: f64) -> MarkerPath {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let step_s = path.samples[1].t_s - path.samples[0].t_s;
    // white noise under a Gaussian of width l has correlation exp(-d^2 / 4 l^2): angular frequencies of
    // standard deviation 1 / (l sqrt 2)
    let spread = 1.0 / (correlation_samples * std::f64::consts::SQRT_2 * step_s);
    const WAVES: usize = 300;
    let mut waves: Vec<[(f64, f64); WAVES]> = Vec::new();
    for _ in 0..3 {
        waves.push(std::array::from_fn(|_| {
            let w: f64 = StandardNormal.sample(&mut rng);
            let phase: f64 = rand_distr::Uniform::new(0.0, std::f64::consts::TAU).unwrap().sample(&mut rng);
            (w * spread, phase)
        }));
    }
    let scale = (2.0 / WAVES as f64).sqrt();
    let mut out = path.clone();
    for s in &mut out.samples {
        for (axis, waves) in waves.iter().enumerate() {
            let (mut p, mut v) = (0.0, 0.0);
            for (w, phase) in waves {
                let (sin, cos) = (w * s.t_s + phase).sin_cos();
                p += cos;
                v -= w * sin;
            }
            s.position_in_world[axis] += s.position_sd_m[axis] * scale * p;
            s.velocity_in_world_m_s[axis] += s.position_sd_m[axis] * scale * v;
        }
    }
    out
}

/// Along-path distance of one stroke: speed rises as a straight ramp to `peak_m_s` over `rise_s`, falls as a
/// cosine over `fall_s`. Position from 0.
#[derive(Debug, Clone, Copy)]
pub struct Push {
    pub peak_m_s: f64,
    pub rise_s: f64,
    pub fall_s: f64,
}

impl Push {
    pub fn length_m(&self) -> f64 {
        self.peak_m_s * (self.rise_s + self.fall_s) / 2.0
    }

    pub fn at(&self, t: f64) -> f64 {
        let (v, rise, fall) = (self.peak_m_s, self.rise_s, self.fall_s);
        if t <= 0.0 {
            0.0
        } else if t < rise {
            v * t * t / (2.0 * rise)
        } else if t < rise + fall {
            let u = t - rise;
            let w = std::f64::consts::PI / fall;
            v * rise / 2.0 + v * (u + (w * u).sin() / w) / 2.0
        } else {
            self.length_m()
        }
    }
}

/// From 0 to 1 with two continuous derivatives.
pub fn smooth_step(u: f64) -> f64 {
    let u = u.clamp(0.0, 1.0);
    u * u * u * (10.0 - 15.0 * u + 6.0 * u * u)
}

/// A sequence of strokes to and fro along x about the origin at height 3 m, with a ring-down after every stop.
#[derive(Debug, Clone)]
pub struct Sequence {
    /// Direction (+1, -1) and push of each stroke, with the pause before it.
    pub strokes: Vec<(f64, Push, f64)>,
    /// Ring amplitude, frequency, damping ratio.
    pub ring: (f64, f64, f64),
}

impl Sequence {
    /// False casting: `n` strokes beginning with a back stroke.
    pub fn false_casts(n: usize, pause_s: f64) -> Self {
        let push = Push { peak_m_s: 18.0, rise_s: 0.3, fall_s: 0.1 };
        let strokes =
            (0..n).map(|i| (if i % 2 == 0 { -1.0 } else { 1.0 }, push, if i == 0 { 1.5 } else { pause_s }));
        Self { strokes: strokes.collect(), ring: (0.25, 1.6, 0.12) }
    }

    /// Start of each stroke's push.
    pub fn starts_s(&self) -> Vec<f64> {
        let mut t = 0.0;
        self.strokes
            .iter()
            .map(|(_, push, pause)| {
                t += pause;
                let start = t;
                t += push.rise_s + push.fall_s;
                start
            })
            .collect()
    }

    pub fn end_s(&self) -> f64 {
        self.strokes.iter().map(|(_, p, pause)| p.rise_s + p.fall_s + pause).sum()
    }

    /// Along x. A new push takes the ringing of the last stop away.
    pub fn x_m(&self, t_s: f64) -> f64 {
        let mut x = 1.8;
        let starts = self.starts_s();
        for (i, ((sign, push, _), start)) in self.strokes.iter().zip(&starts).enumerate() {
            let t = t_s - start;
            x += sign * push.at(t);
            // the counterflex starts after the push has ended and dies out
            let u = t - push.rise_s - push.fall_s;
            if u > 0.0 {
                let (a, f, z) = self.ring;
                let w = std::f64::consts::TAU * f;
                let taken = starts.get(i + 1).map_or(0.0, |n| smooth_step((t_s - n) / 0.2));
                x += sign
                    * a
                    * (-z * w * u).exp()
                    * (w * u).sin()
                    * (1.0 - (-(u / 0.03).powi(2)).exp())
                    * (1.0 - taken);
            }
        }
        x
    }
}
