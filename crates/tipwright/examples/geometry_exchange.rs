//! One made geometry worked out here and written as JSON for other libraries: `geometry_exchange FILE.json`.
//!
//! Two lenses with distortion, a point between two cameras seen with noise, and pairs of views of a board. Written are
//! inputs and what this library makes of them: projections, rays, triangulated points, lenses, the relative pose.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

use nalgebra::{Isometry3, Point3, UnitQuaternion, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use tipwright::lens::stereo::{BoardPair, relative_pose};
use tipwright::lens::{BoardView, LensConfig, calibrate};
use tipwright::model::Board;
use tipwright::model::{CameraPose, Lens, RawPixel};
use tipwright::tracks::rays::{WorldRay, nearest_point};

const BOARD: Board = Board::chessboard(9, 6, 25.0);
const SIZE_PX: [u32; 2] = [1920, 1080];
const SIGMA_PX: f64 = 0.2;

fn pose_json(pose: &Isometry3<f64>) -> serde_json::Value {
    let q = pose.rotation.quaternion();
    serde_json::json!({ "wxyz": [q.w, q.i, q.j, q.k], "t": pose.translation.vector.as_slice() })
}

fn lens_json(lens: &Lens) -> serde_json::Value {
    serde_json::json!({ "f": [lens.fx_px, lens.fy_px], "c": [lens.cx_px, lens.cy_px], "d": lens.distortion })
}

fn noisy(p: RawPixel, rng: &mut ChaCha8Rng) -> RawPixel {
    let normal = Normal::new(0.0, SIGMA_PX).unwrap();
    RawPixel::new(p.x_px + normal.sample(rng), p.y_px + normal.sample(rng))
}

fn pixels(corners: &[RawPixel]) -> Vec<[f64; 2]> {
    corners.iter().map(|c| [c.x_px, c.y_px]).collect()
}

fn main() {
    let file = std::env::args().nth(1).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let lenses = [
        Lens::new(SIZE_PX, 1569.2, 1572.0, 956.6, 533.1, [0.189, -0.627, -0.0014, 0.0004, 0.606]),
        Lens::new(SIZE_PX, 1490.0, 1493.0, 948.0, 551.0, [0.11, -0.31, 0.001, -0.0012, 0.22]),
    ];

    // Two cameras 7 m apart, 8 m from where a tip moves; the second half a metre higher.
    let looking =
        |from: Point3<f64>| CameraPose::looking(from, Point3::new(0.0, 0.0, 2.5)).unwrap().camera_from_world;
    let poses = [looking(Point3::new(-3.5, -7.2, 1.4)), looking(Point3::new(3.5, -7.2, 1.9))];
    let points: Vec<_> = (0..40)
        .map(|_| {
            let p = Point3::new(
                rng.random_range(-2.0..2.0),
                rng.random_range(-0.5..0.5),
                rng.random_range(1.5..3.5),
            );
            let seen: Vec<RawPixel> = lenses
                .iter()
                .zip(&poses)
                .map(|(l, c)| noisy(l.project(&(c * p)).unwrap(), &mut rng))
                .collect();
            let rays: Vec<[f64; 2]> =
                seen.iter().zip(&lenses).map(|(s, l)| l.undistort(*s).map(|r| [r.x, r.y]).unwrap()).collect();
            let world: Vec<WorldRay> = rays
                .iter()
                .zip(&poses)
                .zip(&lenses)
                .map(|((r, c), l)| {
                    WorldRay::new(&CameraPose { camera_from_world: *c }, *r, SIGMA_PX / l.fx_px)
                })
                .collect();
            let found = nearest_point(&world).unwrap();
            serde_json::json!({
                "truth_m": p.coords.as_slice(), "seen": pixels(&seen), "rays": rays,
                "found_m": found.position.coords.as_slice(), "covariance_m2": found.covariance.as_slice(),
            })
        })
        .collect();

    // Boards before two cameras on one bar.
    let second_from_first = Isometry3::from_parts(
        Vector3::new(-0.0832, 0.001, 0.002).into(),
        UnitQuaternion::from_scaled_axis(Vector3::new(0.01, -0.03, 0.005)),
    );
    let mut pairs = Vec::new();
    while pairs.len() < 14 {
        let z = rng.random_range(0.4..0.7);
        let middle = Vector3::new(rng.random_range(-0.5..0.5) * z, rng.random_range(-0.3..0.3) * z, z);
        let turn = Vector3::new(
            rng.random_range(-0.6..0.6),
            rng.random_range(-0.6..0.6),
            rng.random_range(-0.4..0.4),
        );
        let rotation = UnitQuaternion::from_scaled_axis(turn);
        let origin = middle - rotation * Vector3::new(0.1, 0.0625, 0.0);
        let first = Isometry3::from_parts(origin.into(), rotation);
        let corners = |lens: &Lens, pose: &Isometry3<f64>, rng: &mut ChaCha8Rng| -> Option<Vec<RawPixel>> {
            (0..54)
                .map(|k| {
                    let at = Point3::new(0.025 * f64::from(k % 9), 0.025 * f64::from(k / 9), 0.0);
                    let p = lens.project(&(pose * at))?;
                    let inside = (0.0..1919.0).contains(&p.x_px) && (0.0..1079.0).contains(&p.y_px);
                    inside.then(|| noisy(p, rng))
                })
                .collect()
        };
        let seen = (
            corners(&lenses[0], &first, &mut rng),
            corners(&lenses[1], &(second_from_first * first), &mut rng),
        );
        if let (Some(first), Some(second)) = seen {
            pairs.push(BoardPair { first, second });
        }
    }
    let plain = LensConfig { leave_out_factor: 1e9, ..LensConfig::default() };
    let calibrated: Vec<_> = [0, 1]
        .map(|side| {
            let views: Vec<BoardView> = pairs
                .iter()
                .enumerate()
                .map(|(k, p)| {
                    BoardView::new(format!("{k}"), if side == 0 { p.first.clone() } else { p.second.clone() })
                })
                .collect();
            let c = calibrate(&views, &BOARD, SIZE_PX, &plain).unwrap();
            assert_eq!(c.used_count(), views.len());
            let mut json = lens_json(&c.lens);
            json["rms_px"] = c.lens.rms_px.into();
            json["f_sd"] = serde_json::json!([c.lens.fx_sd_px, c.lens.fy_sd_px]);
            json
        })
        .into();
    let stereo = relative_pose([&lenses[0], &lenses[1]], &BOARD, &pairs).unwrap();
    let out = serde_json::json!({
        "lenses": lenses.iter().map(lens_json).collect::<Vec<_>>(),
        "poses": poses.iter().map(pose_json).collect::<Vec<_>>(),
        "sigma_px": SIGMA_PX,
        "points": points,
        "size_px": SIZE_PX,
        "board": [BOARD.columns, BOARD.rows], "square_m": BOARD.square_mm / 1000.0,
        "pairs": pairs.iter().map(|p| [pixels(&p.first), pixels(&p.second)]).collect::<Vec<_>>(),
        "calibrated": calibrated,
        "stereo": pose_json(&stereo.second_from_first), "stereo_rms_px": stereo.rms_px,
    });
    std::fs::write(&file, out.to_string()).unwrap();
    println!("{} points, {} pairs of boards: {file}", 40, pairs.len());
}
