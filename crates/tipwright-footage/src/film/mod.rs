//! Film with drawing: stretches of a clip, decoded once and only where wanted, drawn upon, written as H.264 that
//! plays in a browser (8 bits 4:2:0, index in front), with stills.
//!
//! Between stretches the reader jumps to the key frame before the next one instead of decoding what nobody sees.

mod paint;
mod picture;
mod sheet;

use std::path::Path;

use opencv::core::{Mat, MatTraitConst, Vector};
use opencv::imgcodecs;
use tipwright::model::Picture;
use tipwright::model::film::{FilmConfig, FilmError, FilmMaker, FilmSpan, FilmedSpan};
use tipwright::model::footage::{FootageError, FrameSource, FrameView};

use crate::Reader;
use crate::decode::Clip;
use crate::encode::{ClipEncoder, EncodeConfig, Spend};
use picture::{Canvas, Upright};
pub use sheet::{SheetFrame, SheetMark, contact_sheet};

/// A gap between stretches longer than this is jumped over. Shorter ones are decoded: a jump goes back to a key frame,
/// which phones set about once a second.
const JUMP_S: f64 = 1.2;
/// Frames from one key frame to the next: a reader that moves through the clip finds any moment at once.
const KEY_EVERY: u32 = 10;
/// Quality of stills on JPEG's scale, 0 to 100.
const STILL_QUALITY: i32 = 88;
/// Only frames this near to a still's moment are kept for it.
const STILL_REACH_S: f64 = 0.05;

/// One stretch being written.
struct Writer<'a, 'b> {
    span: &'a FilmSpan<'b>,
    upright: Option<Upright>,
    encoder: Option<ClipEncoder>,
    filmed: FilmedSpan,
    stills: Vec<Option<(f64, Canvas)>>,
}

impl FilmMaker for Reader {
    fn film(
        &self,
        source: &Path,
        capture_fps: Option<f64>,
        spans: &[FilmSpan<'_>],
        config: &FilmConfig,
    ) -> Vec<Result<FilmedSpan, FilmError>> {
        let mut films: Vec<Film<'_, '_>> =
            spans.iter().map(|s| Film::Open(Box::new(Writer::new(s)))).collect();
        let read = self.pass(source, capture_fps, &mut films, config);
        films.into_iter().map(|film| film.ended(source, read.as_ref().err())).collect()
    }
}

impl Reader {
    /// One pass through the clip, from its first stretch to its last.
    fn pass(
        &self,
        source: &Path,
        capture_fps: Option<f64>,
        films: &mut [Film<'_, '_>],
        config: &FilmConfig,
    ) -> Result<(), FootageError> {
        let mut clip = Clip::open(source, capture_fps, self.decode_threads)?;
        let picture = clip.info().picture;
        let mut at_s = f64::NEG_INFINITY;
        let mut jumped_to_s = None;
        loop {
            let open = || films.iter().filter_map(Film::span);
            if open().next().is_none() {
                return Ok(());
            }
            let is_inside = open().any(|s| s.from_pts_s <= at_s);
            let next_s = open().map(|s| s.from_pts_s).filter(|t| *t > at_s).min_by(f64::total_cmp);
            if let (false, Some(next_s)) = (is_inside, next_s) {
                // Once per stretch: where key frames are far apart, the rest is decoded.
                if next_s - at_s.max(0.0) > JUMP_S && jumped_to_s != Some(next_s) {
                    if !clip.has_read_key_before(next_s) {
                        clip.jump_before(next_s);
                    }
                    jumped_to_s = Some(next_s);
                }
            }
            let Some(frame) = clip.next_frame()? else { return Ok(()) };
            // the key frame jumped to may lie before what was read already
            if frame.pts_s <= at_s {
                continue;
            }
            at_s = frame.pts_s;
            for film in films.iter_mut() {
                film.see(&frame, picture, config, source);
            }
        }
    }
}

/// A stretch's film on its way. One that ended lets go of its encoder and its pictures at once: a take has dozens.
enum Film<'a, 'b> {
    Open(Box<Writer<'a, 'b>>),
    Ended(Result<FilmedSpan, FilmError>),
}

impl<'a, 'b> Film<'a, 'b> {
    fn span(&self) -> Option<&'a FilmSpan<'b>> {
        match self {
            Self::Open(writer) => Some(writer.span),
            Self::Ended(_) => None,
        }
    }

