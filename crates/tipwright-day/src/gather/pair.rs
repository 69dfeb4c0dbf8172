//! Which clips of several phones were filmed at the same moment.
//!
//! Two phones' clocks differ by seconds or minutes, the same all day; a file says when it was begun (some phones: when it was ended)
//! to a second. Each clip of one phone with each of the other is a vote for a difference of the clocks: what both heard says when
//! one began against the other, so a right pair votes to about a second, a wrong one anywhere. The difference with the most votes
//! by weight, each clip counted once, is the day's, and its voters are the pairs. Where sound is missing, beginnings some seconds
//! apart and alike lengths vote, with less weight. Claps alone do not tell moments apart: a clap fits every clap.

use super::kind::Kind;
use tipwright::math::median;
use tipwright::scene::sound::{Likeness, Onsets, SoundConfig, likeness};

/// Stamps are whole seconds, and phones write them up to a second late, seconds.
const BY_SOUND_S: f64 = 2.0;
/// Two people press two buttons within this, seconds (common practice: usually 1 to 3).
const BY_TIME_S: f64 = 8.0;
/// Weight of a pair that no sound speaks for, against the share of sound in common.
const WITHOUT_SOUND: f64 = 0.25;
/// The same where both heard something, and it does not fit.
const AGAINST_SOUND: f64 = 0.05;
/// What clips that show different things are worth as a pair.
const OTHER_KIND: f64 = 0.3;
/// A pair, or the clocks' difference, is told as doubtful when the next best has more than this share of its weight. 0.8: shares of
/// sound in common vary by a tenth from pair to pair of one day (`gather`'s test day).
const DOUBTFUL: f64 = 0.8;
/// The same for a clocks' difference that no sound speaks for: takes at even intervals, one missing at an end of each phone, fit shifted
/// by one in all n that are left, and rightly in n - 1. 0.6: told from three takes on.
const DOUBTFUL_BY_TIME: f64 = 0.6;

/// Of the first clip of a moment.
const AT_FIRST: Option<Begin> = Some(Begin { after_s: 0.0, by_sound: true });

/// What is known of a clip for pairing.
#[derive(Debug, Clone)]
pub(super) struct Filmed {
    /// Which camera, session order.
    pub camera_idx: usize,
    /// When the file says that it was begun, seconds since 1970.
    pub recorded_s: Option<f64>,
    /// Length as captured.
    pub length_s: f64,
    /// What was heard.
    pub onsets: Option<Onsets>,
    /// What it shows, where that is known.
    pub kind: Option<Kind>,
}

/// Clips of one moment.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Moment {
    /// Places among the clips given, one a camera, session order.
    pub clips: Vec<usize>,
    /// When each of them begins, after the first one; nothing tells it where there is none.
    pub after_s: Vec<Option<Begin>>,
    /// When it began on the first camera's calendar, where that is known.
    pub began_s: Option<f64>,
    /// All pairs of it were told by sound.
    pub by_sound: bool,
    /// Why a person should look, with the next best clip.
    pub doubt: Option<Doubt>,
}

/// When a clip begins after another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Begin {
    pub after_s: f64,
    /// By what both heard; else by the calendars.
    pub by_sound: bool,
}

/// What else may go together.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Doubt {
    /// This clip fits nearly as well.
    NextBest {
        /// Place of the clip among those given.
        clip: usize,
        /// Its weight against that of the one taken.
        share: f64,
    },
    /// Another difference of the phones' clocks fits nearly as well.
    Clocks {
        /// That one less the one taken, seconds.
        by_s: f64,
        /// Its votes against those of the one taken.
        share: f64,
    },
    /// Nothing tells when they were filmed.
    NoTimes,
}

/// Difference of a camera's calendar to the first camera's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Calendar {
    /// Seconds that this camera's is ahead.
    pub ahead_s: f64,
    /// Pairs that say so.
    pub pairs: usize,
    /// Its stamps are those of the ends of clips.
    pub stamps_ends: bool,
}

