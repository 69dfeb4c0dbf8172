//! What the stages of one run share: the session, the store, the outside world, settings, the clock and the word about progress.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use super::read::Read;
use super::timings::{ClipTimings, Spent, Stopwatch, Timings};
use super::{DayConfig, Event, Progress, inputs};
use crate::session::{Clips, Session, SessionCamera, SetUpClips, Take};
use crate::store::Store;
use tipwright::model::Warning;
use tipwright::model::footage::{ClipInfo, Footage};
use tipwright::model::results::TakeKeys;

/// Work of solving a take (path, strokes, loop, plots) for each frame looked through in its clips: 3.7 thread-seconds to 8.6 of a
/// take of a simulated clinic day, `stage_seconds` of its run.json.
const SOLVING: f64 = 0.43;
/// The same for the scene, whose clips are longer: 0.4 to 4.4 s there.
const SOLVING_SCENE: f64 = 0.1;
/// Film: about a third of a take's frames are looked at once more, and written: 53 thread-seconds to the 81 that looking through the clips
/// of all takes took on a simulated clinic day with two cameras (`day --film --timings`).
const FILMING: f64 = 0.65;

/// Clips that say they were recorded before 2000 have no clock set.
const EARLIEST_UNIX_S: f64 = 946_684_800.0;

/// What stages and clips cost, summed over threads.
#[derive(Debug, Default)]
pub(super) struct Watch {
    spent: Mutex<Timings>,
}

impl Watch {
    /// Runs a stage and counts its time.
    pub(super) fn time<T>(&self, stage: &'static str, run: impl FnOnce() -> T) -> T {
        let watch = Stopwatch::start();
        let out = run();
        let spent = watch.stop();
        if let Ok(mut all) = self.spent.lock() {
            *all.stages.entry(stage).or_default() += spent;
        }
        out
    }

    /// Counts a clip that was looked through.
    pub(super) fn add_clip(&self, clip: ClipTimings) {
        if let Ok(mut all) = self.spent.lock() {
            let parts =
                [("decoding", clip.decoding), ("spots", clip.spots), ("line_points", clip.line_points)];
            for (stage, spent) in parts {
                *all.stages.entry(stage).or_default() += spent;
            }
            all.clips.push(clip);
        }
    }

    /// Wall seconds by stage.
    pub(super) fn seconds(&self) -> BTreeMap<&'static str, f64> {
        self.timings(Spent::default())
            .stages
            .into_iter()
            .map(|(stage, spent)| (stage, spent.wall_s))
            .collect()
    }

    pub(super) fn timings(&self, whole: Spent) -> Timings {
        let mut all = self.spent.lock().map(|t| t.clone()).unwrap_or_default();
        all.clips.sort_by(|a, b| a.clip.cmp(&b.clip));
        Timings { whole, ..all }
    }
}

/// One run.
pub(super) struct Run<'a> {
    pub session: &'a Session,
    pub store: &'a Store,
    pub footage: &'a dyn Footage,
    pub config: &'a DayConfig,
    pub progress: Progress<'a>,
    /// What the clips say of themselves, as session.toml writes them.
    pub clips: &'a BTreeMap<PathBuf, ClipInfo>,
    pub keys: TakeKeys,
    pub watch: Watch,
}

/// What tells the rows of this session from those of others, in every table.
///
/// A file of schema 1 has no id: the clips of the wand are what no two sessions share, and what stays when names, titles and takes
/// are changed. The day without one in session.toml is that of the earliest clip of a take, where it was filmed: in the zone that a clip
/// of a take names, in universal time where none does.
fn keys_of(session: &Session, clips: &BTreeMap<PathBuf, ClipInfo>) -> TakeKeys {
    let session_id = session.id.as_ref().map_or_else(
        || {
            let clips = inputs::clips_digests(session, session.scene.standing().1);
            format!("wand-{}", &inputs::digest_of_parts(clips)[..12])
        },
        ToString::to_string,
    );
    let date = session.date.map(|d| d.to_string()).or_else(|| {
        let infos: Vec<&ClipInfo> =
            session.take.iter().flat_map(|t| t.clips.values()).filter_map(|clip| clips.get(clip)).collect();
        day_of(&infos)
    });
    TakeKeys { session_id: Some(session_id), date, ..TakeKeys::default() }
}

/// The day of the earliest of some clips, where it was filmed.
fn day_of(clips: &[&ClipInfo]) -> Option<String> {
    let recorded = |clip: &&ClipInfo| clip.recorded_unix_s.filter(|t| *t > EARLIEST_UNIX_S);
    let first_s = clips.iter().filter_map(recorded).min_by(f64::total_cmp)?;
    let zone_s = clips.iter().find_map(|clip| clip.recorded_zone_s).unwrap_or(0);
    let zone = jiff::tz::Offset::from_seconds(zone_s).unwrap_or(jiff::tz::Offset::UTC);
    let moment = jiff::Timestamp::from_second(first_s as i64).ok()?;
    Some(zone.to_datetime(moment).date().to_string())
}

impl<'a> Run<'a> {
    pub(super) fn new(
        read: &'a Read,
        store: &'a Store,
        footage: &'a dyn Footage,
        config: &'a DayConfig,
        progress: Progress<'a>,
    ) -> Self {
        tipwright_report::tables::facts::name_build(crate::store::BUILD);
        let keys = keys_of(&read.session, &read.clips);
        let (session, clips) = (&read.session, &read.clips);
        Self { session, store, footage, config, progress, clips, keys, watch: Watch::default() }
    }

