//! What the data could not tell, by name.

use nalgebra::Point3;

use super::outcome::{Degeneracy, Fate};
use super::problem::{Freedom, Problem};
use super::solution::Solution;
use super::stretch::frame_steps_s;
use crate::math::median;

pub(super) fn find_degeneracies(problem: &Problem, solution: &Solution) -> Vec<Degeneracy> {
    let mut out = Vec::new();
    let steps = frame_steps_s(problem);
    for (k, camera) in problem.cameras.iter().enumerate() {
        let slots = &solution.layout.cameras[k];
        if let Some(at) = slots.offset {
            let sd = solution.offset_sd_s[k];
            let prior_sd_s = match camera.free.offset_s {
                Freedom::Prior { sd, .. } => Some(sd),
                _ => None,
            };
            let raw_sd = solution.border_sd(Some(at));
            if !(sd < 0.5 * steps[k]) || prior_sd_s.is_some_and(|p| raw_sd > 0.9 * p) {
                out.push(Degeneracy::TimeUnobservable { camera_idx: k, offset_sd_s: sd, prior_sd_s });
            }
        }
        if let Some(median_angle_rad) = median_angle(problem, solution, k)
            && median_angle_rad < 2.0_f64.to_radians()
        {
            out.push(Degeneracy::ParallelRays { camera_idx: k, median_angle_rad });
        }
    }
    for m in 0..problem.markers {
        single_camera(problem, solution, m, &steps, &mut out);
    }
    out
}

/// Sd of `offset + drift * pts` at the mean pts of the camera's observations.
pub(super) fn offset_sd_mid_s(problem: &Problem, solution: &Solution, k: usize) -> f64 {
    let slots = &solution.layout.cameras[k];
    let Some(a) = slots.offset else { return 0.0 };
    let cov = &solution.border_covariance;
    let Some(d) = slots.drift else { return cov[(a, a)].max(0.0).sqrt() };
    let (mut sum, mut n) = (0.0, 0.0);
    for o in problem.observations.iter().filter(|o| o.camera_idx == k) {
        sum += o.pts_s;
        n += 1.0;
    }
    let p = sum / f64::max(n, 1.0);
    (cov[(a, a)] + 2.0 * p * cov[(a, d)] + p * p * cov[(d, d)]).max(0.0).sqrt()
}

fn median_angle(problem: &Problem, solution: &Solution, k: usize) -> Option<f64> {
    let centre = |k: usize| {
        let pose = &solution.state.cameras[k].camera_from_world;
        Point3::from(-(pose.rotation.inverse() * pose.translation.vector))
    };
    if problem.cameras.len() < 2 {
        return None;
    }
    let mut angles: Vec<f64> = Vec::new();
    for ((o, fate), t) in problem.observations.iter().zip(&solution.fates).zip(&solution.observation_times_s)
    {
        if o.camera_idx != k || !matches!(fate, Fate::Used { .. }) {
            continue;
        }
        let Some(p) = solution.position(o.marker_idx, *t) else { continue };
        let ray = p - centre(k);
        let widest = (0..problem.cameras.len())
            .filter(|j| *j != k)
            .map(|j| {
                let angle = ray.angle(&(p - centre(j)));
                angle.min(std::f64::consts::PI - angle)
            })
            .fold(0.0, f64::max);
        angles.push(widest);
    }
    median(angles)
}

fn single_camera(problem: &Problem, solution: &Solution, m: usize, steps: &[f64], out: &mut Vec<Degeneracy>) {
    let slowest_s = steps.iter().copied().filter(|s| s.is_finite()).fold(0.0, f64::max);
    let spacing_s = solution.timeline.spacing_s();
    for piece in solution.timeline.pieces() {
        let times: Vec<f64> = (0..=piece.spans)
            .map(|i| {
                #[allow(clippy::cast_precision_loss)]
                let i = i as f64;
                piece.start_s + i * spacing_s
            })
            .collect();
        let views = solution.views(problem, m, &times);
        let mut from: Option<usize> = None;
        for i in 0..=times.len() {
            let lonely = i < times.len() && views[i] < 2;
            match (lonely, from) {
                (true, None) => from = Some(i),
                (false, Some(start)) => {
                    // Longer than four frames of the slowest camera: worth telling.
                    if times[i - 1] - times[start] > 4.0 * slowest_s {
                        out.push(Degeneracy::SingleCamera {
                            marker_idx: m,
                            from_s: times[start],
                            to_s: times[i - 1],
                        });
                    }
                    from = None;
                }
                _ => {}
            }
        }
    }
}
