//! A chessboard held before a lens: the clip a phone's intrinsics come from. The board is drawn by asking every pixel
//! where on the board it looks, with edges smeared like everything else.

use std::path::Path;

use nalgebra::{Isometry3, Point3, Rotation3, Translation3, UnitQuaternion, Vector3};
use rayon::prelude::*;
use tipwright::model::Board;
use tipwright::model::{Camera, Lens, RawPixel};
use tipwright_footage::encode::{ClipEncoder, Depth, EncodeConfig, EncodeError};

use crate::phone::backdrop::Backdrop;
use crate::phone::clip::{blur_px, stream_seed};
use crate::phone::exposure::tables;
use crate::phone::film::Film;
use crate::phone::lens::{direction_of_pixel, pixel_of_camera_point};
use crate::phone::noise::{NoiseModel, NoiseTile, between, stream};
use crate::phone::sprite::erf;

/// A board clip.
pub struct BoardClip<'a> {
    /// File.
    pub path: &'a Path,
    /// Camera; its place does not matter.
    pub camera: &'a Camera,
    /// Board.
    pub board: Board,
    /// Poses shown.
    pub poses: usize,
    /// Frames each pose is held still.
    pub hold_frames: usize,
    /// Frames from one pose to the next.
    pub move_frames: usize,
    /// Encoding.
    pub encode: EncodeConfig,
    /// Ticks from frame to frame.
    pub frame_ticks: i64,
    /// Noise.
    pub noise: NoiseModel,
    /// Seed of the day.
    pub seed: u64,
}

/// Undistorted direction of every stored pixel.
fn ray_map(camera: &Camera) -> Vec<[f32; 2]> {
    let [w, h] = camera.picture.stored_px;
    (0..h)
        .into_par_iter()
        .flat_map_iter(|row| {
            (0..w).map(move |col| {
                let (x, y) = direction_of_pixel(
                    &camera.lens,
                    camera.picture.upright_from_stored(f64::from(col), f64::from(row)),
                );
                [x as f32, y as f32]
            })
        })
        .collect()
}

/// Poses of the board (camera_from_board) that cover the picture, corners included, with tilts to all sides, near and
/// far; every one has the whole board in the picture.
#[must_use]
pub fn poses(lens: &Lens, board: &Board, count: usize, rng: &mut impl rand::Rng) -> Vec<Isometry3<f64>> {
    let [w, h] = lens.resolution_px.map(f64::from);
    let square_m = board.square_mm / 1000.0;
    let middle = Vector3::new(
        f64::from(board.columns - 1) * square_m / 2.0,
        f64::from(board.rows - 1) * square_m / 2.0,
        0.0,
    );
    // places in the picture as fractions, walked through again and again
    let places = [
        (0.5, 0.5),
        (0.18, 0.2),
        (0.82, 0.2),
        (0.82, 0.8),
        (0.18, 0.8),
        (0.5, 0.15),
        (0.85, 0.5),
        (0.5, 0.85),
        (0.15, 0.5),
        (0.35, 0.4),
        (0.65, 0.6),
    ];
    let board_m = f64::from(board.columns + 1) * square_m;
    let mut out = Vec::new();
    let mut k = 0;
    while out.len() < count {
        let (px, py) = places[k % places.len()];
        k += 1;
        for attempt in 0..60 {
            // share of the picture's width that the board fills, smaller with every failed attempt
            let share = between(rng, 0.38, 0.62) * (1.0 - 0.008 * f64::from(attempt));
            let z = lens.fx_px * board_m / (share * w);
            let jitter = 0.10;
            let (fx, fy) = (px + between(rng, -jitter, jitter), py + between(rng, -jitter, jitter));
            let (x, y) =
                direction_of_pixel(lens, RawPixel::new(fx.clamp(0.0, 1.0) * w, fy.clamp(0.0, 1.0) * h));
            let tilt = between(rng, 0.10, 0.62);
            let toward = between(rng, 0.0, std::f64::consts::TAU);
            let axis = nalgebra::Unit::new_normalize(Vector3::new(toward.cos(), toward.sin(), 0.0));
            let turn = Rotation3::from_axis_angle(&axis, tilt)
                * Rotation3::from_axis_angle(&Vector3::z_axis(), between(rng, -0.35, 0.35));
            let rotation = UnitQuaternion::from_rotation_matrix(&turn);
            let camera_from_board = Isometry3::from_parts(
                Translation3::from(Vector3::new(x, y, 1.0) * z - rotation * middle),
                rotation,
            );
            if fits(lens, board, &camera_from_board) {
                out.push(camera_from_board);
                break;
            }
        }
    }
    out
}