    pub(super) fn tell(&self, event: Event<'_>) {
        (self.progress)(event);
    }

    pub(super) fn warn(&self, warnings: &[Warning]) {
        warnings.iter().for_each(|w| self.tell(Event::Warned(w)));
    }

    /// Frames of clips as their containers claim; what cannot be opened counts nothing here.
    fn frames<'c>(&self, clips: impl IntoIterator<Item = &'c Path>) -> u64 {
        clips.into_iter().filter_map(|clip| self.clips.get(clip)?.frames_claimed).fold(0, u64::saturating_add)
    }

    pub(super) fn lens_work(&self, camera: &SessionCamera) -> u64 {
        self.frames([camera.lens.as_path()])
    }

    pub(super) fn scene_work(&self, set_up: &SetUpClips<'_>) -> u64 {
        let clips = set_up.scene.groups().into_iter().flat_map(|(_, clips)| clips.values());
        with(self.frames(clips.map(PathBuf::as_path)), SOLVING_SCENE)
    }

    /// Of lenses and scenes; of the scene of one take where it is given.
    pub(super) fn set_up_work(&self, of: Option<&Take>) -> u64 {
        let lenses = self.session.camera.iter().map(|c| self.lens_work(c));
        let set_ups = of.map_or_else(|| self.session.set_ups(), |take| vec![self.session.set_up_of(take)]);
        lenses.chain(set_ups.iter().map(|s| self.scene_work(s))).fold(0, u64::saturating_add)
    }

    pub(super) fn take_work(&self, take: &Take) -> u64 {
        with(self.clips_frames(&take.clips), SOLVING)
    }

    pub(super) fn film_work(&self, take: &Take) -> u64 {
        with(self.clips_frames(&take.clips), FILMING - 1.0)
    }

    fn clips_frames(&self, clips: &Clips) -> u64 {
        self.frames(clips.values().map(PathBuf::as_path))
    }

    /// A part's share of the work; what it did not need is given back when it ends, however it ends.
    pub(super) fn share(&self, work: u64) -> Share<'a> {
        Share { progress: self.progress, left: AtomicU64::new(work) }
    }
}

fn with(frames: u64, more: f64) -> u64 {
    (frames as f64 * (1.0 + more)).round() as u64
}

/// Work that one part was counted with, in frames looked through.
pub(super) struct Share<'a> {
    progress: Progress<'a>,
    left: AtomicU64,
}

impl Share<'_> {
    /// So much of it is done.
    pub(super) fn did(&self, work: u64) {
        let taken = self
            .left
            .fetch_update(Ordering::Relaxed, Ordering::Relaxed, |left| Some(left - work.min(left)))
            .map_or(0, |left| work.min(left));
        if taken > 0 {
            (self.progress)(Event::Worked(taken));
        }
    }

    /// All of it is done.
    pub(super) fn done(&self) {
        self.did(u64::MAX);
    }
}

impl Drop for Share<'_> {
    fn drop(&mut self) {
        let left = *self.left.get_mut();
        if left > 0 {
            (self.progress)(Event::Spared(left));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values: `TZ=America/Denver date -d @1749951000` and the like of GNU coreutils.
    #[test]
    fn truth_the_day_is_that_of_the_place() {
        let clip = |recorded_unix_s, recorded_zone_s| ClipInfo {
            path: PathBuf::new(),
            codec: String::new(),
            picture: tipwright::model::Picture {
                stored_px: [1920, 1080],
                rotation: tipwright::model::Rotation::R0,
            },
            frames_claimed: None,
            duration_s: None,
            container_fps: None,
            capture_fps_tag: None,
            recorded_unix_s,
            recorded_zone_s,
            has_sound: true,
        };
        // an evening of 14 June in Denver is the 15th in universal time
        let evening = clip(Some(1_749_951_000.0), Some(-6 * 3600));
        let of = |clips: &[ClipInfo]| day_of(&clips.iter().collect::<Vec<_>>());
        assert_eq!(of(std::slice::from_ref(&evening)).as_deref(), Some("2025-06-14"));
        // a phone that names no zone was there too
        let other = clip(Some(1_749_950_000.0), None);
        assert_eq!(of(&[other.clone(), evening]).as_deref(), Some("2025-06-14"));
        assert_eq!(of(&[other]).as_deref(), Some("2025-06-15"));
        // a clock that was never set says nothing
        assert_eq!(of(&[clip(Some(3600.0), None), clip(None, Some(0))]), None);
    }

    #[test]
    fn a_share_is_done_or_given_back_to_the_last_frame() {
        let seen = Mutex::new((0, 0));
        let progress = |event: Event<'_>| match event {
            Event::Worked(n) => seen.lock().unwrap().0 += n,
            Event::Spared(n) => seen.lock().unwrap().1 += n,
            _ => {}
        };
        {
            let share = Share { progress: &progress, left: AtomicU64::new(100) };
            share.did(30);
            share.did(30);
        }
        assert_eq!(*seen.lock().unwrap(), (60, 40));
        // a clip with more frames than it claims
        let share = Share { progress: &progress, left: AtomicU64::new(10) };
        share.did(25);
        drop(share);
        assert_eq!(*seen.lock().unwrap(), (70, 40));
    }
}
