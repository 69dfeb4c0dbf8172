//! The cast plane of a stroke and the shape of the tip path in it.
//!
//! The plane is the vertical plane through the ends of the path in W. s runs along the chord, h is normal to the
//! chord in the plane, upward positive, off is horizontal, to the left seen the way the stroke travels.
//! Hull: monotone chain (Andrew, Inf. Process. Lett. 9 (1979) 216, from memory). Mean squares are taken along the
//! path, not over time: the shape of a path does not depend on how fast it was travelled.

use nalgebra::{Point3, Vector3};

/// Chord and plane.
#[derive(Debug, Clone, Copy)]
pub(super) struct CastPlane {
    pub start: Point3<f64>,
    pub chord_m: f64,
    /// Unit vectors in the world: along the chord, up in the plane, horizontally to the left of the way.
    pub along: Vector3<f64>,
    pub up: Vector3<f64>,
    pub left: Vector3<f64>,
    /// Horizontal unit vector the way the stroke travels.
    pub way: Vector3<f64>,
}

/// A point in the cast plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct InPlane {
    pub s_m: f64,
    pub h_m: f64,
    pub left_m: f64,
}

/// Steeper than this a chord fixes no vertical plane: at 80 degrees a centimetre at the ends of a 3 m chord turns
/// the plane by a degree.
const STEEPEST_CHORD_DEG: f64 = 80.0;

impl CastPlane {
    /// `None` when the chord is zero or too steep.
    pub fn through(start: Point3<f64>, end: Point3<f64>) -> Option<Self> {
        let chord = end - start;
        let chord_m = chord.norm();
        let horizontal = Vector3::new(chord.x, chord.y, 0.0);
        let shallow = horizontal.norm() > chord_m * STEEPEST_CHORD_DEG.to_radians().cos();
        // false for NaN as well
        if !shallow {
            return None;
        }
        let (way, along) = (horizontal.normalize(), chord / chord_m);
        let left = Vector3::z().cross(&way);
        Some(Self { start, chord_m, along, up: along.cross(&left), left, way })
    }

    pub fn coordinates(&self, point: &Point3<f64>) -> InPlane {
        let r = point - self.start;
        InPlane { s_m: r.dot(&self.along), h_m: r.dot(&self.up), left_m: r.dot(&self.left) }
    }

    /// Elevation of the chord, positive when it rises the way it travels.
    pub fn angle_deg(&self) -> f64 {
        self.along.z.clamp(-1.0, 1.0).asin().to_degrees()
    }
}

/// Shape of the path in W.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shape {
    pub travel_m: f64,
    pub dip_depth_m: f64,
    /// NaN when nothing lies below the hull.
    pub dip_at: f64,
    pub dome_height_m: f64,
    pub slp_rms_m: f64,
    pub straightness: f64,
    pub off_plane_max_m: f64,
}

/// Measures the points of W, in order of time.
pub(super) fn shape(plane: &CastPlane, points: &[Point3<f64>]) -> Shape {
    let flat: Vec<InPlane> = points.iter().map(|p| plane.coordinates(p)).collect();
    let steps: Vec<f64> = points.windows(2).map(|w| (w[1] - w[0]).norm()).collect();
    let (dip_depth_m, dip_at) = dip(&flat, plane.chord_m);
    let largest = |f: fn(&InPlane) -> f64| flat.iter().map(f).fold(0.0, f64::max);
    Shape {
        travel_m: steps.iter().sum(),
        dip_depth_m,
        dip_at,
        dome_height_m: largest(|p| p.h_m),
        slp_rms_m: rms_about_line(&flat, &steps),
        straightness: largest(|p| p.h_m.abs()) / plane.chord_m,
        off_plane_max_m: largest(|p| p.left_m.abs()),
    }
}

/// Largest depth below the upper hull and where it is, as a fraction of the chord.
fn dip(flat: &[InPlane], chord_m: f64) -> (f64, f64) {
    let mut sorted: Vec<(f64, f64)> = flat.iter().map(|p| (p.s_m, p.h_m)).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut hull: Vec<(f64, f64)> = Vec::with_capacity(sorted.len());
    for &p in &sorted {
        while let [.., a, b] = hull[..] {
            if (b.0 - a.0) * (p.1 - a.1) - (b.1 - a.1) * (p.0 - a.0) >= 0.0 {
                hull.pop();
            } else {
                break;
            }
        }
        hull.push(p);
    }
    let (mut depth_m, mut at) = (0.0, f64::NAN);
    let mut k = 0;
    for p in &sorted {
        while k + 2 < hull.len() && hull[k + 1].0 < p.0 {
            k += 1;
        }
        let (a, b) = (hull[k], hull[(k + 1).min(hull.len() - 1)]);
        let top = if b.0 > a.0 { a.1 + (b.1 - a.1) * (p.0 - a.0) / (b.0 - a.0) } else { a.1.max(b.1) };
        if top - p.1 > depth_m {
            (depth_m, at) = (top - p.1, p.0 / chord_m);
        }
    }
    // rounding alone leaves depths of this order on a straight path
    if depth_m > 1e-9 { (depth_m, at) } else { (0.0, f64::NAN) }
}

