//! Flashes of the sun on the water.

use rand::RngExt;

use super::{ClipSpec, blur_px};
use crate::phone::backdrop::Backdrop;
use crate::phone::disc::DiscProfile;
use crate::phone::exposure::Light;
use crate::phone::film::Film;
use crate::phone::noise::stream;
use crate::phone::play::Play;
use crate::phone::shutter::Glimpse;

/// Flashes of the sun on ripples: short, tiny, white.
pub(super) struct Glints {
    flashes: Vec<Flash>,
    profile: DiscProfile,
}

struct Flash {
    start_s: f64,
    end_s: f64,
    u_px: f64,
    v_px: f64,
}

impl Glints {
    pub(super) fn new(spec: &ClipSpec, play: &Play, backdrop: &Backdrop) -> Self {
        let mut rng = stream(spec.seed, &format!("{} glints", spec.name));
        let last = spec.captured_ticks.len().saturating_sub(1);
        let (start_s, end_s) = (
            spec.shutter.clock.session_s(spec.pts_s(0), 0.0),
            spec.shutter.clock.session_s(spec.pts_s(last), 0.0),
        );
        let count = if backdrop.water.is_empty() { 0.0 } else { play.glints_per_s * (end_s - start_s) };
        let mut flashes: Vec<Flash> = (0..count as usize)
            .map(|_| {
                let [u, v] = backdrop.water[rng.random_range(0..backdrop.water.len())];
                let at_s = start_s + (end_s - start_s) * rng.random::<f64>();
                let lasts_s = 0.03 + 0.15 * rng.random::<f64>();
                Flash { start_s: at_s, end_s: at_s + lasts_s, u_px: f64::from(u), v_px: f64::from(v) }
            })
            .collect();
        flashes.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        Self { flashes, profile: DiscProfile::new(1.6, blur_px()) }
    }

    pub(super) fn draw(&self, film: &mut Film, t_s: f64) {
        let mut any = false;
        for f in self.flashes.iter().filter(|f| f.start_s <= t_s && t_s < f.end_s) {
            let glimpse = Glimpse {
                seen: crate::phone::lens::Seen { u_px: f.u_px, v_px: f.v_px, depth_m: 20.0 },
                t_s,
                du_per_row: 0.0,
                dv_per_row: 0.0,
            };
            film.cover.add_disc(&glimpse, &self.profile, None, 1.0);
            any = true;
        }
        if any {
            film.paint(&Light::new(0.9, 0.92, 0.95).stored());
        }
    }
}
