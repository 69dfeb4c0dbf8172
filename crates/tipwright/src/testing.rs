//! A small synthetic world for tests: points that move, phones with rolling shutter that see them, and what goes
//! wrong with candidates. Not a simulator of pictures.

use nalgebra::Point3;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use crate::model::{
    Camera, CameraPose, Candidate, ClipSpots, Clock, Colour, FrameSpots, FrameTimes, Lens, Picture, RawPixel,
    Rotation,
};

/// A point of the world at a session time.
pub type Motion<'a> = &'a (dyn Fn(f64) -> Point3<f64> + Sync);

/// Something bright that moves.
pub struct Thing<'a> {
    pub motion: Motion<'a>,
    pub colour: Colour,
    pub diameter_m: f64,
    /// Seen by these cameras only.
    pub cameras: Option<Vec<usize>>,
}

impl<'a> Thing<'a> {
    pub fn new(motion: Motion<'a>, colour: Colour, diameter_m: f64) -> Self {
        Self { motion, colour, diameter_m, cameras: None }
    }
}

/// How a phone films.
#[derive(Debug, Clone)]
pub struct Shot {
    pub fps: f64,
    pub duration_s: f64,
    pub clock: Clock,
    pub sigma_px: f64,
    /// Share of sightings lost.
    pub dropout: f64,
    /// Share of sightings with an error of tens of pixels.
    pub outlier: f64,
    /// Spans of session time in which the phone sees nothing.
    pub hidden_s: Vec<[f64; 2]>,
    pub seed: u64,
}

impl Shot {
    pub fn new(fps: f64, duration_s: f64, clock: Clock, seed: u64) -> Self {
        Self {
            fps,
            duration_s,
            clock,
            sigma_px: 0.1,
            dropout: 0.01,
            outlier: 0.005,
            hidden_s: Vec::new(),
            seed,
        }
    }
}

/// A camera at a place looking at another, upright.
pub fn looking(name: &str, from: Point3<f64>, at: Point3<f64>) -> Camera {
    Camera {
        name: name.into(),
        lens: Lens::new([1920, 1080], 1500.0, 1502.0, 962.0, 538.0, [0.08, -0.12, 0.0005, -0.0003, 0.02]),
        pose: CameraPose::looking(from, at).unwrap(),
        picture: Picture { stored_px: [1920, 1080], rotation: Rotation::R0 },
    }
}

/// Two phones eight metres off, 70 degrees apart, one higher than the other.
pub fn two_phones() -> Vec<Camera> {
    let at = Point3::new(0.0, 0.0, 2.4);
    vec![looking("west", Point3::new(-4.6, -6.6, 1.4), at), looking("east", Point3::new(4.6, -6.6, 1.9), at)]
}

/// False casting: strokes back and forth along x, 20 m/s at most, a dip, some tracking error, a drift in the pauses.
pub fn cast_tip(t_s: f64) -> Point3<f64> {
    let period = 1.1;
    let width = 0.045;
    let mut s = -0.5;
    let mut k = 0;
    while k < 40 {
        let at = 0.6 + f64::from(k) * period;
        let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
        s += sign / (1.0 + (-(t_s - at) / width).exp());
        k += 1;
    }
    let x = 3.6 * s;
    let dome = 0.25 * (1.0 - (2.0 * s).powi(2));
    let dip = 0.03 * (-((s - 0.1) / 0.08).powi(2)).exp();
    let z = 3.4 + dome - dip + 0.25 * s + 0.05 * (1.3 * t_s).sin();
    let y = 0.15 * (2.0 * s).sin() + 0.08 * (0.9 * t_s + 0.4).sin();
    Point3::new(x, y, z)
}

/// The hand of the same caster.
pub fn cast_hand(t_s: f64) -> Point3<f64> {
    let tip = cast_tip(t_s);
    Point3::new(0.15 * tip.x, 0.3 + 0.1 * tip.y, 1.25 + 0.05 * (2.0 * t_s).sin())
}

/// A butt marker `at_m` from the hand toward the tip: rigid distances between two of them.
pub fn cast_butt(t_s: f64, at_m: f64) -> Point3<f64> {
    let hand = cast_hand(t_s);
    hand + (cast_tip(t_s) - hand).normalize() * at_m
}

/// Films the things: candidates of one clip, distractors included.
pub fn film(camera: &Camera, camera_idx: usize, things: &[Thing], film: &Shot) -> ClipSpots {
    let mut rng = ChaCha8Rng::seed_from_u64(film.seed);
    let noise = Normal::new(0.0, film.sigma_px).unwrap();
    let frames = (film.duration_s * film.fps) as u32;
    let mut out = Vec::new();
    for frame_idx in 0..frames {
        let pts_s = f64::from(frame_idx) / film.fps;
        let middle_s = film.clock.session_s(pts_s, 0.0);
        let hidden = film.hidden_s.iter().any(|h| middle_s >= h[0] && middle_s <= h[1]);
        let mut candidates = Vec::new();
        for thing in things {
            if thing.cameras.as_ref().is_some_and(|c| !c.contains(&camera_idx)) {
                continue;
            }
            let (n1, n2): (f64, f64) = (noise.sample(&mut rng), noise.sample(&mut rng));
            let lost = rng.random::<f64>() < film.dropout;
            let wild = rng.random::<f64>() < film.outlier;
            let (o1, o2) = (rng.random::<f64>() - 0.5, rng.random::<f64>() - 0.5);
            if hidden || lost {
                continue;
            }
            let Some(mut p) = seen_rolling(camera, &film.clock, pts_s, thing.motion) else { continue };
            let depth = (camera.pose.camera_from_world * (thing.motion)(middle_s)).z;
            p.x_px += n1;
            p.y_px += n2;
            if wild {
                p.x_px += 80.0 * o1;
                p.y_px += 80.0 * o2;
            }
            if p.x_px < 0.0 || p.y_px < 0.0 || p.x_px > 1919.0 || p.y_px > 1079.0 {
                continue;
            }
            let radius_px = 0.5 * thing.diameter_m / depth * camera.lens.fx_px;
            let variance = film.sigma_px * film.sigma_px;
            candidates.push(Candidate {
                centre: p,
                cov_px2: [variance, 0.0, variance],
                streak: None,
                colour: thing.colour,
                area_px2: std::f64::consts::PI * radius_px * radius_px,
                contrast: 0.7,
                score: 0.9,
                moving: 1.0,
                saturated: false,
                steady_px: [0.0; 2],
                uneven_px: 0.0,
            });
        }
        out.push(FrameSpots { frame_idx, pts_s, candidates });
    }
    ClipSpots {
        camera: camera.name.clone(),
        picture: camera.picture,
        frames: out,
        times: FrameTimes::default(),
    }
}

/// Where a rolling shutter sees a moving point in the frame of `pts_s`.
pub fn seen_rolling(camera: &Camera, clock: &Clock, pts_s: f64, motion: Motion) -> Option<RawPixel> {
    let mut fraction = 0.0;
    let mut pixel = None;
    for _ in 0..12 {
        let t_s = clock.session_s(pts_s, fraction);
        let p = camera.project(&motion(t_s))?;
        fraction = camera.picture.shutter_fraction(p);
        pixel = Some(p);
    }
    pixel
}