/// All moments and what the calendars are.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Paired {
    /// In order of time, as far as that is known.
    pub moments: Vec<Moment>,
    /// By camera; of the first and of those that nothing is known of: none.
    pub calendars: Vec<Option<Calendar>>,
}

/// A moment on the way, with its clips' begin on the first camera's calendar.
struct Group {
    clips: Vec<usize>,
    after_s: Vec<Option<Begin>>,
    began_s: Option<f64>,
    /// Length of the clip that `began_s` is of.
    length_s: f64,
    by_sound: bool,
    doubt: Option<Doubt>,
}

/// One possible pair.
#[derive(Clone, Copy)]
struct Vote {
    group: usize,
    clip: usize,
    /// Begin of the clip after that of the group's first clip by sound.
    after_s: Option<f64>,
    weight: f64,
}

impl Vote {
    fn reach_s(&self) -> f64 {
        if self.after_s.is_some() { BY_SOUND_S } else { BY_TIME_S }
    }
}

/// Pairs clips. `known` are pairs of stamps of clips that a person (or an earlier run) has paired, of the first camera and another.
pub(super) fn pair(clips: &[Filmed], cameras: usize, known: &[(usize, f64)]) -> Paired {
    let of_camera = |k: usize| (0..clips.len()).filter(move |i| clips[*i].camera_idx == k);
    let mut groups: Vec<Group> = of_camera(0)
        .map(|i| Group {
            clips: vec![i],
            after_s: vec![AT_FIRST],
            began_s: clips[i].recorded_s,
            length_s: clips[i].length_s,
            by_sound: true,
            doubt: None,
        })
        .collect();
    let mut calendars = vec![None];
    let mut first_stamps_ends = None;
    for k in 1..cameras {
        let theirs: Vec<usize> = of_camera(k).collect();
        let votes = votes(clips, &groups, &theirs);
        let known: Vec<f64> = known.iter().filter(|(camera, _)| *camera == k).map(|(_, s)| *s).collect();
        let found = best_calendar(clips, &groups, &votes, first_stamps_ends, &known);
        let taken = match &found {
            Some(found) => {
                if first_stamps_ends.is_none() {
                    first_stamps_ends = Some(found.first_ends);
                    if found.first_ends {
                        for group in &mut groups {
                            group.began_s = group.began_s.map(|s| s - group.length_s);
                        }
                    }
                }
                found.taken.clone()
            }
            None => by_sound_alone(&votes),
        };
        for vote in &taken {
            let doubt = doubt(clips, &groups, &votes, vote, found.as_ref());
            let group = &mut groups[vote.group];
            group.clips.push(vote.clip);
            let by_calendar = || {
                let found = found.as_ref()?;
                let after_s = found.began_s(&clips[vote.clip])? - found.calendar.ahead_s - group.began_s?;
                Some(Begin { after_s, by_sound: false })
            };
            let by_sound = vote.after_s.map(|after_s| Begin { after_s, by_sound: true });
            group.after_s.push(by_sound.or_else(by_calendar));
            group.by_sound &= vote.after_s.is_some();
            group.doubt = group.doubt.take().or(doubt);
        }
        calendars.push(found.as_ref().map(|f| f.calendar));
        for clip in theirs.into_iter().filter(|c| taken.iter().all(|v| v.clip != *c)) {
            let began_s = found.as_ref().and_then(|f| Some(f.began_s(&clips[clip])? - f.calendar.ahead_s));
            let length_s = clips[clip].length_s;
            let after_s = vec![AT_FIRST];
            groups.push(Group { clips: vec![clip], after_s, began_s, length_s, by_sound: true, doubt: None });
        }
    }
    groups.sort_by(|a, b| {
        let key = |g: &Group| g.began_s.unwrap_or(f64::INFINITY);
        key(a).total_cmp(&key(b)).then(a.clips.cmp(&b.clips))
    });
    let moment = |g: Group| Moment {
        clips: g.clips,
        after_s: g.after_s,
        began_s: g.began_s,
        by_sound: g.by_sound,
        doubt: g.doubt,
    };
    Paired { moments: groups.into_iter().map(moment).collect(), calendars }
}

