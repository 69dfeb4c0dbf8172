//! Takes inside long clips: where each begins and ends, and whose card it was.
//!
//! A card held up begins a take; a pause ends it. What the phones saw is put on the first one's clock.

use super::along::Along;
use tipwright::cards::Card;

/// Longer than this without a fast tip is a pause: casters who change hand the rod over; who pulls in line for the next cast is quicker
/// (common practice).
const PAUSE_S: f64 = 8.0;
/// A take begins and ends so much beside its first and last fast tip.
const MARGIN_S: f64 = 2.0;
/// Sightings of one card nearer than this are one showing: somebody's arm was before it.
const SHOWING_S: f64 = 6.0;
/// Two phones that see different cards within this see them at one moment.
const AT_ONCE_S: f64 = 2.0;
/// How far off clips may lie that only calendars place: stamps are whole seconds, and some are late.
const UNSURE_S: f64 = 5.0;
/// How fast the tip must be seen at two moments, and at one of them, to be a cast: people who walk by are as fast as a slow stroke.
const LEAST_SPEED: f64 = 1.0;
const CAST_SPEED: f64 = 2.5;

/// What one phone's clip shows, and when it begins on the first one's clock.
#[derive(Debug, Clone, Copy)]
pub(super) struct View<'a> {
    pub along: &'a Along,
    pub after_s: f64,
    /// By what both heard; otherwise to some seconds, and how fast the tip went then says nothing here.
    pub is_sure: bool,
}

/// A take inside long clips, on the first phone's clock.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Part {
    pub from_s: f64,
    pub to_s: f64,
    /// First and last fast tip.
    pub fast_s: [f64; 2],
    /// What was held up before it; empty where nothing was.
    pub cards: Vec<Card>,
    /// There was a take between the card and this one.
    pub is_later: bool,
    /// The phones whose clips hold all of it, by their place among the views.
    pub views: Vec<usize>,
}

/// What else a person should know of the clips.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Told {
    /// A card was held up, and nobody cast.
    NoCast { at_s: f64, cards: Vec<Card> },
    /// Something moves like a tip after a card that is no caster's.
    After { card: Card, from_s: f64, to_s: f64 },
    /// `end` was held up after it.
    Void { from_s: f64, to_s: f64 },
    /// Fewer phones filmed it than are needed.
    Alone { from_s: f64, to_s: f64 },
}

/// Cards seen at one time.
struct Showing {
    from_s: f64,
    to_s: f64,
    cards: Vec<Card>,
    view: usize,
}

/// A tip that goes as in a cast, with pauses no longer than [`PAUSE_S`].
struct Stretch {
    /// Place looked at before the first fast one, and after the last.
    around_s: [f64; 2],
    first_s: f64,
    last_s: f64,
    seen: usize,
    fastest: f64,
}

/// The takes, in order of time, of which `fewest` phones or more hold all.
pub(super) fn parts(views: &[View<'_>], fewest: usize) -> (Vec<Part>, Vec<Told>) {
    let showings = showings(views);
    let stretches = stretches(views, &showings);
    let (mut parts, mut told) = owned(&showings, &stretches);
    // neighbours meet half way
    for i in 1..parts.len() {
        let middle_s = 0.5 * (parts[i - 1].fast_s[1] + parts[i].fast_s[0]);
        parts[i - 1].to_s = parts[i - 1].to_s.min(middle_s);
        parts[i].from_s = parts[i].from_s.max(middle_s);
    }
    let mut out = Vec::new();
    for mut part in parts {
        let [first_s, last_s] = part.fast_s;
        let holds = |v: &View<'_>| {
            let slack_s = if v.is_sure { 0.0 } else { UNSURE_S };
            v.after_s - slack_s <= first_s && last_s <= v.after_s + v.along.length_s + slack_s
        };
        part.views = (0..views.len()).filter(|i| holds(&views[*i])).collect();
        if part.views.len() < fewest {
            told.push(Told::Alone { from_s: part.from_s, to_s: part.to_s });
            continue;
        }
        for view in part.views.iter().map(|i| &views[*i]).filter(|v| v.is_sure) {
            part.from_s = part.from_s.max(view.after_s);
            part.to_s = part.to_s.min(view.after_s + view.along.length_s);
        }
        out.push(part);
    }
    (out, told)
}

