//! Writing clips the way phones write them: H.264 or HEVC in mp4 or mov, exact time stamps frame by frame, rotation
//! tag, capture-rate tag, recording time, a sound track. The same calls give the same bytes.
//!
//! Time stamps are whole ticks of the track's own time scale (ISO/IEC 14496-12, media time scale), so that what is
//! asked for is what a reader gets. The rotation tag is the track's display matrix (same standard, `tkhd`).
#![allow(unsafe_code)] // FFmpeg's side data and frame flags have no safe call

use std::collections::VecDeque;
use std::path::{Path, PathBuf};

use ffmpeg_the_third as ffmpeg;
use ffmpeg_the_third::ffi;
use tipwright::model::Rotation;
use tipwright::model::footage::{Plane, PlaneData, Planes};

/// Picture codec.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PictureCodec {
    /// H.264 / AVC.
    H264,
    /// H.265 / HEVC.
    Hevc,
}

/// Bits per sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Depth {
    /// 8 bits.
    Bits8,
    /// 10 bits.
    Bits10,
}

/// How much the encoder may spend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Spend {
    /// Average bits per second of file time, as phones do.
    BitsPerS(u64),
    /// Constant quality, the encoder's own scale (0 best, about 23 usual, 51 worst).
    Quality(f32),
}

/// Sound codec.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SoundCodec {
    /// AAC, as phones write.
    Aac,
    /// Plain 16-bit samples; mov only.
    Pcm,
}

/// A mono track to store beside the picture. It starts at file time zero.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundTrack {
    /// Samples, -1 to 1.
    pub samples: Vec<f32>,
    /// Samples per second.
    pub rate_hz: u32,
    /// Codec.
    pub codec: SoundCodec,
}

/// What a clip file shall be. The container follows the file name: `.mp4` or `.mov`.
#[derive(Debug, Clone, PartialEq)]
pub struct EncodeConfig {
    /// Codec.
    pub codec: PictureCodec,
    /// Sample depth.
    pub depth: Depth,
    /// Columns and rows of the stored picture, both even.
    pub stored_px: [u32; 2],
    /// Turn that players shall apply: clockwise.
    pub rotation: Rotation,
    /// Time scale of the track. 90 000 by default: the usual one of phones, and whole ticks at 24, 25, 30, 50, 60,
    /// 120 and 240 frames a second.
    pub ticks_per_s: u32,
    /// Rate or quality.
    pub spend: Spend,
    /// Frames from one key frame to the next.
    pub key_every: u32,
    /// `com.android.capture.fps`, when the file plays slower than it was captured.
    pub capture_fps: Option<f32>,
    /// Start of recording, seconds since 1970.
    pub recorded_unix_s: Option<i64>,
    /// Sound.
    pub sound: Option<SoundTrack>,
    /// Samples use the full range instead of 16 to 235.
    pub full_range: bool,
    /// Index in front of the pictures, so that a browser can begin before it has all.
    pub for_web: bool,
}

impl EncodeConfig {
    /// H.264, 8 bits, upright, no tags, no sound.
    #[must_use]
    pub fn new(stored_px: [u32; 2]) -> Self {
        Self {
            codec: PictureCodec::H264,
            depth: Depth::Bits8,
            stored_px,
            rotation: Rotation::R0,
            ticks_per_s: 90_000,
            // close to what phones spend on 1080p (20 to 50 Mbit/s at 120 frames a second); common practice
            spend: Spend::Quality(23.0),
            key_every: 120,
            capture_fps: None,
            recorded_unix_s: None,
            sound: None,
            full_range: false,
            for_web: false,
        }
    }
}

