//! What a clip is, by how its marks move: two of a wand that is waved, two that hang above each other, one that falls freely, one
//! that is fast.
//!
//! Thresholds were set on the clinic of seed 1 (tests/studies/gather_heap.py) and checked on the smallest day of seed 1 (tests/gather.rs)
//! only; those of a wand hung at two places were set before, and checked on one phone's day of seed 2 there.

use serde::Serialize;

use super::shown::{Shown, Way};
use crate::session::Session;
use tipwright::cards::Card;

/// Slower than this share of the picture's longer side a second is at rest: a hung wand swings by some pixels.
const REST_SHARE_S: f64 = 0.006;
/// A tip in a stroke is faster than this share of the side a second: 1 m/s at 8 m. Casts reach 10 m/s and more.
pub(super) const FAST_SHARE_S: f64 = 0.1;
/// Of a cast beyond doubt, in units of that: who walks by near the phone reaches 2, a hand with a wand 3, tips in casts 10 and more.
const SURE_SPEED: f64 = 5.0;
/// Marks within this share of the side are at the same place.
const SAME_PLACE: f64 = 0.015;
/// Share of a clip's places that must show what the clip is taken for.
const MOST: f64 = 0.5;
/// Of a wand hung still all the time a place in three may have missed a mark; hung here and then there it is carried in between.
const MOST_OF_CLIP: f64 = 0.6;
const PART_OF_CLIP: f64 = 0.3;
/// Two places of a hung wand are two metres apart and more: a tenth of the side is 1.3 m at 8 m.
const APART: f64 = 0.1;
/// Free fall sideways and down, in its units: the scale in the picture is known from the mark's size to about a third.
const SIDEWAYS_G: f64 = 0.35;
const DOWN_G: [f64; 2] = [0.65, 1.4];
/// A card says what a long clip is until then: both phones are started, then it is held up.
const AT_START_S: f64 = 15.0;

/// What a clip is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// The calibration board.
    Board,
    /// The wand waved.
    Wand,
    /// The wand hung still.
    Plumb,
    /// A ball tossed.
    Toss,
    /// A caster's take.
    Take,
}

impl Kind {
    /// The kind whose clips begin a set-up: the wand waved, or hung before one camera alone.
    pub(super) fn opening(session: &Session) -> Self {
        if session.has_one_camera() { Self::Plumb } else { Self::Wand }
    }

    /// What its clips show.
    pub(super) fn in_words(self) -> &'static str {
        match self {
            Self::Board => "the board",
            Self::Wand => "the wand waved",
            Self::Plumb => "the wand hung still",
            Self::Toss => "a ball tossed",
            Self::Take => "a cast",
        }
    }

    /// What its clips are called in a set-up; of those that belong to one.
    pub(super) fn group(self) -> &'static str {
        match self {
            Self::Plumb => "plumb",
            Self::Toss => "toss",
            _ => "wand",
        }
    }
}

/// What the clips of one moment are; `None` where they show nothing of these.
pub(super) fn kind_of(clips: &[&Shown]) -> Option<Kind> {
    if let Some(kind) = told_by_card(clips) {
        return kind;
    }
    let of =
        |what: &dyn Fn(&Shown) -> f64| clips.iter().map(|c| what(c)).sum::<f64>() / clips.len().max(1) as f64;
    if of(&|c| share(c.boards, c.board_pictures)) >= MOST {
        return Some(Kind::Board);
    }
    if of(&hangs) >= MOST || of(&hangs_twice) >= MOST {
        return Some(Kind::Plumb);
    }
    if of(&|c| share(places_with(c, |ways| moving(c, ways).count() >= 2), c.ways.len())) >= MOST {
        return Some(Kind::Wand);
    }
    let falling = |c: &Shown| places_with(c, |ways| ways.iter().any(falls)) as f64;
    let moved = |c: &Shown| places_with(c, |ways| moving(c, ways).next().is_some()) as f64;
    if of(&falling) > 1.0 && of(&falling) >= MOST * of(&moved) {
        return Some(Kind::Toss);
    }
    let fast = |c: &Shown| match &c.along {
        Some(along) => along.tips.iter().filter(|t| t.speed > 1.0).count() as f64,
        None => places_with(c, |ways| ways.iter().any(|w| speed(w) > FAST_SHARE_S * c.side_px)) as f64,
    };
    (of(&fast) >= 1.0 || clips.iter().any(|c| is_fast(c))).then_some(Kind::Take)
}

