//! Alder Reach: the mill pond, where the two phones stand, and what is done before them between the casts.

use nalgebra::{Isometry3, Point3, Rotation3, Translation3, Unit, UnitQuaternion, Vector3};
use tipwright::model::{Camera, CameraPose, Lens, Picture, Rotation};

use crate::phone::noise::between;
use crate::phone::shade::Sun;

/// Middle of the casting volume.
pub const MIDDLE: [f64; 3] = [0.15, 0.0, 2.5];

/// Pose of a camera at `eye` that looks at `target`, turned by `roll_rad` about its axis.
#[must_use]
pub fn looking(eye: Point3<f64>, target: Point3<f64>, roll_rad: f64) -> CameraPose {
    let z = (target - eye).normalize();
    let x = z.cross(&Vector3::z()).normalize();
    let y = z.cross(&x);
    let level = Rotation3::from_basis_unchecked(&[x, y, z]);
    let world_from_camera = level * Rotation3::from_axis_angle(&Vector3::z_axis(), roll_rad);
    let rotation = UnitQuaternion::from_rotation_matrix(&world_from_camera).inverse();
    CameraPose {
        camera_from_world: Isometry3::from_parts(Translation3::from(-(rotation * eye.coords)), rotation),
    }
}

/// Lens of a phone, for a picture of `width` by `height`; `which` 0 or 1 picks one of two phones.
#[must_use]
pub fn phone_lens(which: usize, width: u32, height: u32) -> Lens {
    let scale = f64::from(width) / 1920.0;
    let half = |n: u32| (f64::from(n) - 1.0) / 2.0;
    let (fx, fy, cx, cy, distortion) = match which {
        0 => (1548.6, 1547.1, 3.4, -4.9, [0.112, -0.248, -0.0006, 0.0009, 0.118]),
        _ => (1576.3, 1575.0, -5.8, 6.1, [0.094, -0.196, 0.0008, -0.0005, 0.083]),
    };
    Lens::new(
        [width, height],
        fx * scale,
        fy * scale,
        half(width) + cx * scale,
        half(height) + cy * scale,
        distortion,
    )
}

/// The two phones: `west` broadside and low, `east` ahead to the right and higher, about 72 degrees apart, 8 m away.
#[must_use]
pub fn phones(width: u32, height: u32, upside_down: Option<usize>, rng: &mut impl rand::Rng) -> Vec<Camera> {
    let stands = [("west", Point3::new(-0.7, -8.3, 1.32)), ("east", Point3::new(7.35, -3.0, 2.22))];
    stands
        .into_iter()
        .enumerate()
        .map(|(which, (name, eye))| {
            let mut off = || between(rng, -0.12, 0.12);
            let eye = eye + Vector3::new(off(), off(), 0.5 * off());
            let target = Point3::from(MIDDLE) + Vector3::new(off(), off(), off());
            let rotation = if upside_down == Some(which) { Rotation::R180 } else { Rotation::R0 };
            Camera {
                name: name.into(),
                lens: phone_lens(which, width, height),
                pose: looking(eye, target, 0.15 * off()),
                picture: Picture { stored_px: [width, height], rotation },
            }
        })
        .collect()
}

/// Two phones put down without a thought, of 1080p: `west` upright, `east` on its side, 30 degrees apart.
#[must_use]
pub fn careless_phones(rng: &mut impl rand::Rng) -> Vec<Camera> {
    let mut cameras = phones(1920, 1080, None, rng);
    let away_m = 9.0;
    for (camera, (bearing_deg, height_m)) in cameras.iter_mut().zip([(-96.0_f64, 1.2), (-66.0, 1.9)]) {
        let (sin, cos) = (bearing_deg + between(rng, -2.0, 2.0)).to_radians().sin_cos();
        let mut off = || between(rng, -0.12, 0.12);
        let eye = Point3::new(MIDDLE[0] + away_m * cos, away_m * sin, height_m + off());
        camera.pose = looking(eye, Point3::from(MIDDLE) + Vector3::new(off(), off(), off()), 0.3 * off());
    }
    let Camera { lens, picture, .. } = &mut cameras[0];
    *lens = Lens::new([1080, 1920], lens.fx_px, lens.fy_px, lens.cy_px, lens.cx_px, lens.distortion);
    picture.rotation = Rotation::R90;
    cameras
}

