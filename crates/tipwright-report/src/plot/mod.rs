//! Drawings of a stroke as SVG: one panel each for the side view, the height over the chord, the view from above,
//! speed, bend, butt angle and power, and the sheet that puts them on one page.

pub mod area;
pub mod bend;
pub mod drill;
pub mod frame;
pub mod geometry;
pub mod labels;
pub mod loops;
pub mod overlay;
pub mod power;
pub mod profile;
pub mod rods;
pub mod scale;
pub mod sheet;
pub mod side;
pub mod speed;
pub mod style;
pub mod svg;
pub mod timeline;
pub mod top;
pub mod what_if;

use std::fmt::Write;

use crate::units::{Kind, UnitSystem, kind, show};
use frame::{DrawnUnits, Words};
use geometry::Geometry;
use labels::Labels;
use scale::Scale;
use svg::{Svg, Xy, coordinate, escape};
use tipwright::model::{FigureId, Measured};

/// Size of a panel and the units it shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Format {
    /// Width in drawing units, which are CSS pixels at full size.
    pub width: f64,
    /// Height of a panel over time.
    pub time_height: f64,
    /// Largest height of the side view.
    pub side_height: f64,
    /// Units.
    pub units: DrawnUnits,
}

impl Format {
    /// On pages: 560 wide, so that two columns fit a laptop; both units drawn.
    pub const PAGE: Self =
        Self { width: 560.0, time_height: 190.0, side_height: 340.0, units: DrawnUnits::Switch };

    /// On a phone held upright, and among several: 350 wide, as wide as it is shown, so that no text is under 11 pixels.
    pub const PHONE: Self =
        Self { width: 350.0, time_height: 180.0, side_height: 330.0, units: DrawnUnits::Switch };

    /// On an A4 sheet: 716 units are 190 mm, so that the smallest text is 8.6 points.
    #[must_use]
    pub fn sheet(units: DrawnUnits) -> Self {
        Self { width: 716.0, time_height: 164.0, side_height: 400.0, units }
    }
}

/// A finished panel.
#[derive(Debug, Clone)]
pub struct Panel {
    /// Which one: `side`, `profile`, `top`, `loop`, `what-if`, `speed`, `bend`, `butt`, `power`.
    pub name: &'static str,
    /// Elements.
    pub body: String,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// What it shows, with the figures, for readers who do not see it.
    pub alt: String,
    /// Scales for the cursor: along, up.
    pub scales: (Scale, Scale),
}

impl Panel {
    /// The panel as an SVG element for a page: labelled, with what the cursor needs.
    #[must_use]
    pub fn to_inline(&self) -> String {
        let mut out = String::with_capacity(self.body.len() + 600);
        let scale = |s: &Scale| format!("{:.5} {:.6}", s.start - s.from * s.per_unit(), s.per_unit());
        let _ = write!(
            out,
            "<svg class=\"plot\" role=\"img\" aria-label=\"{}\" viewBox=\"0 0 {} {}\" data-panel=\"{}\" data-x=\"{}\" data-y=\"{}\" data-span=\"{} {}\">",
            escape(&self.alt),
            coordinate(self.width),
            coordinate(self.height),
            self.name,
            scale(&self.scales.0),
            scale(&self.scales.1),
            coordinate(self.scales.1.start),
            coordinate(self.scales.1.end),
        );
        out.push_str(&self.body);
        out.push_str("</svg>");
        out
    }
}

/// The marks of a stroke, told apart by shape.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Glyph {
    /// Start of W: an open ring.
    Start,
    /// Peak speed: a triangle.
    Peak,
    /// Rod straight position: a full diamond.
    RodStraight,
    /// Stop: a square.
    Stop,
    /// Largest bend: a bow, drawn as a half disc.
    LargestBend,
}

/// Draws a mark.
pub fn glyph(svg: &mut Svg, glyph: Glyph, (x, y): Xy) {
    let polygon = |svg: &mut Svg, class: &str, points: &[Xy]| {
        let moved: Vec<Xy> = points.iter().map(|p| (x + p.0, y + p.1)).collect();
        svg.polygon(class, &moved);
    };
    match glyph {
        Glyph::Start => svg.circle("mark", (x, y), 3.6),
        Glyph::Peak => polygon(svg, "mark", &[(0.0, -5.2), (4.8, 3.4), (-4.8, 3.4)]),
        Glyph::RodStraight => polygon(svg, "mark full", &[(0.0, -5.4), (4.6, 0.0), (0.0, 5.4), (-4.6, 0.0)]),
        Glyph::Stop => polygon(svg, "mark", &[(-3.6, -3.6), (3.6, -3.6), (3.6, 3.6), (-3.6, 3.6)]),
        Glyph::LargestBend => {
            polygon(svg, "mark full", &[(-4.4, -1.5), (4.4, -1.5), (2.6, 2.8), (-2.6, 2.8)])
        }
    }
}