fn showings(views: &[View<'_>]) -> Vec<Showing> {
    let mut all: Vec<(f64, usize, Card)> = views
        .iter()
        .enumerate()
        .flat_map(|(view, v)| v.along.cards.iter().map(move |c| (c.at_s + v.after_s, view, c.card)))
        .collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out: Vec<Showing> = Vec::new();
    for (at_s, view, card) in all {
        let goes_on = |s: &&mut Showing| {
            let same = s.cards == [card] && at_s - s.to_s < SHOWING_S;
            same || (s.view != view && at_s - s.to_s < AT_ONCE_S && !s.cards.contains(&card))
        };
        match out.last_mut().filter(goes_on) {
            Some(last) => {
                last.to_s = at_s;
                if !last.cards.contains(&card) {
                    last.cards.push(card);
                }
            }
            None => out.push(Showing { from_s: at_s, to_s: at_s, cards: vec![card], view }),
        }
    }
    out
}

fn stretches(views: &[View<'_>], showings: &[Showing]) -> Vec<Stretch> {
    let sure = views.iter().filter(|v| v.is_sure);
    let mut places: Vec<(f64, f64)> =
        sure.flat_map(|v| v.along.tips.iter().map(|t| (t.at_s + v.after_s, t.speed))).collect();
    places.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out: Vec<Stretch> = Vec::new();
    for (i, (at_s, speed)) in places.iter().enumerate().filter(|(_, p)| p.1 >= LEAST_SPEED) {
        let before_s = i.checked_sub(1).map_or(*at_s, |i| places[i].0);
        let after_s = places.get(i + 1).map_or(*at_s, |p| p.0);
        let goes_on = |s: &&mut Stretch| {
            let other_card = |b: &Showing| {
                let before = showings.iter().rev().find(|a| a.from_s <= s.first_s);
                b.from_s > s.last_s && b.from_s <= *at_s && before.is_none_or(|a| a.cards != b.cards)
            };
            at_s - s.last_s < PAUSE_S && !showings.iter().any(other_card)
        };
        match out.last_mut().filter(goes_on) {
            Some(last) => {
                last.last_s = *at_s;
                last.around_s[1] = after_s;
                last.seen += 1;
                last.fastest = last.fastest.max(*speed);
            }
            None => out.push(Stretch {
                around_s: [before_s, after_s],
                first_s: *at_s,
                last_s: *at_s,
                seen: 1,
                fastest: *speed,
            }),
        }
    }
    out.retain(|s| s.seen >= 2 && s.fastest >= CAST_SPEED);
    out
}

/// Who casts: the caster's card that counts, with how many takes there were when it was held up, or another card.
#[derive(Default)]
struct Turns<'a> {
    owner: Option<(&'a Showing, usize)>,
    other: Option<Card>,
    parts: Vec<Part>,
    told: Vec<Told>,
}

/// Gives every stretch its card.
fn owned(showings: &[Showing], stretches: &[Stretch]) -> (Vec<Part>, Vec<Told>) {
    let mut turns = Turns::default();
    let mut next = 0;
    for stretch in stretches {
        while let Some(showing) = showings.get(next).filter(|s| s.from_s <= stretch.last_s) {
            next += 1;
            turns.card(showing);
        }
        turns.cast(stretch);
    }
    showings[next..].iter().for_each(|s| turns.card(s));
    turns.unused();
    (turns.parts, turns.told)
}

impl<'a> Turns<'a> {
    /// A caster's card begins a take, `end` takes back what was begun, another says what follows.
    fn card(&mut self, showing: &'a Showing) {
        if showing.cards.iter().any(|c| matches!(c, Card::Take { .. })) {
            // held up once more without a cast between: still the same take
            if self.owner.is_none_or(|(s, before)| s.cards != showing.cards || before < self.parts.len()) {
                self.unused();
                self.owner = Some((showing, self.parts.len()));
            }
            self.other = None;
            return;
        }
        let card = showing.cards[0];
        if card == Card::End && self.other.is_none() {
            let last = self.parts.len().saturating_sub(1);
            let begun = self.owner.map_or(last, |(_, before)| before);
            let void = self.parts.drain(begun..);
            self.told.extend(void.map(|p| Told::Void { from_s: p.from_s, to_s: p.to_s }));
        } else {
            self.unused();
        }
        self.owner = None;
        self.other = Some(card);
    }

    fn cast(&mut self, stretch: &Stretch) {
        let from_s = stretch.around_s[0].min(stretch.first_s) - MARGIN_S;
        let to_s = stretch.around_s[1].max(stretch.last_s) + MARGIN_S;
        if let Some(card) = self.other {
            self.told.push(Told::After { card, from_s, to_s });
            return;
        }
        self.parts.push(Part {
            from_s: self.owner.map_or(from_s, |(s, _)| from_s.max(s.from_s)).max(0.0),
            to_s,
            fast_s: [stretch.first_s, stretch.last_s],
            cards: self.owner.map_or_else(Vec::new, |(s, _)| s.cards.clone()),
            is_later: self.owner.is_some_and(|(_, before)| before < self.parts.len()),
            views: Vec::new(),
        });
    }

    /// A card after which nobody cast is told.
    fn unused(&mut self) {
        if let Some((showing, before)) = self.owner
            && before == self.parts.len()
        {
            self.told.push(Told::NoCast { at_s: showing.from_s, cards: showing.cards.clone() });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::along::{CardAt, TipAt};
    use super::*;

    fn card(caster_idx: usize) -> Card {
        Card::take(caster_idx, &caster_idx.to_string(), 0, "before").unwrap()
    }

    /// A clip looked at every other second, with a tip that goes fast in `casts`.
    fn clip(length_s: f64, cards: &[(f64, Card)], casts: &[[f64; 2]]) -> Along {
        let places = (0..(length_s / 2.0) as u32).map(|i| 2.0 * f64::from(i) + 1.0);
        let speed = |t: f64| if casts.iter().any(|[a, b]| (*a..=*b).contains(&t)) { 5.0 } else { 0.1 };
        Along {
            length_s,
            cards: cards.iter().map(|(at_s, card)| CardAt { at_s: *at_s, card: *card }).collect(),
            tips: places.map(|at_s| TipAt { at_s, speed: speed(at_s) }).collect(),
        }
    }

    fn found(first: &Along, second: &Along, after_s: f64) -> (Vec<Part>, Vec<Told>) {
        let view = |along, after_s| View { along, after_s, is_sure: true };
        parts(&[view(first, 0.0), view(second, after_s)], 2)
    }

    fn cards_of(parts: &[Part]) -> Vec<Option<Card>> {
        parts.iter().map(|p| p.cards.first().copied()).collect()
    }

    #[test]
    fn a_card_begins_a_take_and_a_pause_ends_it() {
        let casts = [[20.0, 30.0], [38.0, 50.0], [80.0, 95.0]];
        let first = clip(120.0, &[(10.0, card(0)), (12.0, card(0)), (33.0, card(1))], &casts);
        // the second phone begins 4 s later and sees the last card, which the first does not
        let own = casts.map(|c| c.map(|s| s - 4.0));
        let second = clip(110.0, &[(68.0, card(2)), (70.0, card(2))], &own);
        let (parts, told) = found(&first, &second, 4.0);
        assert_eq!(cards_of(&parts), [Some(card(0)), Some(card(1)), Some(card(2))], "{parts:?}");
        assert_eq!(told, []);
        for (part, [begin_s, end_s]) in parts.iter().zip(casts) {
            assert!(part.from_s < begin_s && part.from_s > begin_s - 6.0, "{part:?}");
            assert!(part.to_s > end_s && part.to_s < end_s + 6.0, "{part:?}");
            assert_eq!(part.views, [0, 1]);
        }
        assert!(parts.windows(2).all(|w| w[0].to_s <= w[1].from_s), "{parts:?}");
    }

    #[test]
    fn a_take_without_a_card_of_its_own_says_so() {
        let casts = [[10.0, 20.0], [40.0, 50.0], [70.0, 80.0]];
        let first = clip(100.0, &[(32.0, card(5))], &casts);
        let (parts, told) = found(&first, &clip(100.0, &[], &casts), 0.0);
        assert_eq!(cards_of(&parts), [None, Some(card(5)), Some(card(5))]);
        assert_eq!(parts.iter().map(|p| p.is_later).collect::<Vec<_>>(), [false, false, true]);
        assert_eq!(told, []);
    }

    #[test]
    fn cards_without_casts_other_cards_and_end_are_told() {
        let casts = [[30.0, 40.0], [60.0, 70.0], [90.0, 100.0], [130.0, 140.0]];
        let cards = [
            (5.0, card(0)),
            (20.0, card(1)),
            (50.0, card(2)),
            (75.0, Card::End),
            (110.0, Card::Wand),
            (150.0, card(3)),
        ];
        let first = clip(160.0, &cards, &casts);
        let (parts, told) = found(&first, &clip(160.0, &[], &casts), 0.0);
        assert_eq!(cards_of(&parts), [Some(card(1))], "{parts:?}");
        let of = |want: &dyn Fn(&Told) -> bool| told.iter().filter(|t| want(t)).count();
        assert_eq!(of(&|t| matches!(t, Told::NoCast { .. })), 2, "{told:?}");
        assert_eq!(of(&|t| matches!(t, Told::Void { from_s, to_s } if *from_s < 60.0 && *to_s > 70.0)), 1);
        assert_eq!(of(&|t| matches!(t, Told::After { card: Card::End, .. })), 1);
        assert_eq!(of(&|t| matches!(t, Told::After { card: Card::Wand, .. })), 1);
        assert_eq!(told.len(), 5);
    }

    #[test]
    fn one_fast_place_is_no_take_and_one_phone_alone_is_told() {
        let casts = [[20.0, 30.0], [88.0, 89.5], [150.0, 160.0]];
        let first = clip(200.0, &[], &casts);
        // the second phone was stopped at 120 s
        let (parts, told) = found(&first, &clip(120.0, &[], &casts[..1]), 0.0);
        assert_eq!(parts.len(), 1, "{parts:?}");
        assert!(matches!(told[..], [Told::Alone { from_s, .. }] if from_s > 140.0), "{told:?}");
        let (parts, told) = super::parts(&[View { along: &first, after_s: 0.0, is_sure: true }], 1);
        assert_eq!((parts.len(), told), (2, Vec::new()));
    }

    #[test]
    fn two_phones_that_see_different_cards_at_once_give_both() {
        let casts = [[20.0, 30.0]];
        let first = clip(60.0, &[(10.0, card(0))], &casts);
        let second = clip(60.0, &[(11.0, card(1))], &casts);
        let (parts, _) = found(&first, &second, 0.0);
        assert_eq!(parts[0].cards, [card(0), card(1)]);
    }

    /// Where only calendars tell how the clips lie, seconds are unsure: what the second phone saw move counts nothing, its cards do.
    #[test]
    fn an_unsure_clip_gives_cards_and_no_motion() {
        let first = clip(60.0, &[], &[[20.0, 30.0]]);
        let second = clip(60.0, &[(10.0, card(0))], &[[20.0, 50.0]]);
        let view = |along, is_sure| View { along, after_s: 0.0, is_sure };
        let (parts, _) = parts(&[view(&first, true), view(&second, false)], 2);
        assert_eq!(cards_of(&parts), [Some(card(0))]);
        assert!(parts[0].to_s < 36.0, "{parts:?}");
    }
}
