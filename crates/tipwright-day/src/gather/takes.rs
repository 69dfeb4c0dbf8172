//! The takes of moments that show casts: one, or several inside long clips, and whose each is.

use std::collections::{BTreeMap, BTreeSet};

use super::GatheredTake;
use super::along::{Along, CardAt};
use super::cards::{Held, held};
use super::document::NewTake;
use super::found::Earlier;
use super::pair::Moment;
use super::parts::{Told, View, parts};
use super::place::{AtHand, Placed, free_name};
use super::shown::Shown;
use tipwright::cards::Card;

/// Caster of takes where there is no casters.csv.
const NOBODY: &str = "unknown";
/// A single take that fills so much of its clips is all of them.
const MOST_OF_CLIP: f64 = 0.5;

/// One take to write.
pub(super) struct Cast<'m> {
    moment: &'m Moment,
    /// The clips that hold it.
    clips: Vec<usize>,
    /// The part of long clips, by the clock of the first of these clips.
    part_s: Option<[f64; 2]>,
    cards: Vec<Card>,
    /// There was another take between the card and this one.
    is_later: bool,
    /// What else there is to say of the clips.
    notes: Vec<String>,
}

/// The takes of a moment; in words why there is none.
pub(super) fn casts_of<'m>(
    at: &AtHand<'_>,
    shown: &[Shown],
    moment: &'m Moment,
) -> Result<Vec<Cast<'m>>, String> {
    let whole = |cards: Vec<Card>| Cast {
        moment,
        clips: moment.clips.clone(),
        part_s: None,
        cards,
        is_later: false,
        notes: Vec::new(),
    };
    if moment.clips.iter().all(|i| shown[*i].along.is_none()) {
        return Ok(vec![whole(moment.clips.iter().filter_map(|i| shown[*i].card).collect())]);
    }
    let placed = moment.clips.iter().zip(&moment.after_s).filter_map(|(i, begin)| Some((*i, (*begin)?)));
    let alongs: Vec<(usize, Along, _)> =
        placed.map(|(i, begin)| (i, along_of(at, &shown[i], i), begin)).collect();
    let views: Vec<View<'_>> = alongs
        .iter()
        .map(|(_, along, begin)| View { along, after_s: begin.after_s, is_sure: begin.by_sound })
        .collect();
    let fewest = at.session.fewest_cameras().min(moment.clips.len());
    let (parts, told) = parts(&views, fewest);
    let told: Vec<String> = told.iter().map(|t| in_words(at, t)).collect();
    let shortest_s = views.iter().map(|v| v.along.length_s).fold(f64::INFINITY, f64::min);
    match &parts[..] {
        [] if told.is_empty() => return Err("nothing in it looks like a cast".into()),
        [] => return Err(format!("nothing in it is a take: {}", told.join("; "))),
        [only] if told.is_empty() && only.to_s - only.from_s > MOST_OF_CLIP * shortest_s => {
            return Ok(vec![whole(only.cards.clone())]);
        }
        _ => {}
    }
    let mut out: Vec<Cast<'m>> = parts
        .into_iter()
        .map(|part| {
            let began_s = part.views.first().map_or(0.0, |v| views[*v].after_s);
            Cast {
                moment,
                clips: part.views.iter().map(|v| alongs[*v].0).collect(),
                // neighbours that meet still meet, or leave a tenth
                part_s: Some([
                    (10.0 * (part.from_s - began_s)).ceil() / 10.0,
                    (10.0 * (part.to_s - began_s)).floor() / 10.0,
                ]),
                cards: part.cards,
                is_later: part.is_later,
                notes: Vec::new(),
            }
        })
        .collect();
    if let Some(last) = out.last_mut() {
        last.notes = told;
    }
    Ok(out)
}

/// What a clip shows along its length; of one that is not long its card, which is held up before the cast.
fn along_of(at: &AtHand<'_>, shown: &Shown, clip: usize) -> Along {
    shown.along.clone().unwrap_or_else(|| Along {
        length_s: at.lengths_s[clip],
        cards: shown.card.map(|card| CardAt { at_s: 0.0, card }).into_iter().collect(),
        tips: Vec::new(),
    })
}

