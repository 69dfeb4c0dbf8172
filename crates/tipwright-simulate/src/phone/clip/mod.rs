//! Films a play with a phone into a clip file, and says where the markers truly were.

use std::path::PathBuf;

use rand::RngExt;
use tipwright::model::footage::{Plane, PlaneData, Planes};
use tipwright::model::{Camera, RawPixel};
use tipwright_footage::encode::{ClipEncoder, Depth, EncodeConfig, EncodeError, SoundTrack};

use super::backdrop::Backdrop;
use super::film::Film;
use super::lens::see;
use super::noise::{NoiseModel, NoiseTile, stream};
use super::play::{BodyPart, Play};
use super::shutter::Shutter;
use super::sound::{Burst, Microphone, record};
use super::sprite::{CurvePoint, Limb};

mod curves;
mod draw;
mod glints;
mod held;
#[cfg(test)]
mod tests;

use draw::Drawer;

/// Blur of lens and sensor, standard deviation: about what a phone's main camera shows (from memory).
pub const PSF_PX: f64 = 0.55;

/// Blur of lens and pixel together.
#[must_use]
pub fn blur_px() -> f64 {
    (PSF_PX * PSF_PX + 1.0 / 12.0).sqrt()
}

/// Automatic exposure left on: the picture's brightness swings slowly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExposureSwing {
    /// Largest change, as a fraction.
    pub amount: f64,
    /// Period.
    pub period_s: f64,
}

/// A stretch in which nothing happens: the last frames before a place, written so many times more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Idle {
    /// Number of the frame that comes next. The last [`EncodeConfig::repeatable`] before it are repeated, of which the first stands alone.
    pub before_frame: usize,
    /// How often.
    pub times: u32,
    /// How much longer the clip gets by that, ticks.
    pub ticks: i64,
}

/// How one clip is filmed.
pub struct ClipSpec {
    /// File.
    pub path: PathBuf,
    /// Name for the random numbers: a clip's noise does not depend on other clips.
    pub name: String,
    /// Lens, place, picture.
    pub camera: Camera,
    /// Clock, exposure, readout.
    pub shutter: Shutter,
    /// Presentation time of every frame as captured, ticks.
    pub captured_ticks: Vec<i64>,
    /// By how much each frame's stamp in the file is later than its exposure, ticks; empty: stamps are right.
    pub late_ticks: Vec<i64>,
    /// The file's ticks are the captured ones times this (slow motion).
    pub slowed_by: i64,
    /// Stretches in which nothing happens, in order: they are filmed once and written again and again.
    pub idle: Vec<Idle>,
    /// How to encode. A picture smaller than the camera's is its middle: the clip was cropped in the phone's gallery.
    pub encode: EncodeConfig,
    /// Noise.
    pub noise: NoiseModel,
    /// Automatic exposure.
    pub exposure_swing: Option<ExposureSwing>,
    /// Sharpening by the phone: share of each sample's difference from its four neighbours that is added to it.
    pub sharpening: f32,
    /// Sound, when recorded.
    pub microphone: Option<Microphone>,
    /// Seed of the day.
    pub seed: u64,
}

/// Where a marker truly was in one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct SpotTruth {
    /// Frame.
    pub frame_idx: u32,
    /// Presentation time as captured (re-timed clips: after re-timing).
    pub pts_s: f64,
    /// Which ball.
    pub role: String,
    /// Upright pixel in the middle of the exposure of its row.
    pub at: RawPixel,
    /// World time of that.
    pub t_s: f64,
    /// Length of its path during the exposure.
    pub streak_px: f64,
    /// In the picture and not hidden.
    pub visible: bool,
}

impl ClipSpec {
    /// Captured presentation time of a frame.
    #[must_use]
    pub fn pts_s(&self, frame_idx: usize) -> f64 {
        self.captured_ticks[frame_idx] as f64 / f64::from(self.encode.ticks_per_s)
    }

    /// How much later something is in the file than without the idle stretches, by the place of what comes before it.
    fn later_ticks(&self, is_before: impl Fn(&Idle) -> bool) -> i64 {
        self.idle.iter().filter(|idle| is_before(idle)).map(|idle| idle.ticks).sum()
    }

    fn focal_px(&self) -> f64 {
        0.5 * (self.camera.lens.fx_px + self.camera.lens.fy_px)
    }

    fn limb(&self, part: &BodyPart) -> Option<(Limb, f64)> {
        let (a, b) = (see(&self.camera, &part.a)?, see(&self.camera, &part.b)?);
        let f = self.focal_px();
        let end = |s: super::lens::Seen, radius_m: f64| CurvePoint {
            u_px: s.u_px,
            v_px: s.v_px,
            half_px: f * radius_m / s.depth_m,
        };
        Some((Limb { a: end(a, part.radius_a_m), b: end(b, part.radius_b_m) }, a.depth_m.min(b.depth_m)))
    }
}

/// Every this many frames the clouds move on.
const SKY_EVERY: usize = 24;

