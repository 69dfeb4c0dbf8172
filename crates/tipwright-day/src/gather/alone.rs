//! Casts that fewer phones filmed than are needed: a battery was empty, a file was lost. Such a take can be measured from one view where its
//! set-up and other takes are known, so it is written too, as soon as nothing speaks for a clip that is only not copied yet.

use super::found::{Clip, Earlier, EarlierTake};
use super::kind::{Kind, is_cast};
use super::pair::{Moment, Paired};
use super::place::AtHand;
use super::shown::Shown;

/// Two clips begun within this are of one take: two buttons, and stamps of whole seconds.
const AT_ONCE_S: f64 = 10.0;

/// What tells whether a cast is alone for good.
pub(super) struct Alone<'a> {
    earlier: &'a Earlier,
    /// How far each camera's calendar is ahead of the first one's, where that is known.
    ahead_s: Vec<Option<f64>>,
    /// Of each camera when the last of its clips began that has a partner and is a take's, by the first camera's calendar.
    known_until_s: Vec<f64>,
    /// Cameras that have clips which cannot be read, or not yet.
    has_unread: Vec<bool>,
}

impl<'a> Alone<'a> {
    pub(super) fn new(
        at: &AtHand<'_>,
        told: &[(&Moment, Option<Kind>)],
        earlier: &'a Earlier,
        paired: &Paired,
        unread: &[(Clip, String)],
    ) -> Self {
        let cameras = at.session.camera.len();
        let ahead_s: Vec<Option<f64>> = paired
            .calendars
            .iter()
            .enumerate()
            .map(|(k, c)| if k == 0 { Some(0.0) } else { Some(c.as_ref()?.ahead_s) })
            .collect();
        let mut known_until_s = vec![f64::NEG_INFINITY; cameras];
        let fewest = at.session.fewest_cameras();
        for (moment, _) in told.iter().filter(|(m, k)| *k == Some(Kind::Take) && m.clips.len() >= fewest) {
            let began_s = moment.began_s.unwrap_or(f64::NEG_INFINITY);
            for clip in &moment.clips {
                let until_s = &mut known_until_s[at.clips[*clip].camera_idx];
                *until_s = until_s.max(began_s);
            }
        }
        for take in earlier.takes.iter().filter(|t| t.began_s.len() >= fewest) {
            for (k, began_s) in &take.began_s {
                let began_s = began_s.zip(ahead_s.get(*k).copied().flatten()).map(|(s, ahead_s)| s - ahead_s);
                known_until_s[*k] = known_until_s[*k].max(began_s.unwrap_or(f64::NEG_INFINITY));
            }
        }
        let has_unread = (0..cameras).map(|k| unread.iter().any(|(clip, _)| clip.camera_idx == k)).collect();
        Self { earlier, ahead_s, known_until_s, has_unread }
    }

    /// Whether a moment that shows a cast makes a take.
    pub(super) fn may_be_written(&self, at: &AtHand<'_>, shown: &[Shown], moment: &Moment) -> bool {
        if moment.clips.len() >= at.session.fewest_cameras() {
            return true;
        }
        let Some(began_s) = moment.began_s else { return false };
        let has = |k: usize| moment.clips.iter().any(|i| at.clips[*i].camera_idx == k);
        let is_gone = |k: usize| has(k) || (self.known_until_s[k] > began_s && !self.has_unread[k]);
        (0..at.session.camera.len()).all(is_gone)
            && self.take_of_then(began_s).is_none()
            && moment.clips.iter().any(|i| is_cast(&shown[*i]))
    }

    /// Why it does not.
    pub(super) fn reason(&self, at: &AtHand<'_>, moment: &Moment) -> String {
        let then = moment.began_s.and_then(|s| self.take_of_then(s));
        match (then, moment.clips.first()) {
            (Some(take), Some(clip)) => {
                let camera = at.camera(*clip);
                format!(
                    "it shows a cast, filmed when {take} was, which names no clip of {camera}: add it there"
                )
            }
            _ => at.without_partner(moment, Kind::Take.in_words()),
        }
    }

    /// The take of session.toml that was filmed then and lacks a camera.
    fn take_of_then(&self, began_s: f64) -> Option<&str> {
        let is_then = |(k, s): &(usize, Option<f64>)| {
            let ahead_s = self.ahead_s.get(*k).copied().flatten();
            s.zip(ahead_s).is_some_and(|(s, ahead_s)| (s - ahead_s - began_s).abs() < AT_ONCE_S)
        };
        let partial =
            |t: &&EarlierTake| t.began_s.len() < self.ahead_s.len() && t.began_s.iter().any(is_then);
        self.earlier.takes.iter().find(partial).map(|take| take.name.as_str())
    }
}