/// Whole board, margin included, inside the picture.
fn fits(lens: &Lens, board: &Board, camera_from_board: &Isometry3<f64>) -> bool {
    let s = board.square_mm / 1000.0;
    let [w, h] = lens.resolution_px.map(f64::from);
    let (right, low) = (f64::from(board.columns) + 0.3, f64::from(board.rows) + 0.3);
    [(-1.3, -1.3), (right, -1.3), (right, low), (-1.3, low)].iter().all(|(i, j)| {
        let p = camera_from_board * Point3::new(i * s, j * s, 0.0);
        pixel_of_camera_point(lens, &p)
            .is_some_and(|p| p.x_px > 4.0 && p.y_px > 4.0 && p.x_px < w - 5.0 && p.y_px < h - 5.0)
    })
}

/// Edge from 0 to 1 at distance `d` pixels.
fn edge(d: f64) -> f64 {
    0.5 * (1.0 + erf(d / (std::f64::consts::SQRT_2 * blur_px())))
}

/// Square wave of the squares along one axis: +1 and -1 alternating, smeared. `x` in squares, `per_px` its gradient.
fn wave(x: f64, per_px: f64) -> f64 {
    let nearest = x.round();
    let d = (x - nearest) / per_px;
    let rising = if (nearest as i64).rem_euclid(2) == 0 { 1.0 } else { -1.0 };
    rising * (2.0 * edge(d) - 1.0)
}

struct Drawn {
    row: usize,
    first_col: usize,
    values: Vec<i16>,
}

/// Draws the board at one pose into rows of luma.
fn draw(
    camera: &Camera,
    board: &Board,
    rays: &[[f32; 2]],
    below: &[i16],
    camera_from_board: &Isometry3<f64>,
) -> Vec<Drawn> {
    let [w, h] = camera.picture.stored_px.map(|n| n as usize);
    let s = board.square_mm / 1000.0;
    // ray -> board: the plane z = 0 of the board
    let board_from_camera = camera_from_board.inverse();
    let eye = board_from_camera * Point3::origin();
    let turn = board_from_camera.rotation.to_rotation_matrix();
    let at = |ray: [f32; 2]| -> (f64, f64) {
        let d = turn * Vector3::new(f64::from(ray[0]), f64::from(ray[1]), 1.0);
        let k = -eye.z / d.z;
        ((eye.x + k * d.x) / s, (eye.y + k * d.y) / s)
    };
    let margin = 0.35;
    let (left, right) = (-1.0 - margin, f64::from(board.columns) + margin);
    let (top, low) = (-1.0 - margin, f64::from(board.rows) + margin);
    let t = tables();
    let (white, black) = (0.72_f64, 0.035_f64);
    let facing = (turn * Vector3::z()).z.abs();
    (0..h)
        .into_par_iter()
        .filter_map(|row| {
            let mut first = usize::MAX;
            let mut values = Vec::new();
            for col in 0..w {
                let i = row * w + col;
                let (x, y) = at(rays[i]);
                // a pixel is never as wide as a third of a square: this one is more than three beside the paper
                if x < left - 1.0 || x > right + 1.0 || y < top - 1.0 || y > low + 1.0 {
                    continue;
                }
                let right_one = if col + 1 < w { i + 1 } else { i - 1 };
                let low_one = if row + 1 < h { i + w } else { i - w };
                let ((xr, yr), (xd, yd)) = (at(rays[right_one]), at(rays[low_one]));
                let gx = (xr - x).hypot(xd - x).max(1e-9);
                let gy = (yr - y).hypot(yd - y).max(1e-9);
                let out_px = ((left - x) / gx).max((x - right) / gx).max((top - y) / gy).max((y - low) / gy);
                if out_px > 3.0 {
                    if first != usize::MAX {
                        break;
                    }
                    continue;
                }
                if first == usize::MAX {
                    first = col;
                }
                // printed squares end at -1 and at columns; beyond is paper
                let print = edge((x + 1.0) / gx)
                    * edge((f64::from(board.columns) - x) / gx)
                    * edge((y + 1.0) / gy)
                    * edge((f64::from(board.rows) - y) / gy);
                let dark = print * (0.5 + 0.5 * wave(x, gx) * wave(y, gy));
                let light = (white + (black - white) * dark) * (0.75 + 0.25 * facing);
                let paper = edge(-out_px);
                let under = f64::from(t.luminance(below[i]));
                values.push((f64::from(t.luma((under + (light - under) * paper) as f32)) + 0.5) as i16);
            }
            (first != usize::MAX).then_some(Drawn { row, first_col: first, values })
        })
        .collect()
}

