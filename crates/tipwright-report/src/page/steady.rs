//! How steady a caster is: mean, spread and trend per phase, and what differs between phases.

use super::figures::{change, full, name, rough, spread as spread_of};
use super::story::with_half;
use super::table::{Cell, Column, Table};
use crate::tables::direction_word;
use crate::text::{Html, capital};
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

/// Both directions of a caster, empty without strokes enough. `means_only`: without spread and trend, for a handout.
#[must_use]
pub fn section(session: &SessionResults, caster: &str, alias: &str, means_only: bool) -> Html {
    let ways = [Direction::Forward, Direction::Back];
    let groups = ways.into_iter().flat_map(|way| StrokeKind::ALL.map(|kind| (way, kind)));
    // a handout has two pages: what is practised stands on them
    let groups = groups.filter(|(_, kind)| !means_only || *kind != StrokeKind::PickUp);
    Html(groups.map(|group| table(session, caster, alias, group, means_only)).collect())
}

fn table(
    session: &SessionResults,
    caster: &str,
    alias: &str,
    (direction, kind_of): (Direction, StrokeKind),
    means_only: bool,
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
    let word = format!("{} {}", direction_word(direction), plural(kind_of));
    let whats: &[&str] = if means_only { &["mean"] } else { &["mean", "spread", "per stroke"] };
    let mut columns = vec![Column::lead("figure")];
    for phase in &phases {
        let phase = phase.map(|p| format!("{p}: ")).unwrap_or_default();
        columns.extend(whats.iter().map(|what| Column::number(&format!("{phase}{what}"))));
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
        let first = if means_only { crate::text::escape(figure.info().name) } else { name(figure) };
        let mut row = vec![Cell::new(first)];
        for &phase in &phases {
            let found = own.iter().find(|s| s.figure == figure && s.phase.as_deref() == phase);
            let cells = found.map_or_else(Default::default, |s| cells(figure, &s.steadiness));
            row.extend(cells.into_iter().take(whats.len()));
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
    .0
}

fn plural(kind: StrokeKind) -> &'static str {
    match kind {
        StrokeKind::PickUp => "pick-ups",
        StrokeKind::False => "false casts",
        StrokeKind::Delivery => "deliveries",
        StrokeKind::Single => "single casts",
    }
}

fn cells(figure: FigureId, s: &Steadiness) -> [Cell; 3] {
    let n = s.strokes as f64;
    let few = || "<span class=\"few\">too few</span>".to_owned();
    let mean = match s.strokes {
        // Of one stroke: its own interval of measurement.
        0 | 1 => full(kind(figure), s.mean),
        // Two strokes have no interval of a mean that says anything (Student's factor is 12.7): the two themselves.
        2 => {
            let one = |v: f64| rough(kind(figure), Measured::new(v, s.measurement_sd));
            format!("{} and {}", one(s.mean.value - s.mean.sd), one(s.mean.value + s.mean.sd))
        }
        _ => full(kind(figure), with_half(s.mean.value, s.mean_half_width_95())),
    };
    let spread = s.spread.map_or_else(few, |v| spread_of(kind(figure), v));
    let trend = s.trend_per_stroke.map_or_else(few, |t| {
        let half = student_975(n - 2.0) * t.sd;
        if t.value.abs() > half {
            change(kind(figure), with_half(t.value, half))
        } else {
            "none seen".to_owned()
        }
    });
    [format!("{mean} <span class=\"pm\">({})</span>", s.strokes), spread, trend].map(Cell::new)
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A trend of 0.04 degrees a stroke was printed as 0.0 \u{b1} 0.1.
    #[test]
    fn what_is_smaller_than_its_last_decimal_is_not_printed_as_nothing() {
        let s = Steadiness {
            strokes: 5,
            mean: Measured::new(70.3, 0.02),
            spread: Some(0.03),
            measurement_sd: 0.01,
            trend_per_stroke: Some(Measured::new(0.04, 0.01)),
            shared_sd: 0.0,
        };
        let [_, spread, trend] = cells(FigureId::Arc, &s).map(|c| c.html.0);
        assert_eq!(spread, "under 0.1\u{b0}");
        assert_eq!(trend, "under 0.1\u{b0}");
        let s = Steadiness { trend_per_stroke: Some(Measured::new(-0.5, 0.01)), spread: Some(0.3), ..s };
        let [_, spread, trend] = cells(FigureId::Arc, &s).map(|c| c.html.0);
        assert!(spread == "0.3\u{b0}" && trend.starts_with("\u{2212}0.5"), "{spread} {trend}");
    }

    /// Two strokes of 53 and 75 ft/s were printed as 64 ± 137 ft/s.
    #[test]
    fn two_strokes_are_shown_themselves_and_not_by_an_absurd_interval() {
        let s = Steadiness {
            strokes: 2,
            mean: Measured::new(19.5, 3.3),
            spread: None,
            measurement_sd: 0.1,
            trend_per_stroke: None,
            shared_sd: 0.0,
        };
        let html = &cells(FigureId::PeakSpeed, &s)[0].html.0;
        assert!(html.contains("16.20") && html.contains("22.80") && !html.contains('\u{b1}'), "{html}");
    }
}
