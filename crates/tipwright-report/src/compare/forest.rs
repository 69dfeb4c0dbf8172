//! One small panel per figure: a row per caster with a dot and its 95 % interval, so that what is told apart and what
//! is not can be seen at once.

use crate::plot::Panel;
use crate::plot::frame::{Axis, BOTTOM, DrawnUnits, Frame, RIGHT, TOP};
use crate::plot::labels::text_width;
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

/// Draws the panel. `about_zero`: differences, with zero marked.
#[must_use]
pub fn panel(id: FigureId, rows: &[ForestRow], about_zero: bool) -> Panel {
    let longest = rows.iter().map(|r| text_width(&r.label, 12.0)).fold(0.0, f64::max);
    let left = (longest + 14.0).clamp(60.0, 170.0);
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
        svg.text("", (left - 8.0, middle + 4.0), Anchor::End, &row.label);
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