/// Whether a clip shows a cast beyond doubt: a caster's card is held up in it, or something of the tip's colour goes as fast as no hand
/// does.
pub(super) fn is_cast(clip: &Shown) -> bool {
    matches!(card_of(clip), Some(Card::Take { .. })) || is_fast(clip)
}

/// Whether something of the tip's colour goes as fast as no hand does.
fn is_fast(clip: &Shown) -> bool {
    let speeds: Vec<f64> = match &clip.along {
        Some(along) => along.tips.iter().map(|t| t.speed).collect(),
        None => {
            let fastest = |ways: &Vec<Way>| ways.iter().map(speed).fold(0.0, f64::max);
            clip.ways.iter().map(|ways| fastest(ways) / (FAST_SHARE_S * clip.side_px)).collect()
        }
    };
    speeds.iter().any(|s| *s >= SURE_SPEED)
}

/// What a person says with a card goes before what the clip looks like; nothing where the phones saw different ones.
fn told_by_card(clips: &[&Shown]) -> Option<Option<Kind>> {
    let mut told: Vec<Option<Kind>> = clips
        .iter()
        .filter_map(|c| card_of(c))
        .map(|card| match card {
            Card::Board => Some(Kind::Board),
            Card::Wand => Some(Kind::Wand),
            Card::Plumb => Some(Kind::Plumb),
            Card::Toss => Some(Kind::Toss),
            Card::Take { .. } => Some(Kind::Take),
            Card::End => None,
        })
        .collect();
    told.sort_unstable();
    told.dedup();
    match told[..] {
        [kind] => Some(kind),
        _ => None,
    }
}

/// What a clip is by a card in it; one of a long clip that is not held up at its start says nothing of the clip.
fn card_of(clip: &Shown) -> Option<Card> {
    let Some(along) = &clip.along else { return clip.card };
    let of_caster = along.cards.iter().find(|c| matches!(c.card, Card::Take { .. }));
    let at_start = along.cards.first().filter(|c| c.at_s < AT_START_S && c.card != Card::End);
    of_caster.or(at_start).map(|c| c.card)
}

fn share(part: usize, whole: usize) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}

fn places_with(clip: &Shown, is_so: impl Fn(&[Way]) -> bool) -> usize {
    clip.ways.iter().filter(|ways| is_so(ways)).count()
}

pub(super) fn speed(way: &Way) -> f64 {
    way.speed_px_s[0].hypot(way.speed_px_s[1])
}

fn moving<'a>(clip: &'a Shown, ways: &'a [Way]) -> impl Iterator<Item = &'a Way> {
    ways.iter().filter(|w| speed(w) > REST_SHARE_S * clip.side_px)
}

fn falls(way: &Way) -> bool {
    let [x, y] = way.falls_g;
    x.abs() <= SIDEWAYS_G && (DOWN_G[0]..=DOWN_G[1]).contains(&y)
}

/// 1 where two marks hang above each other through most of the clip.
fn hangs(clip: &Shown) -> f64 {
    f64::from(u8::from(!hung_at(clip, MOST_OF_CLIP).is_empty()))
}

/// 1 where they do so at one place of the picture and then at another.
fn hangs_twice(clip: &Shown) -> f64 {
    let at = hung_at(clip, PART_OF_CLIP);
    let far = |a: &f64, b: &f64| (a - b).abs() > APART * clip.side_px;
    f64::from(u8::from(at.iter().any(|a| at.iter().any(|b| far(a, b)))))
}

/// Columns at which two marks hang above each other in a share of the clip's places.
fn hung_at(clip: &Shown, least_share: f64) -> Vec<f64> {
    let near =
        |a: &Way, b: &Way| (a.at.x_px - b.at.x_px).hypot(a.at.y_px - b.at.y_px) < SAME_PLACE * clip.side_px;
    // a place may have missed one of them
    let stays = |way: &Way| {
        places_with(clip, |ways| ways.iter().any(|w| near(w, way))) as f64
            >= least_share * clip.ways.len() as f64
    };
    let all: Vec<&Way> = clip.ways.iter().flatten().filter(|w| stays(w)).collect();
    let above = |a: &Way, b: &Way| {
        let [dx, dy] = [(a.at.x_px - b.at.x_px).abs(), (a.at.y_px - b.at.y_px).abs()];
        dy > 2.0 * SAME_PLACE * clip.side_px && dx < 0.25 * dy
    };
    all.iter().filter(|a| all.iter().any(|b| above(a, b))).map(|a| a.at.x_px).collect()
}
