//! Which set-up of the tripods a take was filmed in, and what a set-up costs that cannot be used.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::{CameraName, Clips, Finding, Session, SetUpClips, Subject, Take};
use tipwright::model::Severity;

/// Takes that name their set-up, or have no choice.
pub(super) fn by_name(session: &mut Session) {
    let keys: Vec<Option<String>> = session.set_ups().iter().map(|s| s.name.map(|n| n.key())).collect();
    for take in &mut session.take {
        take.set_up_idx = match &take.set_up {
            Some(name) => keys.iter().position(|k| k.as_ref() == Some(&name.key())),
            None => (keys.len() == 1).then_some(0),
        };
    }
}

/// Takes that name no set-up among several: the one whose wand clip is the last before the take on the same phone's clock. Where
/// clips do not say when they were recorded it is the `[scene]` that stands beside those with names; without one nobody knows.
pub(super) fn by_time(
    session: &Session,
    take: &Take,
    recorded_unix_s: impl Fn(&PathBuf) -> Option<f64>,
) -> Option<usize> {
    if take.set_up_idx.is_some() {
        return take.set_up_idx;
    }
    let all = session.set_ups();
    let starts = |clips: &Clips| -> BTreeMap<CameraName, f64> {
        clips.iter().filter_map(|(camera, clip)| Some((camera.clone(), recorded_unix_s(clip)?))).collect()
    };
    let own = starts(&take.clips);
    // age of each set-up when the take was filmed, the least of its cameras'; negative: the wand came later
    let age_s = |wand: &Clips| {
        let wand = starts(wand);
        own.iter().filter_map(|(camera, s)| Some(s - wand.get(camera)?)).min_by(f64::total_cmp)
    };
    let ages: Vec<(usize, f64)> =
        all.iter().enumerate().filter_map(|(i, s)| Some((i, age_s(s.scene.standing().1)?))).collect();
    // before the first wand clip nothing is nearer than that one
    let before = ages.iter().filter(|(_, age_s)| *age_s >= 0.0).min_by(|a, b| a.1.total_cmp(&b.1));
    let after = ages.iter().max_by(|a, b| a.1.total_cmp(&b.1));
    match before.or(after) {
        Some((idx, _)) if ages.len() == all.len() => Some(*idx),
        _ => all.iter().position(|s| s.name.is_none()),
    }
}

/// Whether something tells the plane of a take with one clip: another take of the set-up that has two clips or more that are `good`, or
/// the hung wands of a session with one camera.
pub(super) fn plane_is_told(session: &Session, take: &Take, good: impl Fn(&Take) -> usize) -> bool {
    if session.has_one_camera() {
        return true;
    }
    let may_be_of_one = |other: &Take| match (take.set_up_idx, other.set_up_idx) {
        (Some(own), Some(others)) => own == others,
        _ => true,
    };
    session
        .take
        .iter()
        .any(|other| other.take_idx != take.take_idx && may_be_of_one(other) && good(other) >= 2)
}

/// A take of which nobody can say in which set-up it was filmed.
pub(super) fn of_none(session: &Session, take: &Take) -> Finding {
    let names: Vec<String> = session.set_ups().iter().map(SetUpClips::shown).collect();
    Finding::new(
        take.subject(),
        Severity::Problem,
        "there are several set-ups, it names none, and its clips do not say when they were recorded",
        format!("add set_up = \"...\": one of {}", names.join(", ")),
    )
}

/// What is found about one of several set-ups costs its takes, not the day: told as warnings of the scene, and as a problem of
/// each of `takes`.
pub(super) fn costs_takes<'t>(
    found: Vec<Finding>,
    set_up: &str,
    takes: impl Iterator<Item = &'t Take> + Clone,
) -> Vec<Finding> {
    let mut out = Vec::new();
    for finding in found {
        if !(finding.is_problem() && finding.subject == Subject::Scene) {
            out.push(finding);
            continue;
        }
        out.extend(takes.clone().map(|take| Finding {
            subject: take.subject(),
            what: format!("its set-up {set_up} cannot be used: {}", finding.what),
            ..finding.clone()
        }));
        out.push(Finding { severity: Severity::Warning, ..finding });
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::parse;

    /// A day whose tripods were moved once, with takes at `takes_s` and wand clips at the given times; `scene` beside them or not.
    fn day(wands_s: [Option<f64>; 2], takes_s: &[Option<f64>]) -> (Session, BTreeMap<PathBuf, f64>) {
        let folder = tempfile::tempdir().unwrap();
        let mut text = String::from(
            "schema = 1\ntitle = \"a day\"\nwand = { length_m = 1.0 }\nrod = { length_m = 2.7 }\n\
             marker = { tip = { colour = \"red\", diameter_mm = 30 } }\n\
             camera = [{ name = \"west\", lens = \"w.toml\" }, { name = \"east\", lens = \"e.toml\" }]\n",
        );
        let mut times = BTreeMap::new();
        let mut clips = |what: String, s: Option<f64>| {
            times.extend(s.map(|s| (PathBuf::from(format!("west/{what}.mp4")), s)));
            format!("{{ west = \"west/{what}.mp4\", east = \"east/{what}.mp4\" }}\n")
        };
        for (name, s) in ["morning", "noon"].iter().zip(wands_s) {
            let clips = clips(format!("wand-{name}"), s);
            text += &format!("[[set_up]]\nname = \"{name}\"\n[set_up.scene]\nwand = {clips}");
        }
        for (i, s) in takes_s.iter().enumerate() {
            let clips = clips(format!("take-{i}"), *s);
            text += &format!("[[take]]\nname = \"{i}\"\ncaster = \"1\"\nclips = {clips}");
        }
        std::fs::write(folder.path().join("session.toml"), text).unwrap();
        let parsed = parse(folder.path());
        (parsed.session.unwrap_or_else(|| panic!("{:?}", parsed.findings)), times)
    }

    fn idx(wands_s: [Option<f64>; 2], take_s: Option<f64>) -> Option<usize> {
        let (session, times) = day(wands_s, &[take_s]);
        by_time(&session, &session.take[0], |clip| times.get(clip).copied())
    }

    #[test]
    fn a_take_belongs_to_the_set_up_before_it_in_time() {
        let wands_s = [Some(100.0), Some(5000.0)];
        for (take_s, expected) in [(300.0, 0), (4999.0, 0), (5001.0, 1), (9000.0, 1), (50.0, 0)] {
            assert_eq!(idx(wands_s, Some(take_s)), Some(expected), "{take_s}");
        }
        // the order of the file is not that of the day
        assert_eq!(idx([Some(5000.0), Some(100.0)], Some(300.0)), Some(1));
    }

    #[test]
    fn without_times_nobody_guesses() {
        assert_eq!(idx([Some(100.0), Some(5000.0)], None), None);
        assert_eq!(idx([Some(100.0), None], Some(300.0)), None);
    }

    #[test]
    fn a_set_up_that_cannot_be_used_costs_its_takes() {
        let (session, _) = day([Some(0.0), Some(10.0)], &[Some(1.0), Some(11.0)]);
        let bad = Finding::new(Subject::Scene, Severity::Problem, "no wand", "film it");
        let found = costs_takes(vec![bad], "noon", session.take.iter().skip(1));
        let costs: Vec<_> = found.iter().filter(|f| f.is_problem()).map(|f| f.subject.take_idx()).collect();
        assert_eq!(costs, [Some(1)]);
        assert!(found.iter().any(|f| f.subject == Subject::Scene && f.severity == Severity::Warning));
    }
}
