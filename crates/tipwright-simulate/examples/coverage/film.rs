//! Two phones that see moving markers as detections: projection with the lens, an instant for every row, motion over
//! the exposure, noise, losses and gross errors. No pictures.

use nalgebra::Point3;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use tipwright::model::{
    Camera, Candidate, ClipSpots, Clock, Colour, FrameSpots, FrameTimes, RawPixel, Streak,
};

/// A marker.
pub struct Marker<'a> {
    pub place: &'a dyn Fn(f64) -> Point3<f64>,
    pub colour: Colour,
    pub diameter_m: f64,
}

/// How a phone detects.
#[derive(Debug, Clone, Copy)]
pub struct Detector {
    pub fps: f64,
    pub exposure_s: f64,
    /// True standard deviation of a sharp marker's place.
    pub sigma_px: f64,
    /// Frames over which noise is the mean of, of the same size all the same: 1 is white.
    pub smooth_over: usize,
    /// More of it along a streak, as a share of its length.
    pub along_share: f64,
    /// Stated over true standard deviation.
    pub stated: f64,
    pub dropout: f64,
    pub outlier: f64,
}

impl Default for Detector {
    fn default() -> Self {
        Self {
            fps: 240.0,
            exposure_s: 1.0 / 1000.0,
            sigma_px: 0.10,
            smooth_over: 1,
            along_share: 0.02,
            stated: 1.3,
            dropout: 0.02,
            outlier: 0.003,
        }
    }
}

/// Where a rolling shutter sees a point in the frame of `pts_s`, and at which instant.
pub fn seen(
    camera: &Camera,
    clock: &Clock,
    pts_s: f64,
    place: &dyn Fn(f64) -> Point3<f64>,
) -> Option<(RawPixel, f64)> {
    let mut fraction = 0.0;
    let mut out = None;
    for _ in 0..12 {
        let t_s = clock.session_s(pts_s, fraction);
        let p = camera.project(&place(t_s))?;
        fraction = camera.picture.shutter_fraction(p);
        out = Some((p, t_s));
    }
    out
}

/// True covariance of a detection of a marker that moves by `(dx, dy)` pixels over the exposure.
pub fn covariance(d: &Detector, (dx, dy): (f64, f64)) -> [f64; 3] {
    let base = d.sigma_px * d.sigma_px;
    let f = d.along_share * d.along_share;
    [base + f * dx * dx, f * dx * dy, base + f * dy * dy]
}

/// Standard normals that are the mean of the last few frames' own, at their full size.
struct Noise(std::collections::VecDeque<[f64; 4]>);

impl Noise {
    fn over(frames: usize, rng: &mut ChaCha8Rng) -> Self {
        Self((0..frames).map(|_| fresh(rng)).collect())
    }

    fn next(&mut self, rng: &mut ChaCha8Rng) -> [f64; 4] {
        self.0.pop_front();
        self.0.push_back(fresh(rng));
        let root = (self.0.len() as f64).sqrt();
        std::array::from_fn(|i| self.0.iter().map(|z| z[i]).sum::<f64>() / root)
    }
}

fn fresh(rng: &mut ChaCha8Rng) -> [f64; 4] {
    std::array::from_fn(|_| StandardNormal.sample(rng))
}

/// Detections of one clip with these exposures (by the phone's clock).
pub fn film(
    camera: &Camera,
    clock: &Clock,
    d: &Detector,
    exposures_s: &[f64],
    markers: &[Marker],
    rng: &mut ChaCha8Rng,
) -> ClipSpots {
    let [w, h] = camera.picture.upright_px().map(f64::from);
    let mut frames = Vec::new();
    let mut noise: Vec<Noise> = markers.iter().map(|_| Noise::over(d.smooth_over, rng)).collect();
    for (frame_idx, pts_s) in (0..).zip(exposures_s.iter().copied()) {
        let mut candidates = Vec::new();
        for (marker, noise) in markers.iter().zip(&mut noise) {
            let (lost, wild): (f64, f64) = (rng.random(), rng.random());
            let z = noise.next(rng);
            let Some((p, t_s)) = seen(camera, clock, pts_s, marker.place) else { continue };
            let at = |t: f64| camera.project(&(marker.place)(t));
            let (Some(a), Some(b)) = (at(t_s - d.exposure_s / 2.0), at(t_s + d.exposure_s / 2.0)) else {
                continue;
            };
            let (dx, dy) = (b.x_px - a.x_px, b.y_px - a.y_px);
            let streak_px = dx.hypot(dy);
            // the centre of the streak, not the middle instant: the curve over the exposure is in it
            let mut centre =
                RawPixel::new((a.x_px + 4.0 * p.x_px + b.x_px) / 6.0, (a.y_px + 4.0 * p.y_px + b.y_px) / 6.0);
            centre.x_px += d.sigma_px * z[0] + d.along_share * dx * z[2];
            centre.y_px += d.sigma_px * z[1] + d.along_share * dy * z[2];
            if wild < d.outlier {
                centre.x_px += 12.0 * z[3];
                centre.y_px += 12.0 * z[2];
            }
            let inside =
                centre.x_px > 3.0 && centre.y_px > 3.0 && centre.x_px < w - 4.0 && centre.y_px < h - 4.0;
            if lost < d.dropout || !inside {
                continue;
            }
            let depth_m = (camera.pose.camera_from_world * (marker.place)(t_s)).z;
            let radius_px = 0.5 * marker.diameter_m / depth_m * camera.lens.fx_px;
            let stated = d.stated * d.stated;
            candidates.push(Candidate {
                centre,
                cov_px2: covariance(d, (dx, dy)).map(|c| c * stated),
                streak: (streak_px > 2.0 * radius_px).then(|| Streak {
                    length_px: streak_px,
                    length_sd_px: 0.5,
                    angle_rad: dy.atan2(dx).rem_euclid(std::f64::consts::PI),
                }),
                colour: marker.colour,
                area_px2: std::f64::consts::PI * radius_px * radius_px + 2.0 * radius_px * streak_px,
                contrast: 0.7,
                score: 0.9,
                moving: 1.0,
                saturated: false,
                steady_px: [0.0; 2],
                uneven_px: 0.0,
            });
        }
        frames.push(FrameSpots { frame_idx, pts_s, candidates });
    }
    ClipSpots { camera: camera.name.clone(), picture: camera.picture, frames, times: FrameTimes::default() }
}
