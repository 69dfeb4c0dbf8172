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

#[cfg(test)]
mod tests {
    use super::super::document::Document;
    use super::super::found::EarlierTake;
    use super::super::pair::Calendar;
    use super::super::shown::Way;
    use super::super::tests::TWO_PHONES;
    use super::*;
    use crate::session::parse_unfinished;
    use std::path::{Path, PathBuf};
    use tipwright::cards::Card;
    use tipwright::model::RawPixel;

    fn showing(units: f64, card: Option<Card>) -> Shown {
        let at = RawPixel::new(500.0, 300.0);
        let way = Way { at, speed_px_s: [192.0 * units, 0.0], falls_g: [0.0; 2] };
        Shown { side_px: 1920.0, card, ways: vec![vec![way]], ..Shown::default() }
    }

    /// Of a cast that the first phone alone filmed at 100 s: whether it is written, and the reason where it is not.
    fn told(shown: &Shown, paired_s: f64, has_unread: bool, takes: &[EarlierTake]) -> Result<(), String> {
        let folder = tempfile::tempdir().unwrap();
        let document = Document::read(TWO_PHONES).unwrap();
        let text = document.readable(folder.path());
        let (session, _) = parse_unfinished(&text, &folder.path().join("session.toml"));
        let session = session.unwrap();
        let clip = |camera_idx: usize| Clip {
            camera_idx,
            path: PathBuf::new(),
            named: ["west/1.mp4", "east/2.mp4"][camera_idx].into(),
        };
        let clips = [clip(0), clip(0), clip(1)];
        let moment = |clips: &[usize], began_s: f64| Moment {
            clips: clips.to_vec(),
            after_s: vec![None; clips.len()],
            began_s: Some(began_s),
            by_sound: false,
            doubt: None,
        };
        let (alone, pair) = (moment(&[0], 100.0), moment(&[1, 2], paired_s));
        let at = AtHand {
            session: &session,
            document: &document,
            folder: Path::new("/nowhere"),
            clips: &clips,
            lengths_s: &[8.0; 3],
            phases: &[],
        };
        let ahead = Calendar { ahead_s: 420.0, pairs: 1, stamps_ends: false };
        let paired = Paired { moments: Vec::new(), calendars: vec![None, Some(ahead)] };
        let earlier = Earlier { takes: takes.to_vec(), ..Earlier::default() };
        let unread: Vec<(Clip, String)> = has_unread.then(|| (clip(1), String::new())).into_iter().collect();
        let told = [(&alone, Some(Kind::Take)), (&pair, Some(Kind::Take))];
        let known = Alone::new(&at, &told, &earlier, &paired, &unread);
        let shown = [shown.clone(), Shown::default(), Shown::default()];
        match known.may_be_written(&at, &shown, &alone) {
            true => Ok(()),
            false => Err(known.reason(&at, &alone)),
        }
    }

    #[test]
    fn a_cast_is_alone_when_the_other_phone_s_later_clips_are_there() {
        let (sure, walks) = (showing(9.0, None), showing(2.0, None));
        let card = showing(0.0, Card::take(0, "01", 0, "before"));
        assert_eq!(told(&sure, 300.0, false, &[]), Ok(()));
        assert_eq!(told(&card, 300.0, false, &[]), Ok(()));
        for waits in
            [told(&sure, 50.0, false, &[]), told(&sure, 300.0, true, &[]), told(&walks, 300.0, false, &[])]
        {
            assert!(waits.as_ref().is_err_and(|r| r.contains("no clip of east")), "{waits:?}");
        }
        // by what session.toml has already
        let take =
            |name: &str, began_s: Vec<(usize, Option<f64>)>| EarlierTake { name: name.into(), began_s };
        let both = take("take-09", vec![(0, Some(290.0)), (1, Some(712.0))]);
        assert_eq!(told(&sure, 50.0, false, &[both]), Ok(()));
        // the second phone's clip came first and was written alone
        let other = take("take-03", vec![(1, Some(100.0 + 422.0))]);
        let came_late = told(&sure, 300.0, false, &[other]);
        assert!(
            came_late.as_ref().is_err_and(|r| r.contains("take-03") && r.contains("west")),
            "{came_late:?}"
        );
    }
}
