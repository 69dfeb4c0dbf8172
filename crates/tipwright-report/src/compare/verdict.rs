//! What can be said of a difference, and how many more strokes would tell one that a person notices.

use super::contrast::{Difference, Verdict};
use crate::page::figures::dual;
use crate::page::story::more_needed;
use crate::text::escape;
use crate::units::{Kind, UnitSystem, kind, show};
use tipwright::math::student_975;
use tipwright::model::{FigureId, Measured};

pub(super) fn is_told(d: &Difference) -> bool {
    matches!(d.verdict, Verdict::More | Verdict::Less)
}

/// A difference that a person would notice, for saying how many strokes would tell it (own choices).
fn worth(id: FigureId) -> f64 {
    match kind(id) {
        Kind::SmallLength => 0.02,
        Kind::Length => 0.1,
        Kind::Speed => 1.0,
        Kind::Count => 1.0,
        Kind::Other("ms") => 10.0,
        Kind::Other("s") => 0.05,
        Kind::Other("\u{b0}") => 5.0,
        Kind::Other(_) => 0.05,
    }
}

/// What can be said of a difference.
pub(super) fn verdict(d: &Difference) -> String {
    if is_told(d) {
        return d.verdict.word().to_owned();
    }
    let worth_m = worth(d.figure);
    let text = |system| {
        let shown = show(kind(d.figure), Measured::new(worth_m, 0.0009 * worth_m.max(1.0)), system);
        let value = if shown.value.contains('.') {
            shown.value.trim_end_matches('0').trim_end_matches('.')
        } else {
            &shown.value
        };
        crate::units::Shown { value: value.to_owned(), ..shown.clone() }.short()
    };
    let what = dual(&escape(&text(UnitSystem::Metric)), &escape(&text(UnitSystem::Imperial)));
    let each = if d.is_paired { "casters" } else { "strokes of each" };
    let fewest = d.counts.0.min(d.counts.1);
    let shared = Measured::new(0.0, d.shared_sd).half_width_95();
    if shared >= worth_m {
        return format!("{}; one camera alone can\u{2019}t tell {what}", d.verdict.word());
    }
    let worth_m = (worth_m.powi(2) - shared.powi(2)).sqrt();
    let more = d.scatter.and_then(|s| {
        if d.is_paired { paired_needed(s, fewest, worth_m) } else { more_needed(s, fewest, worth_m) }
    });
    match more {
        Some(0) => format!("{}; {what} would be", d.verdict.word()),
        Some(n) => format!("{}; about {n} more {each} would tell {what}", d.verdict.word()),
        None => d.verdict.word().to_owned(),
    }
}

/// Pairs beyond those there until a mean of paired differences is known to `worth`.
fn paired_needed(scatter: f64, pairs: usize, worth: f64) -> Option<usize> {
    let half = |n: usize| student_975(n as f64 - 1.0) * scatter / (n as f64).sqrt();
    (3_usize..=200).find(|&n| half(n) <= worth).map(|n| n.saturating_sub(pairs))
}
