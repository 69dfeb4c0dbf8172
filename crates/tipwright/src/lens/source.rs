//! A lens from a clip or a folder of stills.
//!
//! A clip is decoded once, from front to back. It is cut into as many equal spans as pictures are to be searched;
//! of each span only the picture in which least moved since the one before is searched for the board, because
//! movement smears corners and bends them through the rolling shutter. A few pictures at a time are searched in
//! parallel, so memory does not grow with the clip.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::calibrate::calibrate;
use super::count::Seen;
use super::search::{BoardsFound, search_picture, settle};
use super::thin::thin_out;
use super::verdicts::too_few_views;
use super::views::{LeftOut, LensCalibration, LensConfig, LensError, ViewReport};
use crate::model::Board;
use crate::model::camera::{Picture, Rotation};
use crate::model::footage::{Footage, FootageError, FrameView, Plane, PlaneData};
use crate::model::{Severity, Warning};

/// How far the reading has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Frames or files done.
    pub done: u64,
    /// Of how many, when known.
    pub total: Option<u64>,
    /// Boards found so far.
    pub boards: u64,
}

/// Endings of picture files that are tried; anything else in a folder is named and passed over.
const PICTURE_ENDINGS: [&str; 9] = ["jpg", "jpeg", "png", "bmp", "tif", "tiff", "webp", "pgm", "jp2"];
/// Every how many pixels movement is looked at, both ways: 32 000 samples at 1080p.
const MOTION_STEP_PX: usize = 8;
/// Span searched when the clip does not say how long it is.
const DEFAULT_SPAN_S: f64 = 0.2;