fn in_words(at: &AtHand<'_>, told: &Told) -> String {
    let clock = |s: f64| format!("{:.0}:{:02.0}", (s / 60.0).floor(), (s % 60.0).floor());
    let span = |from: &f64, to: &f64| format!("from {} to {}", clock(*from), clock(*to));
    match told {
        Told::NoCast { at_s, cards } => {
            let whose = match held(at.session, at.phases, cards) {
                Held::Of { caster, phase } => format!("the card of {caster} {phase} was held up"),
                _ => "a card was held up".into(),
            };
            format!("at {} {whose}, and no cast was seen after it", clock(*at_s))
        }
        Told::After { card: Card::End, from_s, to_s } => {
            format!("{} somebody casts after the card `end`: it counts for nothing", span(from_s, to_s))
        }
        Told::After { card, from_s, to_s } => format!(
            "{} it shows the {}: scene and lens have clips of their own, film or cut it so",
            span(from_s, to_s),
            format!("{card:?}").to_lowercase()
        ),
        Told::Void { from_s, to_s } => {
            format!("{} there is a take after which the card `end` was held up", span(from_s, to_s))
        }
        Told::Alone { from_s, to_s } => {
            format!("{} somebody casts, and no clip of another phone holds it", span(from_s, to_s))
        }
    }
}

/// Writes the takes; `in_time` is when each set-up began, with its name.
pub(super) fn write(
    at: &AtHand<'_>,
    casts: Vec<Cast<'_>>,
    in_time: &[(f64, Option<String>)],
    earlier: &Earlier,
    out: &mut Placed,
) {
    let session = at.session;
    let mut taken: BTreeSet<String> = earlier.names.iter().cloned().collect();
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    session.take.iter().for_each(|t| *counts.entry(t.caster.key()).or_default() += 1);
    for cast in casts {
        let whose = whose(at, &cast, &counts);
        *counts.entry(whose.caster.to_lowercase()).or_default() += 1;
        let missing = at.missing(cast.moment).join(", ");
        let is_alone = cast.moment.clips.len() < session.fewest_cameras();
        let by_one = is_alone.then(|| format!("one view: no clip of {missing} goes with it"));
        let notes: Vec<String> = at.doubt(cast.moment).into_iter().chain(by_one).chain(cast.notes).collect();
        let doubt = (!notes.is_empty()).then(|| notes.join("; "));
        let began_s = cast.moment.began_s.map(|s| s + cast.part_s.map_or(0.0, |[from, _]| from));
        let before = |(set_up_s, _): &&(f64, Option<String>)| began_s.is_some_and(|s| *set_up_s <= s);
        let set_up = in_time.iter().filter(before).max_by(|a, b| a.0.total_cmp(&b.0));
        let take = NewTake {
            name: free_name("take", session.take.len() + out.additions.takes.len() + 1, &mut taken),
            caster: whose.caster,
            phase: whose.phase,
            set_up: set_up.and_then(|(_, name)| name.clone()),
            clips: at.named(&cast.clips),
            part_s: cast.part_s,
            caster_note: whose.note,
            clips_note: doubt.clone().unwrap_or_default(),
        };
        out.gathered.takes.push(GatheredTake {
            name: take.name.clone(),
            caster: take.caster.clone(),
            caster_is_guess: whose.is_guess,
            phase: take.phase.clone(),
            set_up: take.set_up.clone(),
            clips: take.clips.clone(),
            from_s: cast.part_s.map(|p| p[0]),
            to_s: cast.part_s.map(|p| p[1]),
            paired_by: match cast.moment.by_sound {
                _ if cast.moment.clips.len() == 1 => "alone",
                true => "sound",
                false => "time",
            },
            doubt,
        });
        out.additions.takes.push(take);
    }
}

/// Who casts in a take.
struct Whose {
    caster: String,
    phase: Option<String>,
    is_guess: bool,
    note: String,
}

/// By the card; without one round by round in the order of casters.csv: whoever has the fewest takes, the first of them.
fn whose(at: &AtHand<'_>, cast: &Cast<'_>, counts: &BTreeMap<String, usize>) -> Whose {
    let unclear = match held(at.session, at.phases, &cast.cards) {
        Held::Of { caster, phase } => {
            let note = match cast.is_later {
                false => "read from the card",
                true => "a guess: the last card before it is of an earlier take; correct it",
            };
            return Whose { caster, phase: Some(phase), is_guess: cast.is_later, note: note.into() };
        }
        Held::Unclear(why) => format!("{why}; "),
        Held::Nothing => String::new(),
    };
    let guess = at.session.casters.iter().min_by_key(|c| counts.get(&c.id.key()).copied().unwrap_or(0));
    let note = match guess {
        Some(_) => format!("{unclear}a guess by the order of casters.csv: correct it"),
        None => format!("{unclear}there is no casters.csv: write who cast"),
    };
    Whose {
        caster: guess.map_or(NOBODY.to_string(), |c| c.id.to_string()),
        phase: None,
        is_guess: true,
        note,
    }
}
