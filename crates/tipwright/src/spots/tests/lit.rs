//! Balls lit from one side: the centre must be that of the ball, or the covariance must say that it is not.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::super::{MarkerLook, SpotsConfig, find_clip};
use super::painter::{Canvas, Reel};
use crate::model::{Candidate, Colour, Rotation};

/// A matt ball (Lambert's cosine law) in motion under a light: `light` points to it, right, down and towards the camera.
struct Ball {
    at: [f64; 2],
    radius: f64,
    motion: [f64; 2],
    blur: f64,
    light: [f64; 3],
    ambient: f64,
    /// Mud on it, this way from its middle in the picture.
    mud_rad: Option<f64>,
}

/// Half angle of the mud, and what it leaves of the brightness.
const MUD_RAD: f64 = 0.75;
const MUD_LEAVES: f64 = 0.35;

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
                    let is_muddy = self.mud_rad.is_some_and(|way| {
                        let (sin, cos) = way.sin_cos();
                        (x * cos + y * sin + z2.sqrt()) / 2.0_f64.sqrt() > MUD_RAD.cos()
                    });
                    let clean = self.ambient + (1.0 - self.ambient) * cosine.max(0.0);
                    let bright = if is_muddy { MUD_LEAVES * clean } else { clean };
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

/// Light on a clip, and how the ball in it moves.
#[derive(Debug, Clone, Copy)]
struct Scene {
    /// Angle of the light to the line of sight.
    phase_deg: f64,
    /// Share of the light that comes from all around.
    ambient: f64,
    /// Turns in each frame, and how long the shutter is open, frames.
    pace_rad: f64,
    open: f64,
    /// The ball has mud on it, which turns by so much from frame to frame.
    mud_rad: Option<f64>,
}

const SLOW: [f64; 2] = [0.07, 0.4];
const FAST: [f64; 2] = [0.2, 0.5];

fn scene(phase_deg: f64, ambient: f64, [pace_rad, open]: [f64; 2]) -> Scene {
    Scene { phase_deg, ambient, pace_rad, open, mud_rad: None }
}

/// What a clip of a swinging ball gives.
struct Case {
    /// Mean error towards the light, and across it.
    off: [f64; 2],
    /// About the mean, per axis.
    scatter: f64,
    /// Mean stated, and what is stated to change as the ball turns.
    sigma: f64,
    uneven: f64,
    /// What is stated to be the same in all, towards the light and across it.
    steady: [f64; 2],
    /// Frames found, and those of them whose 95 % ellipse has the truth.
    found: usize,
    inside: usize,
}

const FRAMES: usize = 40;

fn clip(colour: Colour, paint: [f64; 3], radius: f64, scene: Scene, seed: u64) -> Case {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (way, p) = (random.random_range(0.0..std::f64::consts::TAU), scene.phase_deg.to_radians());
    let light = [p.sin() * way.cos(), p.sin() * way.sin(), p.cos()];
    let start = random.random_range(0.0..6.0);
    let at = |k: f64| {
        let a = start + scene.pace_rad * k;
        [160.0 + 95.0 * a.sin(), 100.0 - 50.0 * (1.3 * a).cos()]
    };
    let film = |k: usize| {
        let (t, half) = (k as f64, 0.5 * scene.open);
        let (a, b) = (at(t - half), at(t + half));
        let motion = [b[0] - a[0], b[1] - a[1]];
        let mud_rad = scene.mud_rad.map(|turns_rad| turns_rad * t);
        let ball = Ball { at: at(t), radius, motion, blur: 0.8, light, ambient: scene.ambient, mud_rad };
        let mut canvas = Canvas::new(320, 200, grass);
        ball.paint(&mut canvas, paint);
        canvas.develop(2.0, seed * 1000 + k as u64)
    };
    let config = SpotsConfig { focal_px: Some(2.0 * radius * 6.0 / 0.040), ..SpotsConfig::default() };
    let look = MarkerLook { colour, diameter_m: 0.040 };
    let mut reel = Reel::new((0..FRAMES).map(film).collect(), Rotation::R0);
    let found = find_clip("west", &mut reel, &[look], &config, &mut |_| {}).unwrap();
    let near: Vec<Placed> = found
        .spots
        .frames
        .iter()
        .filter_map(|frame| {
            let truth = at(f64::from(frame.frame_idx));
            let off = |c: &Candidate| [c.centre.x_px - truth[0], c.centre.y_px - truth[1]];
            let far = |c: &Candidate| off(c)[0].hypot(off(c)[1]);
            let best = frame.candidates.iter().min_by(|a, b| far(a).total_cmp(&far(b)))?;
            (far(best) < 5.0).then(|| (off(best), *best))
        })
        .collect();
    judge(&near, way)
}

