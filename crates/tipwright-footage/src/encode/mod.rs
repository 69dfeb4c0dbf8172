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
use tipwright::model::footage::{Plane, PlaneData, Planes};

mod config;
mod sound;
mod tags;
#[cfg(test)]
mod tests;

pub use config::{Depth, EncodeConfig, Maker, PictureCodec, SoundCodec, SoundTrack, Spend};
use sound::{SoundWriter, open_sound};
pub use tags::civil;
use tags::{maker_tags, rfc3339_from_unix, set_rotation};

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
    /// What was written last, as it was encoded, to be written once more.
    recent: VecDeque<ffmpeg::Packet>,
    sound: Option<SoundWriter>,
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
        if config.repeatable > 0 {
            // what was pushed is encoded at once
            options.set("tune", "zerolatency");
        }
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
        for (key, value) in maker_tags(&config) {
            metadata.set(key, value);
        }
        if let Some(fps) = config.capture_fps {
            metadata.set("com.android.capture.fps", format!("{fps:.6}"));
        }
        if config.capture_fps.is_some() || config.maker.is_some() {
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
            recent: VecDeque::new(),
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
            if self.config.repeatable > 0 {
                self.recent.push_back(packet.clone());
                if self.recent.len() > self.config.repeatable as usize {
                    self.recent.pop_front();
                }
            }
            let from = ffmpeg::Rational(1, self.config.ticks_per_s as i32);
            self.write(packet, from, VIDEO)?;
        }
        Ok(())
    }

    /// Writes the last frames of the clip ([`EncodeConfig::repeatable`] of them, evenly spaced, of which the first stands alone) so many times
    /// more, as they were encoded; the next frame's time goes on from there. Gives by how many ticks that is later.
    ///
    /// # Errors
    /// FFmpeg refuses.
    pub fn repeat(&mut self, times: u32) -> Result<i64, EncodeError> {
        self.drain(true)?;
        let (step, frames) = (self.last_step, self.recent.len() as i64);
        let from = ffmpeg::Rational(1, self.config.ticks_per_s as i32);
        for round in 1..=i64::from(times) {
            for mut packet in self.recent.clone() {
                let later = |ticks: Option<i64>| ticks.map(|t| t + round * frames * step);
                packet.set_pts(later(packet.pts()));
                packet.set_dts(later(packet.dts()));
                self.write(packet, from, VIDEO)?;
            }
            let upto = self.last_ticks.unwrap_or(0) + round * frames * step;
            self.push_sound(upto as f64 / f64::from(self.config.ticks_per_s))?;
        }
        let later = i64::from(times) * frames * step;
        self.last_ticks = self.last_ticks.map(|t| t + later);
        Ok(later)
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
