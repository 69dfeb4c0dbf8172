//! What a clip file shall be.

use tipwright::model::Rotation;

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

/// What a phone writes of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Maker {
    /// Who made it.
    pub make: String,
    /// Which one it is.
    pub model: String,
    /// It also writes the local time when recording began, so many seconds ahead of universal time.
    pub zone_s: Option<i32>,
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
    /// How many of the last frames can be written once more as they were encoded.
    pub repeatable: u32,
    /// `com.android.capture.fps`, when the file plays slower than it was captured.
    pub capture_fps: Option<f32>,
    /// Start of recording, seconds since 1970.
    pub recorded_unix_s: Option<i64>,
    /// Make, model and local time.
    pub maker: Option<Maker>,
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
            repeatable: 0,
            capture_fps: None,
            recorded_unix_s: None,
            maker: None,
            sound: None,
            full_range: false,
            for_web: false,
        }
    }
}