/// Why a clip cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum EncodeError {
    /// This FFmpeg has no such encoder.
    #[error("this FFmpeg has no {encoder} encoder; install the full FFmpeg packages, then write again: {}", path.display())]
    NoEncoder {
        /// FFmpeg's name of the encoder.
        encoder: &'static str,
        /// File.
        path: PathBuf,
    },
    /// FFmpeg refused.
    #[error("cannot be written: {doing} failed ({reason}); is the folder there and the disk not full? {}", path.display())]
    Ffmpeg {
        /// What was being done.
        doing: &'static str,
        /// What FFmpeg said.
        reason: ffmpeg::Error,
        /// File.
        path: PathBuf,
    },
    /// A frame of another size, depth or chroma layout than announced.
    #[error("a frame does not fit the clip ({reason}): {}", path.display())]
    WrongFrame {
        /// How.
        reason: String,
        /// File.
        path: PathBuf,
    },
    /// Time stamps must rise.
    #[error("time stamps must rise, but {now} follows {before}: {}", path.display())]
    TimeOrder {
        /// Ticks before.
        before: i64,
        /// Ticks now.
        now: i64,
        /// File.
        path: PathBuf,
    },
}

/// Writes one clip, frame by frame.
pub struct ClipEncoder {
    path: PathBuf,
    config: EncodeConfig,
    output: ffmpeg::format::context::Output,
    video: ffmpeg::codec::encoder::video::Encoder,
    frame: ffmpeg::frame::Video,
    ticks: VecDeque<i64>,
    last_ticks: Option<i64>,
    last_step: i64,
    held: VecDeque<ffmpeg::Packet>,
    sound: Option<SoundWriter>,
}

struct SoundWriter {
    encoder: ffmpeg::codec::encoder::audio::Encoder,
    track: SoundTrack,
    written: usize,
}

const VIDEO: usize = 0;
const SOUND: usize = 1;

