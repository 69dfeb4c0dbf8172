//! The outside world of pictures and sound, as traits: everything but decoding tests without video.

use std::path::{Path, PathBuf};

use super::camera::{Picture, RawPixel};
use super::still::{Landmark, Still};
use super::verdict::Warning;

/// Samples of one plane.
#[derive(Debug, Clone, Copy)]
pub enum PlaneData<'a> {
    /// 8-bit samples.
    Bits8(&'a [u8]),
    /// 10-bit samples in the low bits of 16.
    Bits10(&'a [u16]),
}

/// One plane of the stored picture: row-major, `stride` samples from row to row.
#[derive(Debug, Clone, Copy)]
pub struct Plane<'a> {
    /// Samples.
    pub data: PlaneData<'a>,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Samples per row in memory.
    pub stride: usize,
}

impl Plane<'_> {
    /// As 8-bit samples without gaps between rows, into a place that is used again.
    pub fn to_grey(&self, out: &mut Vec<u8>) {
        out.clear();
        for row in 0..self.height {
            let range = row * self.stride..row * self.stride + self.width;
            match self.data {
                PlaneData::Bits8(data) => out.extend_from_slice(&data[range]),
                PlaneData::Bits10(data) => out.extend(data[range].iter().map(|v| (v >> 2) as u8)),
            }
        }
    }
}

/// Luma and chroma planes of one stored picture, not rotated, not converted.
#[derive(Debug, Clone, Copy)]
pub struct Planes<'a> {
    /// Y.
    pub luma: Plane<'a>,
    /// Cb; `None` for grey footage.
    pub cb: Option<Plane<'a>>,
    /// Cr.
    pub cr: Option<Plane<'a>>,
    /// Luma columns per chroma column (1 or 2) and luma rows per chroma row.
    pub chroma_step: [usize; 2],
    /// Samples use the full range instead of 16 to 235.
    pub full_range: bool,
}

/// A part of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// First column and row.
    pub from_px: [u32; 2],
    /// Columns and rows.
    pub size_px: [u32; 2],
}

impl Window {
    /// All of a picture of this size.
    #[must_use]
    pub fn whole(size_px: [u32; 2]) -> Self {
        Self { from_px: [0; 2], size_px }
    }
}

/// One decoded frame, valid until the next is asked for.
#[derive(Debug, Clone, Copy)]
pub struct FrameView<'a> {
    /// From 0.
    pub frame_idx: u32,
    /// Presentation time after re-timing, seconds: the file's own stamp. When the frame was exposed: [`crate::times`].
    pub pts_s: f64,
    /// This picture.
    pub now: Planes<'a>,
    /// The picture before, when there is one.
    pub before: Option<Planes<'a>>,
}

/// What a clip says of itself.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipInfo {
    /// File.
    pub path: PathBuf,
    /// Codec name.
    pub codec: String,
    /// Stored size and rotation tag.
    pub picture: Picture,
    /// Frames that the container claims to show, if it does (of a trimmed clip those within its edit list).
    pub frames_claimed: Option<u64>,
    /// Duration as the container claims, before re-timing.
    pub duration_s: Option<f64>,
    /// Average frame rate of the container, before re-timing.
    pub container_fps: Option<f64>,
    /// Rate at capture from the file's own tag (`com.android.capture.fps`).
    pub capture_fps_tag: Option<f64>,
    /// Recording start, seconds since 1970, if the file says so (may be wrong by seconds, or by hours).
    pub recorded_unix_s: Option<f64>,
    /// The zone it was recorded in, seconds ahead of universal time, if the file says so (some phones do).
    pub recorded_zone_s: Option<i32>,
    /// Has a sound track.
    pub has_sound: bool,
}

impl ClipInfo {
    /// A clip that says nothing of itself but its picture's size and turn.
    #[must_use]
    pub fn of_picture(path: impl Into<PathBuf>, picture: Picture) -> Self {
        Self {
            path: path.into(),
            codec: String::new(),
            picture,
            frames_claimed: None,
            duration_s: None,
            container_fps: None,
            capture_fps_tag: None,
            recorded_unix_s: None,
            recorded_zone_s: None,
            has_sound: false,
        }
    }

