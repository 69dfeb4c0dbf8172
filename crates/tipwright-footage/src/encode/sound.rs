//! The sound track beside the picture.

use std::path::Path;

use ffmpeg_the_third as ffmpeg;

use super::{ClipEncoder, EncodeError, SOUND, SoundCodec, SoundTrack};

pub(super) struct SoundWriter {
    pub(super) encoder: ffmpeg::codec::encoder::audio::Encoder,
    track: SoundTrack,
    written: usize,
}

impl ClipEncoder {
    pub(super) fn push_sound(&mut self, upto_s: f64) -> Result<(), EncodeError> {
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

    pub(super) fn drain_sound(&mut self, sound: &mut SoundWriter) -> Result<(), EncodeError> {
        loop {
            let mut packet = ffmpeg::Packet::empty();
            if sound.encoder.receive_packet(&mut packet).is_err() {
                return Ok(());
            }
            packet.set_stream(SOUND);
            self.write(packet, ffmpeg::Rational(1, sound.track.rate_hz as i32), SOUND)?;
        }
    }
}

pub(super) fn open_sound(
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