impl ClipEncoder {
    /// Opens the file and writes its head.
    ///
    /// # Errors
    /// No encoder, or the file cannot be written.
    pub fn create(path: &Path, config: EncodeConfig) -> Result<Self, EncodeError> {
        let fail = |doing: &'static str| {
            let path = path.to_path_buf();
            move |reason| EncodeError::Ffmpeg { doing, reason, path }
        };
        crate::silence();
        let mut output = ffmpeg::format::output(path).map_err(fail("opening the file"))?;
        let name = match config.codec {
            PictureCodec::H264 => "libx264",
            PictureCodec::Hevc => "libx265",
        };
        let codec = ffmpeg::encoder::find_by_name(name)
            .ok_or(EncodeError::NoEncoder { encoder: name, path: path.to_path_buf() })?;
        let format = match config.depth {
            Depth::Bits8 => ffmpeg::format::Pixel::YUV420P,
            Depth::Bits10 => ffmpeg::format::Pixel::YUV420P10LE,
        };
        let time_base = ffmpeg::Rational(1, config.ticks_per_s as i32);
        let mut context = ffmpeg::codec::Context::new_with_codec(codec);
        context.set_flags(ffmpeg::codec::Flags::GLOBAL_HEADER | ffmpeg::codec::Flags::BITEXACT);
        let mut video = context.encoder().video().map_err(fail("setting up the picture encoder"))?;
        video.set_width(config.stored_px[0]);
        video.set_height(config.stored_px[1]);
        video.set_format(format);
        video.set_time_base(time_base);
        video.set_gop(config.key_every);
        video.set_max_b_frames(0);
        video.set_colorspace(ffmpeg::color::Space::BT709);
        video.set_color_range(if config.full_range {
            ffmpeg::color::Range::JPEG
        } else {
            ffmpeg::color::Range::MPEG
        });
        let mut options = ffmpeg::Dictionary::new();
        // fastest preset: phones encode in one pass without look-ahead; one thread: the same bytes on any machine
        options.set("preset", "ultrafast");
        options.set("threads", "1");
        match config.spend {
            Spend::BitsPerS(rate) => video.set_bit_rate(rate as usize),
            Spend::Quality(quality) => options.set("crf", quality.to_string()),
        }
        if config.codec == PictureCodec::Hevc {
            options.set("x265-params", "log-level=none:pools=none:frame-threads=1:wpp=0:info=0");
        }
        let video = video.open_with(options).map_err(fail("opening the picture encoder"))?;
        {
            let mut stream = output.add_stream(codec).map_err(fail("adding the picture track"))?;
            stream.set_time_base(time_base);
            stream.copy_parameters_from_context(&video);
            set_rotation(&mut stream, config.rotation);
        }
        let sound = match config.sound.clone() {
            Some(track) => Some(open_sound(&mut output, track, path)?),
            None => None,
        };
        let mut metadata = ffmpeg::Dictionary::new();
        if let Some(unix_s) = config.recorded_unix_s {
            metadata.set("creation_time", rfc3339_from_unix(unix_s));
        }
        let mut head = ffmpeg::Dictionary::new();
        head.set("fflags", "bitexact");
        head.set("video_track_timescale", config.ticks_per_s.to_string());
        if let Some(fps) = config.capture_fps {
            metadata.set("com.android.capture.fps", format!("{fps:.6}"));
            head.set("movflags", "use_metadata_tags");
        } else if config.for_web {
            head.set("movflags", "faststart");
        }
        output.metadata_mut().replace_with(metadata);
        output.write_header_with(head).map_err(fail("writing the head"))?;
        let frame = ffmpeg::frame::Video::new(format, config.stored_px[0], config.stored_px[1]);
        let step = i64::from(config.ticks_per_s / 30);
        Ok(Self {
            path: path.to_path_buf(),
            config,
            output,
            video,
            frame,
            ticks: VecDeque::new(),
            last_ticks: None,
            last_step: step,
            held: VecDeque::new(),
            sound,
        })
    }

    fn fail(&self, doing: &'static str) -> impl FnOnce(ffmpeg::Error) -> EncodeError + use<> {
        let path = self.path.clone();
        move |reason| EncodeError::Ffmpeg { doing, reason, path }
    }

    /// Adds a frame: 4:2:0 planes, presentation time in ticks of the track.
    ///
    /// # Errors
    /// Time stamps that do not rise, a frame that does not fit, or FFmpeg refuses.
    pub fn push(&mut self, planes: &Planes<'_>, ticks: i64) -> Result<(), EncodeError> {
        if let Some(before) = self.last_ticks {
            if ticks <= before {
                return Err(EncodeError::TimeOrder { before, now: ticks, path: self.path.clone() });
            }
            self.last_step = ticks - before;
        }
        self.last_ticks = Some(ticks);
        self.ticks.push_back(ticks);
        // SAFETY: the frame is valid and owned here; FFmpeg copies its buffers if an encoder still holds them
        let status = unsafe { ffi::av_frame_make_writable(self.frame.as_mut_ptr()) };
        if status < 0 {
            return Err(self.fail("making room for a frame")(ffmpeg::Error::from(status)));
        }
        let all = [Some(planes.luma), planes.cb, planes.cr];
        for (plane_idx, plane) in all.into_iter().enumerate() {
            self.copy_plane(plane_idx, plane)?;
        }
        self.frame.set_pts(Some(ticks));
        self.video.send_frame(&self.frame).map_err(self.fail("encoding a frame"))?;
        self.drain(false)?;
        let upto_s = ticks as f64 / f64::from(self.config.ticks_per_s);
        self.push_sound(upto_s)
    }

    fn copy_plane(&mut self, plane_idx: usize, plane: Option<Plane<'_>>) -> Result<(), EncodeError> {
        let wrong = |reason: &str| EncodeError::WrongFrame { reason: reason.into(), path: self.path.clone() };
        let width = self.frame.plane_width(plane_idx) as usize;
        let height = self.frame.plane_height(plane_idx) as usize;
        let stride = self.frame.stride(plane_idx);
        let plane = plane.ok_or_else(|| wrong("a chroma plane is missing"))?;
        if plane.width != width || plane.height != height {
            return Err(wrong(&format!(
                "plane {plane_idx} is {} x {} instead of {width} x {height}",
                plane.width, plane.height
            )));
        }
        match (plane.data, self.config.depth) {
            (PlaneData::Bits8(data), Depth::Bits8) => {
                let target = self.frame.data_mut(plane_idx);
                for row in 0..height {
                    target[row * stride..row * stride + width]
                        .copy_from_slice(&data[row * plane.stride..row * plane.stride + width]);
                }
            }
            (PlaneData::Bits10(data), Depth::Bits10) => {
                let target = self.frame.data_mut(plane_idx);
                for row in 0..height {
                    let source = &data[row * plane.stride..row * plane.stride + width];
                    let line = &mut target[row * stride..row * stride + 2 * width];
                    for (pair, sample) in line.chunks_exact_mut(2).zip(source) {
                        pair.copy_from_slice(&sample.to_le_bytes());
                    }
                }
            }
            _ => return Err(wrong("its depth is another than the clip's")),
        }
        Ok(())
    }

    /// Takes packets from the encoder and writes those whose duration is known.
    fn drain(&mut self, finished: bool) -> Result<(), EncodeError> {
        loop {
            let mut packet = ffmpeg::Packet::empty();
            if self.video.receive_packet(&mut packet).is_err() {
                break;
            }
            self.held.push_back(packet);
        }
        while let Some(mut packet) = self.held.pop_front() {
            // without B frames packets come in the order of the frames
            let duration = match (self.ticks.front(), self.ticks.get(1)) {
                (Some(now), Some(next)) => next - now,
                _ if finished => self.last_step,
                _ => {
                    self.held.push_front(packet);
                    break;
                }
            };
            self.ticks.pop_front();
            packet.set_duration(duration);
            packet.set_stream(VIDEO);
            let from = ffmpeg::Rational(1, self.config.ticks_per_s as i32);
            self.write(packet, from, VIDEO)?;
        }
        Ok(())
    }

    fn write(
        &mut self,
        mut packet: ffmpeg::Packet,
        from: ffmpeg::Rational,
        stream: usize,
    ) -> Result<(), EncodeError> {
        let to = self.output.stream(stream).map_or(from, |s| s.time_base());
        packet.rescale_ts(from, to);
        packet.write_interleaved(&mut self.output).map_err(self.fail("writing a packet"))
    }

    fn push_sound(&mut self, upto_s: f64) -> Result<(), EncodeError> {
        let Some(mut sound) = self.sound.take() else { return Ok(()) };
        let result = self.encode_sound(&mut sound, upto_s);
        self.sound = Some(sound);
        result
    }

    fn encode_sound(&mut self, sound: &mut SoundWriter, upto_s: f64) -> Result<(), EncodeError> {
        let rate = sound.track.rate_hz;
        let chunk = match sound.encoder.frame_size() as usize {
            0 => 1024,
            n => n,
        };
        while sound.written < sound.track.samples.len() && sound.written as f64 <= upto_s * f64::from(rate) {
            let end = (sound.written + chunk).min(sound.track.samples.len());
            let part = &sound.track.samples[sound.written..end];
            let format = sound.encoder.format();
            let mut frame = ffmpeg::frame::Audio::new(format, part.len(), ffmpeg::ChannelLayoutMask::MONO);
            frame.set_rate(rate);
            frame.set_pts(Some(sound.written as i64));
            match sound.track.codec {
                SoundCodec::Aac => {
                    for (to, from) in frame.data_mut(0).chunks_exact_mut(4).zip(part) {
                        to.copy_from_slice(&from.to_ne_bytes());
                    }
                }
                SoundCodec::Pcm => {
                    for (to, from) in frame.data_mut(0).chunks_exact_mut(2).zip(part) {
                        let sample = (from.clamp(-1.0, 1.0) * 32767.0).round() as i16;
                        to.copy_from_slice(&sample.to_ne_bytes());
                    }
                }
            }
            sound.written = end;
            sound.encoder.send_frame(&frame).map_err(self.fail("encoding sound"))?;
            self.drain_sound(sound)?;
        }
        Ok(())
    }

    fn drain_sound(&mut self, sound: &mut SoundWriter) -> Result<(), EncodeError> {
        loop {
            let mut packet = ffmpeg::Packet::empty();
            if sound.encoder.receive_packet(&mut packet).is_err() {
                return Ok(());
            }
            packet.set_stream(SOUND);
            self.write(packet, ffmpeg::Rational(1, sound.track.rate_hz as i32), SOUND)?;
        }
    }

    /// Writes what is left and closes the file.
    ///
    /// # Errors
    /// FFmpeg refuses.
    pub fn finish(mut self) -> Result<(), EncodeError> {
        self.video.send_eof().map_err(self.fail("ending the picture track"))?;
        self.drain(true)?;
        let end_s =
            self.last_ticks.map_or(0.0, |t| (t + self.last_step) as f64 / f64::from(self.config.ticks_per_s));
        self.push_sound(end_s)?;
        if let Some(mut sound) = self.sound.take() {
            sound.encoder.send_eof().map_err(self.fail("ending the sound track"))?;
            self.drain_sound(&mut sound)?;
        }
        self.output.write_trailer().map_err(self.fail("writing the index"))
    }
}

