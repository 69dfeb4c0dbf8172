//! How steady a caster is: mean, spread and trend per phase, and what differs between phases.

use super::figures::{capital, full, name, rough};
use super::table::{Cell, Column, Table};
use crate::tables::direction_word;
use crate::units::kind;
use tipwright::math::student_975;
use tipwright::model::consistency::{CasterSteadiness, Difference, PhaseDifference, Steadiness};
use tipwright::model::results::SessionResults;
use tipwright::model::{Direction, FigureId, Measured, StrokeKind};

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
        .flat_map(|direction| StrokeKind::ALL.map(|kind| (direction, kind)))
        .map(|(direction, kind)| table(session, caster, alias, direction, kind))
        .collect();
    if tables.is_empty() {
        return tables;
    }
    format!(
        "<section><h3>How steady</h3><p class=\"aside\">Pick-ups, false casts and deliveries are told apart. Mean of the strokes (how many); how far strokes differ from each \
         other, the error of measurement taken out; how much it changes from one stroke to the next, where that is beyond \
         chance. A difference is stated only with enough strokes on both sides.</p>{tables}</section>"
    )
}

fn table(
    session: &SessionResults,
    caster: &str,
    alias: &str,
    direction: Direction,
    kind_of: StrokeKind,
) -> String {
    let own: Vec<&CasterSteadiness> = session
        .steadiness
        .iter()
        .filter(|s| s.caster == caster && s.direction == direction && s.kind == kind_of)
        .filter(|s| FIGURES.contains(&s.figure))
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
    let word = group(direction, kind_of);
    let mut columns = vec![Column::lead("figure")];
    for phase in &phases {
        let phase = phase.map(|p| format!("{p}: ")).unwrap_or_default();
        columns
            .extend(["mean", "spread", "per stroke"].map(|what| Column::number(&format!("{phase}{what}"))));
    }
    let called = |phase: &Option<&str>| phase.unwrap_or("no phase").to_owned();
    for phase in phases.iter().skip(1) {
        columns.push(Column::words(&format!("{} less {}", called(phase), called(&phases[0]))));
    }
    let mut rows = Vec::new();
    for &figure in FIGURES {
        if !own.iter().any(|s| s.figure == figure) {
            continue;
        }
        let mut row = vec![Cell::new(name(figure))];
        for &phase in &phases {
            match own.iter().find(|s| s.figure == figure && s.phase.as_deref() == phase) {
                Some(s) => row.extend(cells(figure, &s.steadiness)),
                None => row.extend([Cell::default(), Cell::default(), Cell::default()]),
            }
        }
        for &phase in phases.iter().skip(1) {
            let found = session.differences.iter().find(|d| {
                d.caster == caster
                    && d.direction == direction
                    && d.kind == kind_of
                    && d.figure == figure
                    && d.second.as_deref() == phase
            });
            row.push(Cell::new(found.map(|d| told(figure, d)).unwrap_or_default()));
        }
        rows.push((String::new(), row));
    }
    Table {
        label: &format!("How steady {alias}, {word}"),
        caption: &capital(&word),
        class: "steady",
        sorts: false,
        columns,
        rows,
    }
    .html()
}

/// Name of a group.
fn group(direction: Direction, kind: StrokeKind) -> String {
    format!("{} {}", direction_word(direction), plural(kind))
}

fn plural(kind: StrokeKind) -> &'static str {
    match kind {
        StrokeKind::PickUp => "pick-ups",
        StrokeKind::False => "false casts",
        StrokeKind::Delivery => "deliveries",
        StrokeKind::Single => "single casts",
    }
}

/// A value whose 95 % half-width is given.
fn with_half(value: f64, half_width: f64) -> Measured {
    Measured::new(value, half_width / Measured::new(0.0, 1.0).half_width_95())
}

fn cells(figure: FigureId, s: &Steadiness) -> [Cell; 3] {
    let n = s.strokes as f64;
    // Of one stroke: its own interval of measurement.
    let mean = if s.strokes > 1 { with_half(s.mean.value, student_975(n - 1.0) * s.mean.sd) } else { s.mean };
    let spread = s.spread.map_or_else(
        || "<span class=\"few\">too few</span>".to_owned(),
        |v| rough(kind(figure), Measured::new(v, 0.1 * v)),
    );
    let trend = s.trend_per_stroke.map_or_else(
        || "<span class=\"few\">too few</span>".to_owned(),
        |t| {
            let half = student_975(n - 2.0) * t.sd;
            if t.value.abs() > half {
                full(kind(figure), with_half(t.value, half))
            } else {
                "none seen".to_owned()
            }
        },
    );
    let mean = format!("{} <span class=\"pm\">({})</span>", full(kind(figure), mean), s.strokes);
    [mean, spread, trend].map(Cell::new)
}

fn told(figure: FigureId, d: &PhaseDifference) -> String {
    match &d.difference {
        Difference::TooFew { .. } => "<span class=\"few\">too few strokes to say</span>".to_owned(),
        Difference::Told { difference, low, high, .. } => {
            let text = full(kind(figure), with_half(*difference, 0.5 * (high - low)));
            if *low > 0.0 || *high < 0.0 { text } else { format!("{text}, none seen") }
        }
    }
}
