//! How steady a caster is: mean, spread and trend per phase, and what differs between phases.

use std::fmt::Write;

use super::figures::{capital, dual, full, name};
use crate::model::consistency::{CasterSteadiness, Difference, PhaseDifference, Steadiness};
use crate::model::results::SessionResults;
use crate::model::{Direction, FigureId, Measured};
use crate::report::compare::stats::t_975;
use crate::report::plot::svg::escape;
use crate::report::tables::direction_word;
use crate::report::units::{UnitSystem, kind, show};

/// Figures of the table: how the tip went, how it was driven, how the rod stood.
const FIGURES: &[FigureId] = &[
    FigureId::DipDepth,
    FigureId::DomeHeight,
    FigureId::OffPlaneMax,
    FigureId::Chord,
    FigureId::PeakSpeed,
    FigureId::LatePower,
    FigureId::Stop,
    FigureId::Arc,
    FigureId::MaxBend,
    FigureId::BendLead,
    FigureId::Pause,
    FigureId::LoopWidth,
];

/// Both directions of a caster.
#[must_use]
pub fn section(session: &SessionResults, caster: &str, alias: &str) -> String {
    let tables: String = [Direction::Forward, Direction::Back]
        .into_iter()
        .map(|direction| table(session, caster, alias, direction))
        .collect();
    if tables.is_empty() {
        return tables;
    }
    format!(
        "<section><h3>How steady</h3><p class=\"aside\">Mean of the strokes; spread from stroke to stroke, the error of \
         measurement taken out; change per stroke where its interval leaves zero out. A difference is told only with \
         enough strokes on both sides.</p>{tables}</section>"
    )
}

fn table(session: &SessionResults, caster: &str, alias: &str, direction: Direction) -> String {
    let own: Vec<&CasterSteadiness> = session
        .steadiness
        .iter()
        .filter(|s| s.caster == caster && s.direction == direction && FIGURES.contains(&s.figure))
        .collect();
    let mut phases: Vec<Option<&str>> = Vec::new();
    for s in &own {
        if !phases.contains(&s.phase.as_deref()) {
            phases.push(s.phase.as_deref());
        }
    }
    if own.iter().all(|s| s.steadiness.strokes < 2) {
        return String::new();
    }
    let word = direction_word(direction);
    let mut out = format!(
        "<div class=\"scroll\" role=\"region\" tabindex=\"0\" aria-label=\"How steady {}, {word} strokes\"><table class=\"steady\">\
         <caption>{} strokes</caption><thead><tr><th scope=\"col\">figure</th>",
        escape(alias),
        capital(word)
    );
    for phase in &phases {
        let phase = phase.map(|p| format!("{}: ", escape(p))).unwrap_or_default();
        let _ = write!(
            out,
            "<th scope=\"col\" class=\"n\">{phase}mean</th><th scope=\"col\" class=\"n\">spread</th>\
             <th scope=\"col\" class=\"n\">per stroke</th>"
        );
    }
    for phase in phases.iter().skip(1) {
        let first = phases[0].unwrap_or("no phase");
        let _ = write!(
            out,
            "<th scope=\"col\">{} less {}</th>",
            escape(phase.unwrap_or("no phase")),
            escape(first)
        );
    }
    out.push_str("</tr></thead><tbody>");
    for &figure in FIGURES {
        if !own.iter().any(|s| s.figure == figure) {
            continue;
        }
        let _ = write!(out, "<tr><td>{}</td>", name(figure));
        for &phase in &phases {
            match own.iter().find(|s| s.figure == figure && s.phase.as_deref() == phase) {
                Some(s) => out.push_str(&cells(figure, &s.steadiness)),
                None => out.push_str("<td class=\"n\"></td><td class=\"n\"></td><td class=\"n\"></td>"),
            }
        }
        for &phase in phases.iter().skip(1) {
            let found = session.differences.iter().find(|d| {
                d.caster == caster
                    && d.direction == direction
                    && d.figure == figure
                    && d.second.as_deref() == phase
            });
            let _ = write!(out, "<td>{}</td>", found.map(|d| told(figure, d)).unwrap_or_default());
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div>");
    out
}

/// A value whose 95 % half-width is given.
fn with_half(value: f64, half_width: f64) -> Measured {
    Measured::new(value, half_width / Measured::new(0.0, 1.0).half_width_95())
}

fn cells(figure: FigureId, s: &Steadiness) -> String {
    let n = s.strokes as f64;
    let mean = if s.strokes > 1 { with_half(s.mean.value, t_975(n - 1.0) * s.mean.sd) } else { s.mean };
    let spread = s.spread.map_or_else(
        || "<span class=\"few\">few</span>".to_owned(),
        |v| {
            let text = |system| escape(&show(kind(figure), Measured::new(v, 0.1 * v), system).short());
            dual(&text(UnitSystem::Metric), &text(UnitSystem::Imperial))
        },
    );
    let trend = s.trend_per_stroke.map_or_else(
        || "<span class=\"few\">few</span>".to_owned(),
        |t| {
            let half = t_975(n - 2.0) * t.sd;
            if t.value.abs() > half {
                full(kind(figure), with_half(t.value, half))
            } else {
                "none told".to_owned()
            }
        },
    );
    format!(
        "<td class=\"n\">{} <span class=\"pm\">({})</span></td><td class=\"n\">{spread}</td><td class=\"n\">{trend}</td>",
        full(kind(figure), mean),
        s.strokes
    )
}

fn told(figure: FigureId, d: &PhaseDifference) -> String {
    match &d.difference {
        Difference::TooFew { .. } => "<span class=\"few\">too few strokes to say</span>".to_owned(),
        Difference::Told { difference, low, high, .. } => {
            let text = full(kind(figure), with_half(*difference, 0.5 * (high - low)));
            if *low > 0.0 || *high < 0.0 { text } else { format!("{text}, none told") }
        }
    }
}