    /// Draws a frame that lies in the stretch; ends with the first one beyond it.
    fn see(&mut self, frame: &FrameView<'_>, picture: Picture, config: &FilmConfig, source: &Path) {
        let Self::Open(writer) = self else { return };
        let ended = if frame.pts_s > writer.span.to_pts_s {
            writer.finish(source)
        } else if frame.pts_s < writer.span.from_pts_s {
            return;
        } else {
            match writer.draw(frame, picture, config) {
                Ok(()) => return,
                Err(error) => Err(error),
            }
        };
        *self = Self::Ended(ended);
    }

    /// What came of it; `unread`: why the clip could not be read on.
    fn ended(self, source: &Path, unread: Option<&FootageError>) -> Result<FilmedSpan, FilmError> {
        match (self, unread) {
            (Self::Ended(ended), _) => ended,
            (Self::Open(_), Some(error)) => Err(error.clone().into()),
            (Self::Open(mut writer), None) => writer.finish(source),
        }
    }
}

fn write_error(path: &Path, reason: impl std::fmt::Display) -> FilmError {
    FilmError::Write { reason: reason.to_string(), path: path.to_path_buf() }
}

impl<'a, 'b> Writer<'a, 'b> {
    fn new(span: &'a FilmSpan<'b>) -> Self {
        let stills = vec![None; span.stills.len()];
        Self { span, upright: None, encoder: None, filmed: FilmedSpan::default(), stills }
    }

    fn draw(
        &mut self,
        frame: &FrameView<'_>,
        picture: Picture,
        config: &FilmConfig,
    ) -> Result<(), FilmError> {
        let crop_px = self.span.crop_px;
        let upright =
            self.upright.get_or_insert_with(|| Upright::new(&frame.now, picture, crop_px, config.height_px));
        let mut canvas = upright.turned(&frame.now);
        for line in (self.span.draw)(frame.pts_s) {
            paint::draw(&mut canvas, &line, |p| upright.canvas_from_upright(p));
        }
        self.add(frame.pts_s, canvas, config)
    }

    fn add(&mut self, pts_s: f64, canvas: Canvas, config: &FilmConfig) -> Result<(), FilmError> {
        let path = &self.span.clip;
        let encoder = match &mut self.encoder {
            Some(encoder) => encoder,
            None => {
                if let Some(folder) = path.parent() {
                    std::fs::create_dir_all(folder).map_err(|e| write_error(folder, e))?;
                }
                self.filmed.size_px = canvas.size_px.map(|n| n as u32);
                let settings = EncodeConfig {
                    spend: Spend::Quality(config.quality),
                    key_every: KEY_EVERY,
                    full_range: canvas.full_range,
                    for_web: true,
                    ..EncodeConfig::new(self.filmed.size_px)
                };
                let made = ClipEncoder::create(path, settings).map_err(|e| write_error(path, e))?;
                self.encoder.insert(made)
            }
        };
        let ticks_per_frame = i64::from(90_000 / config.played_fps.max(1));
        let ticks = self.filmed.frame_pts_s.len() as i64 * ticks_per_frame;
        encoder.push(&canvas.planes(), ticks).map_err(|e| write_error(path, e))?;
        self.filmed.frame_pts_s.push(pts_s);
        for ((wanted_s, _), kept) in self.span.stills.iter().zip(&mut self.stills) {
            let away_s = (pts_s - wanted_s).abs();
            if away_s < STILL_REACH_S && kept.as_ref().is_none_or(|(k, _)| away_s < (k - wanted_s).abs()) {
                *kept = Some((pts_s, canvas.clone()));
            }
        }
        Ok(())
    }

    fn finish(&mut self, source: &Path) -> Result<FilmedSpan, FilmError> {
        let path = &self.span.clip;
        let Some(encoder) = self.encoder.take() else {
            return Err(FilmError::NoFrame { path: source.to_path_buf() });
        };
        encoder.finish().map_err(|e| write_error(path, e))?;
        for ((_, file), kept) in self.span.stills.iter().zip(&self.stills) {
            if let Some((_, canvas)) = kept {
                write_still(file, canvas)?;
            }
            self.filmed.still_pts_s.push(kept.as_ref().map(|(pts_s, _)| *pts_s));
        }
        Ok(std::mem::take(&mut self.filmed))
    }
}

fn write_still(file: &Path, canvas: &Canvas) -> Result<(), FilmError> {
    let [width, height] = canvas.size_px;
    let bgr = canvas.bgr();
    let made = || -> opencv::Result<Vector<u8>> {
        let flat = Mat::from_slice(&bgr)?;
        let mut out = Vector::<u8>::new();
        let rows = i32::try_from(height).unwrap_or(0);
        let picture = flat.reshape(3, rows)?;
        let settings = Vector::<i32>::from_slice(&[imgcodecs::IMWRITE_JPEG_QUALITY, STILL_QUALITY]);
        imgcodecs::imencode(".jpg", &picture, &mut out, &settings)?;
        Ok(out)
    };
    debug_assert_eq!(bgr.len(), 3 * width * height);
    let bytes = made().map_err(|e| write_error(file, e.message))?;
    std::fs::write(file, bytes.as_slice()).map_err(|e| write_error(file, e))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)] // a test fails by panicking