/// Films a clip. `progress` is called after every frame.
///
/// # Errors
/// The file cannot be written.
pub fn film_clip(
    spec: &ClipSpec,
    backdrop: &Backdrop,
    play: &Play,
    progress: &dyn Fn(),
) -> Result<Vec<SpotTruth>, EncodeError> {
    let mut encode = spec.encode.clone();
    if let (Some(microphone), Some(last)) = (&spec.microphone, spec.captured_ticks.last()) {
        let ticks_per_s = f64::from(encode.ticks_per_s);
        let duration_s = ((*last + spec.later_ticks(|_| true)) as f64 + 750.0) / ticks_per_s;
        let heard = |burst: &Burst| {
            let begins_s = |idle: &Idle| spec.shutter.clock.session_s(spec.pts_s(idle.before_frame), 0.0);
            let later = spec.later_ticks(|idle| begins_s(idle) <= burst.t_s);
            Burst { t_s: burst.t_s + later as f64 / ticks_per_s, ..*burst }
        };
        let samples = record(
            microphone,
            &play.bursts.iter().map(heard).collect::<Vec<_>>(),
            &spec.shutter.clock,
            duration_s,
            stream_seed(spec.seed, &spec.name),
        );
        if let Some(track) = &mut encode.sound {
            track.samples = samples;
        } else {
            encode.sound = Some(SoundTrack {
                samples,
                rate_hz: microphone.rate_hz,
                codec: tipwright_footage::encode::SoundCodec::Aac,
            });
        }
    }
    let kept_px = encode.stored_px.map(|px| px as usize);
    let mut encoder = ClipEncoder::create(&spec.path, encode)?;
    let mut idle_ticks = 0;
    let truth = expose(spec, backdrop, play, &mut |planes, frame_idx| {
        if let Some(idle) = spec.idle.iter().find(|idle| idle.before_frame == frame_idx) {
            idle_ticks += encoder.repeat(idle.times)?;
        }
        let late = spec.late_ticks.get(frame_idx).copied().unwrap_or(0);
        encoder.push(
            &middle_of(planes, kept_px),
            (spec.captured_ticks[frame_idx] + late) * spec.slowed_by + idle_ticks,
        )?;
        progress();
        Ok(())
    })?;
    encoder.finish()?;
    Ok(truth)
}

/// The middle of a picture; it begins at an even column and row.
fn middle_of<'a>(planes: &Planes<'a>, kept_px: [usize; 2]) -> Planes<'a> {
    let [width, height] = kept_px;
    let left = planes.luma.width.saturating_sub(width) / 4 * 2;
    let top = planes.luma.height.saturating_sub(height) / 4 * 2;
    let part = |plane: Plane<'a>, [across, down]: [usize; 2]| {
        let first = top / down * plane.stride + left / across;
        let data = match plane.data {
            PlaneData::Bits8(data) => PlaneData::Bits8(&data[first..]),
            PlaneData::Bits10(data) => PlaneData::Bits10(&data[first..]),
        };
        Plane { data, width: width / across, height: height / down, stride: plane.stride }
    };
    let chroma = |plane: Option<Plane<'a>>| plane.map(|p| part(p, planes.chroma_step));
    Planes { luma: part(planes.luma, [1, 1]), cb: chroma(planes.cb), cr: chroma(planes.cr), ..*planes }
}

/// Takes the pictures of a clip one after the other and hands each to `take`, with its number.
///
/// # Errors
/// Those of `take`.
pub fn expose(
    spec: &ClipSpec,
    backdrop: &Backdrop,
    play: &Play,
    take: &mut dyn FnMut(&Planes<'_>, usize) -> Result<(), EncodeError>,
) -> Result<Vec<SpotTruth>, EncodeError> {
    let ten_bits = spec.encode.depth == Depth::Bits10;
    let noise = NoiseTile::new(spec.noise, stream_seed(spec.seed, "noise tile"));
    let mut film = Film::new(backdrop, noise, stream(spec.seed, &format!("{} noise", spec.name)), ten_bits);
    film.set_sharpening(spec.sharpening);
    let mut drawer = Drawer::new(spec, play, backdrop);
    let mut truth = Vec::new();
    for frame_idx in 0..spec.captured_ticks.len() {
        let pts_s = spec.pts_s(frame_idx);
        if frame_idx == 0 || (frame_idx % SKY_EVERY == 0 && backdrop.changes()) {
            film.refresh_sky(backdrop, spec.shutter.clock.session_s(pts_s, 0.0));
            drawer.draw_still(&mut film);
            film.settle();
        }
        if let Some(swing) = spec.exposure_swing {
            // in steps, as a phone does
            let x = (std::f64::consts::TAU * pts_s / swing.period_s).sin();
            film.set_exposure((1.0 + swing.amount * (x * 8.0).round() / 8.0) as f32);
        }
        drawer.draw(&mut film, frame_idx, pts_s, &mut truth);
        take(&film.develop(), frame_idx)?;
        film.wipe();
    }
    Ok(truth)
}

pub(crate) fn stream_seed(seed: u64, name: &str) -> u64 {
    stream(seed, name).random()
}
