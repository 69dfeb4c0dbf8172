//! Rough offsets of clips to each other, from what both phones heard or when they say that they began.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;

use nalgebra::{Matrix3, Vector3};

use super::{Clips, Session, Take};
use tipwright::files::length_and_time;
use tipwright::model::footage::{ClipInfo, Ear, Footage};
use tipwright::model::{CoarseOffset, Scene};
use tipwright::scene::sound::{
    Onsets, OnsetsEar, SoundConfig, SoundError, correct_by_distance, offset_from_onsets,
    offset_from_recording,
};
use tipwright::slap::{Levels, LevelsEar, SlapConfig};

/// Beyond this no phone sees a marker: axes that meet there are nearly parallel and say nothing.
const FARTHEST_CASTER_M: f64 = 40.0;
/// Before and after a part of a clip whose offset is only roughly known, seconds: offsets found from the motion are up to this far
/// from sound's, and a stroke needs its beginning.
const AROUND_S: f64 = 0.5;
/// Clocks of phones run apart by less than this over some hours, seconds, and over most clips by so much.
const APART_S: f64 = 0.4;
const APART_SD_S: f64 = 0.05;

/// The part of a camera's clip that a take is, by the clip's own clock; `None` where the take is the whole clip, or where nothing
/// tells how this clip lies to the first camera's.
pub(crate) fn span_s(
    session: &Session,
    take: &Take,
    [first, camera]: [&str; 2],
    footage: &dyn Footage,
) -> Option<[f64; 2]> {
    if take.from_s.is_none() && take.to_s.is_none() {
        return None;
    }
    let of_first = take.part_s();
    if camera == first {
        return Some(of_first);
    }
    let offset = coarse_offset(session, (&take.clips, Some(of_first)), [first, camera], None, footage)?;
    let around_s = 4.0 * offset.sd_s + AROUND_S;
    let [from_s, to_s] = of_first.map(|t| t - offset.value_s);
    Some([from_s - around_s, to_s + around_s])
}

/// What of a clip's sound is kept, by the clock of its pictures as captured.
#[derive(Debug)]
pub(crate) struct Listened {
    onsets: Onsets,
    /// For the slap of the line; `None` where the track does not hold its band.
    pub(crate) levels: Option<Levels>,
}

/// A clip that was listened to; no sound where it has none.
pub(crate) struct Heard {
    pub(crate) sound: Option<Arc<Listened>>,
    info: ClipInfo,
}

/// Tracks of clips that hold several takes are read once: by file, its length, when it was written, and how much it is slowed.
type Key = (PathBuf, u64, SystemTime, u64);
static HEARD: Mutex<BTreeMap<Key, Arc<Listened>>> = Mutex::new(BTreeMap::new());

/// Lets an ear hear a clip whose pictures last `picture_s` (file time) and play `slow_down` times slower than they were captured, by the
/// clock of capture. `begin` is told samples a second and when the first one is. `None` without sound.
///
/// Some phones stretch the sound with the pictures, some leave it as it was heard: what lasts about as long as the pictures was stretched.
/// How long it lasts is known at its end only, so of a slow clip two ears hear it, and one is right.
pub(crate) fn listen<E: Ear>(
    footage: &dyn Footage,
    clip: &Path,
    slow_down: f64,
    picture_s: Option<f64>,
    begin: &dyn Fn(f64, f64) -> E,
) -> Option<E> {
    let factors = if slow_down > 1.0 { vec![1.0, slow_down] } else { vec![1.0] };
    let (mut ears, mut lasts_s) = (Vec::new(), 0.0);
    let heard = footage.hear(clip, &mut |piece| {
        if ears.is_empty() {
            ears.extend(factors.iter().map(|factor| begin(piece.rate_hz * factor, piece.start_s / factor)));
        }
        ears.iter_mut().for_each(|ear| ear.add(piece.samples));
        lasts_s += piece.samples.len() as f64 / piece.rate_hz;
    });
    heard.ok()?;
    // the middle between the two on a scale of ratios
    let is_stretched = slow_down > 1.0 && picture_s.is_none_or(|p| lasts_s * slow_down.sqrt() > p);
    ears.into_iter().nth(usize::from(is_stretched))
}