mod tests {
    use super::*;
    use std::path::PathBuf;

    /// A grey clip of four seconds at 30 frames a second.
    fn clip(folder: &Path, key_every: u32) -> PathBuf {
        let path = folder.join(format!("{key_every}.mp4"));
        let size_px = [64, 48];
        let settings =
            EncodeConfig { key_every, for_web: true, ..EncodeConfig::new(size_px.map(|n| n as u32)) };
        let mut encoder = ClipEncoder::create(&path, settings).unwrap();
        for k in 0..120_u8 {
            let grey = vec![128; 64 * 48 / 4];
            let canvas =
                Canvas { size_px, luma: vec![k; 64 * 48], chroma: [grey.clone(), grey], full_range: false };
            encoder.push(&canvas.planes(), i64::from(k) * 3000).unwrap();
        }
        encoder.finish().unwrap();
        path
    }

    /// Where the next stretch begins behind a key frame that was read already, a jump would decode frames twice.
    #[test]
    fn no_jump_leads_back_to_what_was_read() {
        let folder = tempfile::tempdir().unwrap();
        for (key_every, is_read) in [(1000, true), (30, false)] {
            let mut clip = Clip::open(&clip(folder.path(), key_every), None, 1).unwrap();
            assert!(!clip.has_read_key_before(2.5), "nothing was read yet");
            for _ in 0..10 {
                clip.next_frame().unwrap().unwrap();
            }
            assert_eq!(clip.has_read_key_before(2.5), is_read, "a key frame every {key_every} frames");
            if !is_read {
                clip.jump_before(2.5);
                let landed_s = clip.next_frame().unwrap().unwrap().pts_s;
                assert!((1.9..2.46).contains(&landed_s), "{landed_s}");
            }
        }
    }

    #[test]
    fn a_stretch_fails_by_itself() {
        let folder = tempfile::tempdir().unwrap();
        let source = clip(folder.path(), 30);
        let nothing = |_: f64| Vec::new();
        let span = |name: &str, from_pts_s: f64, to_pts_s: f64| FilmSpan {
            from_pts_s,
            to_pts_s,
            crop_px: [0.0, 0.0, 64.0, 48.0],
            clip: folder.path().join(name),
            stills: vec![(from_pts_s + 0.1, folder.path().join(name).with_extension("jpg"))],
            draw: &nothing,
        };
        // the later stretch first, one beyond the clip's end, one that overlaps another, one whose folder is a file
        let spans = [
            span("late.mp4", 2.99, 3.51),
            span("beyond.mp4", 9.0, 9.5),
            span("early.mp4", 0.19, 0.71),
            span("over.mp4", 0.49, 0.81),
            span("30.mp4/no.mp4", 0.19, 0.71),
        ];
        let films = Reader::default().film(&source, None, &spans, &FilmConfig::default());
        let frames =
            |k: usize| films[k].as_ref().map(|f| (f.frame_pts_s.len(), f.size_px, f.still_pts_s.len()));
        assert_eq!(frames(0).unwrap(), (16, [64, 48], 1));
        assert!(matches!(films[1], Err(FilmError::NoFrame { .. })));
        assert_eq!([frames(2).unwrap().0, frames(3).unwrap().0], [16, 10]);
        assert!(matches!(films[4], Err(FilmError::Write { .. })));
        let first_s = films[0].as_ref().unwrap().frame_pts_s[0];
        assert!((first_s - 3.0).abs() < 1e-3, "{first_s}");
        let unread =
            Reader::default().film(&folder.path().join("none.mp4"), None, &spans, &FilmConfig::default());
        assert!(unread.len() == 5 && unread.iter().all(|f| matches!(f, Err(FilmError::Read(_)))));
    }
}
