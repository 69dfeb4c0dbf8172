//! When each row of each frame is exposed. As the contract has it: row v of a frame with presentation time `pts` is at
//! the middle of its exposure at `t = offset + (1 + drift) pts + readout (v - (rows-1)/2) / rows`, v in the stored
//! picture.

use nalgebra::Point3;
use tipwright::model::{Camera, Clock};

use super::lens::{Seen, see};

/// Rolling shutter of one clip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shutter {
    /// From presentation time to world time.
    pub clock: Clock,
    /// Length of one row's exposure.
    pub exposure_s: f64,
    /// Rows of the stored picture.
    pub rows: f64,
}

/// A moving point over one frame's exposure, as seen at one instant of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Glimpse {
    /// Where, at the time of the row it falls on.
    pub seen: Seen,
    /// World time of that.
    pub t_s: f64,
    /// Column change per row further down (the picture is exposed later there).
    pub du_per_row: f64,
    /// Row change per row further down.
    pub dv_per_row: f64,
}

impl Shutter {
    /// World time of the middle of the exposure of a stored row.
    #[must_use]
    pub fn row_s(&self, pts_s: f64, v_px: f64) -> f64 {
        self.clock.session_s(pts_s, (v_px - (self.rows - 1.0) / 2.0) / self.rows)
    }

    /// World time from one row to the next.
    #[must_use]
    pub fn row_step_s(&self) -> f64 {
        self.clock.readout_s / self.rows
    }

    /// Where a moving point is seen `within_s` after the middle of the exposure of the row on which it is then.
    /// The row depends on the time and the time on the row: fixed-point steps, each gaining a factor of 30 or more
    /// (a tip at 20 m/s crosses about 0.03 rows while one row is read).
    pub fn glimpse(
        &self,
        camera: &Camera,
        pts_s: f64,
        within_s: f64,
        point_at: &dyn Fn(f64) -> Point3<f64>,
    ) -> Option<Glimpse> {
        let mut t_s = self.row_s(pts_s, (self.rows - 1.0) / 2.0) + within_s;
        let mut seen = see(camera, &point_at(t_s))?;
        for _ in 0..6 {
            let next_s = self.row_s(pts_s, seen.v_px) + within_s;
            let done = (next_s - t_s).abs() < 1e-10;
            t_s = next_s;
            seen = see(camera, &point_at(t_s))?;
            if done {
                break;
            }
        }
        let step_s = 1e-4;
        let after = see(camera, &point_at(t_s + step_s))?;
        let before = see(camera, &point_at(t_s - step_s))?;
        let per_row = self.row_step_s() / (2.0 * step_s);
        Some(Glimpse {
            seen,
            t_s,
            du_per_row: (after.u_px - before.u_px) * per_row,
            dv_per_row: (after.v_px - before.v_px) * per_row,
        })
    }
}
