//! Frames of one clip, in order, with the file's own time stamps.
//!
//! Two frames are alive at any time: the one handed out and the one before it, both by FFmpeg's reference count.

pub(crate) mod format;

use std::path::Path;

use ffmpeg_the_third as ff;
use tipwright::model::footage::{ClipInfo, FootageError, FrameSource, FrameView};
use tipwright::model::{Severity, Warning};

use crate::probe::{self, unreadable};
use format::Slot;

/// A step longer than the whole clip and this is no step, seconds.
const LATEST_S: f64 = 60.0;
/// Read errors in a row after which the rest of a file is given up.
const READ_ERRORS_IN_A_ROW: u32 = 50;

/// A clip being decoded.
pub(crate) struct Clip {
    info: ClipInfo,
    input: ff::format::context::Input,
    decoder: ff::codec::decoder::Opened,
    stream_idx: usize,
    time_base_s: f64,
    /// File time per capture time.
    slow_down: f64,
    now: Slot,
    before: Slot,
    delivered: u64,
    next_idx: u32,
    damaged: u64,
    draining: bool,
    read_errors: u32,
    read_failed: bool,
    finished: bool,
    last_s: Option<f64>,
    /// Packets of the picture track so far, and how many the file holds.
    packets: u64,
    frames_stored: Option<u64>,
    /// Decoding stamp of the last of them.
    read_to: Option<i64>,
    notes: Vec<Warning>,
}

impl Clip {
    /// Opens a clip for decoding with so many threads (0: FFmpeg's choice).
    pub(crate) fn open(path: &Path, capture_fps: Option<f64>, threads: usize) -> Result<Self, FootageError> {
        let probe::Opened { input, stream_idx, time_base_s, info, frames_stored, notes } = probe::open(path)?;
        let stream = input.stream(stream_idx).ok_or_else(|| unreadable(path, "its picture track is gone"))?;
        let parameters = stream.parameters();
        let codec = ff::codec::decoder::find(parameters.id()).ok_or_else(|| FootageError::Unsupported {
            format: format!("{:?}", parameters.id()),
            path: path.to_path_buf(),
        })?;
        let mut context = ff::codec::context::Context::from_parameters(parameters)
            .map_err(|e| unreadable(path, e.to_string()))?;
        // Both kinds of threads, whichever the codec can do.
        // SAFETY: the context is owned, allocated and not yet opened; both are plain settings.
        unsafe {
            let raw = context.as_mut_ptr();
            (*raw).thread_count = i32::try_from(threads).unwrap_or(0);
            (*raw).thread_type = ff::ffi::FF_THREAD_FRAME | ff::ffi::FF_THREAD_SLICE;
            (*raw).pkt_timebase = (*stream.as_ptr()).time_base;
        }
        let decoder = context.decoder().open_as(codec).map_err(|e| unreadable(path, e.to_string()))?;
        Ok(Self {
            slow_down: info.slow_down(capture_fps),
            info,
            input,
            decoder,
            stream_idx,
            time_base_s,
            now: Slot::new(),
            before: Slot::new(),
            delivered: 0,
            next_idx: 0,
            damaged: 0,
            draining: false,
            read_errors: 0,
            read_failed: false,
            finished: false,
            last_s: None,
            packets: 0,
            frames_stored,
            read_to: None,
            notes,
        })
    }

    /// Feeds the decoder one packet of the picture track, or the end of the file.
    fn feed(&mut self) {
        if self.draining {
            self.finished = true;
            return;
        }
        loop {
            let mut packet = ff::Packet::empty();
            match packet.read(&mut self.input) {
                Ok(()) if packet.stream() != self.stream_idx => {}
                Ok(()) => {
                    self.read_errors = 0;
                    self.packets += 1;
                    self.read_to = packet.dts().or(self.read_to);
                    if packet.is_corrupt() || self.decoder.send_packet(&packet).is_err() {
                        self.damaged += 1;
                        continue;
                    }
                    return;
                }
                Err(error) => {
                    if error != ff::Error::Eof {
                        self.read_failed = true;
                        self.read_errors += 1;
                        if self.read_errors < READ_ERRORS_IN_A_ROW {
                            continue;
                        }
                    }
                    self.draining = true;
                    if self.decoder.send_eof().is_err() {
                        self.finished = true;
                    }
                    return;
                }
            }
        }
    }

    /// Whether the key frame that a jump to this time would lead to was read already, by the file's own index: such a jump decodes frames
    /// twice. `false` without an index.
    pub(crate) fn has_read_key_before(&self, pts_s: f64) -> bool {
        let (Some(stream), Some(read_to)) = (self.input.stream(self.stream_idx), self.read_to) else {
            return false;
        };
        let ticks = (self.jump_s(pts_s) / self.time_base_s) as i64;
        // SAFETY: the stream belongs to the open input; the entry is looked at before anything else is read from it.
        let key = unsafe {
            let stream = stream.as_ptr().cast_mut();
            ff::ffi::avformat_index_get_entry_from_timestamp(stream, ticks, ff::ffi::AVSEEK_FLAG_BACKWARD)
                .as_ref()
        };
        key.is_some_and(|key| key.timestamp <= read_to)
    }

    /// File time to jump to for this time.
    fn jump_s(&self, pts_s: f64) -> f64 {
        (pts_s * self.slow_down - 0.05).max(0.0)
    }

