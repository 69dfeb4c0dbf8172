//! What of a session's clips is possible but unlikely: slow rates, no sound, lengths and recording times that don't belong
//! together.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::usable::Files;
use super::{CameraName, Clips, Subject};
use tipwright::math::median;
use tipwright::model::Severity;
use tipwright::model::footage::ClipInfo;

impl Files<'_> {
    /// What is possible but unlikely.
    pub(super) fn likely(
        &mut self,
        subject: &Subject,
        group: &str,
        infos: &[(&CameraName, &PathBuf, &ClipInfo)],
    ) {
        let mut lengths_s: Vec<f64> = Vec::new();
        for (camera, clip, info) in infos {
            let slow_down = info.slow_down(self.session.capture_fps(camera));
            lengths_s.extend(info.duration_s.map(|d| d / slow_down));
            let fps = info.container_fps.map(|fps| fps * slow_down);
            if let Some(fps) = fps.filter(|f| *f < self.config.slowest_fps) {
                let what = format!(
                    "camera {camera}: {fps:.2} frames a second: at 20 m/s the tip moves {:.2} m from frame to frame",
                    20.0 / fps
                );
                let remedy = "film at 120 or 240; if this is slow motion, copy the ORIGINAL file from the phone, or set capture_fps";
                self.say(subject, Severity::Warning, what, Some(clip), remedy);
            }
            if !info.has_sound {
                let what = format!(
                    "camera {camera}: no sound track, so clocks start from recording times or a search"
                );
                self.say(subject, Severity::Note, what, Some(clip), "leave the phone's sound on");
            }
        }
        let (shortest_s, longest_s) =
            lengths_s.iter().fold((f64::INFINITY, 0.0_f64), |(a, b), l| (a.min(*l), b.max(*l)));
        if lengths_s.len() > 1 && longest_s > self.config.longest_length_ratio * shortest_s {
            let what = format!("{group}its clips last {shortest_s:.1} s and {longest_s:.1} s");
            let remedy = "is one of them of another take, cut short, or slow motion at another rate?";
            self.say(subject, Severity::Warning, what, None, remedy);
        }
        let starts: Vec<f64> = infos
            .iter()
            .filter_map(|(camera, _, i)| Some(i.recorded_unix_s? - self.clocks.ahead_s(camera)))
            .collect();
        if let (Some(first), Some(last)) =
            (starts.iter().copied().reduce(f64::min), starts.iter().copied().reduce(f64::max))
        {
            let gap_s = without_zones(last - first);
            if gap_s > self.config.latest_start_gap_s {
                let what = format!("{group}its clips say they were started {:.0} s apart", last - first);
                let remedy = "is one of them of another take? (A wrong phone clock does no harm.)";
                self.say(subject, Severity::Warning, what, None, remedy);
            }
        }
    }

    /// Phones whose clocks differ all day.
    pub(super) fn tell_clocks(&mut self) {
        let far: Vec<(CameraName, f64)> = self
            .clocks
            .ahead_s
            .iter()
            .filter(|(_, s)| without_zones(**s) > self.config.latest_start_gap_s)
            .map(|(camera, s)| (camera.clone(), *s))
            .collect();
        for (camera, ahead_s) in far {
            let way = if ahead_s > 0.0 { "ahead" } else { "behind" };
            let what =
                format!("camera {camera}: its clock is {:.0} s {way} of the other's all day", ahead_s.abs());
            self.say(
                &Subject::Session,
                Severity::Note,
                what,
                None,
                "does no harm: frames are timed by sound and motion",
            );
        }
    }
}

/// Phones in other time zones differ by whole half hours.
fn without_zones(gap_s: f64) -> f64 {
    let rest_s = gap_s.rem_euclid(1800.0);
    rest_s.min(1800.0 - rest_s)
}

/// What the phones' clocks differ by all day.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Clocks {
    /// Seconds that a camera's clock is ahead of the session's first camera's.
    ahead_s: BTreeMap<CameraName, f64>,
}

impl Clocks {
    /// Moments that both cameras filmed from which a difference is a clock's and not one mixed-up clip's: of three, two
    /// agree.
    const FEWEST: usize = 3;

    /// Medians over the moments of a day.
    pub(super) fn read<'c>(
        reference: &CameraName,
        moments: impl Iterator<Item = &'c Clips>,
        recorded_unix_s: impl Fn(&PathBuf) -> Option<f64>,
    ) -> Self {
        let mut all_s: BTreeMap<&CameraName, Vec<f64>> = BTreeMap::new();
        for clips in moments {
            let Some(first_s) = clips.get(reference).and_then(&recorded_unix_s) else { continue };
            for (camera, clip) in clips.iter().filter(|(camera, _)| *camera != reference) {
                all_s.entry(camera).or_default().extend(recorded_unix_s(clip).map(|s| s - first_s));
            }
        }
        let ahead_s = all_s
            .into_iter()
            .filter(|(_, s)| s.len() >= Self::FEWEST)
            .filter_map(|(camera, s)| Some((camera.clone(), median(s)?)))
            .collect();
        Self { ahead_s }
    }

    fn ahead_s(&self, camera: &CameraName) -> f64 {
        self.ahead_s.get(camera).copied().unwrap_or(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(starts_s: &[(f64, f64)]) -> (Vec<Clips>, BTreeMap<PathBuf, f64>) {
        let name = |n: &str| CameraName::new(n).unwrap();
        let mut of = BTreeMap::new();
        let moments = starts_s
            .iter()
            .enumerate()
            .map(|(k, (east, west))| {
                let clips = [("east", east), ("west", west)].map(|(camera, s)| {
                    let clip = PathBuf::from(format!("{camera}/{k}.mp4"));
                    of.insert(clip.clone(), *s);
                    (name(camera), clip)
                });
                Clips::from(clips)
            })
            .collect();
        (moments, of)
    }

    fn ahead_s(starts_s: &[(f64, f64)]) -> f64 {
        let (moments, of) = day(starts_s);
        let east = CameraName::new("east").unwrap();
        let clocks = Clocks::read(&east, moments.iter(), |clip| of.get(clip).copied());
        clocks.ahead_s(&CameraName::new("west").unwrap())
    }

    #[test]
    fn a_phone_minutes_ahead_all_day_is_a_clock_and_one_mixed_up_clip_is_not() {
        let day = [(0.0, 421.0), (100.0, 519.0), (200.0, 620.0), (300.0, 1720.0)];
        assert!((ahead_s(&day) - 420.5).abs() < 1.0, "{}", ahead_s(&day));
        assert_eq!(ahead_s(&day[..2]), 0.0, "two moments name no clock");
    }

    #[test]
    fn whole_half_hours_are_time_zones() {
        assert!(without_zones(-7200.0) < 1e-9 && without_zones(1790.0) < 10.1);
        assert!((without_zones(-420.0) - 420.0).abs() < 1e-9);
    }
}