fn open_sound(
    output: &mut ffmpeg::format::context::Output,
    track: SoundTrack,
    path: &Path,
) -> Result<SoundWriter, EncodeError> {
    let fail = |doing: &'static str| {
        let path = path.to_path_buf();
        move |reason| EncodeError::Ffmpeg { doing, reason, path }
    };
    let (name, format) = match track.codec {
        SoundCodec::Aac => ("aac", ffmpeg::format::Sample::F32(ffmpeg::format::sample::Type::Planar)),
        SoundCodec::Pcm => ("pcm_s16le", ffmpeg::format::Sample::I16(ffmpeg::format::sample::Type::Packed)),
    };
    let codec = ffmpeg::encoder::find_by_name(name)
        .ok_or(EncodeError::NoEncoder { encoder: name, path: path.to_path_buf() })?;
    let time_base = ffmpeg::Rational(1, track.rate_hz as i32);
    let mut context = ffmpeg::codec::Context::new_with_codec(codec);
    context.set_flags(ffmpeg::codec::Flags::GLOBAL_HEADER | ffmpeg::codec::Flags::BITEXACT);
    let mut audio = context.encoder().audio().map_err(fail("setting up the sound encoder"))?;
    audio.set_rate(track.rate_hz as i32);
    audio.set_format(format);
    audio.set_ch_layout(ffmpeg::ChannelLayout::MONO);
    audio.set_time_base(time_base);
    audio.set_bit_rate(96_000);
    let encoder = audio.open().map_err(fail("opening the sound encoder"))?;
    let mut stream = output.add_stream(codec).map_err(fail("adding the sound track"))?;
    stream.set_time_base(time_base);
    stream.copy_parameters_from_context(&encoder);
    Ok(SoundWriter { encoder, track, written: 0 })
}

