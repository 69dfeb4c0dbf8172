//! The set-ups of a day: which clips of the wand begin one, and which plumb and toss clips are of it.

use std::collections::{BTreeMap, BTreeSet};

use super::document::NewSetUp;
use super::found::{Earlier, Opening};
use super::kind::Kind;
use super::pair::Moment;
use super::place::{AtHand, Placed, alone, free_name};

/// Wand clips begun within this of each other with no cast in between are of one set-up: somebody stopped the phones and began once more. To
/// move two tripods and wave the wand anew takes longer (common practice).
const AGAIN_S: f64 = 180.0;
/// Of these the last is used that is so long against the longest: who begins again does it better, and who stops at once began by mistake.
const AS_LONG: f64 = 0.7;

/// A set-up that takes its plumb and toss clips, in order of time.
struct Open {
    began_s: Option<f64>,
    set_up: NewSetUp,
    /// Groups that it has already.
    has: BTreeSet<&'static str>,
    is_new: bool,
}

/// Writes the set-ups; gives when each began, with its name.
pub(super) fn set_ups(
    at: &AtHand<'_>,
    told: &[(&Moment, Option<Kind>)],
    earlier: &Earlier,
    out: &mut Placed,
) -> Vec<(f64, Option<String>)> {
    let opening = Kind::opening(at.session);
    let has_scene = !at.document.lacks_group(opening.group(), at.folder);
    let filmed: &[Opening] = if has_scene { &earlier.openings } else { &[] };
    let mut open: Vec<Open> = filmed
        .iter()
        .map(|Opening { name, began_s, .. }| {
            let lacks = |group: &&&str| name.is_some() || !at.document.lacks_group(group, at.folder);
            Open {
                began_s: *began_s,
                set_up: NewSetUp { name: name.clone(), groups: Vec::new() },
                has: ["wand", "plumb", "toss"].iter().filter(lacks).copied().collect(),
                is_new: false,
            }
        })
        .collect();
    let mut taken: BTreeSet<String> = earlier.names.iter().cloned().collect();
    let of_kind = |kind: Kind| told.iter().filter(move |(_, k)| *k == Some(kind)).map(|(m, _)| *m);
    for (moment, began_s) in openings(at, told, filmed, earlier, out) {
        let name = (!open.is_empty()).then(|| free_name("set-up", open.len() + 1, &mut taken));
        let group = opening.group();
        open.push(Open {
            began_s,
            set_up: NewSetUp { name, groups: vec![(group, at.named(&moment.clips))] },
            has: BTreeSet::from([group]),
            is_new: true,
        });
    }
    if at.session.has_one_camera() {
        for kind in [Kind::Wand, Kind::Toss] {
            let reason = format!(
                "it shows {}, which before one camera tells nothing: film the wand hung still at two places along the cast",
                kind.in_words()
            );
            of_kind(kind).flat_map(|m| &m.clips).for_each(|i| out.leave(at, *i, reason.as_str()));
        }
        return written(open, out);
    }
    for kind in [Kind::Plumb, Kind::Toss] {
        let (group, what) = (kind.group(), kind.in_words());
        for moment in of_kind(kind) {
            let before = |o: &&mut Open| matches!((o.began_s, moment.began_s), (Some(a), Some(b)) if a <= b);
            let last = open
                .iter_mut()
                .filter(before)
                .max_by(|a, b| a.began_s.unwrap_or(f64::MIN).total_cmp(&b.began_s.unwrap_or(f64::MIN)));
            let own = match last {
                Some(own) => Some(own),
                None => open.first_mut(),
            };
            match own {
                _ if moment.clips.len() < at.session.fewest_cameras() => alone(at, moment, what, out),
                Some(own) if !own.has.contains(group) => {
                    own.has.insert(group);
                    own.set_up.groups.push((group, at.named(&moment.clips)));
                }
                Some(_) => {
                    let reason = format!("it shows {what}, and the set-up of then has such clips already");
                    moment.clips.iter().for_each(|i| out.leave(at, *i, reason.as_str()));
                }
                None => {
                    let reason = format!("it shows {what}, and no clip of the wand waved was found");
                    moment.clips.iter().for_each(|i| out.leave(at, *i, reason.as_str()));
                }
            }
        }
    }
    written(open, out)
}

/// Hands over the set-ups that are new or have new clips; gives when each began, with its name.
fn written(open: Vec<Open>, out: &mut Placed) -> Vec<(f64, Option<String>)> {
    let in_time: Vec<(f64, Option<String>)> =
        open.iter().filter_map(|o| Some((o.began_s?, o.set_up.name.clone()))).collect();
    for Open { set_up, is_new, .. } in open {
        if !set_up.groups.is_empty() && (is_new || set_up.name.is_none()) {
            out.gathered.set_ups.push(set_up.name.clone().unwrap_or_else(|| "scene".into()));
            out.additions.set_ups.push(set_up);
        }
    }
    in_time
}