    /// How many times slower the file plays than it was captured: file time over capture time. `capture_fps` from
    /// session.toml comes before the file's own tag.
    ///
    /// The factor is capture rate over container rate; within 1 % of a whole number it is that number, because
    /// phones stretch stamps by a whole factor while the container rate wanders with the frame spacing. A tag
    /// within 10 % of the container's rate re-times nothing: phones also write the tag into clips at true speed.
    #[must_use]
    pub fn slow_down(&self, capture_fps: Option<f64>) -> f64 {
        let (Some(capture), Some(container)) = (capture_fps.or(self.capture_fps_tag), self.container_fps)
        else {
            return 1.0;
        };
        let ratio = capture / container;
        if !(ratio.is_finite() && ratio > 0.0) || (ratio - 1.0).abs() < 0.1 {
            return 1.0;
        }
        let whole = ratio.round();
        if whole >= 1.0 && (ratio - whole).abs() < 0.01 * whole { whole } else { ratio }
    }
}

/// A mono sound track.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// Samples, -1 to 1.
    pub samples: Vec<f32>,
    /// Samples per second.
    pub rate_hz: f64,
    /// Presentation time of the first sample on the clip's (not re-timed) clock.
    pub start_s: f64,
}

/// A piece of a mono sound track, valid until the next is handed over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoundPiece<'a> {
    /// Samples, -1 to 1, that follow those of the piece before.
    pub samples: &'a [f32],
    /// Samples per second, of the whole track.
    pub rate_hz: f64,
    /// Presentation time of the track's first sample on the clip's (not re-timed) clock.
    pub start_s: f64,
}

/// What takes in a sound track piece by piece.
pub trait Ear {
    /// Takes in the samples that follow.
    fn add(&mut self, samples: &[f32]);
}

impl<A: Ear, B: Ear> Ear for (A, B) {
    fn add(&mut self, samples: &[f32]) {
        self.0.add(samples);
        self.1.add(samples);
    }
}

impl<E: Ear> Ear for Option<E> {
    fn add(&mut self, samples: &[f32]) {
        if let Some(ear) = self {
            ear.add(samples);
        }
    }
}