/// Draws a mark that no label will cover.
pub fn mark(svg: &mut Svg, labels: &mut Labels, shape: Glyph, at: Xy) {
    glyph(svg, shape, at);
    labels.take_mark(at);
}

/// A figure's text in both systems.
#[must_use]
pub fn figure_texts(id: FigureId, measured: Measured) -> (String, String) {
    (
        show(kind(id), measured, UnitSystem::Metric).full(),
        show(kind(id), measured, UnitSystem::Imperial).full(),
    )
}

/// A text of a value of some kind in both systems.
#[must_use]
pub fn kind_texts(what: Kind, measured: Measured) -> (String, String) {
    (show(what, measured, UnitSystem::Metric).full(), show(what, measured, UnitSystem::Imperial).full())
}

/// A figure with a word before it.
#[must_use]
pub fn figure_words(before: &str, id: FigureId, measured: Measured) -> Words {
    Words::number(before, figure_texts(id, measured))
}

/// What a panel shows, with the figures that were measured.
#[must_use]
pub fn alt_text(what: &str, geometry: &Geometry<'_>, ids: &[FigureId]) -> String {
    let stroke = geometry.stroke;
    let mut text = format!("{what}, {} stroke {}", geometry.ink(), stroke.stroke);
    for &id in ids {
        if let Some(m) = stroke.figures.get(id) {
            let _ = write!(text, "; {} {}", id.info().name, figure_texts(id, m).0);
        }
    }
    text.push('.');
    text
}

/// Length of a dimension's end tick, half of it.
const DIMENSION_TICK: f64 = 4.0;

/// A dimension line between two points with slanted ends, as on a builder's drawing.
pub fn dimension(svg: &mut Svg, class: &str, a: Xy, b: Xy) {
    svg.line(class, a, b);
    for (x, y) in [a, b] {
        svg.line(
            class,
            (x - DIMENSION_TICK, y + DIMENSION_TICK * 0.6),
            (x + DIMENSION_TICK, y - DIMENSION_TICK * 0.6),
        );
    }
}

/// The same where labels stand: they keep clear of it.
pub fn dimension_clear(svg: &mut Svg, labels: &mut Labels, class: &str, a: Xy, b: Xy) {
    dimension(svg, class, a, b);
    labels.ink(&[a, b]);
    for (x, y) in [a, b] {
        labels.ink(&[
            (x - DIMENSION_TICK, y + DIMENSION_TICK * 0.6),
            (x + DIMENSION_TICK, y - DIMENSION_TICK * 0.6),
        ]);
    }
}

/// Time of a sample as drawn: from rod straight position, or from the first sample where that is not known.
#[must_use]
pub fn zero_time_s(geometry: &Geometry<'_>) -> f64 {
    geometry.t_rsp_s.or_else(|| geometry.stroke.samples.first().map(|p| p.t_s)).unwrap_or(0.0)
}

/// Name of the time axis.
#[must_use]
pub fn time_name(geometry: &Geometry<'_>) -> &'static str {
    if geometry.t_rsp_s.is_some() { "s from rod straight" } else { "s from the reversal" }
}

/// The least and the greatest of finite numbers, or `fallback`.
#[must_use]
pub fn span(values: impl Iterator<Item = f64>, fallback: (f64, f64)) -> (f64, f64) {
    let (low, high) = values
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    if low <= high { (low, high) } else { fallback }
}

/// The marks that have a time: start, largest bend, peak, rod straight, stop, with their names.
#[must_use]
pub fn timed_marks(geometry: &Geometry<'_>) -> Vec<(Glyph, f64, &'static str)> {
    let value = |id| geometry.stroke.figures.get(id).map(|m| m.value);
    let mut marks = Vec::new();
    if let Some(t) = value(FigureId::TStart) {
        marks.push((Glyph::Start, t, "start"));
    }
    if let Some(t) = geometry.t_peak_s {
        marks.push((Glyph::Peak, t, "peak speed"));
    }
    if let Some(t) = geometry.t_rsp_s {
        marks.push((Glyph::RodStraight, t, "rod straight"));
    }
    if let Some(t) = value(FigureId::TStop) {
        marks.push((Glyph::Stop, t, "stop"));
    }
    marks
}