/// A place off its truth, and what was found there.
type Placed = ([f64; 2], Candidate);

/// Errors of places against the way to the light.
fn judge(near: &[Placed], way: f64) -> Case {
    let n = near.len().max(1) as f64;
    let mean = |of: &dyn Fn(&Placed) -> f64| near.iter().map(of).sum::<f64>() / n;
    let [mx, my] = [0, 1].map(|k| mean(&|p| p.0[k]));
    let inside = |([dx, dy], c): &&Placed| {
        let [xx, xy, yy] = c.cov_px2;
        // 95 % of a chi-square of two degrees of freedom.
        (yy * dx * dx - 2.0 * xy * dx * dy + xx * dy * dy) / (xx * yy - xy * xy) < 5.99
    };
    let by_light = |x: f64, y: f64| [x * way.cos() + y * way.sin(), y * way.cos() - x * way.sin()];
    Case {
        off: by_light(mx, my),
        steady: by_light(mean(&|p| p.1.steady_px[0]), mean(&|p| p.1.steady_px[1])),
        scatter: mean(&|p| 0.5 * ((p.0[0] - mx).powi(2) + (p.0[1] - my).powi(2))).sqrt(),
        sigma: mean(&|p| p.1.sigma_px()),
        uneven: mean(&|p| p.1.uneven_px),
        found: near.len(),
        inside: near.iter().filter(inside).count(),
    }
}

const PAINTS: [(Colour, [f64; 3]); 3] = [
    (Colour::White, [225.0, 128.0, 128.0]),
    (Colour::Red, [95.0, 108.0, 205.0]),
    (Colour::Yellow, [190.0, 50.0, 145.0]),
];

/// Of several clips.
#[derive(Default)]
struct Whole {
    found: usize,
    inside: usize,
    offs_px: Vec<f64>,
}

/// Balls of `radii` in `scenes`, a seed more for each clip.
fn whole(radii: &[f64], scenes: &[Scene], mut seed: u64) -> Whole {
    let mut whole = Whole::default();
    for (colour, paint) in PAINTS {
        for radius in radii {
            for scene in scenes {
                seed += 1;
                let case = clip(colour, paint, *radius, *scene, seed);
                let ([towards, across], Case { scatter, sigma, found, inside, .. }) = (case.off, case);
                println!(
                    "{colour:?} {:.0} px {scene:?}: {found} of {FRAMES}, towards the light {towards:+.3}, across {across:+.3}, \
                     scatter {scatter:.3}, stated {sigma:.3} px, {inside} inside",
                    2.0 * radius
                );
                whole.found += found;
                whole.inside += inside;
                whole.offs_px.extend((found > 0).then(|| towards.hypot(across)));
            }
        }
    }
    let rms = (whole.offs_px.iter().map(|o| o * o).sum::<f64>() / whole.offs_px.len() as f64).sqrt();
    let share = 100.0 * whole.inside as f64 / whole.found as f64;
    println!("shift {rms:.3} px rms, {share:.1} % inside");
    whole.offs_px.sort_by(f64::total_cmp);
    whole
}

/// Seeds 3001 to 3090 set the constants; these are others. Taken for even discs the same balls lay 0.23 to 1.01 px towards the light
/// (0.58 rms), and 32 % of the ellipses had the truth.
#[test]
fn a_ball_lit_from_the_side_is_where_its_ellipse_says() {
    let scenes = [scene(30.0, 0.3, SLOW), scene(55.0, 0.5, FAST), scene(80.0, 0.5, SLOW)];
    let lit = whole(&[4.0, 9.0], &scenes, 5000);
    assert!(20 * lit.inside > 19 * lit.found, "{} of {}", lit.inside, lit.found);
    let worst = lit.offs_px.last().copied().unwrap_or(f64::INFINITY);
    // Half of the least and of the most that they lay off: the shading is linear to that.
    assert!(lit.offs_px[lit.offs_px.len() / 2] < 0.12 && worst < 0.5, "{:?}", lit.offs_px);
}

