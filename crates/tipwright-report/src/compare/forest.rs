//! One small panel per figure: a row per caster with a dot and its 95 % interval, so that what is told apart and what
//! is not can be seen at once.

use crate::plot::Panel;
use crate::plot::area::text_width;
use crate::plot::frame::{Axis, BOTTOM, DrawnUnits, Frame, RIGHT, TOP};
use crate::plot::scale::{Quantity, Scale};
use crate::plot::span;
use crate::plot::svg::{Anchor, Svg, Xy};
use crate::units::{Kind, UnitSystem, kind, show};
use tipwright::model::FigureId;

/// One row of a panel.
#[derive(Debug, Clone)]
pub struct ForestRow {
    /// Name.
    pub label: String,
    /// Where the dot stands.
    pub value: f64,
    /// Half-width of its interval; none for a single stroke.
    pub half_width: Option<f64>,
    /// Drawn with a full diamond: the mean over casters.
    pub is_whole: bool,
    /// Drawn open: too few to say anything.
    pub is_faint: bool,
    /// Second series: drawn as a square.
    pub is_second: bool,
}

/// Height of a row.
const ROW: f64 = 19.0;
/// Rows that the words for a drawing tell one by one: nobody listens to more.
const TOLD: usize = 24;
/// Width of a panel.
pub const WIDTH: f64 = 350.0;

/// How a figure's axis is written.
#[must_use]
pub fn quantity(id: FigureId) -> (Quantity, &'static str) {
    match kind(id) {
        Kind::Length => (Quantity::Length, ""),
        Kind::SmallLength => (Quantity::SmallLength, ""),
        Kind::Speed => (Quantity::Speed, ""),
        Kind::Count => (Quantity::Plain, ""),
        Kind::Other(unit) => (Quantity::Plain, unit),
    }
}

/// Letters of a label.
const LABEL_SIZE: f64 = 12.0;
/// Widest label: nearly half of the panel.
const WIDEST: f64 = 156.0;

/// A label that fits: of a long one its beginning and, longer, its end, where names of a series differ. The tables beside have it whole.
pub(super) fn fitted(label: &str) -> String {
    if text_width(label, LABEL_SIZE) <= WIDEST {
        return label.to_owned();
    }
    let letters: Vec<char> = label.chars().collect();
    let mut kept = letters.len();
    loop {
        kept -= 1;
        let front = kept * 2 / 5;
        let short: String = letters[..front]
            .iter()
            .chain(std::iter::once(&'\u{2026}'))
            .chain(&letters[letters.len() - (kept - front)..])
            .collect();
        if kept < 4 || text_width(&short, LABEL_SIZE) <= WIDEST {
            return short;
        }
    }
}

/// What is a name's own among names of a series: without the parts, up to commas, with which all begin.
#[must_use]
pub fn own_part<'n>(name: &'n str, all: &[&str]) -> &'n str {
    let common =
        |end: usize| all.len() > 1 && all.iter().all(|n| n.len() > end && n.starts_with(&name[..end]));
    let ends = name.match_indices(", ").map(|(at, comma)| at + comma.len());
    &name[ends.take_while(|&end| common(end)).last().unwrap_or(0)..]
}

