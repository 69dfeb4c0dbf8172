//! Drawn boards of every parity and both colourings, upright and turned: all must be read and give the lens they were drawn with.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it may stop, and it prints its figures"
)]

use std::time::Instant;

use nalgebra::{Isometry3, Point3, Rotation3, UnitQuaternion, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tipwright::lens::{LensConfig, LensError, from_source};
use tipwright::model::{Board, Lens, RawPixel};
use tipwright_footage::Reader;

const SIZE_PX: [u32; 2] = [960, 540];
/// Samples of a pixel along each side.
const FINE: u32 = 3;
const SQUARE_M: f64 = 0.025;

fn truth() -> Lens {
    Lens::new(SIZE_PX, 752.0, 751.0, 476.0, 273.0, [0.10, -0.25, 0.001, -0.001, 0.1])
}

/// Undistorted direction of every sample.
fn rays(lens: &Lens) -> Vec<[f64; 2]> {
    let [w, h] = SIZE_PX.map(|n| n * FINE);
    let at = |i: u32| (f64::from(i) + 0.5) / f64::from(FINE) - 0.5;
    (0..h)
        .flat_map(|y| (0..w).map(move |x| (x, y)))
        .map(|(x, y)| {
            let ray = lens.undistort(RawPixel::new(at(x), at(y))).unwrap();
            [ray.x, ray.y]
        })
        .collect()
}

/// A board at a place of the picture, turned by `turn_rad` in its plane and tilted; wholly in the picture with its margin.
fn pose(board: &Board, turn_rad: f64, k: usize, rng: &mut ChaCha8Rng) -> Isometry3<f64> {
    let (columns, rows) = (f64::from(board.columns), f64::from(board.rows));
    let middle = Vector3::new((columns - 1.0) * SQUARE_M / 2.0, (rows - 1.0) * SQUARE_M / 2.0, 0.0);
    let places = [(0, 0), (-1, -1), (1, -1), (1, 1), (-1, 1), (0, -1), (0, 1), (-1, 0), (1, 0)];
    let (px, py) = places[k % places.len()];
    for attempt in 0..4000 {
        let z = rng.random_range(0.30..0.5) + 2e-4 * f64::from(attempt);
        let (x, y) = (0.45 * f64::from(px) * z, 0.24 * f64::from(py) * z);
        let (tilt, way) = (rng.random_range(0.2..0.65), rng.random_range(0.0..std::f64::consts::TAU));
        let axis = nalgebra::Unit::new_normalize(Vector3::new(way.cos(), way.sin(), 0.0));
        let turn = Rotation3::from_axis_angle(&axis, tilt)
            * Rotation3::from_axis_angle(&Vector3::z_axis(), turn_rad + rng.random_range(-0.2..0.2));
        let rotation = UnitQuaternion::from_rotation_matrix(&turn);
        let pose = Isometry3::from_parts((Vector3::new(x, y, z) - rotation * middle).into(), rotation);
        let rim = [(-1.5, -1.5), (columns + 0.5, -1.5), (columns + 0.5, rows + 0.5), (-1.5, rows + 0.5)];
        let inside = rim.iter().all(|(i, j)| {
            truth().project(&(pose * Point3::new(i * SQUARE_M, j * SQUARE_M, 0.0))).is_some_and(|p| {
                p.x_px > 2.0
                    && p.y_px > 2.0
                    && p.x_px < f64::from(SIZE_PX[0]) - 3.0
                    && p.y_px < f64::from(SIZE_PX[1]) - 3.0
            })
        });
        if inside {
            return pose;
        }
    }
    panic!("no pose");
}

/// The picture of a board on white paper before grey.
fn draw(board: &Board, first_white: bool, pose: &Isometry3<f64>, rays: &[[f64; 2]]) -> Vec<u8> {
    let back = pose.inverse();
    let (eye, turn) = (back * Point3::origin(), back.rotation.to_rotation_matrix());
    let (columns, rows) = (board.columns as i32, board.rows as i32);
    let shade = |ray: &[f64; 2]| -> f64 {
        let d = turn * Vector3::new(ray[0], ray[1], 1.0);
        let k = -eye.z / d.z;
        let (x, y) = ((eye.x + k * d.x) / SQUARE_M, (eye.y + k * d.y) / SQUARE_M);
        let paper = 0.4;
        let on_paper = x > -1.0 - paper
            && y > -1.0 - paper
            && x < f64::from(columns) + paper
            && y < f64::from(rows) + paper;
        let (i, j) = (x.floor() as i32, y.floor() as i32);
        let printed = (-1..columns).contains(&i) && (-1..rows).contains(&j);
        if !on_paper {
            110.0
        } else if printed && ((i + j).rem_euclid(2) == 0) != first_white {
            30.0
        } else {
            215.0
        }
    };
    let [w, h] = SIZE_PX.map(|n| n as usize);
    let fine = FINE as usize;
    let mut out = vec![0u8; w * h];
    let mut row = vec![0.0; w];
    for y in 0..h {
        row.fill(0.0);
        for line in rays[y * fine * fine * w..][..fine * fine * w].chunks(fine * w) {
            for (x, rays) in line.chunks(fine).enumerate() {
                row[x] += rays.iter().map(shade).sum::<f64>();
            }
        }
        for (o, sum) in out[y * w..].iter_mut().zip(&row) {
            *o = (sum / (FINE * FINE) as f64 + 0.5) as u8;
        }
    }
    out
}

/// Stills of a board in a folder.
fn stills(
    board: &Board,
    first_white: bool,
    turn_rad: f64,
    count: usize,
    rays: &[[f64; 2]],
) -> tempfile::TempDir {
    let mut rng = ChaCha8Rng::seed_from_u64(u64::from(board.columns * 100 + board.rows));
    let folder = tempfile::tempdir().unwrap();
    for k in 0..count {
        let luma = draw(board, first_white, &pose(board, turn_rad, k, &mut rng), rays);
        let mut file = format!("P5\n{} {}\n255\n", SIZE_PX[0], SIZE_PX[1]).into_bytes();
        file.extend(luma);
        std::fs::write(folder.path().join(format!("{k:02}.pgm")), file).unwrap();
    }
    folder
}

fn board(columns: u32, rows: u32) -> Board {
    Board { columns, rows, square_mm: 1000.0 * SQUARE_M }
}

#[test]
fn boards_of_every_parity_both_colourings_and_quarter_turns_give_the_lens() {
    let rays = rays(&truth());
    for (columns, rows) in [(9, 7), (8, 6), (7, 7), (6, 6), (9, 6)] {
        for (first_white, turn_deg) in [(false, 0.0), (true, 0.0), (true, 90.0), (false, -90.0)] {
            let board = board(columns, rows);
            let folder = stills(&board, first_white, f64::to_radians(turn_deg), 14, &rays);
            let name = format!(
                "{columns}x{rows}, first square {}, turned {turn_deg}",
                if first_white { "white" } else { "black" }
            );
            let found =
                from_source(&Reader::default(), folder.path(), &board, None, &LensConfig::default(), &|_| ());
            let found = found.unwrap_or_else(|e| panic!("{name}: {e}"));
            let (fx, fy) = (found.lens.fx_px / truth().fx_px - 1.0, found.lens.fy_px / truth().fy_px - 1.0);
            println!(
                "{name}: {} of 14 views, fx {:+.3} %, fy {:+.3} %",
                found.used_count(),
                100.0 * fx,
                100.0 * fy
            );
            assert_eq!(
                found.used_count(),
                14,
                "{name}: {:?}",
                found.views.iter().map(|v| &v.left_out).collect::<Vec<_>>()
            );
            assert!(fx.abs() < 0.003 && fy.abs() < 0.003, "{name}: {fx} {fy}");
        }
    }
}

#[test]
fn a_wrong_count_is_answered_soon_with_the_right_one() {
    let rays = rays(&truth());
    for (columns, rows, said) in [(9, 7, (10, 8)), (8, 6, (9, 6)), (9, 6, (7, 9))] {
        let folder = stills(&board(columns, rows), true, 0.0, 14, &rays);
        let began = Instant::now();
        let refused = from_source(
            &Reader::default(),
            folder.path(),
            &board(said.0, said.1),
            None,
            &LensConfig::default(),
            &|_| (),
        );
        let took_s = began.elapsed().as_secs_f64();
        let refused = refused.map(|c| c.used_count()).unwrap_err();
        println!("{columns}x{rows} said to be {said:?}: {took_s:.1} s: {refused}");
        assert!(
            matches!(refused, LensError::OtherBoard { seen, .. } if seen == [columns, rows]),
            "{refused}"
        );
        assert!(took_s < 5.0, "{took_s}");
    }
}
