//! Where each moment goes: lens, set-up, take, or told why nowhere.

use std::collections::BTreeSet;
use std::path::Path;

use super::alone::Alone;
use super::document::{Additions, Document, Named};
use super::found::{Clip, Earlier};
use super::kind::{Kind, kind_of};
use super::pair::{Doubt, Filmed, Moment, Paired};
use super::set_ups;
use super::shown::Shown;
use super::takes::{self, Cast};
use super::{Calendar, Gathered, Unplaced};
use crate::session::{Phase, Session};
use tipwright::cards::Card;

/// What is at hand.
pub(super) struct AtHand<'a> {
    pub session: &'a Session,
    pub document: &'a Document,
    pub folder: &'a Path,
    pub clips: &'a [Clip],
    /// Of each clip, as captured.
    pub lengths_s: &'a [f64],
    /// Those that cards were printed with.
    pub phases: &'a [Phase],
}

impl AtHand<'_> {
    pub(super) fn camera(&self, clip: usize) -> String {
        self.session.camera[self.clips[clip].camera_idx].name.to_string()
    }

    pub(super) fn named(&self, clips: &[usize]) -> Named {
        clips.iter().map(|i| (self.camera(*i), self.clips[*i].named.clone())).collect()
    }

    pub(super) fn missing(&self, moment: &Moment) -> Vec<String> {
        let has = |k: usize| moment.clips.iter().any(|i| self.clips[*i].camera_idx == k);
        let cameras = self.session.camera.iter().enumerate();
        cameras.filter(|(k, _)| !has(*k)).map(|(_, c)| c.name.to_string()).collect()
    }

    pub(super) fn without_partner(&self, moment: &Moment, what: &str) -> String {
        format!("it shows {what}; no clip of {} goes with it", self.missing(moment).join(", "))
    }

    pub(super) fn doubt(&self, moment: &Moment) -> Option<String> {
        Some(match moment.doubt.as_ref()? {
            Doubt::NextBest { clip, share } => {
                format!("doubtful pair: {} fits {:.0} % as well", self.clips[*clip].named, 100.0 * share)
            }
            Doubt::Clocks { by_s, share } => format!(
                "doubtful pair: the phones' clocks may differ by {by_s:+.0} s more, which fits {:.0} % as well",
                100.0 * share
            ),
            Doubt::NoTimes => {
                "doubtful pair: told by sound alone, the files do not say when they were filmed".into()
            }
        })
    }
}

/// On the way: what is written and what is told.
#[derive(Default)]
pub(super) struct Placed {
    pub additions: Additions,
    pub gathered: Gathered,
}

impl Placed {
    pub(super) fn leave(&mut self, at: &AtHand<'_>, clip: usize, reason: impl Into<String>) {
        let (camera, clip) = (at.camera(clip), at.clips[clip].named.clone());
        self.gathered.unplaced.push(Unplaced { camera, clip, reason: reason.into(), nearest: None });
    }
}

/// Clips that were not looked at, with the reason.
pub(super) struct Left {
    /// They may be readable later.
    pub unread: Vec<(Clip, String)>,
    /// They are others' copies.
    pub copies: Vec<(Clip, String)>,
}

/// Decides for every clip.
pub(super) fn place(
    at: &AtHand<'_>,
    films: &[Filmed],
    shown: &[Shown],
    boards: &[usize],
    paired: &Paired,
    earlier: &Earlier,
    left: Left,
) -> (Additions, Gathered) {
    let mut out = Placed::default();
    lenses(at, films, boards, &mut out);
    let kinds: Vec<Option<Kind>> = paired
        .moments
        .iter()
        .map(|m| kind_of(&m.clips.iter().map(|i| &shown[*i]).collect::<Vec<_>>()))
        .collect();
    let told: Vec<(&Moment, Option<Kind>)> = paired.moments.iter().zip(kinds).collect();
    let in_time = set_ups::set_ups(at, &told, earlier, &mut out);
    let alone = Alone::new(at, &told, earlier, paired, &left.unread);
    let casts = casts(at, films, shown, &told, paired, &alone, &mut out);
    takes::write(at, casts, &in_time, earlier, &mut out);
    for (clip, reason) in left.unread.into_iter().chain(left.copies) {
        let camera = at.session.camera[clip.camera_idx].name.to_string();
        out.gathered.unplaced.push(Unplaced { camera, clip: clip.named, reason, nearest: None });
    }
    out.gathered.unplaced.sort_by(|a, b| a.clip.cmp(&b.clip));
    let unplaced = out.gathered.unplaced.iter();
    out.additions.unplaced = unplaced.map(|u| (u.camera.clone(), u.clip.clone(), u.reason.clone())).collect();
    out.gathered.calendars = paired
        .calendars
        .iter()
        .zip(&at.session.camera)
        .filter_map(|(found, camera)| {
            let found = found.as_ref()?;
            Some(Calendar { camera: camera.name.to_string(), ahead_s: found.ahead_s, pairs: found.pairs })
        })
        .collect();
    (out.additions, out.gathered)
}