/// Listens to a camera's clip.
pub(crate) fn heard(
    session: &Session,
    clips: &Clips,
    camera: &str,
    is_part: bool,
    footage: &dyn Footage,
) -> Option<Heard> {
    let path = clips.get(camera).map(|clip| session.resolve(clip))?;
    let info = footage.probe(&path).ok()?;
    let slow_down = info.slow_down(session.capture_fps(camera));
    let written = length_and_time(&path);
    let key =
        written.ok().filter(|_| is_part).map(|(size, at)| (path.clone(), size, at, slow_down.to_bits()));
    let known = || HEARD.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(listened) = key.as_ref().and_then(|key| known().get(key).cloned()) {
        return Some(Heard { sound: Some(listened), info });
    }
    let ears = listen(footage, &path, slow_down, info.duration_s, &|rate_hz, start_s| {
        let levels = LevelsEar::new(rate_hz, start_s, &SlapConfig::default());
        (OnsetsEar::new(rate_hz, start_s, &SoundConfig::default()), levels)
    });
    let sound = ears.map(|(onsets, levels)| {
        Arc::new(Listened { onsets: onsets.onsets(), levels: levels.map(LevelsEar::levels) })
    });
    if let (Some(key), Some(sound)) = (key, &sound) {
        known().insert(key, Arc::clone(sound));
    }
    Some(Heard { sound, info })
}

/// Rough offset of a camera's clip to the first camera's: from sound, else from recording times, else nothing. Of a part of long clips
/// from what is heard in that, for clocks run apart. Where the set-up is known the way of the sound to each phone is taken out, from
/// where the cameras look.
pub(crate) fn coarse_offset(
    session: &Session,
    (clips, part_s): (&Clips, Option<[f64; 2]>),
    pair: [&str; 2],
    scene: Option<&Scene>,
    footage: &dyn Footage,
) -> Option<CoarseOffset> {
    let [first, camera] = pair;
    if camera == first {
        return None;
    }
    let of = |camera| heard(session, clips, camera, part_s.is_some(), footage);
    offset_between(session, (&of(first)?, &of(camera)?), part_s, pair, scene)
}

/// The same of two clips that were listened to.
pub(crate) fn offset_between(
    session: &Session,
    (first, camera): (&Heard, &Heard),
    part_s: Option<[f64; 2]>,
    pair: [&str; 2],
    scene: Option<&Scene>,
) -> Option<CoarseOffset> {
    if let (Some(a), Some(b), Some(Ok(offset))) = (&first.sound, &camera.sound, heard_together(first, camera))
    {
        let offset = part_s.map_or(offset, |part_s| of_part(&a.onsets, &b.onsets, part_s, offset));
        let away_m = scene.and_then(|s| distances_m(s, pair));
        return Some(match away_m {
            Some(away_m) => correct_by_distance(offset, away_m, session.speed_of_sound_m_s()),
            None => offset,
        });
    }
    offset_from_recording(&first.info, &camera.info)
}

/// Whether two clips that were listened to have a moment in common; `None` where one has no sound.
pub(crate) fn heard_together(first: &Heard, second: &Heard) -> Option<Result<CoarseOffset, SoundError>> {
    let (a, b) = (first.sound.as_ref()?, second.sound.as_ref()?);
    Some(offset_from_onsets(&a.onsets, &b.onsets, &SoundConfig::default()))
}