/// Balls of 10 to 25 px, lit from 30 to 80 degrees, slow and fast: before the shading was looked at 15 % inside, 1.6 px rms.
#[test]
#[ignore = "a minute; prints what the constants were set on, and other seeds"]
fn study_of_lit_balls() {
    let lights = [(30.0, 0.3), (55.0, 0.15), (55.0, 0.5), (80.0, 0.3)];
    let scenes: Vec<Scene> = [SLOW, FAST]
        .iter()
        .flat_map(|way| lights.map(|(phase, ambient)| scene(phase, ambient, *way)))
        .collect();
    for seed in [3000, 7000] {
        println!("seeds from {}", seed + 1);
        let lit = whole(&[5.0, 9.0, 12.5], &scenes, seed);
        assert!(10 * lit.inside > 9 * lit.found, "{} of {}", lit.inside, lit.found);
    }
}

/// Light from all around leaves nothing to own: as precise as without.
#[test]
fn an_evenly_lit_ball_is_as_sure_as_before() {
    for (colour, paint) in PAINTS {
        let case = clip(colour, paint, 9.0, scene(50.0, 1.0, SLOW), 505);
        println!("{colour:?}: {:?}, scatter {:.3}, stated {:.3} px", case.off, case.scatter, case.sigma);
        let most = if colour == Colour::White { 0.06 } else { 0.2 };
        assert!(case.found == FRAMES && case.sigma < most && case.scatter < most);
        assert!(case.off[0].hypot(case.off[1]) < 0.02);
    }
}

/// Balls of 4 px are moved all alike, by what is then stated of them; where they lay before was farther off, towards the light.
#[test]
fn small_balls_lit_from_the_side_are_moved_together() {
    let scenes = [scene(30.0, 0.3, SLOW), scene(55.0, 0.3, SLOW), scene(80.0, 0.5, SLOW)];
    let (mut were, mut are) = (0.0, 0.0);
    for (seed, scene) in (601..).zip(scenes) {
        let case = clip(Colour::White, PAINTS[0].1, 2.0, scene, seed);
        let far = |[x, y]: [f64; 2]| x.hypot(y);
        let before = [0, 1].map(|k| case.off[k] - case.steady[k]);
        println!("{scene:?}: {before:?}, then {:?}, scatter {:.3}", case.off, case.scatter);
        assert!(case.found == FRAMES && before[0] > 0.1, "{} {before:?}", case.found);
        were += far(before);
        are += far(case.off);
        assert!(far(case.off) < 2.0 * far(case.steady) && case.scatter < 0.1, "{}", case.scatter);
    }
    assert!(are < 0.6 * were, "{are} of {were}");
}

/// Mud on a ball that turns as a rod does moves its place to and fro; that it does is stated, about as large as it is. Of a clean ball nothing is.
#[test]
fn a_muddy_ball_says_that_it_is_uneven() {
    for (colour, paint) in PAINTS {
        for radius in [2.2, 4.0] {
            let of = |mud_rad| clip(colour, paint, radius, Scene { mud_rad, ..scene(0.0, 1.0, SLOW) }, 705);
            let (muddy, clean) = (of(Some(0.15)), of(None));
            println!(
                "{colour:?} {radius}: muddy scatters {:.3}, stated {:.3} and uneven {:.3}; clean {:.3}, {:.3} and {:.3}",
                muddy.scatter, muddy.sigma, muddy.uneven, clean.scatter, clean.sigma, clean.uneven
            );
            assert!(muddy.uneven > 0.4 * muddy.scatter && muddy.uneven < 2.5 * muddy.scatter);
            assert!(clean.uneven < 0.3 * clean.sigma, "{}", clean.uneven);
        }
    }
}
