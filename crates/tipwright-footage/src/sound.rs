//! The sound track as mono samples, a decoded piece at a time.

use std::path::Path;

use ffmpeg_the_third as ff;
use ffmpeg_the_third::format::Sample;
use tipwright::model::footage::{FootageError, SoundPiece};

use crate::probe::{look_into, open_index, unreadable};

/// Jumps of the stamps longer than this are filled with silence so that time stays true, seconds.
const GAP_S: f64 = 0.010;
/// A jump longer than this is a broken stamp, not a gap, seconds.
const LONGEST_GAP_S: f64 = 60.0;

/// Decodes the sound track, averages its channels and hands over each piece; nothing without a track.
pub(crate) fn hear(path: &Path, to: &mut dyn FnMut(SoundPiece<'_>)) -> Result<(), FootageError> {
    let mut input = open_index(path)?;
    if input.streams().filter(|s| s.parameters().medium() == ff::media::Type::Audio).count() > 1 {
        // which of several is best is told by what is in them
        look_into(&mut input, path)?;
    }
    // a phone that records spatial sound adds a plain track beside it: the first kind this FFmpeg can decode
    let best = input.streams().best(ff::media::Type::Audio).map(|s| s.index());
    let decodes = |s: &ff::format::stream::Stream<'_>| {
        s.parameters().medium() == ff::media::Type::Audio
            && ff::codec::decoder::find(s.parameters().id()).is_some()
    };
    let Some(stream) = input.streams().filter(decodes).min_by_key(|s| (Some(s.index()) != best, s.index()))
    else {
        return Ok(());
    };
    let stream_idx = stream.index();
    let time_base_s = f64::from(stream.time_base());
    let parameters = stream.parameters();
    let Some(codec) = ff::codec::decoder::find(parameters.id()) else { return Ok(()) };
    let mut context = ff::codec::context::Context::from_parameters(parameters)
        .map_err(|e| unreadable(path, e.to_string()))?;
    // SAFETY: the context is owned and not yet opened. The decoder needs the time base to cut the encoder's priming.
    unsafe {
        (*context.as_mut_ptr()).pkt_timebase = (*stream.as_ptr()).time_base;
    }
    let mut decoder = context.decoder().open_as(codec).map_err(|e| unreadable(path, e.to_string()))?;
    for mut other in input.streams_mut().filter(|s| s.index() != stream_idx) {
        // SAFETY: a plain field of a stream of the open input; pictures are then not even read from the file.
        unsafe { (*other.as_mut_ptr()).discard = ff::ffi::AVDiscard::ALL };
    }
    let mut track = Track { piece: Vec::new(), before: 0, rate_hz: 0.0, start_s: 0.0, time_base_s };
    let mut frame = ff::frame::Audio::empty();
    loop {
        let mut packet = ff::Packet::empty();
        let more = packet.read(&mut input).is_ok();
        if more && packet.stream() != stream_idx {
            continue;
        }
        // A packet that cannot be decoded is a gap.
        let _ = if more { decoder.send_packet(&packet) } else { decoder.send_eof() };
        while decoder.receive_frame(&mut frame).is_ok() {
            track.add(&frame);
            if !track.piece.is_empty() {
                to(SoundPiece { samples: &track.piece, rate_hz: track.rate_hz, start_s: track.start_s });
            }
        }
        if !more {
            return Ok(());
        }
    }
}

struct Track {
    /// What the last frame adds: silence where one is missing before it, and its own.
    piece: Vec<f32>,
    /// Samples before these.
    before: usize,
    rate_hz: f64,
    start_s: f64,
    time_base_s: f64,
}

impl Track {
    fn add(&mut self, frame: &ff::frame::Audio) {
        self.before += self.piece.len();
        self.piece.clear();
        let rate_hz = f64::from(frame.rate());
        if rate_hz <= 0.0 || (self.rate_hz > 0.0 && (rate_hz - self.rate_hz).abs() > 0.5) {
            return;
        }
        let stamp_s = frame.timestamp().or_else(|| frame.pts()).map(|s| s as f64 * self.time_base_s);
        if self.before == 0 {
            self.rate_hz = rate_hz;
            self.start_s = stamp_s.unwrap_or(0.0);
        } else if let Some(stamp_s) = stamp_s {
            let gap_s = stamp_s - self.start_s - self.before as f64 / rate_hz;
            if gap_s > GAP_S && gap_s < LONGEST_GAP_S {
                self.piece.resize((gap_s * rate_hz).round() as usize, 0.0);
            }
        }
        // SAFETY: plain field of an allocated frame.
        let channels = unsafe { (*frame.as_ptr()).ch_layout.nb_channels };
        let channels = usize::try_from(channels).unwrap_or(0).max(1);
        let count = frame.samples();
        let start = self.piece.len();
        self.piece.resize(start + count, 0.0);
        let out = &mut self.piece[start..];
        for channel in 0..channels {
            mix(frame, channel, channels, out);
        }
        for sample in out {
            *sample /= channels as f32;
        }
    }
}

/// Adds one channel of a frame onto `out`.
fn mix(frame: &ff::frame::Audio, channel: usize, channels: usize, out: &mut [f32]) {
    let format = frame.format();
    let bytes = format.bytes();
    let (plane, step, offset) = if format.is_planar() { (channel, 1, 0) } else { (0, channels, channel) };
    // SAFETY: extended_data has one pointer per channel for planar audio and one for packed; each buffer holds
    // nb_samples (times the channels when packed) samples of `bytes` bytes.
    let data = unsafe {
        let pointer = *(*frame.as_ptr()).extended_data.add(plane);
        if pointer.is_null() {
            return;
        }
        std::slice::from_raw_parts(pointer.cast_const(), out.len() * step * bytes)
    };
    for (sample, raw) in out.iter_mut().zip(data.chunks_exact(bytes).skip(offset).step_by(step)) {
        *sample += match (format, raw) {
            (Sample::U8(_), &[a]) => (f32::from(a) - 128.0) / 128.0,
            (Sample::I16(_), &[a, b]) => f32::from(i16::from_ne_bytes([a, b])) / 32_768.0,
            (Sample::I32(_), &[a, b, c, d]) => i32::from_ne_bytes([a, b, c, d]) as f32 / 2_147_483_648.0,
            (Sample::F32(_), &[a, b, c, d]) => f32::from_ne_bytes([a, b, c, d]),
            (Sample::F64(_), &[a, b, c, d, e, f, g, h]) => {
                f64::from_ne_bytes([a, b, c, d, e, f, g, h]) as f32
            }
            _ => 0.0,
        };
    }
}