/// The offset in a part of the first clip; that of the whole clips, less sure, where nothing is heard in it.
fn of_part(first: &Onsets, second: &Onsets, part_s: [f64; 2], whole: CoarseOffset) -> CoarseOffset {
    let config = SoundConfig::default();
    let around = |after_s: f64, by_s: f64| [part_s[0] - after_s - by_s, part_s[1] - after_s + by_s];
    let (a, b) =
        (first.part(around(0.0, 0.0), &config), second.part(around(whole.value_s, APART_S), &config));
    let found = offset_from_onsets(&a, &b, &config);
    match found.ok().filter(|o| (o.value_s - whole.value_s).abs() < APART_S) {
        Some(found) => found,
        None => CoarseOffset { sd_s: whole.sd_s.max(APART_SD_S), ..whole },
    }
}

/// How far two cameras are from what all look at: the point nearest to their optical axes.
fn distances_m(scene: &Scene, pair: [&str; 2]) -> Option<[f64; 2]> {
    let rays: Vec<_> = scene
        .cameras
        .iter()
        .map(|c| {
            let world_from_camera = c.pose().camera_from_world.inverse();
            (world_from_camera.translation.vector, world_from_camera * Vector3::z())
        })
        .collect();
    // nearest to all lines: the sum of their projectors across
    let across = |d: &Vector3<f64>| Matrix3::identity() - d * d.transpose();
    let sum: Matrix3<f64> = rays.iter().map(|(_, d)| across(d)).sum();
    let right: Vector3<f64> = rays.iter().map(|(c, d)| across(d) * c).sum();
    let middle = sum.try_inverse()? * right;
    let away = |name: &str| {
        let at = scene.cameras.iter().position(|c| c.name == name)?;
        let ahead = (middle - rays[at].0).dot(&rays[at].1) > 0.0;
        ahead.then(|| (middle - rays[at].0).norm()).filter(|m| *m < FARTHEST_CASTER_M)
    };
    Some([away(pair[0])?, away(pair[1])?])
}

#[cfg(test)]
mod tests {
    use tipwright::model::footage::{FootageError, FrameSource, SoundPiece};
    use tipwright::model::{CameraPose, Picture, RawPixel, Rotation, SceneCamera};

    use super::*;
    use crate::session::CameraName;

    /// Two phones that heard one clap at 2.0 s of session time; the second films at 240 and plays at 30 frames a second.
    struct OneClap {
        /// Distances of the clap from the phones, metres.
        away_m: [f64; 2],
        /// The slow file's sound is stretched with its pictures.
        stretched: bool,
    }

    const STARTED_S: [f64; 2] = [0.0, 0.6];
    const LASTS_S: f64 = 5.0;

    impl Footage for OneClap {
        fn open_clip(
            &self,
            path: &Path,
            _: Option<f64>,
        ) -> Result<Box<dyn FrameSource + Send>, FootageError> {
            Err(FootageError::Missing { path: path.to_path_buf() })
        }
        fn probe(&self, path: &Path) -> Result<ClipInfo, FootageError> {
            let slow = path.ends_with("slow.mp4");
            Ok(ClipInfo {
                path: path.to_path_buf(),
                codec: "h264".into(),
                picture: Picture { stored_px: [1920, 1080], rotation: Rotation::R0 },
                frames_claimed: None,
                duration_s: Some(if slow { 8.0 * LASTS_S } else { LASTS_S }),
                container_fps: Some(30.0),
                capture_fps_tag: slow.then_some(240.0),
                recorded_unix_s: None,
                recorded_zone_s: None,
                has_sound: true,
            })
        }
        fn hear(&self, path: &Path, to: &mut dyn FnMut(SoundPiece<'_>)) -> Result<(), FootageError> {
            let k = usize::from(path.ends_with("slow.mp4"));
            let slow = if k == 1 && self.stretched { 8.0 } else { 1.0 };
            let rate_hz = 48_000.0;
            let heard_s = 2.0 + self.away_m[k] / 342.2 - STARTED_S[k];
            let mut noise = 1_u32 + k as u32;
            let samples: Vec<f32> = (0..(LASTS_S * slow * rate_hz) as usize)
                .map(|i| {
                    noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let hiss = (f64::from(noise >> 8) / f64::from(1 << 24) - 0.5) * 0.01;
                    let t = i as f64 / rate_hz / slow - heard_s;
                    let clap = if t >= 0.0 { (-60.0 * t).exp() * (9_000.0 * t).sin() } else { 0.0 };
                    (hiss + clap) as f32
                })
                .collect();
            // pieces as decoders give them
            samples.chunks(1024).for_each(|samples| to(SoundPiece { samples, rate_hz, start_s: 0.0 }));
            Ok(())
        }
        fn still_luma(&self, path: &Path) -> Result<(Vec<u8>, [u32; 2]), FootageError> {
            Err(FootageError::Missing { path: path.to_path_buf() })
        }
        fn board_corners(&self, _: &[u8], _: [u32; 2], _: u32, _: u32) -> Option<Vec<RawPixel>> {
            None
        }
    }

