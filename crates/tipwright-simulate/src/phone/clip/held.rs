//! A card held before the lens: every pixel of its page asked where on the page it looks, through lens and pixel together.

use nalgebra::{Point3, Vector3};
use tipwright::cards::read::SIDE_WITH_RIM;
use tipwright::model::RawPixel;
use tipwright_report::print::CARD_SIDE_MM;

use super::ClipSpec;
use crate::phone::exposure::tables;
use crate::phone::film::Film;
use crate::phone::lens::{direction_of_pixel, see};
use crate::phone::play::HeldCard;

/// The page around the middle of the coded square, metres: left, right, up, down. A4 as `cards` prints it.
const PAGE_M: [f64; 4] = [-0.105, 0.105, -0.106, 0.191];
/// Paper and toner (from memory: 80 % and 4 %).
const PAPER: f64 = 0.80;
const TONER: f64 = 0.04;
/// Samples along each side of a pixel's surroundings, and how far these reach: 2.5 standard deviations.
const SAMPLES: usize = 8;
const REACH_PX: f64 = 1.5;

/// Draws a card at a time.
pub(super) fn draw_held(spec: &ClipSpec, film: &mut Film, held: &HeldCard, t_s: f64) {
    let Some(world_from_page) = (held.page_at)(t_s) else { return };
    let [left, right, top, low] = PAGE_M;
    let corners = [(left, top), (right, top), (right, low), (left, low)];
    let seen: Vec<_> = corners
        .iter()
        .filter_map(|(x, y)| see(&spec.camera, &(world_from_page * Point3::new(*x, *y, 0.0))))
        .collect();
    if seen.len() < corners.len() {
        return;
    }
    let [w, h] = spec.camera.picture.stored_px.map(f64::from);
    let range = |values: Vec<f64>, size: f64| {
        let least = values.iter().copied().fold(f64::INFINITY, f64::min) - 3.0;
        let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max) + 4.0;
        least.clamp(0.0, size) as usize..most.clamp(0.0, size) as usize
    };
    let rows = range(seen.iter().map(|s| s.v_px).collect(), h);
    let cols = range(seen.iter().map(|s| s.u_px).collect(), w);
    let page_from_camera = (spec.camera.pose.camera_from_world * world_from_page).inverse();
    let eye = page_from_camera * Point3::origin();
    let page_of = |u: f64, v: f64| -> [f64; 2] {
        let upright: RawPixel = spec.camera.picture.upright_from_stored(u, v);
        let (x, y) = direction_of_pixel(&spec.camera.lens, upright);
        let d = page_from_camera * Vector3::new(x, y, 1.0);
        let k = -eye.z / d.z;
        [eye.x + k * d.x, eye.y + k * d.y]
    };
    let sigma = super::PSF_PX;
    let cells = held.card.cells();
    let t = tables();
    for row in rows {
        let mut values = Vec::with_capacity(cols.len());
        for col in cols.clone() {
            let (u, v) = (col as f64, row as f64);
            // the page is flat and near: within two pixels its coordinates rise evenly
            let [here, right, low] = [page_of(u, v), page_of(u + 1.0, v), page_of(u, v + 1.0)];
            let (mut sum, mut paper, mut weight) = (0.0, 0.0, 0.0);
            for i in 0..SAMPLES * SAMPLES {
                let at = |k: usize| (2.0 * (k as f64 + 0.5) / SAMPLES as f64 - 1.0) * (REACH_PX + 0.5);
                let (du, dv) = (at(i % SAMPLES), at(i / SAMPLES));
                let share = pixel_weight(du, sigma) * pixel_weight(dv, sigma);
                let x = here[0] + du * (right[0] - here[0]) + dv * (low[0] - here[0]);
                let y = here[1] + du * (right[1] - here[1]) + dv * (low[1] - here[1]);
                weight += share;
                if let Some(reflects) = reflects(&cells, x, y) {
                    paper += share;
                    sum += share * reflects * held.light_at(x, y);
                }
            }
            let under = f64::from(t.luminance(film.luma(row, col)));
            let light = (sum + (weight - paper) * under) / weight;
            values.push((t.luma(light as f32) + 0.5) as i16);
        }
        film.set_luma(row, cols.start, &values);
    }
}

/// Weight of light at a distance from a pixel's middle: a Gaussian over a box of one pixel.
fn pixel_weight(d_px: f64, sigma_px: f64) -> f64 {
    let step = |x: f64| 0.5 * (1.0 + crate::phone::sprite::erf(x / (std::f64::consts::SQRT_2 * sigma_px)));
    step(d_px + 0.5) - step(d_px - 0.5)
}

/// How much of the light a place of the page sends back; `None` beside it.
fn reflects(cells: &[[bool; SIDE_WITH_RIM - 2]; SIDE_WITH_RIM - 2], x_m: f64, y_m: f64) -> Option<f64> {
    let [left, right, top, low] = PAGE_M;
    if x_m < left || x_m > right || y_m < top || y_m > low {
        return None;
    }
    let cell_m = CARD_SIDE_MM / 1000.0 / SIDE_WITH_RIM as f64;
    let of = |m: f64| (m / cell_m + SIDE_WITH_RIM as f64 / 2.0).floor() as i64;
    let (col, row) = (of(x_m), of(y_m));
    let last = SIDE_WITH_RIM as i64 - 1;
    let outside = col < 0 || row < 0 || col > last || row > last;
    let rim = col == 0 || row == 0 || col == last || row == last;
    let is_black = !outside && (rim || cells[row as usize - 1][col as usize - 1]);
    Some(if is_black { TONER } else { PAPER })
}