/// A sun `round_deg` round from behind the first camera towards the second. It stands 30 degrees high; three tenths of the light come from
/// all around, from the sky and the ground.
#[must_use]
pub fn low_sun(round_deg: f64, cameras: &[Camera]) -> Sun {
    let away = |camera: &Camera| {
        let eye = camera.pose.camera_from_world.inverse() * Point3::origin() - Point3::from(MIDDLE);
        eye.y.atan2(eye.x)
    };
    let first = cameras.first().map_or(0.0, away);
    let second = cameras.get(1).map_or(first, away);
    let bearing = first + round_deg.to_radians().copysign((second - first).sin());
    let (sin, cos) = 30.0_f64.to_radians().sin_cos();
    let towards = Vector3::new(cos * bearing.cos(), cos * bearing.sin(), sin);
    Sun { towards_in_world: Unit::new_normalize(towards), ambient: 0.3 }
}

/// Ends of a wand waved through the casting volume: sums of a few slow swings, every direction of motion and of the
/// stick among them, up and down the most (that is what shows the clocks).
#[derive(Debug, Clone, PartialEq)]
pub struct WavedWand {
    length_m: f64,
    swings: Vec<[f64; 3]>,
}

impl WavedWand {
    /// A wand of a length; swings drawn from `rng`.
    #[must_use]
    pub fn new(length_m: f64, rng: &mut impl rand::Rng) -> Self {
        // amplitude, rate in Hz, phase: two for each of x, y, z, yaw, pitch
        let plan = [
            (1.25, 0.13),
            (0.30, 0.47),
            (0.55, 0.19),
            (0.22, 0.53),
            (0.75, 0.23),
            (0.38, 0.71),
            (2.2, 0.11),
            (0.7, 0.37),
            (0.95, 0.17),
            (0.45, 0.59),
        ];
        let swings = plan
            .iter()
            .map(|(amplitude, rate)| {
                [
                    amplitude * between(rng, 0.9, 1.1),
                    rate * between(rng, 0.92, 1.08),
                    between(rng, 0.0, std::f64::consts::TAU),
                ]
            })
            .collect();
        Self { length_m, swings }
    }

    fn swing(&self, pair: usize, t_s: f64) -> f64 {
        self.swings[2 * pair..2 * pair + 2]
            .iter()
            .map(|[a, f, p]| a * (std::f64::consts::TAU * f * t_s + p).sin())
            .sum()
    }

    /// Centre of the marker at `end` 0 or 1.
    #[must_use]
    pub fn end_at(&self, end: usize, t_s: f64) -> Point3<f64> {
        let centre = Point3::new(
            MIDDLE[0] + self.swing(0, t_s),
            MIDDLE[1] + self.swing(1, t_s),
            MIDDLE[2] + 0.1 + self.swing(2, t_s),
        );
        let (yaw, pitch) = (self.swing(3, t_s), self.swing(4, t_s));
        let way = Vector3::new(pitch.cos() * yaw.cos(), pitch.cos() * yaw.sin(), pitch.sin());
        centre + way * (self.length_m * if end == 0 { -0.5 } else { 0.5 })
    }
}

/// A wand hung from one end, nearly at rest: a physical pendulum.
#[derive(Debug, Clone, PartialEq)]
pub struct HungWand {
    /// Centre of the upper marker.
    pub top_in_world: Point3<f64>,
    /// Between the markers.
    pub length_m: f64,
    amplitude_rad: [f64; 2],
    phase: [f64; 2],
}

impl HungWand {
    /// Hung at a place.
    #[must_use]
    pub fn new(top_in_world: Point3<f64>, length_m: f64, rng: &mut impl rand::Rng) -> Self {
        Self {
            top_in_world,
            length_m,
            amplitude_rad: [between(rng, 0.008, 0.016), between(rng, 0.006, 0.012)],
            phase: [between(rng, 0.0, 6.2), between(rng, 0.0, 6.2)],
        }
    }

    /// Centre of the marker at `end` 0 (upper) or 1 (lower).
    #[must_use]
    pub fn end_at(&self, end: usize, t_s: f64) -> Point3<f64> {
        if end == 0 {
            return self.top_in_world;
        }
        // a uniform stick about its end: period 2 pi sqrt(2 L / 3 g); it settles in some 10 s
        let omega = (1.5 * 9.806_65 / self.length_m).sqrt();
        let calm = (-t_s / 10.0).exp();
        let lean = |k: usize| self.amplitude_rad[k] * calm * (omega * t_s + self.phase[k]).sin();
        let (a, b) = (lean(0), lean(1));
        let way = Vector3::new(a.sin(), b.sin() * a.cos(), -a.cos() * b.cos());
        self.top_in_world + way.normalize() * self.length_m
    }
}

