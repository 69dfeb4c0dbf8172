//! What of a path's error is its own, and what is the frame's.
//!
//! Nothing ties the frame of such a scene to the ground: it is the first camera's, and the unit is a baseline. The standard
//! deviations of a path in that frame are mostly the frame's: a camera's turn moves a whole flight by decimetres and bends it by
//! millimetres. So a path's standard deviations are those of its shape: each draw of it is laid onto the path by a turn, a shift,
//! a delay and, where no length is given, a scale (S-transformation: Baarda, Publications on Geodesy 5 (1) (1973), from memory;
//! free networks). Where the whole lies against the cameras say the standard deviations of their poses.

use nalgebra::{DMatrix, DVector, Point3, Vector3};

use crate::model::PathSample;

/// Small motions of the whole: shift, turn, delay, and scale if it is free.
pub(super) struct Datum {
    rows: Vec<Vec<Vector3<f64>>>,
    normal: Option<nalgebra::Cholesky<f64, nalgebra::Dyn>>,
}

impl Datum {
    pub(super) fn new(samples: &[PathSample], scale_is_free: bool) -> Self {
        let n = samples.len().max(1) as f64;
        let middle = samples.iter().map(|s| s.position_in_world.coords).sum::<Vector3<f64>>() / n;
        let rows: Vec<Vec<Vector3<f64>>> = samples
            .iter()
            .map(|s| {
                let arm = s.position_in_world.coords - middle;
                let axes = [Vector3::x(), Vector3::y(), Vector3::z()];
                let mut row = axes.to_vec();
                row.extend(axes.iter().map(|a| a.cross(&arm)));
                row.push(s.velocity_in_world_m_s);
                if scale_is_free {
                    row.push(arm);
                }
                row
            })
            .collect();
        let size = rows.first().map_or(0, Vec::len);
        let mut normal = DMatrix::zeros(size, size);
        for row in &rows {
            for (i, a) in row.iter().enumerate() {
                for (j, b) in row.iter().enumerate() {
                    normal[(i, j)] += a.dot(b);
                }
            }
        }
        // a straight flight leaves a turn about itself free
        let hair = 1e-9 * (0..size).map(|i| normal[(i, i)]).fold(0.0, f64::max);
        for i in 0..size {
            normal[(i, i)] += hair;
        }
        Self { rows, normal: normal.cholesky() }
    }

    /// Takes the motion of the whole out of errors, one per sample.
    pub(super) fn take_out(&self, errors: &mut [Vector3<f64>]) {
        let Some(normal) = &self.normal else { return };
        let size = self.rows.first().map_or(0, Vec::len);
        let mut pull = DVector::zeros(size);
        for (row, e) in self.rows.iter().zip(errors.iter()) {
            for (i, a) in row.iter().enumerate() {
                pull[i] += a.dot(e);
            }
        }
        normal.solve_mut(&mut pull);
        for (row, e) in self.rows.iter().zip(errors) {
            for (a, f) in row.iter().zip(pull.iter()) {
                *e -= a * *f;
            }
        }
    }
}

/// Standard deviation of every sample's position from draws of the path, the motion of the whole taken out.
pub(super) fn shape_sd_m(
    samples: &[PathSample],
    draws: impl Iterator<Item = Vec<Point3<f64>>>,
    scale_is_free: bool,
) -> Vec<Vector3<f64>> {
    let datum = Datum::new(samples, scale_is_free);
    let mut squares = vec![Vector3::zeros(); samples.len()];
    let mut n: f64 = 0.0;
    for draw in draws {
        let mut errors: Vec<Vector3<f64>> =
            draw.iter().zip(samples).map(|(p, s)| p - s.position_in_world).collect();
        datum.take_out(&mut errors);
        squares.iter_mut().zip(&errors).for_each(|(s, e)| *s += e.component_mul(e));
        n += 1.0;
    }
    squares.into_iter().map(|s| s.map(|v| (v / n.max(1.0)).sqrt())).collect()
}