/// Calibrates from a folder of stills or from a clip. Wrong files, pictures without the board and pictures of
/// another size are passed over and reported.
///
/// `capture_fps` re-times a clip; it only matters for the names of the views. `progress` may be called from any thread.
///
/// # Errors
/// The source cannot be read at all, or what it holds is not enough: see [`LensError`].
pub fn from_source(
    footage: &dyn Footage,
    path: &Path,
    board: &Board,
    capture_fps: Option<f64>,
    config: &LensConfig,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<LensCalibration, LensError> {
    if path.is_dir() {
        let (mut found, seen) = search_folder(footage, path, board, progress)?;
        let (board, warning) = settle(&mut found, board);
        solve(found, &board, config, warning.into_iter().collect(), &seen)
    } else {
        let (mut found, seen, mut warnings) =
            search_clip(footage, path, board, capture_fps, config, progress)?;
        let (board, warning) = settle(&mut found, board);
        warnings.extend(warning);
        solve(thin_out(found, config), &board, config, warnings, &seen)
    }
}

fn search_folder(
    footage: &dyn Footage,
    folder: &Path,
    board: &Board,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<(Vec<BoardsFound>, Seen), LensError> {
    let error = |e: std::io::Error| LensError::Folder { reason: e.to_string(), path: folder.to_path_buf() };
    let mut files: Vec<PathBuf> = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(error)? {
        let path = entry.map_err(error)?.path();
        let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
        if path.is_file() && !hidden {
            files.push(path);
        }
    }
    files.sort();
    let done = std::sync::atomic::AtomicU64::new(0);
    let boards = std::sync::atomic::AtomicU64::new(0);
    let order = std::sync::atomic::Ordering::Relaxed;
    let total = Some(files.len() as u64);
    let (mut all, mut seen) = (Vec::new(), Seen::default());
    let mut rest = files.as_slice();
    while !rest.is_empty() {
        let asks = seen.asks();
        let (batch, later) = rest.split_at(if asks { rest.len().min(batch_size()) } else { rest.len() });
        rest = later;
        let found: Vec<BoardsFound> = batch
            .par_iter()
            .map(|file| {
                let name = file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
                let found = search_still(footage, file, name, board, asks);
                let new = u64::from(found.view.is_ok());
                let boards = boards.fetch_add(new, order) + new;
                progress(Progress { done: done.fetch_add(1, order) + 1, total, boards });
                found
            })
            .collect();
        note(&mut seen, &found, board)?;
        all.extend(found);
    }
    Ok((all, seen))
}

/// Pictures searched between two looks at what was found.
fn batch_size() -> usize {
    2 * rayon::current_num_threads()
}

/// Takes in what a batch showed.
fn note(seen: &mut Seen, found: &[BoardsFound], board: &Board) -> Result<(), LensError> {
    for f in found.iter().filter(|f| !matches!(f.view, Err(LeftOut::NotAPicture(_)))) {
        seen.add(f.view.is_ok(), f.count);
    }
    seen.check(board)
}

fn search_still(footage: &dyn Footage, file: &Path, name: String, board: &Board, asks: bool) -> BoardsFound {
    let ending = file.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    let no_picture = |reason: String| BoardsFound::none(name.clone(), [0, 0], LeftOut::NotAPicture(reason));
    if !PICTURE_ENDINGS.contains(&ending.as_str()) {
        let what = if ending.is_empty() { "no file ending".into() } else { format!(".{ending} file") };
        return no_picture(what);
    }
    match footage.still_luma(file) {
        Ok((luma, size_px)) => search_picture(footage, &luma, size_px, name, board, asks),
        Err(FootageError::Empty { .. }) => no_picture("empty, 0 bytes".into()),
        Err(FootageError::Unreadable { reason, .. } | FootageError::NoPicture { reason, .. }) => {
            no_picture(reason)
        }
        Err(FootageError::Unsupported { format, .. }) => no_picture(format!("format {format}")),
        Err(FootageError::Missing { .. }) => no_picture("gone".into()),
    }
}

/// A picture kept until its span ends.
struct Kept {
    frame_idx: u32,
    pts_s: f64,
    motion: f64,
    luma: Vec<u8>,
}

fn search_clip(
    footage: &dyn Footage,
    path: &Path,
    board: &Board,
    capture_fps: Option<f64>,
    config: &LensConfig,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<(Vec<BoardsFound>, Seen, Vec<Warning>), LensError> {
    let mut source = footage.open_clip(path, capture_fps)?;
    let info = source.info().clone();
    let picture = info.picture;
    // In frames when their number is known (pts may be re-timed, the claimed duration is not), else in time.
    let span_frames = info
        .frames_claimed
        .filter(|n| *n > 0)
        .map(|n| (n as f64 / config.pictures_of_clip.max(1) as f64).max(1.0));
    let batch_size = batch_size();
    let (mut found, mut seen): (Vec<BoardsFound>, Seen) = Default::default();
    let mut batch: Vec<Kept> = Vec::new();
    let mut best: Option<Kept> = None;
    let mut span_now = 0_u64;
    let mut frames = 0_u64;
    while let Some(frame) = source.next_frame()? {
        let span = match span_frames {
            Some(n) => (f64::from(frame.frame_idx) / n) as u64,
            None => (frame.pts_s.max(0.0) / DEFAULT_SPAN_S) as u64,
        };
        if span != span_now {
            batch.extend(best.take());
            span_now = span;
        }
        let motion = motion_of(&frame);
        if best.as_ref().is_none_or(|b| motion < b.motion) {
            let mut luma = best.take().map(|b| b.luma).unwrap_or_default();
            upright_luma_into(&frame.now.luma, picture, &mut luma);
            best = Some(Kept { frame_idx: frame.frame_idx, pts_s: frame.pts_s, motion, luma });
        }
        frames += 1;
        if batch.len() >= batch_size {
            search_batch(footage, &mut batch, picture, board, &mut found, &mut seen)?;
        }
        if frames.is_multiple_of(16) {
            let boards = found.iter().filter(|f| f.view.is_ok()).count() as u64;
            progress(Progress { done: frames, total: info.frames_claimed, boards });
        }
    }
    batch.extend(best.take());
    search_batch(footage, &mut batch, picture, board, &mut found, &mut seen)?;
    let damaged = source.damaged_frames();
    let mut warnings = Vec::new();
    if damaged > 0 {
        warnings.push(Warning::new(
            Severity::Note,
            path.display().to_string(),
            format!("{damaged} damaged frames were passed over"),
            "copy the clip from the phone again if the lens comes out poor",
        ));
    }
    Ok((found, seen, warnings))
}

fn search_batch(
    footage: &dyn Footage,
    batch: &mut Vec<Kept>,
    picture: Picture,
    board: &Board,
    found: &mut Vec<BoardsFound>,
    seen: &mut Seen,
) -> Result<(), LensError> {
    let (size_px, asks, start) = (picture.upright_px(), seen.asks(), found.len());
    found.par_extend(batch.par_drain(..).map(|kept| {
        let name = format!("frame {} ({:.3} s)", kept.frame_idx, kept.pts_s);
        search_picture(footage, &kept.luma, size_px, name, board, asks)
    }));
    note(seen, &found[start..], board)
}

/// Mean absolute change since the picture before, 0 to 255; infinite for the first.
fn motion_of(frame: &FrameView<'_>) -> f64 {
    let (Some(before), now) = (frame.before, frame.now.luma) else { return f64::INFINITY };
    let before = before.luma;
    let (mut sum, mut n) = (0_u64, 0_u64);
    let mut add = |row: usize| {
        for x in (MOTION_STEP_PX / 2..now.width.min(before.width)).step_by(MOTION_STEP_PX) {
            let (a, b) = (sample8(&now, x, row), sample8(&before, x, row));
            sum += u64::from(a.abs_diff(b));
            n += 1;
        }
    };
    for row in (MOTION_STEP_PX / 2..now.height.min(before.height)).step_by(MOTION_STEP_PX) {
        add(row);
    }
    if n == 0 { f64::INFINITY } else { sum as f64 / n as f64 }
}

fn sample8(plane: &Plane<'_>, x: usize, y: usize) -> u8 {
    let i = y * plane.stride + x;
    match plane.data {
        PlaneData::Bits8(d) => d.get(i).copied().unwrap_or(0),
        PlaneData::Bits10(d) => d.get(i).map_or(0, |v| (v >> 2).min(255) as u8),
    }
}

/// Copies a stored luma plane as 8-bit upright luma without padding.
fn upright_luma_into(plane: &Plane<'_>, picture: Picture, out: &mut Vec<u8>) {
    let (w, h) = (plane.width, plane.height);
    out.clear();
    out.reserve(w * h);
    match picture.rotation {
        Rotation::R0 => {
            for y in 0..h {
                match plane.data {
                    PlaneData::Bits8(d) => out.extend_from_slice(&d[y * plane.stride..][..w]),
                    PlaneData::Bits10(_) => out.extend((0..w).map(|x| sample8(plane, x, y))),
                }
            }
        }
        Rotation::R180 => {
            for y in (0..h).rev() {
                out.extend((0..w).rev().map(|x| sample8(plane, x, y)));
            }
        }
        // Turned clockwise: upright column is h - 1 - row, upright row is the column.
        Rotation::R90 => {
            for x in 0..w {
                out.extend((0..h).rev().map(|y| sample8(plane, x, y)));
            }
        }
        Rotation::R270 => {
            for x in (0..w).rev() {
                out.extend((0..h).map(|y| sample8(plane, x, y)));
            }
        }
    }
}

fn solve(
    found: Vec<BoardsFound>,
    board: &Board,
    config: &LensConfig,
    more_warnings: Vec<Warning>,
    seen: &Seen,
) -> Result<LensCalibration, LensError> {
    // The size that most boards were seen at; of equals the larger.
    let mut sizes: BTreeMap<[u32; 2], usize> = BTreeMap::new();
    for f in found.iter().filter(|f| f.view.is_ok()) {
        *sizes.entry(f.size_px).or_default() += 1;
    }
    let common = sizes
        .iter()
        .max_by_key(|(size, n)| (**n, u64::from(size[0]) * u64::from(size[1])))
        .map(|(size, _)| *size);
    let mut views = Vec::new();
    let mut slots: Vec<Result<usize, ViewReport>> = Vec::new();
    for f in found {
        let size_px = f.size_px;
        let view = f.view.and_then(|v| {
            if Some(size_px) == common { Ok(v) } else { Err(LeftOut::OtherResolution(size_px)) }
        });
        match view {
            Ok(view) => {
                slots.push(Ok(views.len()));
                views.push(view);
            }
            Err(reason) => slots.push(Err(ViewReport {
                name: f.name,
                left_out: Some(reason),
                rms_px: None,
                tilt_deg: None,
                edge_width_px: None,
                corners: Vec::new(),
                camera_from_board: None,
            })),
        }
    }
    // Puts the reports of the views used in the calibration back among those passed over, in the order read.
    let woven = |reports: Vec<ViewReport>| {
        let mut reports: Vec<Option<ViewReport>> = reports.into_iter().map(Some).collect();
        slots
            .iter()
            .filter_map(|slot| match slot {
                Ok(i) => reports.get_mut(*i).and_then(Option::take),
                Err(report) => Some(report.clone()),
            })
            .collect::<Vec<_>>()
    };
    let outcome = match common {
        Some(size_px) => calibrate(&views, board, size_px, config),
        None => Err(too_few_views(Vec::new(), config, None)),
    };
    match outcome {
        Ok(mut calibration) => {
            calibration.views = woven(calibration.views);
            calibration.warnings.extend(more_warnings);
            Ok(calibration)
        }
        Err(LensError::TooFewViews { views, .. }) => {
            Err(too_few_views(woven(views), config, seen.other(board)))
        }
        Err(other) => Err(other),
    }
}