/// Number of frames of a board clip.
#[must_use]
pub fn frames(clip: &BoardClip<'_>) -> usize {
    clip.poses * (clip.hold_frames + clip.move_frames)
}

/// Films the board.
///
/// # Errors
/// The file cannot be written.
pub fn film_board(clip: &BoardClip<'_>, backdrop: &Backdrop, progress: &dyn Fn()) -> Result<(), EncodeError> {
    let name = format!("{} board", clip.camera.name);
    let mut rng = stream(clip.seed, &name);
    let poses = poses(&clip.camera.lens, &clip.board, clip.poses, &mut rng);
    let rays = ray_map(clip.camera);
    let noise = NoiseTile::new(clip.noise, stream_seed(clip.seed, "noise tile"));
    let ten_bits = clip.encode.depth == Depth::Bits10;
    let mut film = Film::new(backdrop, noise, stream(clip.seed, &format!("{name} noise")), ten_bits);
    film.refresh_sky(backdrop, 0.0);
    film.settle();
    let below = backdrop.clear.y.clone();
    let mut encoder = ClipEncoder::create(clip.path, clip.encode.clone())?;
    let mut ticks = 0;
    for (k, pose) in poses.iter().enumerate() {
        let next = &poses[(k + 1) % poses.len()];
        for frame in 0..clip.hold_frames + clip.move_frames {
            let moving = frame >= clip.hold_frames;
            if frame == 0 || moving {
                film.wipe();
                let u = if moving {
                    (frame - clip.hold_frames + 1) as f64 / (clip.move_frames + 1) as f64
                } else {
                    0.0
                };
                let camera_from_board = pose.lerp_slerp(next, u * u * (3.0 - 2.0 * u));
                for part in draw(clip.camera, &clip.board, &rays, &below, &camera_from_board) {
                    film.set_luma(part.row, part.first_col, &part.values);
                }
            }
            encoder.push(&film.develop(), ticks)?;
            ticks += clip.frame_ticks;
            progress();
        }
    }
    encoder.finish()
}

#[cfg(test)]
mod tests {
    use crate::day::plan::Plan;
    use crate::{DayKind, SimulateConfig};

    #[test]
    fn every_phone_of_the_hard_day_films_the_board() {
        let folder = tempfile::tempdir().unwrap();
        // phones of 8 and 10 bits, of H.264 and HEVC
        let mut plan =
            Plan::new(&SimulateConfig { kind: DayKind::Hard, seed: 1, ..SimulateConfig::default() });
        plan.board_frames = [1, 0, 2];
        plan.takes.clear();
        let shoot = crate::day::shoot::Shoot::prepare(&plan, folder.path()).unwrap();
        for clip_idx in shoot.clips() - plan.cameras.len()..shoot.clips() {
            shoot.film(clip_idx, &|| ()).unwrap();
        }
    }
}