/// The moments that begin set-ups, with when these began; of several that show the wand of one set-up one, the others are told.
fn openings<'m>(
    at: &AtHand<'_>,
    told: &[(&'m Moment, Option<Kind>)],
    filmed: &[Opening],
    earlier: &Earlier,
    out: &mut Placed,
) -> Vec<(&'m Moment, Option<f64>)> {
    let kind = Kind::opening(at.session);
    let of_kind = |kind: Kind| told.iter().filter(move |(_, k)| *k == Some(kind)).map(|(m, _)| *m);
    let earlier_s = earlier.takes.iter().filter_map(|t| match t.began_s.first()? {
        (0, began_s) => *began_s,
        _ => None,
    });
    let casts_s: Vec<f64> = of_kind(Kind::Take).filter_map(|m| m.began_s).chain(earlier_s).collect();
    let again = |a: Option<f64>, b: Option<f64>| {
        let (Some(a), Some(b)) = (a, b) else { return false };
        let between = a.min(b)..a.max(b);
        (a - b).abs() <= AGAIN_S && !casts_s.iter().any(|s| between.contains(s))
    };
    let mut runs: Vec<Vec<&'m Moment>> = Vec::new();
    // moments are in the order of time
    for moment in of_kind(kind) {
        if moment.clips.len() < at.session.fewest_cameras() {
            alone(at, moment, kind.in_words(), out);
            continue;
        }
        match runs.last_mut().filter(|r| again(r[r.len() - 1].began_s, moment.began_s)) {
            Some(run) => run.push(moment),
            None => runs.push(vec![moment]),
        }
    }
    let mut begun = Vec::new();
    for run in runs {
        let of_earlier = filmed.iter().find(|o| run.iter().any(|m| again(o.began_s, m.began_s)));
        let used = match of_earlier {
            Some(earlier) => earlier.clips.clone(),
            None => {
                let used = longest_of_late(at, &run);
                begun.push((used, run[0].began_s));
                at.named(&used.clips)
            }
        };
        for clip in run.iter().flat_map(|m| &m.clips) {
            leave_again(at, *clip, &used, kind, out);
        }
    }
    begun
}

/// The last of a run that is about as long as the longest.
fn longest_of_late<'m>(at: &AtHand<'_>, run: &[&'m Moment]) -> &'m Moment {
    let length_s = |m: &Moment| m.clips.iter().map(|i| at.lengths_s[*i]).fold(f64::INFINITY, f64::min);
    let longest_s = run.iter().map(|m| length_s(m)).fold(0.0, f64::max);
    let last = run.iter().rev().find(|m| length_s(m) >= AS_LONG * longest_s);
    last.copied().unwrap_or(run[0])
}

/// Tells a clip for which another is used.
fn leave_again(at: &AtHand<'_>, clip: usize, used: &BTreeMap<String, String>, kind: Kind, out: &mut Placed) {
    if used.values().any(|name| *name == at.clips[clip].named) {
        return;
    }
    let Some(other) = used.get(&at.camera(clip)).or_else(|| used.values().next()) else { return };
    let what = kind.in_words();
    let reason = format!(
        "it shows {what}, as {other} does within {:.0} minutes of it with no cast in between: that one is used",
        AGAIN_S / 60.0
    );
    out.leave(at, clip, reason);
}

#[cfg(test)]
mod tests {
    use super::super::document::{Additions, Document};
    use super::super::found::{Clip, EarlierTake};
    use super::super::tests::TWO_PHONES;
    use super::*;
    use crate::session::{Session, parse_unfinished};
    use std::path::{Path, PathBuf};

    /// What was filmed: when it began, how long the second phone's clip is, what it shows.
    type Filmed = (f64, f64, Kind);

    /// Set-ups with their wand on the first phone, when they begin, and clips left with the reason.
    type Found = (Vec<(Option<String>, String)>, Vec<f64>, Vec<(String, String)>);

    fn found(filmed: &[Filmed], earlier: &Earlier) -> Found {
        let folder = tempfile::tempdir().unwrap();
        let written = match earlier.openings.is_empty() {
            true => TWO_PHONES.to_string(),
            false => {
                format!("{TWO_PHONES}[scene]\nwand = {{ west = \"west/70.mp4\", east = \"east/70.mp4\" }}\n")
            }
        };
        let (session, problems) = parse_unfinished(
            &Document::read(&written).unwrap().readable(folder.path()),
            &folder.path().join("session.toml"),
        );
        let session: Session = session.unwrap_or_else(|| panic!("{problems:?}"));
        let clip = |camera_idx: usize, began_s: f64| Clip {
            camera_idx,
            path: PathBuf::new(),
            named: format!("{}/{began_s}.mp4", ["west", "east"][camera_idx]),
        };
        let clips: Vec<Clip> = filmed.iter().flat_map(|f| [clip(0, f.0), clip(1, f.0)]).collect();
        let lengths_s: Vec<f64> = filmed.iter().flat_map(|f| [20.0, f.1]).collect();
        let moments: Vec<Moment> = filmed
            .iter()
            .enumerate()
            .map(|(i, f)| Moment {
                clips: vec![2 * i, 2 * i + 1],
                after_s: vec![None; 2],
                began_s: Some(f.0),
                by_sound: true,
                doubt: None,
            })
            .collect();
        let told: Vec<(&Moment, Option<Kind>)> =
            moments.iter().zip(filmed).map(|(m, f)| (m, Some(f.2))).collect();
        let document = Document::read(&written).unwrap();
        let at = AtHand {
            session: &session,
            document: &document,
            folder: Path::new("/nowhere"),
            clips: &clips,
            lengths_s: &lengths_s,
            phases: &[],
        };
        let mut out = Placed::default();
        let in_time = set_ups(&at, &told, earlier, &mut out);
        let Additions { set_ups, .. } = out.additions;
        let wand = |s: NewSetUp| (s.name, s.groups[0].1["west"].clone());
        let left = out.gathered.unplaced.into_iter().map(|u| (u.clip, u.reason)).collect();
        (set_ups.into_iter().map(wand).collect(), in_time.into_iter().map(|(s, _)| s).collect(), left)
    }

    #[test]
    fn a_wand_that_was_filmed_again_at_once_is_one_set_up_and_the_other_clips_are_told() {
        let day = [
            // stopped at once, begun again
            (0.0, 4.0, Kind::Wand),
            (70.0, 14.0, Kind::Wand),
            (100.0, 3.0, Kind::Plumb),
            (200.0, 8.0, Kind::Take),
            // a good one, and a better one
            (4000.0, 14.0, Kind::Wand),
            (4060.0, 13.0, Kind::Wand),
            // begun once more by mistake
            (4100.0, 2.0, Kind::Wand),
            (4300.0, 8.0, Kind::Take),
        ];
        let (set_ups, in_time, left) = found(&day, &Earlier::default());
        let named = |name: &str| Some(name.to_string());
        assert_eq!(set_ups, [(None, "west/70.mp4".into()), (named("set-up-2"), "west/4060.mp4".into())]);
        assert_eq!(in_time, [0.0, 4000.0]);
        let clips: Vec<&str> = left.iter().map(|(clip, _)| clip.as_str()).collect();
        let others =
            ["west/0.mp4", "east/0.mp4", "west/4000.mp4", "east/4000.mp4", "west/4100.mp4", "east/4100.mp4"];
        assert_eq!(clips, others);
        assert!(left[1].1.contains("as east/70.mp4 does within 3 minutes"), "{left:?}");
        // looked at again on the next run, when session.toml names the others
        let opening = |name: Option<&str>, began_s: f64| Opening {
            name: name.map(String::from),
            began_s: Some(began_s),
            clips: ["west", "east"].map(|c| (c.to_string(), format!("{c}/{began_s}.mp4"))).into(),
        };
        let earlier = Earlier {
            openings: vec![opening(None, 70.0), opening(Some("set-up-2"), 4060.0)],
            takes: [200.0, 4300.0]
                .map(|s| EarlierTake { name: "t".into(), began_s: vec![(0, Some(s))] })
                .into(),
            ..Earlier::default()
        };
        let again: Vec<Filmed> = [0, 4, 6].map(|i| day[i]).to_vec();
        assert_eq!(found(&again, &earlier), (Vec::new(), vec![70.0, 4060.0], left));
    }

    #[test]
    fn wands_with_a_cast_between_or_far_apart_are_set_ups_of_their_own() {
        for day in [
            [(0.0, 14.0, Kind::Wand), (60.0, 8.0, Kind::Take), (120.0, 14.0, Kind::Wand)],
            [(0.0, 14.0, Kind::Wand), (20.0, 3.0, Kind::Plumb), (600.0, 14.0, Kind::Wand)],
        ] {
            let (set_ups, _, left) = found(&day, &Earlier::default());
            assert_eq!((set_ups.len(), left.len()), (2, 0), "{day:?}");
        }
    }
}