/// All possible pairs of a moment and a clip of the next camera.
fn votes(clips: &[Filmed], groups: &[Group], theirs: &[usize]) -> Vec<Vote> {
    use rayon::prelude::*;
    let config = SoundConfig::default();
    let heard = |a: usize, b: usize| -> Option<Result<Likeness, ()>> {
        let (a, b) = (clips[a].onsets.as_ref()?, clips[b].onsets.as_ref()?);
        Some(likeness(a, b, &config).map_err(|_| ()))
    };
    let of_pair = |(group, clip): (usize, usize)| {
        let first = groups[group].clips[0];
        let (a, b) = (&clips[first], &clips[clip]);
        let lengths = (a.length_s / b.length_s).min(b.length_s / a.length_s);
        let lengths = if lengths.is_finite() { lengths.max(0.1) } else { 0.5 };
        let same_kind = a.kind.zip(b.kind).is_none_or(|(a, b)| a == b);
        let likely = lengths.sqrt() * if same_kind { 1.0 } else { OTHER_KIND };
        let (after_s, share) = match heard(first, clip) {
            Some(Ok(found)) => (Some(found.offset.value_s), found.share),
            Some(Err(())) => (None, AGAINST_SOUND),
            None => (None, WITHOUT_SOUND),
        };
        Vote { group, clip, after_s, weight: share * likely }
    };
    let pairs: Vec<(usize, usize)> =
        (0..groups.len()).flat_map(|g| theirs.iter().map(move |c| (g, *c))).collect();
    pairs.into_par_iter().map(of_pair).collect()
}

/// A difference of the calendars with the pairs that go with it.
struct Difference {
    calendar: Calendar,
    first_ends: bool,
    taken: Vec<Vote>,
    weight: f64,
    /// The next best difference that is another one, and its weight.
    next: Option<(f64, f64)>,
}

impl Difference {
    fn began_s(&self, clip: &Filmed) -> Option<f64> {
        Some(clip.recorded_s? - if self.calendar.stamps_ends { clip.length_s } else { 0.0 })
    }
}

/// The difference of calendars that most votes are for, whether stamps are of beginnings or ends.
fn best_calendar(
    clips: &[Filmed],
    groups: &[Group],
    votes: &[Vote],
    first_ends: Option<bool>,
    known: &[f64],
) -> Option<Difference> {
    let mut best: Option<Difference> = None;
    for first_ends_now in first_ends.map_or(vec![false, true], |ends| vec![ends]) {
        for stamps_ends in [false, true] {
            let shift_s = if first_ends.is_none() && first_ends_now { 1.0 } else { 0.0 };
            let ahead = |vote: &Vote| {
                let (group, clip) = (&groups[vote.group], &clips[vote.clip]);
                let began_s = group.began_s? - shift_s * group.length_s;
                let theirs_s = clip.recorded_s? - if stamps_ends { clip.length_s } else { 0.0 };
                Some(theirs_s - began_s - vote.after_s.unwrap_or(0.0))
            };
            let Some(mut found) = most_voted(votes, &ahead, known) else { continue };
            found.first_ends = first_ends_now;
            found.calendar.stamps_ends = stamps_ends;
            // beginnings unless ends fit clearly better
            if best.as_ref().is_none_or(|b| found.weight > 1.02 * b.weight) {
                best = Some(found);
            }
        }
    }
    best
}