    /// Judges the frame just received and gives its stamp in file time; `None` for a damaged one.
    fn accept(&mut self) -> Option<f64> {
        let frame = &self.now.frame;
        // SAFETY: plain field of an allocated frame.
        let decode_errors = unsafe { (*frame.as_ptr()).decode_error_flags };
        if frame.is_corrupt()
            || decode_errors != 0
            || [frame.width(), frame.height()] != self.info.picture.stored_px
        {
            return None;
        }
        let stamp = frame.timestamp().or_else(|| frame.pts());
        let t_s = match (stamp, self.last_s) {
            (Some(stamp), _) => stamp as f64 * self.time_base_s,
            // A raw stream has no stamps: its rate is all there is.
            (None, Some(last_s)) => last_s + 1.0 / self.info.container_fps?,
            (None, None) => 0.0,
        };
        // a stamp far behind the clip's end would make all that follow it run back
        let end_s = self.info.duration_s.map_or(f64::INFINITY, |d| d + LATEST_S);
        if self.last_s.is_some_and(|last_s| t_s <= last_s || t_s - last_s > end_s) {
            return None;
        }
        self.now.prepare().ok()?;
        Some(t_s)
    }
}

/// FFmpeg's "send me a packet first" is the system's "would block".
fn wants_input(errno: i32) -> bool {
    std::io::Error::from_raw_os_error(errno).kind() == std::io::ErrorKind::WouldBlock
}

impl FrameSource for Clip {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        if self.finished {
            return Ok(None);
        }
        std::mem::swap(&mut self.now, &mut self.before);
        let t_s = loop {
            match self.decoder.receive_frame(&mut self.now.frame) {
                Ok(()) => {
                    let accepted = self.accept();
                    self.next_idx += 1;
                    if let Some(t_s) = accepted {
                        break t_s;
                    }
                    self.damaged += 1;
                }
                Err(ff::Error::Eof) => self.finished = true,
                Err(ff::Error::Other { errno }) if wants_input(errno) => self.feed(),
                Err(_) => {
                    self.damaged += 1;
                    self.feed();
                }
            }
            if self.finished {
                if self.delivered == 0 {
                    return Err(FootageError::NoPicture {
                        reason: "no frame of it can be decoded".to_owned(),
                        path: self.info.path.clone(),
                    });
                }
                return Ok(None);
            }
        };
        self.last_s = Some(t_s);
        self.delivered += 1;
        let Some(now) = self.now.planes() else {
            return Err(unreadable(&self.info.path, "a frame without planes"));
        };
        Ok(Some(FrameView {
            frame_idx: self.next_idx - 1,
            pts_s: t_s / self.slow_down,
            now,
            before: if self.delivered > 1 { self.before.planes() } else { None },
        }))
    }

    /// Frame numbers and the spacing of stamps no longer count from the start.
    fn jump_before(&mut self, pts_s: f64) {
        let ticks = (self.jump_s(pts_s) * f64::from(ff::ffi::AV_TIME_BASE)) as i64;
        if self.finished || self.input.seek(ticks, ..=ticks).is_err() {
            return;
        }
        self.decoder.flush();
        self.draining = false;
        self.last_s = None;
    }

    fn damaged_frames(&self) -> u64 {
        self.damaged
    }

    fn tick_s(&self) -> Option<f64> {
        Some(self.time_base_s / self.slow_down)
    }

    fn warnings(&self) -> Vec<Warning> {
        let about = self.info.path.display().to_string();
        let mut warnings = self.notes.clone();
        // by what was read, not by what was shown: a clip trimmed in the phone keeps the frames that its edit list hides
        let short_by = self.info.frames_claimed.map_or(0, |claimed| claimed.saturating_sub(self.packets));
        let noticeable = short_by > 3 && short_by * 50 > self.info.frames_claimed.unwrap_or(0);
        let got = self.delivered + self.damaged;
        if self.finished && (noticeable || self.read_failed) {
            let claimed = self.info.frames_claimed;
            warnings.push(Warning::new(
                Severity::Warning,
                &about,
                format!(
                    "the file is cut short: {} of {} frames are there",
                    self.delivered,
                    claimed.map_or_else(|| "an unknown number of".to_owned(), |n| n.to_string())
                ),
                "What is there is used; copy the clip from the phone again to have the rest",
            ));
        } else if let Some(hidden) =
            self.frames_stored.map(|n| n.saturating_sub(got)).filter(|n| self.finished && *n > 3)
        {
            // a few frames before the start are what B-frames need
            warnings.push(Warning::new(
                Severity::Note,
                &about,
                format!(
                    "it was trimmed after filming: {hidden} frames that are still in the file are hidden"
                ),
                "Nothing to do: what the phone shows is used",
            ));
        }
        if self.damaged > 0 {
            warnings.push(Warning::new(
                Severity::Warning,
                &about,
                format!("{} damaged frames were skipped", self.damaged),
                "Copy the clip from the phone again if they matter",
            ));
        }
        if (self.slow_down - 1.0).abs() > 1e-9 {
            warnings.push(Warning::new(
                Severity::Note,
                &about,
                format!("re-timed: it plays {:.3} times slower than it was captured", self.slow_down),
                "Set capture_fps of the camera in session.toml if this is wrong",
            ));
        }
        warnings
    }
}
