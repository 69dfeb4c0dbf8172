//! Balls lit from one side: the centre must be that of the ball, or the covariance must say that it is not.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::super::{MarkerLook, SpotsConfig, find_clip};
use super::painter::{Canvas, Reel};
use crate::model::{Colour, Rotation};

/// A matt ball (Lambert's cosine law) in motion under a light: `light` points to it, right, down and towards the camera.
struct Ball {
    at: [f64; 2],
    radius: f64,
    motion: [f64; 2],
    blur: f64,
    light: [f64; 3],
    ambient: f64,
}

/// BT.709's transfer (ITU-R BT.709-6, item 1.2).
fn tone(l: f64) -> f64 {
    if l < 0.018 { 4.5 * l } else { 1.099 * l.powf(0.45) - 0.099 }
}

impl Ball {
    /// Paints the ball by points on a fine raster, each smeared by the lens and the pixel, at several moments of the exposure.
    fn paint(&self, canvas: &mut Canvas, colour: [f64; 3]) {
        const STEP: f64 = 0.25;
        let sigma = (self.blur * self.blur + 1.0 / 12.0).sqrt();
        let moments = (self.motion[0].hypot(self.motion[1]) / 1.5).ceil().max(1.0) as i32;
        let (w, h) = (canvas.width, canvas.height);
        let (mut cover, mut glow) = (vec![0.0; w * h], vec![0.0; w * h]);
        let half = (self.radius / STEP).ceil() as i32;
        let reach = (4.0 * sigma).ceil() as i32;
        let mut across = vec![0.0; (2 * reach + 1) as usize];
        let mut down = across.clone();
        for moment in 0..moments {
            let share = (f64::from(moment) + 0.5) / f64::from(moments) - 0.5;
            let (cx, cy) = (self.at[0] + share * self.motion[0], self.at[1] + share * self.motion[1]);
            for j in -half..=half {
                for i in -half..=half {
                    let (x, y) = (f64::from(i) * STEP / self.radius, f64::from(j) * STEP / self.radius);
                    let z2 = 1.0 - x * x - y * y;
                    if z2 <= 0.0 {
                        continue;
                    }
                    let cosine = self.light[0] * x + self.light[1] * y + self.light[2] * z2.sqrt();
                    let bright = self.ambient + (1.0 - self.ambient) * cosine.max(0.0);
                    let (px, py) = (cx + x * self.radius, cy + y * self.radius);
                    let (left, top) = (px.round() as i32 - reach, py.round() as i32 - reach);
                    let norm = 1.0 / (sigma * (2.0 * std::f64::consts::PI).sqrt());
                    for k in 0..=2 * reach {
                        let weight = |p: f64, first: i32| {
                            norm * (-0.5 * ((f64::from(first + k) - p) / sigma).powi(2)).exp()
                        };
                        across[k as usize] = weight(px, left);
                        down[k as usize] = weight(py, top);
                    }
                    let part = STEP * STEP / f64::from(moments);
                    for (v, wy) in down.iter().enumerate() {
                        for (u, wx) in across.iter().enumerate() {
                            let at = (top as usize + v) * w + left as usize + u;
                            cover[at] += part * wx * wy;
                            glow[at] += part * wx * wy * bright;
                        }
                    }
                }
            }
        }
        let mix = |under: f64, black: f64, colour: f64, cover: f64, glow: f64| {
            let seen = black + (colour - black) * tone((glow / cover.max(1e-9)).min(1.0));
            under + cover.min(1.0) * (seen - under)
        };
        for y in (0..h).step_by(2) {
            for x in (0..w).step_by(2) {
                let four = [y * w + x, y * w + x + 1, (y + 1) * w + x, (y + 1) * w + x + 1];
                let (mut c, mut g) = (0.0, 0.0);
                for at in four {
                    canvas.luma[at] = mix(canvas.luma[at], 16.0, colour[0], cover[at], glow[at]);
                    c += 0.25 * cover[at];
                    g += 0.25 * glow[at];
                }
                let half = y / 2 * (w / 2) + x / 2;
                for k in 0..2 {
                    let chroma = &mut canvas.chroma[k][half];
                    *chroma = mix(*chroma, 128.0, colour[k + 1], c, g);
                }
            }
        }
    }
}