fn most_voted(votes: &[Vote], ahead: &dyn Fn(&Vote) -> Option<f64>, known: &[f64]) -> Option<Difference> {
    let mut dated: Vec<(f64, Vote)> = votes.iter().filter_map(|v| Some((ahead(v)?, *v))).collect();
    dated.sort_by(|a, b| b.1.weight.total_cmp(&a.1.weight));
    let at = |centre_s: f64| -> (f64, Vec<(f64, Vote)>) {
        let near = dated.iter().filter(|(s, v)| (s - centre_s).abs() <= v.reach_s());
        let taken = each_once(near.copied(), |(_, v)| v);
        let backed = known.iter().filter(|s| (*s - centre_s).abs() <= BY_TIME_S).count();
        (taken.iter().map(|(_, v)| v.weight).sum::<f64>() + backed as f64, taken)
    };
    // what is known counts too where no new pair is for it: two clips that are alone are no pair
    let centres = dated.iter().map(|(s, _)| s).chain(known);
    let centres: Vec<(f64, f64)> = centres.map(|s| (*s, at(*s).0)).collect();
    let (centre_s, weight) = centres.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let taken = at(centre_s).1;
    // by what was heard where anything was: beginnings are seconds apart
    let heard = taken.iter().filter(|(_, v)| v.after_s.is_some()).map(|(s, _)| *s);
    let ahead_s = median(heard).or_else(|| median(taken.iter().map(|(s, _)| *s))).unwrap_or(centre_s);
    let apart = |s: f64| (s - centre_s).abs() > 2.0 * BY_TIME_S;
    let next = centres.iter().copied().filter(|(s, _)| apart(*s)).max_by(|a, b| a.1.total_cmp(&b.1));
    let taken: Vec<Vote> = taken.into_iter().map(|(_, v)| v).collect();
    let calendar = Calendar { ahead_s, pairs: taken.len(), stamps_ends: false };
    let next = next.map(|(s, w)| (s - centre_s, w));
    Some(Difference { calendar, first_ends: false, taken, weight, next })
}

/// Of votes in their order those whose moment and whose clip no earlier one has taken.
fn each_once<T>(votes: impl Iterator<Item = T>, vote: impl Fn(&T) -> &Vote) -> Vec<T> {
    let mut taken: Vec<T> = Vec::new();
    for new in votes {
        let v = vote(&new);
        if taken.iter().map(&vote).all(|t| t.group != v.group && t.clip != v.clip) {
            taken.push(new);
        }
    }
    taken
}

/// Without any stamps: the best of each by what was heard.
fn by_sound_alone(votes: &[Vote]) -> Vec<Vote> {
    let mut heard: Vec<Vote> = votes.iter().filter(|v| v.after_s.is_some()).copied().collect();
    heard.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    each_once(heard.into_iter(), |v| v)
}

fn doubt(
    clips: &[Filmed],
    groups: &[Group],
    votes: &[Vote],
    taken: &Vote,
    found: Option<&Difference>,
) -> Option<Doubt> {
    if let Some((by_s, weight)) = found.and_then(|f| f.next.map(|(s, w)| (s, w / f.weight)))
        && weight > if taken.after_s.is_some() { DOUBTFUL } else { DOUBTFUL_BY_TIME }
    {
        return Some(Doubt::Clocks { by_s, share: weight });
    }
    let is_near = |v: &&Vote| {
        // where the day's calendars are known only what was filmed about then is a rival
        let Some(found) = found else { return true };
        let then = |v: &Vote| {
            Some(found.began_s(&clips[v.clip])? - groups[v.group].began_s? - v.after_s.unwrap_or(0.0))
        };
        then(v).is_some_and(|s| (s - found.calendar.ahead_s).abs() <= v.reach_s())
    };
    let rival = votes
        .iter()
        .filter(|v| (v.group == taken.group) != (v.clip == taken.clip))
        .filter(is_near)
        .max_by(|a, b| a.weight.total_cmp(&b.weight));
    match rival {
        Some(rival) if rival.weight > DOUBTFUL * taken.weight => {
            let clip = if rival.group == taken.group { rival.clip } else { groups[rival.group].clips[0] };
            Some(Doubt::NextBest { clip, share: rival.weight / taken.weight })
        }
        _ if found.is_none() => Some(Doubt::NoTimes),
        _ => None,
    }
}
