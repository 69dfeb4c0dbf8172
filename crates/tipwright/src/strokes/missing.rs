//! Why a figure of a stroke cannot be had.

use std::collections::BTreeMap;

use crate::model::FigureId as F;
use crate::model::figures::Needs;

use super::raw::{Allowed, Raw};
use super::rod::Rod;
use super::segment::Cut;

/// Reasons by figure.
pub(super) type Reasons = BTreeMap<F, String>;

/// Figures that stand on the pause before the stroke, or after it.
const BEFORE: [F; 3] = [F::Pause, F::Opposite, F::Creep];

/// Why nothing is compared with the stroke that stands before in the list.
pub(crate) const CUT_BEFORE: &str = "a stroke between this one and the one before was not seen whole";

/// Two strokes, there and back, and the pause between them take longer than this.
const ROOM_FOR_TWO_S: f64 = 0.6;

/// Reasons known before any number is looked at: markers not worn or not seen, gaps, no neighbour.
pub(super) fn reasons(
    rod: &Rod<'_>,
    raws: &[Raw],
    cuts: &[Cut],
    allowed: &[Allowed],
    fell_back: bool,
    i: usize,
) -> Reasons {
    let mut out = Reasons::new();
    let is_cut = |from_s: f64, to_s: f64| cuts.iter().any(|c| c.from_s < to_s && c.to_s > from_s);
    let bent_before = i > 0 && allowed[i - 1].bend_until_s.is_some();
    let allowed = &allowed[i];
    for &id in F::ALL {
        let reason = match (id, id.info().needs) {
            (_, Needs::Line) => Some("the line was not measured"),
            (_, Needs::Model) => Some("no line was led behind the path"),
            (_, Needs::Sound) => Some("no sound was listened to"),
            (F::ButtSpeed, _) if rod.butts.is_empty() => Some("needs a butt marker"),
            (F::ButtSpeed, _) if !allowed.butt_speed => {
                Some("the upper butt marker is not seen all through W")
            }
            (F::ButtSpeed, _) => None,
            (_, Needs::Butt) if rod.pair().is_none() => Some(if rod.butts.is_empty() {
                "needs two butt markers"
            } else {
                "needs a second butt marker"
            }),
            (_, Needs::Butt) if fell_back => Some("the bend never comes back to zero"),
            (F::Counterflex | F::RingFrequency | F::RingDamping, _) if !allowed.counterflex => {
                Some("the butt markers are not seen through counterflex")
            }
            (_, Needs::Butt) if allowed.bend_until_s.is_none() => {
                Some("the butt markers are not seen from the start until the rod is straight")
            }
            _ => None,
        };
        if let Some(reason) = reason {
            out.insert(id, reason.into());
        }
    }
    if i == 0 {
        let why = if is_cut(f64::NEG_INFINITY, raws[i].times.t_start_s) {
            "the stroke before this one was not seen whole"
        } else {
            "the first stroke of the take has none before it"
        };
        for id in BEFORE {
            out.insert(id, why.into());
        }
    } else if !allowed.pause_before {
        out.insert(F::Creep, "the path has a gap in the pause before".into());
    }
    if i + 1 == raws.len() {
        let why = if is_cut(raws[i].times.t_stop_s, f64::INFINITY) {
            "the stroke after this one was not seen whole"
        } else {
            "the last stroke of the take has none after it"
        };
        out.insert(F::Drift, why.into());
    } else if !allowed.pause_after {
        out.insert(F::Drift, "the path has a gap in the pause after".into());
    }
    gaps(rod, raws, i, &mut out);
    let is_between = |before: &Raw, after: &Raw| {
        is_cut(before.times.t_stop_s, after.times.t_start_s) || may_lie_between(rod, before, after)
    };
    // a neighbour with a gap in its W has no chord to compare with
    if let Some(before) = i.checked_sub(1).map(|k| &raws[k]) {
        if let Some(gap) = rod.tip.columns.gap_in(before.times.t_start_s, before.t_rsp_s) {
            out.insert(F::Opposite, unseen("the stroke before: the tip", gap));
        }
        if rod.tip.columns.gap_in(before.times.t_stop_s - 1e-9, before.times.t_stop_s + 1e-9).is_some() {
            out.insert(F::Pause, "the stop of the stroke before lies in a gap".into());
        }
        if is_between(before, &raws[i]) {
            for id in BEFORE.into_iter().chain([F::LoopSymmetry]) {
                out.insert(id, CUT_BEFORE.into());
            }
        } else if allowed.bend_until_s.is_some() != bent_before {
            // the chords end at moments of two kinds, some hundredths of a second apart
            out.entry(F::Opposite).or_insert_with(|| {
                "one of the two strokes has its rod straight position by the bend, the other by speed".into()
            });
        }
    }
    if raws.get(i + 1).is_some_and(|after| is_between(&raws[i], after)) {
        out.insert(F::Drift, "a stroke between this one and the one after was not seen whole".into());
    }
    out
}

/// A stroke may lie in a gap between two that were found: strokes alternate, and in a long gap there is room for two.
fn may_lie_between(rod: &Rod<'_>, before: &Raw, after: &Raw) -> bool {
    let (from_s, to_s) = (before.times.t_stop_s, after.times.t_start_s);
    let mut gaps = rod.tip.columns.gaps.iter().filter(|g| g.0 < to_s && g.1 > from_s).peekable();
    let same_way = before.plane.zip(after.plane).is_some_and(|(a, b)| a.along.dot(&b.along) > 0.0);
    (same_way && gaps.peek().is_some()) || gaps.any(|g| g.1 - g.0 > ROOM_FOR_TWO_S)
}

/// A gap in W takes every figure but the moments outside it; one after W takes the stop's.
fn gaps(rod: &Rod<'_>, raws: &[Raw], i: usize, out: &mut Reasons) {
    let columns = &rod.tip.columns;
    let raw = &raws[i];
    let (start_s, stop_s) = (raw.times.t_start_s, raw.times.t_stop_s);
    let inside = |t: f64| columns.gap_in(t - 1e-9, t + 1e-9).is_some();
    if let Some(gap) = columns.gap_in(start_s, raw.t_rsp_s) {
        for &id in F::ALL {
            let kept = match id {
                F::TStart | F::Pause => !inside(start_s),
                F::TStop => !inside(stop_s),
                _ => false,
            };
            if !kept {
                out.entry(id).or_insert_with(|| unseen("the tip", gap));
            }
        }
    } else if let Some(gap) = columns.gap_in(raw.t_rsp_s, stop_s) {
        for id in [F::TStop, F::Stop, F::LoopWidthProxy, F::Drift] {
            out.entry(id).or_insert_with(|| unseen("the tip", gap));
        }
    }
}

fn unseen(what: &str, gap: (f64, f64)) -> String {
    format!("{what} was not seen from {:.3} s to {:.3} s", gap.0, gap.1)
}

/// Why a figure has no value although nothing stood in its way.
pub(super) fn without_value(id: F) -> &'static str {
    match id {
        F::DipAt => "the path has no dip",
        F::TStop | F::Stop | F::Pause => "the tip turned without slowing to a fifth of its peak speed",
        F::LoopWidthProxy | F::Creep | F::Drift => "the tip turned without a stop",
        F::Counterflex => "the next stroke starts before the rod flexes the other way",
        _ => "the chord is nothing or too steep for a vertical plane",
    }
}