    fn session() -> (Session, Clips) {
        let mut session: Session = toml::from_str(
            "schema = 1\ncamera = []\ntitle = \"t\"\nair_temperature_c = 18.0\n[wand]\nlength_m = 1.0\n[rod]\nlength_m = 2.743\n\
             [marker.tip]\ncolour = \"white\"\ndiameter_mm = 40\n[scene]\nwand = {}\n",
        )
        .expect("a session");
        session.folder = PathBuf::from(".");
        let clip = |k: &str, v: &str| (CameraName::new(k).expect("a name"), PathBuf::from(v));
        (session, [clip("west", "plain.mp4"), clip("east", "slow.mp4")].into_iter().collect())
    }

    /// The sound of a slow-motion file was taken at file time.
    #[test]
    fn sound_of_a_slow_motion_file_is_re_timed() {
        let (session, clips) = session();
        for stretched in [true, false] {
            let heard = OneClap { away_m: [7.0, 7.0], stretched };
            let found = coarse_offset(&session, (&clips, None), ["west", "east"], None, &heard).unwrap();
            assert!((found.value_s - STARTED_S[1]).abs() < 0.004, "{stretched}: {found:?}");
        }
    }

    /// 18 degrees: 342.2 m/s; 5 m farther is 14.6 ms (derived).
    #[test]
    fn the_way_of_the_sound_is_taken_out_where_the_scene_is_known() {
        let (session, clips) = session();
        let mut scene = Scene::default();
        for (name, eye) in [("west", [0.0, -6.0, 1.5]), ("east", [11.0, 0.0, 1.5])] {
            let looking = nalgebra::Isometry3::face_towards(
                &nalgebra::Point3::from(eye),
                &nalgebra::Point3::new(0.0, 0.0, 1.5),
                &-Vector3::z(),
            );
            let mut camera = SceneCamera {
                name: name.into(),
                rotation_wxyz: [1.0, 0.0, 0.0, 0.0],
                rotation_sd_deg: [0.0; 3],
                translation_m: [0.0; 3],
                translation_sd_m: [0.0; 3],
                offset_s: 0.0,
                offset_sd_s: 0.0,
                drift: 0.0,
                drift_sd: 0.0,
                readout_s: 0.0,
                readout_sd_s: 0.0,
            };
            camera.set_pose(&CameraPose { camera_from_world: looking.inverse() });
            scene.cameras.push(camera);
        }
        let [a, b] = distances_m(&scene, ["west", "east"]).unwrap();
        assert!((a - 6.0).abs() < 1e-6 && (b - 11.0).abs() < 1e-6, "{a} {b}");
        let heard = OneClap { away_m: [6.0, 11.0], stretched: true };
        let without = coarse_offset(&session, (&clips, None), ["west", "east"], None, &heard).unwrap();
        let with = coarse_offset(&session, (&clips, None), ["west", "east"], Some(&scene), &heard).unwrap();
        assert!((with.value_s - without.value_s - 5.0 / 342.2).abs() < 2e-4, "{with:?} {without:?}");
        assert!((with.value_s - STARTED_S[1]).abs() < 0.004, "{with:?}");
    }
}
