//! From the world to the stored picture, written apart from the measuring library so that an error there cannot hide
//! here. Brown's model (Brown 1966): x' = x (1 + k1 r2 + k2 r4 + k3 r6) + 2 p1 x y + p2 (r2 + 2 x2), y' likewise.

use nalgebra::{Point3, Vector3};
use tipwright::model::{Camera, Lens, RawPixel};

/// A point seen by a camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Column of the stored picture.
    pub u_px: f64,
    /// Row of the stored picture.
    pub v_px: f64,
    /// Distance along the optical axis.
    pub depth_m: f64,
}

/// Farther than this from the axis (as tangent of the angle) Brown's polynomial is not to be trusted.
const LARGEST_TANGENT: f64 = 1.1;

/// Distorted normalised coordinates of an undistorted direction (x, y, 1).
#[must_use]
pub fn distorted(lens: &Lens, x: f64, y: f64) -> (f64, f64) {
    let [k1, k2, p1, p2, k3] = lens.distortion;
    let r2 = x * x + y * y;
    let radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
    (
        x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
        y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
    )
}

/// Undistorted direction of an upright pixel, by fixed-point steps (converges for the mild lenses of phones).
#[must_use]
pub fn direction_of_pixel(lens: &Lens, pixel: RawPixel) -> (f64, f64) {
    let (xd, yd) = ((pixel.x_px - lens.cx_px) / lens.fx_px, (pixel.y_px - lens.cy_px) / lens.fy_px);
    let (mut x, mut y) = (xd, yd);
    for _ in 0..12 {
        let (gx, gy) = distorted(lens, x, y);
        x += xd - gx;
        y += yd - gy;
    }
    (x, y)
}

/// Upright pixel of a camera point; `None` behind the camera or far outside the picture.
#[must_use]
pub fn pixel_of_camera_point(lens: &Lens, p: &Point3<f64>) -> Option<RawPixel> {
    if p.z < 0.05 {
        return None;
    }
    let (x, y) = (p.x / p.z, p.y / p.z);
    if x * x + y * y > LARGEST_TANGENT * LARGEST_TANGENT {
        return None;
    }
    let (xd, yd) = distorted(lens, x, y);
    Some(RawPixel::new(lens.fx_px * xd + lens.cx_px, lens.fy_px * yd + lens.cy_px))
}

/// Where a world point falls in the stored picture.
#[must_use]
pub fn see(camera: &Camera, point_in_world: &Point3<f64>) -> Option<Seen> {
    let p = camera.pose.camera_from_world * point_in_world;
    let upright = pixel_of_camera_point(&camera.lens, &p)?;
    let (u_px, v_px) = camera.picture.stored_from_upright(upright);
    Some(Seen { u_px, v_px, depth_m: p.z })
}

/// World direction of every `step`-th stored pixel, row by row: for backgrounds.
#[must_use]
pub fn directions_in_world(camera: &Camera, step: usize) -> (Vec<Vector3<f64>>, [usize; 2]) {
    let [w, h] = camera.picture.stored_px;
    let (cols, rows) = ((w as usize).div_ceil(step) + 1, (h as usize).div_ceil(step) + 1);
    let world_from_camera = camera.pose.camera_from_world.rotation.inverse();
    let mut out = Vec::with_capacity(cols * rows);
    for row in 0..rows {
        for col in 0..cols {
            let upright = camera.picture.upright_from_stored((col * step) as f64, (row * step) as f64);
            let (x, y) = direction_of_pixel(&camera.lens, upright);
            out.push((world_from_camera * Vector3::new(x, y, 1.0)).normalize());
        }
    }
    (out, [cols, rows])
}