/// Draws the panel. `about_zero`: differences, with zero marked.
#[must_use]
pub fn panel(id: FigureId, rows: &[ForestRow], about_zero: bool) -> Panel {
    let labels: Vec<String> = rows.iter().map(|r| fitted(&r.label)).collect();
    let longest = labels.iter().map(|l| text_width(l, LABEL_SIZE)).fold(0.0, f64::max);
    let left = (longest + 14.0).clamp(60.0, WIDEST + 14.0);
    let ends = rows.iter().flat_map(|r| {
        let half = r.half_width.unwrap_or(0.0);
        [r.value - half, r.value + half]
    });
    let (low, high) = span(ends.chain(about_zero.then_some(0.0)), (-1.0, 1.0));
    // Never so fine that equal values fill the panel.
    let least = match kind(id) {
        Kind::Length | Kind::SmallLength => 0.01,
        Kind::Speed => 0.2,
        Kind::Count | Kind::Other("ms" | "\u{b0}") => 1.0,
        Kind::Other(_) => 0.02,
    };
    let air = (0.06 * (high - low)).max(0.5 * (least - (high - low)));
    let height = TOP + ROW * rows.len() as f64 + BOTTOM + 4.0;
    let x = Scale::new(low - air, high + air, left, WIDTH - RIGHT);
    let y = Scale::new(0.0, rows.len() as f64, TOP, height - BOTTOM);
    let (what, plain_unit) = quantity(id);
    let frame = Frame {
        x: Axis { scale: x, quantity: what, name: "", plain_unit, wanted: 4.0 },
        y: Axis { scale: y, quantity: Quantity::Plain, name: "", plain_unit: "", wanted: 0.0 },
        title: id.info().name,
    };
    let mut svg = Svg::new();
    let _ = frame.draw(&mut svg, DrawnUnits::Switch);
    if about_zero {
        svg.line("when", (x.at(0.0), TOP), (x.at(0.0), height - BOTTOM));
    }
    let mut alt = format!("{}{}", id.info().name, if about_zero { ", differences" } else { ", means" });
    for (k, row) in rows.iter().enumerate() {
        let middle = y.at(k as f64 + 0.5);
        svg.text("", (left - 8.0, middle + 4.0), Anchor::End, &labels[k]);
        let at: Xy = (x.at(row.value), middle);
        let ink = if row.is_second { "second" } else { "path-forward" };
        if let Some(half) = row.half_width {
            svg.line(
                &format!("{ink} whisker"),
                (x.at(row.value - half), middle),
                (x.at(row.value + half), middle),
            );
        }
        dot(&mut svg, row, at);
        let half = row.half_width.unwrap_or(0.0);
        let measured = tipwright::model::Measured::new(row.value, half / 1.959_964);
        let shown = show(kind(id), measured, UnitSystem::Metric);
        let text = if row.half_width.is_some() { shown.full() } else { shown.short() };
        if k < TOLD {
            alt.push_str(&format!("; {} {text}", row.label));
        }
    }
    alt.push_str(&match rows.len().saturating_sub(TOLD) {
        0 => ".".to_owned(),
        more => format!("; and {more} more, in comparison_means.csv."),
    });
    Panel { name: "forest", body: svg.into_body(), width: WIDTH, height, alt, scales: (x, y) }
}

fn dot(svg: &mut Svg, row: &ForestRow, (x, y): Xy) {
    let class = if row.is_faint { "mark" } else { "mark full" };
    if row.is_whole {
        svg.polygon(class, &[(x, y - 6.0), (x + 6.0, y), (x, y + 6.0), (x - 6.0, y)]);
    } else if row.is_second {
        svg.polygon(class, &[(x - 3.4, y - 3.4), (x + 3.4, y - 3.4), (x + 3.4, y + 3.4), (x - 3.4, y + 3.4)]);
    } else {
        svg.circle(class, (x, y), 3.8);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_label_keeps_where_it_differs() {
        assert_eq!(fitted("Heron"), "Heron");
        let (a, b) =
            (fitted("all, paired, Alder Reach, evening 11"), fitted("all, paired, Alder Reach, evening 12"));
        assert!(
            a.contains('\u{2026}') && a.starts_with("all") && a != b && b.ends_with("evening 12"),
            "{a} {b}"
        );
        assert!(text_width(&fitted(&"W".repeat(64)), LABEL_SIZE) <= WIDEST);
    }

    #[test]
    fn evenings_of_a_series_are_told_by_their_own_part() {
        let all = ["Alder Reach, evening 1", "Alder Reach, evening 2"];
        assert_eq!(own_part(all[1], &all), "evening 2");
        let mixed = ["Alder Reach, evening 1", "Mill pond, evening 1"];
        assert_eq!(own_part(mixed[0], &mixed), mixed[0]);
        // nothing is left of a name that all have, or of one alone
        assert_eq!(own_part("Pond, 1", &["Pond, 1", "Pond, 1"]), "1");
        assert_eq!(own_part("Pond, ", &["Pond, ", "Pond, x"]), "Pond, ");
        assert_eq!(own_part("Pond, x", &["Pond, x"]), "Pond, x");
    }
}
