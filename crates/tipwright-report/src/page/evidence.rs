//! Evidence of a stroke in words and numbers, and of a caster in counts. What was seen, how strongly, what that is
//! consistent with, where sources disagree; what was asked and not raised; what could not be asked and why.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::figures::{capital, dual, dual_units, full, name};
use super::ids::Book;
use crate::text::{escape, lower};
use crate::units::{Kind, Shown, UnitSystem, kind, number, show};
use tipwright::model::evidence::{Evidence, HeldSign, StrokeEvidence};
use tipwright::model::results::{SessionResults, TakeResults};
use tipwright::model::{Direction, Measured};

/// The evidence of a stroke, empty where nothing was asked.
#[must_use]
pub fn of_stroke(take: &TakeResults, stroke: u32) -> String {
    let Some(found) = take.evidence.iter().find(|e| e.stroke == stroke) else { return String::new() };
    let mut out = String::from("<section class=\"evidence\"><h5>What was noticed</h5>");
    let raised: Vec<&Evidence> = found.evidence.iter().filter(|e| e.is_raised).collect();
    if raised.is_empty() {
        out.push_str("<p>Of what is looked for in a stroke, nothing was clear enough to be told.</p>");
    } else {
        out.push_str("<dl class=\"raised\">");
        for e in raised {
            out.push_str(&one(e));
        }
        out.push_str("</dl>");
    }
    out.push_str(&the_rest(take, found));
    out.push_str("</section>");
    out
}

/// The title, with how much may be said where the title does not say it.
fn heading(e: &Evidence) -> String {
    let word = e.word.text();
    if e.title.contains(word) { escape(&e.title) } else { format!("{}, <i>{word}</i>", escape(&e.title)) }
}

/// A probability without claiming certainty.
#[must_use]
pub fn percent(probability: f64) -> String {
    let p = 100.0 * probability;
    if p > 99.0 {
        "over 99\u{a0}%".into()
    } else if p < 1.0 {
        "under 1\u{a0}%".into()
    } else {
        format!("{}\u{a0}%", number(p, 0))
    }
}

fn one(e: &Evidence) -> String {
    let mut out = format!(
        "<div><dt>{} <span class=\"strength\">probability {}</span></dt><dd><p>{}.</p>",
        heading(e),
        percent(e.probability),
        said(&e.signs, &e.seen)
    );
    if !e.stands_on.is_empty() {
        let _ = write!(out, "<p>{}.</p>", capital(&escape(&e.stands_on)));
    }
    let _ = write!(
        out,
        "<p><i>Consistent with</i> {}.",
        e.consistent_with.iter().map(|c| escape(c)).collect::<Vec<_>>().join("; ")
    );
    if !e.along_with.is_empty() {
        let along = said(&e.companions, &e.along_with.join("; "));
        let _ = write!(out, " <i>Along with it:</i> {}.", lower(&along));
    }
    out.push_str("</p>");
    if let Some(dissent) = &e.dissent {
        let _ = write!(out, "<p><i>Sources differ.</i> {}</p>", escape(dissent));
    }
    out.push_str("</dd></div>");
    out
}

/// Signs with their numbers; `plain` where only words were kept.
fn said(signs: &[HeldSign], plain: &str) -> String {
    if signs.is_empty() {
        return escape(plain);
    }
    capital(&signs.iter().map(sign).collect::<Vec<_>>().join("; "))
}

fn sign(sign: &HeldSign) -> String {
    let what = if sign.per.is_some() { Kind::Other("") } else { kind(sign.figure) };
    let bound = |value: f64| {
        let text = |system| {
            let shown = show(what, Measured::new(value, fine(what)), system);
            let number = if shown.value.contains('.') {
                shown.value.trim_end_matches('0').trim_end_matches('.').to_owned()
            } else {
                shown.value.clone()
            };
            escape(&Shown { value: number, ..shown }.short())
        };
        dual(&text(UnitSystem::Metric), &text(UnitSystem::Imperial))
    };
    let per = sign.per.map(|p| format!(" over {}", name(p))).unwrap_or_default();
    let against = match (sign.above, sign.below) {
        (Some(low), Some(high)) => format!("between {} and {}", bound(low), bound(high)),
        (Some(low), None) => format!("above {}", bound(low)),
        (None, Some(high)) => format!("below {}", bound(high)),
        (None, None) => String::new(),
    };
    format!(
        "{} ({}{per} {}, noticed {against})",
        escape(&sign.say),
        name(sign.figure),
        full(what, sign.measured)
    )
}

