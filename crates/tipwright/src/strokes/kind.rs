//! What each stroke is for: pick-up, false cast, delivery, or a cast by itself.
//!
//! Strokes come in sequences: the first picks the line up, the last lays it down, what is between keeps it in the air. So
//! the question is where a sequence begins and ends: in each gap between strokes (and before the first, after the last) the
//! odds of a rest are put together from
//! - how long it is, against the take's own pauses: a caster who keeps the line in the air must not wait longer than it
//!   unrolls; at the span's ends a stroke that came before or after may not be seen;
//! - whether the rod was lowered toward the water in it, as for a pick-up and after a delivery;
//! - the ways before and after: a sequence begins with a back cast and ends with a forward cast.
//!
//! A stroke of which only a part was seen is no rest: what comes after it is not the first.
//!
//! The odds are common practice, checked by `tests/studies/calibration.sh` on simulated takes, whole and cut anywhere.

use nalgebra::Point3;

use crate::math::median;
use crate::model::{Direction, StrokeKind};

use super::curve::Columns;
use super::direction::Casting;
use super::raw::Raw;
use super::segment::Cut;

/// Pause taken when the take shows fewer than two, and its scatter: the unrolling of 10 m of line at 20 m/s (2 L / v).
const USUAL_PAUSE_S: f64 = 1.0;
const USUAL_SCATTER_S: f64 = 0.35;
/// Scatter of a caster's own pauses, share of their median.
const SCATTER: f64 = 0.15;
/// Within a take a pause this much longer than the median says nothing either way.
const LONG: f64 = 1.8;
/// Log odds of a rest in a gap between two strokes before it is looked at: one in twenty.
const BETWEEN: f64 = -3.0;
/// Log odds of a rest where the span ends within a pause: a clip cut anywhere ends among false casts more often than not. Set on persons
/// 100 to 159 of the calibration study (without it 56 % stated, 21 % true), checked on 200 to 259: of five bins of takes cut anywhere
/// one is outside (75 % stated, 62 % true; before 57 % stated, 34 % true, and 95 %, 87 %).
const CUT: f64 = -1.3;
/// Most that the length of a gap may say.
const MOST: f64 = 5.0;
/// The tip was lowered by this share of a stroke's chord below the strokes' ends: 20 times as likely at rest as in a pause.
const LOW: f64 = 0.3;
const LOWERED: f64 = 3.0;
/// Not lowered where there was time to: a fifth as likely.
const STAYED_UP: f64 = -1.6;
/// Time from the stop of a delivery until the rod has been lowered.
const LOWERING_S: f64 = 1.2;
/// Share of sequences that begin with a back cast and end with a forward cast.
const BY_THE_BOOK: f64 = 0.9;
/// Never more certain than this: what is asked is not independent.
const MOST_CERTAIN: f64 = 0.99;

/// A stroke of the take, seen whole or not.
struct Event {
    start_s: f64,
    stop_s: f64,
    is_whole: bool,
    direction: Direction,
}

/// Strokes that were measured and those of which a part was seen, in order of time.
fn events(raws: &[Raw], cuts: &[Cut], casting: &Casting) -> Vec<Event> {
    let or_peak = |t_s: f64, raw: &Raw| if t_s.is_finite() { t_s } else { raw.times.t_peak_s };
    let whole = raws.iter().zip(&casting.directions).map(|(raw, direction)| Event {
        start_s: or_peak(raw.times.t_start_s, raw),
        stop_s: or_peak(raw.times.t_stop_s, raw),
        is_whole: true,
        direction: *direction,
    });
    let cut = cuts.iter().map(|c| Event {
        start_s: c.from_s,
        stop_s: c.to_s,
        is_whole: false,
        direction: casting.direction_of(&c.way),
    });
    let mut out: Vec<Event> = whole.chain(cut).collect();
    out.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    out
}

/// The likeliest kind of every stroke with its probability.
pub(super) fn kinds(
    raws: &[Raw],
    cuts: &[Cut],
    casting: &Casting,
    chords: &[[Point3<f64>; 2]],
    tip: &Columns,
) -> Vec<(StrokeKind, f64)> {
    let events = events(raws, cuts, casting);
    let n = events.len();
    let span_s = (tip.t_s[0], tip.t_s[tip.t_s.len() - 1]);
    let pauses: Vec<f64> = events
        .windows(2)
        .filter(|w| w.iter().all(|e| e.is_whole))
        .map(|w| (w[1].start_s - w[0].stop_s).max(0.0))
        .collect();
    let (pause_s, scatter_s) = match median(pauses.iter().copied()) {
        Some(m) if pauses.len() > 1 => (m, SCATTER * m.max(0.1)),
        _ => (USUAL_PAUSE_S, USUAL_SCATTER_S),
    };
    let ends_m = median(chords.iter().map(|[a, b]| (a.z + b.z) / 2.0)).unwrap_or(0.0);
    let low_m = ends_m - LOW * median(chords.iter().map(|[a, b]| (b - a).norm())).unwrap_or(f64::INFINITY);
    let rests: Vec<f64> = (0..=n)
        .map(|k| {
            let (before, after) = (k.checked_sub(1).map(|k| &events[k]), events.get(k));
            let from_s = before.map_or(span_s.0, |e| e.stop_s);
            let to_s = after.map_or(span_s.1, |e| e.start_s);
            let gap_s = (to_s - from_s).max(0.0);
            let mut log_odds = if before.is_some() && after.is_some() {
                BETWEEN + ((gap_s - LONG * pause_s) / scatter_s).clamp(-MOST, MOST)
            } else {
                CUT + ((gap_s - pause_s) / scatter_s).exp().ln_1p().min(MOST)
            };
            // strokes that overlap leave nothing between
            let first = tip.t_s.partition_point(|t| *t < from_s);
            let within = first..tip.t_s.partition_point(|t| *t <= to_s).max(first);
            let lowest_m =
                tip.nominal.positions_in_world[within].iter().map(|p| p.z).fold(f64::MAX, f64::min);
            if lowest_m < low_m {
                log_odds += LOWERED;
            } else if tip.gap_in(from_s, to_s).is_none() && (k == 0 || gap_s > pause_s + LOWERING_S) {
                log_odds += STAYED_UP;
            }
            let by_the_book = |e: &Event, wanted: Direction| {
                let right = if e.direction == wanted { casting.certainty } else { 1.0 - casting.certainty };
                (2.0 * (right * BY_THE_BOOK + (1.0 - right) * (1.0 - BY_THE_BOOK))).ln()
            };
            log_odds += after.map_or(0.0, |e| by_the_book(e, Direction::Back));
            log_odds += before.map_or(0.0, |e| by_the_book(e, Direction::Forward));
            1.0 / (1.0 + (-log_odds).exp())
        })
        .collect();
    let with_rests = events.iter().zip(rests.windows(2));
    with_rests.filter(|(e, _)| e.is_whole).map(|(_, w)| likeliest(w[0], w[1])).collect()
}

/// From the probabilities of a rest before and after.
fn likeliest(before: f64, after: f64) -> (StrokeKind, f64) {
    let all = [
        (StrokeKind::PickUp, before * (1.0 - after)),
        (StrokeKind::False, (1.0 - before) * (1.0 - after)),
        (StrokeKind::Delivery, (1.0 - before) * after),
        (StrokeKind::Single, before * after),
    ];
    let best = all.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or(all[1]);
    (best.0, best.1.min(MOST_CERTAIN))
}