/// Display matrix of a clockwise turn: rows (a, b, u), (c, d, v), (x, y, w), 16.16 and 2.30 fixed point.
fn set_rotation(stream: &mut ffmpeg::format::stream::StreamMut<'_>, rotation: Rotation) {
    const ONE: i32 = 1 << 16;
    let (a, b, c, d) = match rotation {
        Rotation::R0 => return,
        Rotation::R90 => (0, ONE, -ONE, 0),
        Rotation::R180 => (-ONE, 0, 0, -ONE),
        Rotation::R270 => (0, -ONE, ONE, 0),
    };
    let matrix: [i32; 9] = [a, b, 0, c, d, 0, 0, 0, 1 << 30];
    // SAFETY: the stream belongs to an open output; FFmpeg allocates 36 bytes or returns null
    unsafe {
        let data = ffi::av_stream_new_side_data(
            stream.as_mut_ptr(),
            ffi::AVPacketSideDataType::DISPLAYMATRIX,
            std::mem::size_of_val(&matrix),
        );
        if !data.is_null() {
            std::ptr::copy_nonoverlapping(matrix.as_ptr().cast::<u8>(), data, std::mem::size_of_val(&matrix));
        }
    }
}

/// `YYYY-MM-DDThh:mm:ssZ`; the calendar by the days-from-civil rule (public domain arithmetic).
fn rfc3339_from_unix(unix_s: i64) -> String {
    let (days, second) = (unix_s.div_euclid(86_400), unix_s.rem_euclid(86_400));
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let day_of_era = z.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_shifted = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_shifted + 2) / 5 + 1;
    let month = if month_shifted < 10 { month_shifted + 3 } else { month_shifted - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    let (hour, minute, second) = (second / 3600, second / 60 % 60, second % 60);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}Z")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn truth_calendar_of_known_instants() {
        // date -u -d @N of GNU coreutils
        assert_eq!(rfc3339_from_unix(0), "1970-01-01T00:00:00Z");
        assert_eq!(rfc3339_from_unix(951_782_400), "2000-02-29T00:00:00Z");
        assert_eq!(rfc3339_from_unix(1_718_445_296), "2024-06-15T09:54:56Z");
    }
}
