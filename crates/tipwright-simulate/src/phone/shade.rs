//! Balls lit from one side: a matt sphere under a sun and the sky (Lambert's cosine law, Photometria, 1760), through the lens.
//!
//! What a pixel gets is the sphere's brightness over the disc, smeared as the disc is: computed once on a fine raster for each size
//! and direction of the light and read between its points.

use nalgebra::{Matrix3, Unit, Vector3};
use tipwright::model::{Camera, RawPixel};

use super::exposure::{Light, Stored};
use super::skin::{Facing, Skin};

/// Light that a ball gets: from one side, and from all around.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sun {
    /// Towards the sun.
    pub towards_in_world: Unit<Vector3<f64>>,
    /// Share of the light that comes from all around, 0 to 1.
    pub ambient: f64,
}

impl Sun {
    /// Light from all around alone.
    #[must_use]
    pub fn none() -> Self {
        Self { towards_in_world: Vector3::z_axis(), ambient: 1.0 }
    }

    /// Brightness of a ball where its outward normal is `normal`, in the axes of the picture; 1 straight under the sun.
    fn brightness(&self, skin: Skin, facing: &Facing, normal: &Vector3<f64>) -> f64 {
        let light = self.ambient + (1.0 - self.ambient) * skin.of_sun(facing.light.dot(normal));
        if skin.has_marks() { light * skin.paint(&(facing.ball_from_picture * normal)) } else { light }
    }
}

/// Right, down and towards the camera, as a ball seen along `ray_in_camera` shows them in the stored picture: columns, in the world.
#[must_use]
pub fn picture_axes(camera: &Camera, ray_in_camera: &Vector3<f64>) -> Matrix3<f64> {
    let ray = ray_in_camera.normalize();
    let right = (Vector3::x() - ray * ray.x).normalize();
    let down = ray.cross(&right);
    let origin = camera.picture.upright_from_stored(0.0, 0.0);
    let stored = |u: f64, v: f64| {
        let at: RawPixel = camera.picture.upright_from_stored(u, v);
        right * (at.x_px - origin.x_px) + down * (at.y_px - origin.y_px)
    };
    let world_from_camera = camera.pose.camera_from_world.rotation.inverse().to_rotation_matrix();
    world_from_camera.matrix() * Matrix3::from_columns(&[stored(1.0, 0.0), stored(0.0, 1.0), -ray])
}

/// Points of the raster per pixel.
const PER_PX: usize = 8;

/// Brightness times cover of a lit ball by place.
#[derive(Debug, Clone)]
pub struct LitProfile {
    values: Vec<f32>,
    side: usize,
}

impl LitProfile {
    /// A ball of `radius_px` under a sun through a blur of `sigma_px`.
    #[must_use]
    pub fn new(radius_px: f64, sigma_px: f64, sun: &Sun, skin: Skin, facing: &Facing) -> Self {
        let reach_px = radius_px + 4.5 * sigma_px;
        let half = (reach_px * PER_PX as f64).ceil() as i32;
        let side = (2 * half + 1) as usize;
        // Four by four samples a point, so that the sharp rim has its area.
        let sharp: Vec<f64> = (0..side * side)
            .map(|i| {
                let (row, col) = ((i / side) as i32 - half, (i % side) as i32 - half);
                let mut sum = 0.0;
                for k in 0..16 {
                    let at = |i: i32, k: i32| {
                        (f64::from(i) + (f64::from(k) - 1.5) / 4.0) / (PER_PX as f64 * radius_px)
                    };
                    let (x, y) = (at(col, k % 4), at(row, k / 4));
                    let z2 = 1.0 - x * x - y * y;
                    if z2 > 0.0 {
                        sum += sun.brightness(skin, facing, &Vector3::new(x, y, z2.sqrt())) / 16.0;
                    }
                }
                sum
            })
            .collect();
        let taps = (4.5 * sigma_px * PER_PX as f64).ceil() as i32;
        let kernel: Vec<f64> = (-taps..=taps)
            .map(|k| (-0.5 * (f64::from(k) / (sigma_px * PER_PX as f64)).powi(2)).exp())
            .collect();
        let norm: f64 = kernel.iter().sum();
        let smear = |from: &[f64], step: usize, across: usize| -> Vec<f64> {
            let mut out = vec![0.0; side * side];
            for line in 0..side {
                for place in 0..side {
                    let sum: f64 = kernel
                        .iter()
                        .zip(place as i32 - taps..)
                        .filter(|(_, at)| (0..side as i32).contains(at))
                        .map(|(w, at)| w * from[line * across + at as usize * step])
                        .sum();
                    out[line * across + place * step] = sum / norm;
                }
            }
            out
        };
        let values = smear(&smear(&sharp, 1, side), side, 1);
        Self { values: values.into_iter().map(|v| v as f32).collect(), side }
    }

