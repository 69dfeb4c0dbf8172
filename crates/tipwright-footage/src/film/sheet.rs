//! A contact sheet: frames of a clip side by side, each with marks, its number and what it shows close up.

use std::path::Path;

use opencv::core::{Mat, MatTraitConst, Point, Scalar, Vector};
use opencv::imgcodecs;
use opencv::imgproc::{FONT_HERSHEY_SIMPLEX, LINE_AA, put_text};
use tipwright::model::RawPixel;
use tipwright::model::film::{DrawnLine, FilmError, FilmInk};
use tipwright::model::footage::FrameSource;

use super::picture::{Canvas, Upright};
use super::{STILL_QUALITY, paint, write_error};
use crate::decode::Clip;

/// Height of a cell: a frame and its close-up, both this high.
const CELL_PX: usize = 240;
/// Width that a sheet is filled up to.
const SHEET_PX: usize = 2000;
/// Space between cells.
const GAP_PX: usize = 6;
/// Side of a close-up in diameters of its mark.
const CLOSE_UP: f64 = 6.0;
/// Points of a circle.
const ROUND: usize = 48;

/// A ring around something in a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SheetMark {
    /// Its middle in the upright picture.
    pub at: RawPixel,
    /// Radius.
    pub radius_px: f64,
    /// Ink.
    pub ink: FilmInk,
}

/// One frame of a sheet. The first mark is shown close up.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetFrame {
    /// Its number in the clip.
    pub frame_idx: u32,
    /// What is written under it.
    pub label: String,
    /// What is marked.
    pub marks: Vec<SheetMark>,
}

/// Writes a sheet of frames (in the order of their numbers) as JPEG.
///
/// # Errors
/// The clip cannot be read, or the file not be written.
pub fn contact_sheet(clip: &Path, frames: &[SheetFrame], file: &Path) -> Result<(), FilmError> {
    let mut source = Clip::open(clip, None, 0)?;
    let picture = source.info().picture;
    let mut whole: Option<Upright> = None;
    let mut cells: Vec<(Bgr, String)> = Vec::new();
    let mut wanted = frames.iter().peekable();
    while let (Some(next), Some(frame)) = (wanted.peek(), source.next_frame()?) {
        if frame.frame_idx < next.frame_idx {
            continue;
        }
        let [w, h] = picture.upright_px().map(f64::from);
        let upright =
            whole.get_or_insert_with(|| Upright::new(&frame.now, picture, [0.0, 0.0, w, h], CELL_PX as u32));
        let mut canvas = upright.turned(&frame.now);
        for mark in &next.marks {
            // Not so small that it is lost on the sheet.
            let seen = mark.radius_px.max(0.02 * h);
            paint::draw(&mut canvas, &ring(mark, seen), |p| upright.canvas_from_upright(p));
        }
        let mut cell = Bgr::of(&canvas).cropped(canvas.size_px[0], CELL_PX);
        if let Some(mark) = next.marks.first() {
            let half = (CLOSE_UP * mark.radius_px).max(12.0);
            let part = [mark.at.x_px - half, mark.at.y_px - half, 2.0 * half, 2.0 * half];
            let near = Upright::new(&frame.now, picture, part, 4000);
            cell = cell.beside(&Bgr::of(&near.turned(&frame.now)).enlarged(CELL_PX));
        } else {
            cell = cell.beside(&Bgr::grey(CELL_PX, CELL_PX));
        }
        cells.push((cell, next.label.clone()));
        wanted.next();
    }
    let made = compose(&cells).map_err(|e| write_error(file, e.message))?;
    std::fs::write(file, made.as_slice()).map_err(|e| write_error(file, e))
}

fn ring(mark: &SheetMark, radius_px: f64) -> DrawnLine {
    let points = (0..=ROUND)
        .map(|k| {
            let angle = std::f64::consts::TAU * k as f64 / ROUND as f64;
            RawPixel::new(mark.at.x_px + radius_px * angle.cos(), mark.at.y_px + radius_px * angle.sin())
        })
        .collect();
    DrawnLine { points, ink: mark.ink, width_px: 1.5, is_chain: false }
}

fn compose(cells: &[(Bgr, String)]) -> opencv::Result<Vector<u8>> {
    let width = cells.iter().map(|c| c.0.width).max().unwrap_or(CELL_PX);
    let columns = (SHEET_PX / (width + GAP_PX)).clamp(1, cells.len().max(1));
    let rows = cells.len().div_ceil(columns).max(1);
    let mut sheet = Bgr::grey(columns * (width + GAP_PX), rows * (CELL_PX + GAP_PX));
    for (k, (cell, _)) in cells.iter().enumerate() {
        sheet.put(cell, (k % columns) * (width + GAP_PX), (k / columns) * (CELL_PX + GAP_PX));
    }
    let flat = Mat::from_slice(&sheet.samples)?;
    let mut picture = flat.reshape(3, i32::try_from(sheet.height).unwrap_or(0))?.try_clone()?;
    for (k, (_, label)) in cells.iter().enumerate() {
        let (x, y) =
            ((k % columns) * (width + GAP_PX) + 5, (k / columns + 1) * (CELL_PX + GAP_PX) - GAP_PX - 7);
        for (ink, thickness) in [(0.0, 3), (255.0, 1)] {
            let at = Point::new(x as i32, y as i32);
            put_text(
                &mut picture,
                label,
                at,
                FONT_HERSHEY_SIMPLEX,
                0.45,
                Scalar::all(ink),
                thickness,
                LINE_AA,
                false,
            )?;
        }
    }
    let mut out = Vector::<u8>::new();
    let settings = Vector::<i32>::from_slice(&[imgcodecs::IMWRITE_JPEG_QUALITY, STILL_QUALITY]);
    imgcodecs::imencode(".jpg", &picture, &mut out, &settings)?;
    Ok(out)
}

/// Blue, green, red, row by row.
struct Bgr {
    width: usize,
    height: usize,
    samples: Vec<u8>,
}

impl Bgr {
    fn of(canvas: &Canvas) -> Self {
        Self { width: canvas.size_px[0], height: canvas.size_px[1], samples: canvas.bgr() }
    }

    fn grey(width: usize, height: usize) -> Self {
        Self { width, height, samples: vec![60; 3 * width * height] }
    }

    fn put(&mut self, other: &Self, left: usize, top: usize) {
        let wide = 3 * other.width.min(self.width.saturating_sub(left));
        for row in 0..other.height.min(self.height.saturating_sub(top)) {
            let to = 3 * ((top + row) * self.width + left);
            self.samples[to..to + wide].copy_from_slice(&other.samples[3 * row * other.width..][..wide]);
        }
    }

    fn cropped(self, width: usize, height: usize) -> Self {
        let mut out = Self::grey(width, height);
        out.put(&self, 0, 0);
        out
    }

    fn beside(self, other: &Self) -> Self {
        let mut out = Self::grey(self.width + other.width, self.height.max(other.height));
        out.put(&self, 0, 0);
        out.put(other, self.width, 0);
        out
    }

    /// Filled up to a square of `side`, samples as squares: what the finder sees, not what an eye would like.
    fn enlarged(&self, side: usize) -> Self {
        let mut out = Self::grey(side, side);
        let scale = self.width.max(self.height).max(1);
        for y in 0..side {
            for x in 0..side {
                let (u, v) = (x * scale / side, y * scale / side);
                if u < self.width && v < self.height {
                    let (to, from) = (3 * (y * side + x), 3 * (v * self.width + u));
                    out.samples[to..to + 3].copy_from_slice(&self.samples[from..from + 3]);
                }
            }
        }
        out
    }
}