/// An error that makes a threshold come out with as many decimals as it was written with.
fn fine(what: Kind) -> f64 {
    match what {
        Kind::SmallLength => 0.0009,
        Kind::Length => 0.009,
        Kind::Speed => 0.09,
        Kind::Count => 0.0,
        Kind::Other("ms" | "\u{b0}") => 0.9,
        Kind::Other(_) => 0.0009,
    }
}

/// What was asked and not raised, and what could not be asked.
fn the_rest(take: &TakeResults, found: &StrokeEvidence) -> String {
    let quiet: Vec<String> = found
        .evidence
        .iter()
        .filter(|e| !e.is_raised)
        .map(|e| format!("{} ({})", escape(&lower(&e.title)), percent(e.probability)))
        .collect();
    let mut out = String::new();
    if !quiet.is_empty() {
        let _ = write!(
            out,
            "<p class=\"aside\">Looked for and not found: {}. The number is how probable it is.</p>",
            quiet.join("; ")
        );
    }
    // A rule has its title where it could be asked: in another stroke of the take.
    let title = |rule: &str| {
        let all = take.evidence.iter().flat_map(|e| &e.evidence);
        all.filter(|e| e.rule == rule)
            .map(|e| lower(&e.title))
            .next()
            .unwrap_or_else(|| rule.replace('-', " "))
    };
    let mut by_reason: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for not in &found.not_judged {
        by_reason.entry(not.reason.as_str()).or_default().push(title(&not.rule));
    }
    if !by_reason.is_empty() {
        let parts: Vec<String> = by_reason
            .iter()
            .map(|(why, rules)| format!("{} ({})", escape(&rules.join(", ")), dual_units(why)))
            .collect();
        let _ = write!(out, "<p class=\"aside\">Could not be looked for: {}.</p>", parts.join("; "));
    }
    out
}

/// Titles of what was raised in a stroke, strongest first.
#[must_use]
pub fn titles(take: &TakeResults, stroke: u32) -> Vec<String> {
    take.evidence
        .iter()
        .filter(|e| e.stroke == stroke)
        .flat_map(|e| &e.evidence)
        .filter(|e| e.is_raised)
        .map(heading)
        .collect()
}

/// How often each thing was raised in a caster's strokes, with the strokes.
#[must_use]
pub fn of_caster(session: &SessionResults, takes: &[&TakeResults], book: &Book) -> String {
    let mut asked: BTreeMap<&str, (usize, String, Vec<String>)> = BTreeMap::new();
    for take in takes {
        for found in &take.evidence {
            let way = take.strokes.iter().find(|s| s.stroke == found.stroke).map(|s| s.direction);
            for e in &found.evidence {
                let entry = asked.entry(e.rule.as_str()).or_insert_with(|| (0, heading(e), Vec::new()));
                entry.0 += 1;
                if e.is_raised {
                    let direction = if way == Some(Direction::Back) { "back" } else { "forward" };
                    entry.2.push(format!(
                        "<a href=\"{}\">{} stroke\u{a0}{}, {direction}</a> ({})",
                        escape(&book.stroke(session, take, found.stroke)),
                        escape(&take.take),
                        found.stroke,
                        percent(e.probability)
                    ));
                }
            }
        }
    }
    if asked.is_empty() {
        return String::new();
    }
    let mut raised: Vec<_> = asked.values().filter(|a| !a.2.is_empty()).collect();
    raised.sort_by(|a, b| b.2.len().cmp(&a.2.len()).then(a.1.cmp(&b.1)));
    let mut out = String::from("<section class=\"evidence\">");
    if raised.is_empty() {
        out.push_str(
            "<p>Of what is looked for in a stroke, nothing was clear enough to be told.</p></section>",
        );
        return out;
    }
    out.push_str("<dl class=\"raised\">");
    for (count, title, where_seen) in raised {
        let _ = write!(
            out,
            "<div><dt>{title} <span class=\"strength\">{} of {count}</span></dt><dd><p>{}.</p></dd></div>",
            where_seen.len(),
            where_seen.join(", ")
        );
    }
    out.push_str("</dl></section>");
    out
}
