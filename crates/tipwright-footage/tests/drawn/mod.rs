//! Boards drawn with a lens that is known.
#![allow(clippy::unwrap_used, dead_code, reason = "tests: they may stop, and each file uses a part of this")]

use nalgebra::{Isometry3, Point3, Rotation3, UnitQuaternion, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tipwright::lens::coded::words::{self, words};
use tipwright::model::{Board, Lens, Pattern, RawPixel};

/// Size of a picture.
pub const SIZE_PX: [u32; 2] = [960, 540];
/// Samples of a pixel along each side.
const FINE: u32 = 3;
/// Side of a square.
pub const SQUARE_M: f64 = 0.025;

/// The lens that boards are drawn with.
pub fn truth() -> Lens {
    Lens::new(SIZE_PX, 752.0, 751.0, 476.0, 273.0, [0.10, -0.25, 0.001, -0.001, 0.1])
}

/// Undistorted direction of every sample.
pub fn rays(lens: &Lens) -> Vec<[f64; 2]> {
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

/// Rim of what is printed, in squares from the board's first point.
fn rim(board: &Board) -> [f64; 4] {
    let last = board.points().last().copied().unwrap();
    match board.pattern {
        Pattern::Circles => [-0.6, -0.6, f64::from(2 * board.columns) - 0.4, last.y + 0.6],
        Pattern::Chessboard | Pattern::Coded => [-1.0, -1.0, last.x + 1.0, last.y + 1.0],
    }
}

/// How a board is shown.
#[derive(Debug, Clone, Copy)]
pub struct Show {
    /// Squares of the first one's colour are white.
    pub first_white: bool,
    /// Turn in its plane.
    pub turn_deg: f64,
    /// Share of the picture's sides that the board's middle comes near, of half of them: at 0.9 half of a board there is outside.
    pub reach: f64,
    /// All of it must be in the picture.
    pub whole: bool,
    /// Radius of a disc, in squares.
    pub disc: f64,
}

/// All of it in the picture.
pub const WHOLE: Show = Show { first_white: false, turn_deg: 0.0, reach: 0.45, whole: true, disc: 0.42 };

/// A board at a place of the picture, turned in its plane and tilted.
fn pose(board: &Board, show: &Show, k: usize, rng: &mut ChaCha8Rng) -> Isometry3<f64> {
    let [x0, y0, x1, y1] = rim(board);
    let middle = Vector3::new(x0 + x1, y0 + y1, 0.0) * (SQUARE_M / 2.0);
    let places = [(0, 0), (-1, -1), (1, -1), (1, 1), (-1, 1), (0, -1), (0, 1), (-1, 0), (1, 0)];
    let (px, py) = places[k % places.len()];
    // boards of more squares are held farther off
    let far = ((x1 - x0).max(y1 - y0) / 9.0).max(1.0);
    for attempt in 0..4000 {
        let z = far * rng.random_range(0.30..0.5) + 2e-4 * f64::from(attempt);
        let (x, y) = (show.reach * f64::from(px) * z, 0.53 * show.reach * f64::from(py) * z);
        let (tilt, way) = (rng.random_range(0.2..0.65), rng.random_range(0.0..std::f64::consts::TAU));
        let axis = nalgebra::Unit::new_normalize(Vector3::new(way.cos(), way.sin(), 0.0));
        let turn = Rotation3::from_axis_angle(&axis, tilt)
            * Rotation3::from_axis_angle(
                &Vector3::z_axis(),
                show.turn_deg.to_radians() + rng.random_range(-0.2..0.2),
            );
        let rotation = UnitQuaternion::from_rotation_matrix(&turn);
        let pose = Isometry3::from_parts((Vector3::new(x, y, z) - rotation * middle).into(), rotation);
        let margin = 0.5;
        let rim = [
            (x0 - margin, y0 - margin),
            (x1 + margin, y0 - margin),
            (x1 + margin, y1 + margin),
            (x0 - margin, y1 + margin),
        ];
        let inside = rim.iter().all(|(i, j)| {
            truth().project(&(pose * Point3::new(i * SQUARE_M, j * SQUARE_M, 0.0))).is_some_and(|p| {
                p.x_px > 2.0
                    && p.y_px > 2.0
                    && p.x_px < f64::from(SIZE_PX[0]) - 3.0
                    && p.y_px < f64::from(SIZE_PX[1]) - 3.0
            })
        });
        if inside || !show.whole {
            return pose;
        }
    }
    panic!("no pose");
}

/// Whether a board's print is black at a place in squares from its first point.
fn is_black(board: &Board, show: &Show, x: f64, y: f64) -> bool {
    let (i, j) = (x.floor() as i32, y.floor() as i32);
    if board.pattern == Pattern::Circles {
        // the nearest of the discs of two rows
        let (columns, rows) = (board.columns as i32, board.rows as i32);
        return (j..=j + 1).filter(|r| (0..rows).contains(r)).any(|r| {
            let shift = r.rem_euclid(2);
            let column = ((x - f64::from(shift)) / 2.0).round().clamp(0.0, f64::from(columns - 1));
            (x - 2.0 * column - f64::from(shift)).hypot(y - f64::from(r)) < show.disc
        });
    }
    if ((i + j).rem_euclid(2) == 0) != show.first_white {
        return true;
    }
    if board.pattern != Pattern::Coded {
        return false;
    }
    // codes stand in white squares, counted row by row
    let (column, row) = (i + 1, j + 1);
    let squares = board.columns as i32 + 1;
    let white = |c: i32, r: i32| ((c + r).rem_euclid(2) == 0) == show.first_white;
    let id = (0..row).map(|r| (0..squares).filter(|c| white(*c, r)).count()).sum::<usize>()
        + (0..column).filter(|c| white(*c, row)).count();
    let (u, v) = ((x - f64::from(i) - 0.5) / 0.75, (y - f64::from(j) - 0.5) / 0.75);
    if u.abs() > 0.5 || v.abs() > 0.5 {
        return false;
    }
    let cell = |u: f64| ((u + 0.5) * 6.0).floor() as usize;
    let inner = |c: usize| (1..=4).contains(&c);
    let (column, row) = (cell(u), cell(v));
    !(inner(column) && inner(row) && !words::is_black(words()[id], row - 1, column - 1))
}

/// The picture of a board on white paper before grey.
pub fn draw(board: &Board, show: &Show, pose: &Isometry3<f64>, rays: &[[f64; 2]]) -> Vec<u8> {
    let back = pose.inverse();
    let (eye, turn) = (back * Point3::origin(), back.rotation.to_rotation_matrix());
    let [x0, y0, x1, y1] = rim(board);
    let shade = |ray: &[f64; 2]| -> f64 {
        let d = turn * Vector3::new(ray[0], ray[1], 1.0);
        let k = -eye.z / d.z;
        let (x, y) = ((eye.x + k * d.x) / SQUARE_M, (eye.y + k * d.y) / SQUARE_M);
        let within = |paper: f64| x > x0 - paper && y > y0 - paper && x < x1 + paper && y < y1 + paper;
        if !within(0.4) {
            110.0
        } else if within(0.0) && is_black(board, show, x, y) {
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

/// Pictures of a board, each at another place.
pub fn pictures(board: &Board, show: &Show, count: usize, rays: &[[f64; 2]]) -> Vec<Vec<u8>> {
    let mut rng = ChaCha8Rng::seed_from_u64(u64::from(board.columns * 100 + board.rows));
    (0..count).map(|k| draw(board, show, &pose(board, show, k, &mut rng), rays)).collect()
}

/// Stills of a board in a folder.
pub fn stills(board: &Board, show: &Show, count: usize, rays: &[[f64; 2]]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    stills_into(folder.path(), board, show, count, rays);
    folder
}

/// Stills of a board in a folder that is there.
pub fn stills_into(folder: &std::path::Path, board: &Board, show: &Show, count: usize, rays: &[[f64; 2]]) {
    for (k, luma) in pictures(board, show, count, rays).into_iter().enumerate() {
        let mut file = format!("P5\n{} {}\n255\n", SIZE_PX[0], SIZE_PX[1]).into_bytes();
        file.extend(luma);
        std::fs::write(folder.join(format!("{k:02}.pgm")), file).unwrap();
    }
}

/// A board of squares as large as the drawn ones.
pub fn board(pattern: Pattern, columns: u32, rows: u32) -> Board {
    Board::new(pattern, columns, rows, 1000.0 * SQUARE_M)
}