/// The longest board clip of each camera without a lens.
fn lenses(at: &AtHand<'_>, films: &[Filmed], boards: &[usize], out: &mut Placed) {
    let lacking = at.document.lacks_lens(at.folder);
    let mut by_length: Vec<usize> = boards.to_vec();
    by_length.sort_by(|a, b| films[*b].length_s.total_cmp(&films[*a].length_s).then(a.cmp(b)));
    for clip in by_length {
        let camera = at.camera(clip);
        if lacking.contains(&camera) && !out.additions.lenses.contains_key(&camera) {
            out.additions.lenses.insert(camera.clone(), at.clips[clip].named.clone());
            out.gathered.lenses.insert(camera, at.clips[clip].named.clone());
        } else {
            out.leave(at, clip, format!("it shows the board, and camera {camera} has a lens already"));
        }
    }
}

pub(super) fn alone(at: &AtHand<'_>, moment: &Moment, what: &str, out: &mut Placed) {
    let reason = at.without_partner(moment, what);
    moment.clips.iter().for_each(|i| out.leave(at, *i, reason.as_str()));
}

pub(super) fn free_name(stem: &str, first: usize, taken: &mut BTreeSet<String>) -> String {
    let mut number = first;
    loop {
        let name = if stem == "take" { format!("{stem}-{number:02}") } else { format!("{stem}-{number}") };
        if taken.insert(name.clone()) {
            return name;
        }
        number += 1;
    }
}

/// The takes of the moments that show some; the others that are nothing are told.
fn casts<'m>(
    at: &AtHand<'_>,
    films: &[Filmed],
    shown: &[Shown],
    told: &[(&'m Moment, Option<Kind>)],
    paired: &Paired,
    alone: &Alone<'_>,
    out: &mut Placed,
) -> Vec<Cast<'m>> {
    let mut casts = Vec::new();
    for (moment, kind) in told {
        let is_over = moment.clips.iter().any(|i| shown[*i].card == Some(Card::End));
        let reason = match kind {
            None if is_over => "the card `end` was held up: nothing in it counts".to_string(),
            None => "nothing in it looks like the board, a wand or a cast".to_string(),
            Some(Kind::Take) if !alone.may_be_written(at, shown, moment) => alone.reason(at, moment),
            Some(Kind::Take) => match takes::casts_of(at, shown, moment) {
                Ok(found) => {
                    casts.extend(found);
                    continue;
                }
                Err(reason) => reason,
            },
            Some(_) => continue,
        };
        let nearest = nearest(at, films, moment, paired);
        for clip in &moment.clips {
            out.leave(at, *clip, reason.as_str());
            if let Some(last) = out.gathered.unplaced.last_mut() {
                last.nearest.clone_from(&nearest);
            }
        }
    }
    casts
}

/// How far off in time the nearest clip of another camera is, for a clip that is alone.
fn nearest(at: &AtHand<'_>, films: &[Filmed], moment: &Moment, paired: &Paired) -> Option<String> {
    let began_s = moment.began_s.filter(|_| moment.clips.len() == 1)?;
    let own: BTreeSet<usize> = moment.clips.iter().map(|i| films[*i].camera_idx).collect();
    let others = paired.moments.iter().filter(|m| *m != moment);
    let (by_s, clip) = others
        .filter_map(|m| {
            let clip = m.clips.iter().find(|i| !own.contains(&films[**i].camera_idx))?;
            Some((m.began_s? - began_s, *clip))
        })
        .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))?;
    let when = if by_s > 0.0 { "later" } else { "earlier" };
    Some(format!("{} began {:.0} s {when}", at.clips[clip].named, by_s.abs()))
}
