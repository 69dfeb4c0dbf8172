//! The frame of a panel: two scales, thin rules like those of a notebook, tick labels in one or both unit systems.

use super::labels::{Area, Labels, text_area};
use super::scale::{Quantity, Scale, Tick, ticks};
use super::svg::{Anchor, Svg, Xy};
use crate::report::units::UnitSystem;

/// Which units a drawing shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DrawnUnits {
    /// Metric only.
    #[default]
    Metric,
    /// Metric, and feet and inches beside it.
    Both,
    /// Both are drawn, one is hidden by the page's switch (classes `u-m` and `u-ft`).
    Switch,
}

/// Font size of annotations.
pub const NOTE_SIZE: f64 = 12.0;
/// Font size of ticks.
pub const TICK_SIZE: f64 = 11.5;

/// Text in the unit system(s) of the drawing.
pub fn dual_text(svg: &mut Svg, class: &str, at: Xy, anchor: Anchor, texts: (&str, &str), units: DrawnUnits) {
    let (metric, imperial) = texts;
    match units {
        _ if metric == imperial => svg.text(class, at, anchor, metric),
        DrawnUnits::Metric => svg.text(class, at, anchor, metric),
        DrawnUnits::Both => svg.text(class, at, anchor, &both(metric, imperial)),
        DrawnUnits::Switch => {
            svg.text(&format!("{class} u-m"), at, anchor, metric);
            svg.text(&format!("{class} u-ft"), at, anchor, imperial);
        }
    }
}

/// The text whose width decides where a label goes.
#[must_use]
pub fn widest(metric: &str, imperial: &str, units: DrawnUnits) -> String {
    match units {
        _ if metric == imperial => metric.to_owned(),
        DrawnUnits::Metric => metric.to_owned(),
        DrawnUnits::Both => both(metric, imperial),
        DrawnUnits::Switch => {
            if metric.chars().count() >= imperial.chars().count() { metric } else { imperial }.to_owned()
        }
    }
}

fn both(metric: &str, imperial: &str) -> String {
    format!("{metric} ({imperial})")
}

/// An axis: what it measures and what it is called.
#[derive(Debug, Clone, Copy)]
pub struct Axis<'a> {
    /// Scale.
    pub scale: Scale,
    /// What it measures.
    pub quantity: Quantity,
    /// Name, without unit.
    pub name: &'a str,
    /// Unit of a plain quantity.
    pub plain_unit: &'a str,
    /// About how many ticks.
    pub wanted: f64,
}

impl Axis<'_> {
    fn title(&self, system: UnitSystem) -> String {
        let unit =
            if self.quantity == Quantity::Plain { self.plain_unit } else { self.quantity.unit(system) };
        if unit.is_empty() { self.name.to_owned() } else { format!("{}, {unit}", self.name) }
    }

    fn ticks(&self, system: UnitSystem) -> Vec<Tick> {
        ticks(self.scale.from, self.scale.to, self.wanted, self.quantity, system)
    }

    fn depends_on_system(&self) -> bool {
        self.quantity != Quantity::Plain
    }
}

/// A panel's frame.
#[derive(Debug, Clone, Copy)]
pub struct Frame<'a> {
    /// Along.
    pub x: Axis<'a>,
    /// Up.
    pub y: Axis<'a>,
    /// Title at the top left.
    pub title: &'a str,
}

impl Frame<'_> {
    /// The area of the data.
    #[must_use]
    pub fn area(&self) -> Area {
        Area {
            left: self.x.scale.start.min(self.x.scale.end),
            right: self.x.scale.start.max(self.x.scale.end),
            top: self.y.scale.start.min(self.y.scale.end),
            bottom: self.y.scale.start.max(self.y.scale.end),
        }
    }

    /// Draws rules, ticks and names; returns the labels already taken.
    pub fn draw(&self, svg: &mut Svg, units: DrawnUnits) -> Labels {
        let area = self.area();
        let room = Area { left: area.left, right: area.right, top: area.top - 4.0, bottom: area.bottom };
        let labels = Labels::new(room, NOTE_SIZE);
        svg.text("title", (4.0, 15.0), Anchor::Start, self.title);
        match units {
            DrawnUnits::Switch if self.x.depends_on_system() || self.y.depends_on_system() => {
                for (system, class) in [(UnitSystem::Metric, "u-m"), (UnitSystem::Imperial, "u-ft")] {
                    svg.open(class, "");
                    self.draw_axes(svg, system, true);
                    svg.close();
                }
            }
            DrawnUnits::Both => {
                self.draw_axes(svg, UnitSystem::Metric, true);
                self.draw_second_axes(svg);
            }
            _ => self.draw_axes(svg, UnitSystem::Metric, true),
        }
        svg.line("axis", (area.left, area.bottom), (area.right, area.bottom));
        labels
    }

    fn draw_axes(&self, svg: &mut Svg, system: UnitSystem, rules: bool) {
        let area = self.area();
        for tick in self.y.ticks(system) {
            let y = self.y.scale.at(tick.value);
            if rules {
                svg.line("grid", (area.left, y), (area.right, y));
            }
            svg.text("tick", (area.left - 6.0, y + 0.34 * TICK_SIZE), Anchor::End, &tick.label);
        }
        let name = self.x.title(system);
        let name_area = text_area((area.right, area.bottom + 30.0), Anchor::End, &name, TICK_SIZE);
        for tick in self.x.ticks(system) {
            let x = self.x.scale.at(tick.value);
            svg.line("axis", (x, area.bottom), (x, area.bottom + 4.0));
            svg.text("tick", (x, area.bottom + 4.0 + 1.05 * TICK_SIZE), Anchor::Middle, &tick.label);
        }
        svg.text("axisname", (area.right, name_area.top + 0.92 * TICK_SIZE), Anchor::End, &name);
        svg.text("axisname", (area.left - 6.0, area.top - 8.0), Anchor::Start, &self.y.title(system));
    }

    /// Feet on the far sides, for drawings on paper that show both.
    fn draw_second_axes(&self, svg: &mut Svg) {
        let area = self.area();
        if self.y.depends_on_system() {
            for tick in self.y.ticks(UnitSystem::Imperial) {
                let y = self.y.scale.at(tick.value);
                svg.line("axis", (area.right, y), (area.right + 4.0, y));
                svg.text("tick", (area.right + 7.0, y + 0.34 * TICK_SIZE), Anchor::Start, &tick.label);
            }
            let unit = self.y.quantity.unit(UnitSystem::Imperial);
            svg.text("axisname", (area.right + 7.0, area.top - 8.0), Anchor::Start, unit);
        }
    }
}