/// Why footage cannot be read. The path comes last.
#[derive(Debug, Clone, thiserror::Error)]
pub enum FootageError {
    /// No such file.
    #[error("no such file; check the name in session.toml: {}", path.display())]
    Missing {
        /// File.
        path: PathBuf,
    },
    /// Zero bytes.
    #[error("the file is empty (0 bytes); copy it from the phone again: {}", path.display())]
    Empty {
        /// File.
        path: PathBuf,
    },
    /// Not a clip, or damaged beyond opening.
    #[error("cannot be opened as a clip ({reason}); copy it from the phone again, or take it out of session.toml: {}", path.display())]
    Unreadable {
        /// What the reader said.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// Opened, but holds no picture track or no frame.
    #[error("holds no picture ({reason}); is it a sound file or a broken copy? {}", path.display())]
    NoPicture {
        /// What the reader said.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// A kind of picture this program does not read.
    #[error("has a picture format this program does not read ({format}); record H.264 or HEVC, 8 or 10 bit: {}", path.display())]
    Unsupported {
        /// Pixel format or codec.
        format: String,
        /// File.
        path: PathBuf,
    },
}

/// A dark disc on lighter ground, seen as an ellipse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Disc {
    /// Middle of its outline.
    pub centre: RawPixel,
    /// Half its width and half its height, upright.
    pub half_px: [f64; 2],
}

/// Frames of one clip, streamed in order with flat memory.
pub trait FrameSource {
    /// The clip.
    fn info(&self) -> &ClipInfo;
    /// The next frame; `None` at the end. A clip cut short ends early without error; damaged frames are skipped
    /// and counted in [`FrameSource::damaged_frames`].
    ///
    /// # Errors
    /// When nothing can be decoded at all.
    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError>;
    /// Goes on at a frame from which decoding can start, the last one before a presentation time; stays where it is when the
    /// source cannot, or when the clip is at its end.
    fn jump_before(&mut self, pts_s: f64) {
        let _ = pts_s;
    }
    /// Frames or packets that could not be decoded so far.
    fn damaged_frames(&self) -> u64;
    /// What the file counts its stamps in, after re-timing, seconds; `None` when unknown.
    fn tick_s(&self) -> Option<f64> {
        None
    }
    /// What a person should know of the clip so far; complete once the end is reached.
    fn warnings(&self) -> Vec<Warning> {
        Vec::new()
    }
}

/// Reader of clips, stills and sound. `capture_fps` re-times a clip that plays slower than it was captured: pts are
/// divided by capture_fps / container_fps; when `None` the file's own tag is used if present.
pub trait Footage: Sync {
    /// Opens a clip.
    ///
    /// # Errors
    /// Missing, empty, unreadable, unsupported.
    fn open_clip(
        &self,
        path: &Path,
        capture_fps: Option<f64>,
    ) -> Result<Box<dyn FrameSource + Send>, FootageError>;
    /// Reads what the clip says of itself without decoding.
    ///
    /// # Errors
    /// As [`Footage::open_clip`].
    fn probe(&self, path: &Path) -> Result<ClipInfo, FootageError>;
    /// Share of a clip's pictures that the file has room for, by its own index; less than 1 when it was cut short. `None` where that
    /// cannot be known without decoding.
    fn held_share(&self, path: &Path) -> Option<f64> {
        let _ = path;
        None
    }
    /// Hands over the sound track, mono, piece by piece: an hour of it is not to be held. Nothing is handed over without one.
    ///
    /// # Errors
    /// As [`Footage::open_clip`].
    fn hear(&self, path: &Path, to: &mut dyn FnMut(SoundPiece<'_>)) -> Result<(), FootageError>;
    /// A still picture as upright 8-bit luma: samples, width, height.
    ///
    /// # Errors
    /// As [`Footage::open_clip`].
    fn still_luma(&self, path: &Path) -> Result<(Vec<u8>, [u32; 2]), FootageError>;
    /// Inner corners of a chessboard, row by row, sub-pixel; `None` when the whole board is not seen.
    fn board_corners(&self, luma: &[u8], size_px: [u32; 2], columns: u32, rows: u32)
    -> Option<Vec<RawPixel>>;
    /// Inner corners along the sides of whatever chessboard is wholly in the picture, the larger count first; `None` when there is
    /// none or the reader cannot tell.
    fn board_count(&self, luma: &[u8], size_px: [u32; 2]) -> Option<[u32; 2]> {
        let _ = (luma, size_px);
        None
    }
    /// Four corners, in turn, of dark squares on lighter ground in a part of a picture: where a card may be held up, codes of a board. What
    /// counts as one is measured by the whole picture, whatever the part. Empty when the reader cannot tell.
    fn dark_squares(&self, luma: &[u8], size_px: [u32; 2], within: Window) -> Vec<[RawPixel; 4]> {
        let _ = (luma, size_px, within);
        Vec::new()
    }
    /// Dark discs on lighter ground. Empty when the reader cannot tell.
    fn dark_discs(&self, luma: &[u8], size_px: [u32; 2]) -> Vec<Disc> {
        let _ = (luma, size_px);
        Vec::new()
    }
    /// Corners of squares near the places given, sub-pixel, from windows of `half_px` to every side; as given where the reader cannot.
    fn refined_corners(
        &self,
        luma: &[u8],
        size_px: [u32; 2],
        near: &[RawPixel],
        half_px: f64,
    ) -> Vec<RawPixel> {
        let _ = (luma, size_px, half_px);
        near.to_vec()
    }
    /// Things that stand still found in two stills of one camera; those that moved by themselves are among them. Empty when the
    /// reader cannot, or when nothing is found.
    fn landmarks(&self, before: &Still, now: &Still) -> Vec<Landmark> {
        let _ = (before, now);
        Vec::new()
    }
}