    /// Brightness times cover at a place relative to the centre.
    #[inline]
    #[must_use]
    pub fn at(&self, x_px: f64, y_px: f64) -> f32 {
        let middle = (self.side / 2) as f64;
        let (x, y) = (x_px * PER_PX as f64 + middle, y_px * PER_PX as f64 + middle);
        let last = (self.side - 1) as f64;
        if !(x >= 0.0 && y >= 0.0 && x < last && y < last) {
            return 0.0;
        }
        let (col, row) = (x as usize, y as usize);
        let (a, b) = ((x - col as f64) as f32, (y - row as f64) as f32);
        let at = |r: usize, c: usize| self.values[r * self.side + c];
        let upper = at(row, col) + (at(row, col + 1) - at(row, col)) * a;
        let lower = at(row + 1, col) + (at(row + 1, col + 1) - at(row + 1, col)) * a;
        upper + (lower - upper) * b
    }
}

/// A colour at every brightness, as the camera stores it.
pub struct Tints(Vec<Stored>);

const TINTS: usize = 256;

impl Tints {
    /// Of a colour that is `light` straight under the sun.
    #[must_use]
    pub fn new(light: Light) -> Self {
        Self((0..=TINTS).map(|k| light.times(k as f32 / TINTS as f32).stored()).collect())
    }

    /// At a brightness from 0 to 1.
    #[inline]
    #[must_use]
    pub fn at(&self, brightness: f32) -> &Stored {
        &self.0[((brightness * TINTS as f32 + 0.5) as usize).min(TINTS)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::day::place::{low_sun, phones};
    use crate::phone::noise::stream;

    fn sun(ambient: f64) -> Sun {
        Sun { towards_in_world: Vector3::x_axis(), ambient }
    }

    fn under(light: Vector3<f64>) -> Facing {
        Facing { light, ball_from_picture: Matrix3::identity() }
    }

    #[test]
    fn light_from_all_around_is_the_plain_disc() {
        let lit = LitProfile::new(6.0, 0.62, &sun(1.0), Skin::Even, &under(Vector3::x()));
        let area: f64 = (-80..=80)
            .flat_map(|y| (-80..=80).map(move |x| (x, y)))
            .map(|(x, y)| f64::from(lit.at(f64::from(x) / 8.0, f64::from(y) / 8.0)) / 64.0)
            .sum();
        assert!((area / (std::f64::consts::PI * 36.0) - 1.0).abs() < 1e-3, "{area}");
        assert!((lit.at(0.0, 0.0) - 1.0).abs() < 1e-5 && lit.at(9.5, 0.0) < 1e-4);
    }

    /// A Lambert sphere at phase angle p sends (sin p + (pi - p) cos p) / pi of what it sends when full (Lambert, Photometria,
    /// 1760; the formula from memory), and full it sends two thirds of a flat disc that faces the sun.
    #[test]
    fn truth_a_sphere_sends_as_much_light_as_lambert_says() {
        for phase_deg in [0.0_f64, 30.0, 60.0, 80.0, 120.0] {
            let p = phase_deg.to_radians();
            let facing = under(Vector3::new(p.sin(), 0.0, p.cos()));
            let lit = LitProfile::new(9.0, 0.62, &sun(0.0), Skin::Even, &facing);
            let sum: f64 = (-110..=110)
                .flat_map(|y| (-110..=110).map(move |x| (x, y)))
                .map(|(x, y)| f64::from(lit.at(f64::from(x) / 8.0, f64::from(y) / 8.0)) / 64.0)
                .sum();
            let full = std::f64::consts::PI * 81.0 * 2.0 / 3.0;
            let want = (p.sin() + (std::f64::consts::PI - p) * p.cos()) / std::f64::consts::PI;
            assert!((sum / full - want).abs() < 2e-3, "{phase_deg}: {} {want}", sum / full);
        }
    }
    /// A sun behind the first phone lights the face that it sees, from above; one farther round lights the side towards the second phone,
    /// which stands to the first one's right and sees its own left side lit.
    #[test]
    fn a_low_sun_lights_the_side_it_stands_on() {
        let cameras = phones(960, 540, None, &mut stream(3, "low sun"));
        let ahead = Vector3::z();
        let seen = |deg: f64, k: usize| {
            picture_axes(&cameras[k], &ahead).transpose()
                * low_sun(deg, &cameras).towards_in_world.into_inner()
        };
        let behind = seen(0.0, 0);
        assert!(behind.x.abs() < 0.1 && behind.y < -0.3 && behind.z > 0.7, "{behind}");
        let (first, second) = (seen(50.0, 0), seen(50.0, 1));
        assert!(first.x > 0.5 && second.x < 0.0 && first.z > 0.3 && second.z > 0.7, "{first} {second}");
        assert!((first.norm() - 1.0).abs() < 1e-9);
    }
}