/// Root mean square of h about its least-squares line over s, weighted by length of path.
fn rms_about_line(flat: &[InPlane], steps: &[f64]) -> f64 {
    let weight =
        |i: usize| (if i > 0 { steps[i - 1] } else { 0.0 } + steps.get(i).copied().unwrap_or(0.0)) / 2.0;
    let mut sums = [0.0; 3];
    for (i, p) in flat.iter().enumerate() {
        let w = weight(i);
        sums = [sums[0] + w, sums[1] + w * p.s_m, sums[2] + w * p.h_m];
    }
    let (s_mean, h_mean) = (sums[1] / sums[0], sums[2] / sums[0]);
    let mut moments = [0.0; 3];
    for (i, p) in flat.iter().enumerate() {
        let (w, s, h) = (weight(i), p.s_m - s_mean, p.h_m - h_mean);
        moments = [moments[0] + w * s * s, moments[1] + w * s * h, moments[2] + w * h * h];
    }
    let rest = moments[2] - if moments[0] > 0.0 { moments[1] * moments[1] / moments[0] } else { 0.0 };
    (rest.max(0.0) / sums[0]).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane() -> CastPlane {
        CastPlane::through(Point3::new(0.0, 0.0, 2.0), Point3::new(2.0, 0.0, 2.0)).unwrap()
    }

    #[test]
    fn up_is_up_and_left_is_left_both_ways() {
        let forward = CastPlane::through(Point3::origin(), Point3::new(2.0, 0.0, 1.0)).unwrap();
        let back = CastPlane::through(Point3::new(2.0, 0.0, 1.0), Point3::origin()).unwrap();
        assert!(forward.up.z > 0.0 && back.up.z > 0.0);
        assert!((forward.left - Vector3::y()).norm() < 1e-12 && (back.left + Vector3::y()).norm() < 1e-12);
        assert!((forward.angle_deg() - 26.565_051).abs() < 1e-5);
        assert!((back.angle_deg() + 26.565_051).abs() < 1e-5);
    }

    #[test]
    fn a_chord_that_is_vertical_or_nothing_has_no_plane() {
        assert!(CastPlane::through(Point3::origin(), Point3::new(0.0, 0.0, 2.0)).is_none());
        assert!(CastPlane::through(Point3::origin(), Point3::origin()).is_none());
        assert!(CastPlane::through(Point3::origin(), Point3::new(f64::NAN, 0.0, 2.0)).is_none());
    }

    #[test]
    fn a_dome_has_no_dip_and_a_saucer_is_all_dip() {
        let arc = |sign: f64| -> Vec<Point3<f64>> {
            (0..=200)
                .map(|i| {
                    let s = f64::from(i) / 100.0;
                    Point3::new(s, 0.0, 2.0 + sign * 0.3 * s * (2.0 - s))
                })
                .collect()
        };
        let dome = shape(&plane(), &arc(1.0));
        assert!(dome.dip_depth_m == 0.0 && dome.dip_at.is_nan());
        assert!((dome.dome_height_m - 0.3).abs() < 1e-12 && (dome.straightness - 0.15).abs() < 1e-12);
        let saucer = shape(&plane(), &arc(-1.0));
        assert!((saucer.dip_depth_m - 0.3).abs() < 1e-12 && (saucer.dip_at - 0.5).abs() < 1e-9);
        assert!(saucer.dome_height_m == 0.0);
    }

    #[test]
    fn a_point_that_turns_back_under_the_hull_counts() {
        let points = [(0.0, 0.0), (1.0, 0.2), (0.8, -0.1), (2.0, 0.0)];
        let points: Vec<_> = points.iter().map(|p| Point3::new(p.0, 0.0, 2.0 + p.1)).collect();
        let got = shape(&plane(), &points);
        assert!((got.dip_depth_m - (0.16 + 0.1)).abs() < 1e-12 && (got.dip_at - 0.4).abs() < 1e-12);
    }
}