/// A wand hung at a place, carried, and hung at another one: for one phone alone.
#[derive(Debug, Clone, PartialEq)]
pub struct TwiceHung {
    hung: [HungWand; 2],
}

impl TwiceHung {
    /// Length of a clip of it.
    pub const SECONDS: f64 = 13.0;
    /// When it is carried.
    const CARRIED_S: [f64; 2] = [5.0, 7.5];

    /// Hung where a caster's shoulder will be, and ahead along the cast; a hand over a mark is a few centimetres off.
    #[must_use]
    pub fn new(length_m: f64, rng: &mut impl rand::Rng) -> Self {
        let ahead_m = between(rng, 2.4, 3.4);
        let mut off = || between(rng, -0.08, 0.08);
        let tops = [0.1, ahead_m].map(|x| Point3::new(x + off(), off(), 2.0 + off()));
        Self { hung: tops.map(|top| HungWand::new(top, length_m, rng)) }
    }

    /// Centre of the marker at `end` 0 (upper) or 1 (lower).
    #[must_use]
    pub fn end_at(&self, end: usize, t_s: f64) -> Point3<f64> {
        let [from_s, to_s] = Self::CARRIED_S;
        let gone = crate::casters::smooth((t_s - from_s) / (to_s - from_s));
        let [first, second] = &self.hung;
        // of the second it swings anew
        let [a, b] = [first.end_at(end, t_s), second.end_at(end, (t_s - to_s).max(0.0))];
        a + (b - a) * gone
    }
}

/// A tossed golf ball with air drag: 42.67 mm and 45.93 g (Rules of Golf, Equipment Rules part 4), drag coefficient 0.5
/// (smooth sphere below the critical Reynolds number), air 1.2 kg/m3.
#[derive(Debug, Clone, PartialEq)]
pub struct Toss {
    dt_s: f64,
    positions: Vec<Point3<f64>>,
    start_s: f64,
}

/// Diameter of the tossed ball.
pub const BALL_DIAMETER_M: f64 = 0.042_67;

impl Toss {
    /// Thrown up `throws` times, held in between, from `start_s` on.
    #[must_use]
    pub fn new(start_s: f64, duration_s: f64, rng: &mut impl rand::Rng) -> Self {
        let dt_s = 1e-4;
        let area = std::f64::consts::PI * BALL_DIAMETER_M * BALL_DIAMETER_M / 4.0;
        let drag_per_m = 0.5 * 1.2 * 0.5 * area / 0.045_93;
        let hand = Point3::new(0.2, -0.2, 1.35);
        let mut positions = Vec::new();
        let (mut p, mut v) = (hand, Vector3::zeros());
        let mut held_s = 0.0;
        for _ in 0..(duration_s / dt_s) as usize {
            positions.push(p);
            if held_s >= 0.0 {
                held_s += dt_s;
                // moved back to the hand's place over the wait
                p += (hand - p) * (dt_s / 0.1);
                if held_s > 0.35 {
                    held_s = -1.0;
                    v = Vector3::new(
                        between(rng, -0.3, 0.3),
                        between(rng, -0.2, 0.2),
                        between(rng, 5.6, 6.4),
                    );
                }
                continue;
            }
            let a = Vector3::new(0.0, 0.0, -9.806_65) - v * (drag_per_m * v.norm());
            p += v * dt_s + a * (0.5 * dt_s * dt_s);
            v += a * dt_s;
            if p.z < 1.25 && v.z < 0.0 {
                held_s = 0.0;
            }
        }
        Self { dt_s, positions, start_s }
    }

    /// Centre of the ball.
    #[must_use]
    pub fn at(&self, t_s: f64) -> Point3<f64> {
        let last = self.positions.len() - 1;
        let x = ((t_s - self.start_s) / self.dt_s).clamp(0.0, last as f64);
        let i = (x as usize).min(last.saturating_sub(1));
        let a = x - i as f64;
        self.positions[i] + (self.positions[(i + 1).min(last)] - self.positions[i]) * a
    }
}
