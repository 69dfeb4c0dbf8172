//! Set-ups: two phones put up by eye, what is known of their lenses, their clocks.

use nalgebra::{Point3, Vector3};
use rand::RngExt;
use rand_distr::{Distribution, StandardNormal};
use tipwright::model::{Camera, ClipSpots, Clock, CoarseOffset, Colour, Lens, Measured, OffsetSource};
use tipwright::scene::wand::{WandCamera, WandInput};
use tipwright_simulate::day::place::{MIDDLE, looking, phones};
use tipwright_simulate::phone::noise::{between, stream};

use crate::{FPS, Options};

pub struct World {
    pub cameras: Vec<Camera>,
    /// As the lens files say.
    pub lenses: Vec<Lens>,
    pub readouts_s: Vec<f64>,
    pub drift: f64,
    pub wand_stated_m: f64,
}

pub fn world(seed: u64, options: &Options) -> World {
    let mut rng = stream(seed, "coverage world");
    let upside_down = match rng.random_range(0..4) {
        0 => Some(0),
        1 => Some(1),
        _ => None,
    };
    let mut cameras = phones(1920, 1080, upside_down, &mut rng);
    for camera in &mut cameras {
        // phones are put up by eye: half a metre this way or that
        let mut off = |reach: f64| between(&mut rng, -reach, reach);
        let eye = camera.centre_in_world() + Vector3::new(off(0.5), off(0.5), off(0.2));
        let target = Point3::from(MIDDLE) + Vector3::new(off(0.1), off(0.1), off(0.1));
        camera.pose = looking(eye, target, off(0.03));
    }
    let frame_s = 1.0 / FPS;
    let readouts_s = cameras.iter().map(|_| readout(&mut rng) * frame_s).collect();
    let drift = 2e-5 * normal(&mut rng);
    let wand_stated_m = 1.0 + 5e-4 * normal(&mut rng);
    let lenses = cameras
        .iter()
        .map(|c| if options.lens_error { with_lens_errors(&c.lens, &mut rng) } else { c.lens.clone() })
        .collect();
    World { cameras, lenses, readouts_s, drift, wand_stated_m }
}

/// A lens as its file says: off by what it states.
pub fn with_lens_errors(true_lens: &Lens, rng: &mut rand_chacha::ChaCha8Rng) -> Lens {
    let mut lens = true_lens.clone();
    let sd = [0.6, 0.6, 0.8, 0.8];
    lens.fx_px += sd[0] * normal(rng);
    lens.fy_px = lens.fx_px * true_lens.fy_px / true_lens.fx_px;
    lens.cx_px += sd[2] * normal(rng);
    lens.cy_px += sd[3] * normal(rng);
    lens.fx_sd_px = Some(sd[0]);
    lens.fy_sd_px = Some(sd[1]);
    lens.cx_sd_px = Some(sd[2]);
    lens.cy_sd_px = Some(sd[3]);
    lens
}

pub fn normal(rng: &mut rand_chacha::ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// What the sound of two clips says of their offset.
pub fn heard(offset_s: f64, rng: &mut rand_chacha::ChaCha8Rng) -> CoarseOffset {
    CoarseOffset { value_s: offset_s + 0.01 * normal(rng), sd_s: 0.012, source: OffsetSource::Sound }
}

/// What the scene's solution is given of two phones' clips, as if of a wand with markers of 40 mm.
pub fn wand_input<'a>(
    world: &'a World,
    wand: &'a [ClipSpots],
    plumb: Option<&'a [ClipSpots]>,
    coarse: CoarseOffset,
) -> WandInput<'a> {
    let cameras = (0..2).map(|k| WandCamera {
        lens: &world.lenses[k],
        wand: &wand[k],
        plumb: plumb.map(|clips| &clips[k]),
        toss: None,
        readout_s: None,
        wand_offset: (k == 1).then_some(coarse),
        plumb_offset: None,
        toss_offset: None,
    });
    WandInput {
        cameras: cameras.collect(),
        length_m: Measured::new(world.wand_stated_m, 5e-4),
        diameter_m: Some(0.04),
        colours: vec![Colour::White],
    }
}

/// Share of the frame step: what published phones do, and what the prior of the solver says.
pub fn readout(rng: &mut rand_chacha::ChaCha8Rng) -> f64 {
    loop {
        let share = 0.7 + 0.2 * normal(rng);
        if (0.2..1.0).contains(&share) {
            return share;
        }
    }
}

impl World {
    pub fn clocks(&self, offset_s: f64) -> [Clock; 2] {
        [
            Clock { offset_s: 0.0, drift: 0.0, readout_s: self.readouts_s[0] },
            Clock { offset_s, drift: self.drift, readout_s: self.readouts_s[1] },
        ]
    }
}