/// Grass, uneven and dull.
fn grass(x: f64, y: f64) -> [f64; 3] {
    let blades = (0.9 * x + 0.21 * y).sin() + (0.33 * x - 1.1 * y).sin() + (1.7 * x + 0.8 * y).sin();
    [78.0 + 5.0 * blades + 0.04 * x, 118.0, 121.0]
}

/// What a clip of a swinging ball gives: mean error towards the light and across it, rms, mean stated sigma, frames found.
fn clip(colour: Colour, paint: [f64; 3], radius: f64, phase_deg: f64, seed: u64) -> [f64; 5] {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (way, p) = (random.random_range(0.0..std::f64::consts::TAU), phase_deg.to_radians());
    let light = [p.sin() * way.cos(), p.sin() * way.sin(), p.cos()];
    let (start, frames) = (random.random_range(0.0..6.0), 40);
    let at = |k: f64| {
        let a = start + 0.07 * k;
        [160.0 + 95.0 * a.sin(), 100.0 - 50.0 * (1.3 * a).cos()]
    };
    let films = (0..frames)
        .map(|k| {
            let k = f64::from(k);
            let (a, b) = (at(k - 0.2), at(k + 0.2));
            let ball = Ball {
                at: at(k),
                radius,
                motion: [b[0] - a[0], b[1] - a[1]],
                blur: 0.8,
                light,
                ambient: 0.3,
            };
            let mut canvas = Canvas::new(320, 200, grass);
            ball.paint(&mut canvas, paint);
            canvas.develop(2.0, seed * 1000 + k as u64)
        })
        .collect();
    let config = SpotsConfig { focal_px: Some(2.0 * radius * 6.0 / 0.040), ..SpotsConfig::default() };
    let look = MarkerLook { colour, diameter_m: 0.040 };
    let found =
        find_clip("west", &mut Reel::new(films, Rotation::R0), &[look], &config, &mut |_| {}).unwrap();
    println!("  {:?} {:?}", found.counts, found.sights);
    let (mut n, mut towards, mut across, mut square, mut sigma) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for frame in &found.spots.frames {
        let truth = at(f64::from(frame.frame_idx));
        let off = |c: &crate::model::Candidate| [c.centre.x_px - truth[0], c.centre.y_px - truth[1]];
        let near = frame.candidates.iter().map(|c| (off(c), c.sigma_px()));
        let Some(([dx, dy], s)) = near.min_by(|a, b| a.0[0].hypot(a.0[1]).total_cmp(&b.0[0].hypot(b.0[1])))
        else {
            continue;
        };
        if dx.hypot(dy) > 5.0 {
            continue;
        }
        n += 1.0;
        towards += dx * way.cos() + dy * way.sin();
        across += dy * way.cos() - dx * way.sin();
        square += 0.5 * (dx * dx + dy * dy);
        sigma += s;
    }
    [towards / n, across / n, (square / n).sqrt(), sigma / n, n]
}

const PAINTS: [(Colour, [f64; 3]); 3] = [
    (Colour::White, [225.0, 128.0, 128.0]),
    (Colour::Red, [95.0, 108.0, 205.0]),
    (Colour::Yellow, [190.0, 50.0, 145.0]),
];

/// Light from 30 to 80 degrees off the line of sight, balls of 8 and of 18 to 22 px. Seeds 1 to 9 were looked at while the model was
/// made; these are others.
#[test]
fn a_ball_lit_from_the_side_is_where_it_is() {
    let mut wrong = Vec::new();
    for (colour, paint) in PAINTS {
        for radius in [4.0, 9.0, 11.0] {
            for (k, phase_deg) in [30.0, 50.0, 65.0, 80.0].into_iter().enumerate() {
                let [towards, across, rms, sigma, n] = clip(colour, paint, radius, phase_deg, 101 + k as u64);
                println!(
                    "{colour:?} {:.0} px, light {phase_deg} deg off: {n} of 40, towards it {towards:+.3}, across {across:+.3}, rms {rms:.3}, stated {sigma:.3} px",
                    2.0 * radius
                );
                // A white ball more than half of which is dark before grass is a crescent, which may be missed (the limit that is
                // left); found, it must not be surer than it is.
                let crescent = colour == Colour::White && phase_deg > 60.0;
                let placed = towards.abs() < f64::max(0.1, sigma) && rms < 1.5 * sigma + 0.03;
                if !(if crescent { !(rms > 2.0 * sigma + 0.03) } else { n >= 38.0 && placed }) {
                    wrong.push((colour, radius, phase_deg));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:?}");
}
