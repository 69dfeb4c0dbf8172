//! The frame of a panel: two scales, thin rules like those of a notebook, tick labels in one or both unit systems.

use super::Format;
use super::area::{Area, text_area};
use super::labels::Labels;
use super::scale::{Quantity, Scale, Tick, ticks};
use super::svg::{Anchor, Svg, Xy};
use crate::units::UnitSystem;

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
/// Room left of the data, for ticks.
pub const LEFT: f64 = 44.0;
/// Room right of the data, for the second unit.
pub const RIGHT: f64 = 34.0;
/// Room above the data, for the title.
pub const TOP: f64 = 26.0;
/// Room below the data, for ticks and the axis' name.
pub const BOTTOM: f64 = 24.0;

/// From the end of the row of ticks to the edge of the drawing.
pub const ROW_END: f64 = 4.0;

/// A text with what stands before it in either system: `dip` and `31 mm` or `1.2 in`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Words {
    /// Before the number, with its space.
    pub before: String,
    /// The number in metres.
    pub metric: String,
    /// The number in feet and inches.
    pub imperial: String,
}

impl Words {
    /// The same in both systems.
    #[must_use]
    pub fn plain(text: impl Into<String>) -> Self {
        Self { before: text.into(), metric: String::new(), imperial: String::new() }
    }

    /// A word and a number.
    #[must_use]
    pub fn number(before: &str, (metric, imperial): (String, String)) -> Self {
        Self { before: format!("{before}\u{a0}"), metric, imperial }
    }

    fn in_metric(&self) -> String {
        format!("{}{}", self.before, self.metric)
    }

    fn in_imperial(&self) -> String {
        format!("{}{}", self.before, self.imperial)
    }

    /// The lines whose size decides where a label goes.
    #[must_use]
    pub fn lines(&self, units: DrawnUnits) -> Vec<String> {
        match units {
            _ if self.metric == self.imperial => vec![self.in_metric()],
            DrawnUnits::Metric => vec![self.in_metric()],
            DrawnUnits::Both => vec![self.in_metric(), self.imperial.clone()],
            DrawnUnits::Switch if self.metric.chars().count() >= self.imperial.chars().count() => {
                vec![self.in_metric()]
            }
            DrawnUnits::Switch => vec![self.in_imperial()],
        }
    }
}

/// Text in the unit system(s) of the drawing, hung on its point, from its first line down.
pub fn dual_text(
    svg: &mut Svg,
    class: &str,
    (at, anchor): (Xy, Anchor),
    line_height: f64,
    words: &Words,
    units: DrawnUnits,
) {
    if units == DrawnUnits::Switch && words.metric != words.imperial {
        svg.text(&format!("{class} u-m"), at, anchor, &words.in_metric());
        svg.text(&format!("{class} u-ft"), at, anchor, &words.in_imperial());
        return;
    }
    for (k, line) in words.lines(units).iter().enumerate() {
        svg.text(class, (at.0, at.1 + k as f64 * line_height), anchor, line);
    }
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
    fn unit(&self, system: UnitSystem) -> &str {
        if self.quantity == Quantity::Plain { self.plain_unit } else { self.quantity.unit(system) }
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
        let room =
            Area { left: area.left, right: area.right, top: area.top - 2.0, bottom: area.bottom - 1.0 };
        let labels = Labels::new(room, NOTE_SIZE);
        svg.text("title", (area.left, area.top - 9.0), Anchor::Start, self.title);
        match units {
            DrawnUnits::Switch if self.x.depends_on_system() || self.y.depends_on_system() => {
                for (system, class) in [(UnitSystem::Metric, "u-m"), (UnitSystem::Imperial, "u-ft")] {
                    svg.open(class, "");
                    self.draw_axes(svg, system);
                    svg.close();
                }
            }
            DrawnUnits::Both => {
                self.draw_axes(svg, UnitSystem::Metric);
                self.draw_second_axis(svg);
            }
            _ => self.draw_axes(svg, UnitSystem::Metric),
        }
        svg.line("axis", (area.left, area.bottom), (area.right, area.bottom));
        labels
    }

    fn draw_axes(&self, svg: &mut Svg, system: UnitSystem) {
        let area = self.area();
        for tick in self.y.ticks(system) {
            let y = self.y.scale.at(tick.value);
            svg.line("grid", (area.left, y), (area.right, y));
            svg.text("tick", (area.left - 6.0, y + 0.34 * TICK_SIZE), Anchor::End, &tick.label);
        }
        // The unit ends the column of ticks at its foot (beside the title it would read as its first word), the name of the
        // other axis ends its row.
        let row = area.bottom + 4.0 + 1.05 * TICK_SIZE;
        svg.text("axisname", (area.left - 12.0, row), Anchor::End, self.y.unit(system));
        let unit = self.x.unit(system);
        let name = match (self.x.name, unit) {
            (name, "") => name.to_owned(),
            ("", unit) => unit.to_owned(),
            (name, unit) => format!("{name}, {unit}"),
        };
        let at_end = (self.y_room().max(area.right), row);
        svg.text("axisname", at_end, Anchor::End, &name);
        let taken = text_area(at_end, Anchor::End, &name, TICK_SIZE);
        for tick in self.x.ticks(system) {
            let x = self.x.scale.at(tick.value);
            let own = text_area((x, row), Anchor::Middle, &tick.label, TICK_SIZE);
            // clear of the axis' name at its end and of the unit before it
            if own.right + 4.0 < taken.left && own.left > area.left - 10.5 {
                svg.line("axis", (x, area.bottom), (x, area.bottom + 4.0));
                svg.text("tick", (x, row), Anchor::Middle, &tick.label);
            }
        }
    }

    /// Where the row of ticks ends: the margin right of the data is free there.
    fn y_room(&self) -> f64 {
        self.area().right + RIGHT - ROW_END
    }

    /// Feet on the far side, for drawings on paper that show both.
    fn draw_second_axis(&self, svg: &mut Svg) {
        let area = self.area();
        if !self.y.depends_on_system() {
            return;
        }
        for tick in self.y.ticks(UnitSystem::Imperial) {
            let y = self.y.scale.at(tick.value);
            svg.line("axis", (area.right, y), (area.right + 4.0, y));
            svg.text("tick", (area.right + 7.0, y + 0.34 * TICK_SIZE), Anchor::Start, &tick.label);
        }
        svg.text(
            "axisname",
            (area.right + 7.0, area.top - 9.0),
            Anchor::Start,
            self.y.unit(UnitSystem::Imperial),
        );
    }
}

/// Scales of a view from the side with both axes alike.
#[derive(Debug, Clone, Copy)]
pub struct TrueScale {
    /// Along the way of the cast.
    pub x: Scale,
    /// Height.
    pub z: Scale,
    /// Height of the whole panel.
    pub height: f64,
}

impl TrueScale {
    /// As large as the format allows for metres from low to high, with room for three lines of names above; what is left over in
    /// width is shared by both sides.
    #[must_use]
    pub fn fit([x_low, x_high]: [f64; 2], [z_low, z_high]: [f64; 2], format: Format) -> Self {
        const NAMES: f64 = 48.0;
        let plot_width = format.width - LEFT - RIGHT;
        let room = format.side_height - TOP - BOTTOM - NAMES;
        let per_m = (plot_width / (x_high - x_low)).min(room / (z_high - z_low));
        let z_high = z_high + NAMES / per_m;
        let plot_height = (z_high - z_low) * per_m;
        let spare = (plot_width / per_m - (x_high - x_low)).max(0.0) / 2.0;
        Self {
            x: Scale::new(x_low - spare, x_high + spare, LEFT, LEFT + plot_width),
            z: Scale::new(z_low, z_high, TOP + plot_height, TOP),
            height: TOP + plot_height + BOTTOM,
        }
    }

    /// The frame: forward to the right, height upwards.
    #[must_use]
    pub fn frame<'a>(&self, title: &'a str, format: Format) -> Frame<'a> {
        let axis =
            |scale, name, wanted| Axis { scale, quantity: Quantity::Length, name, plain_unit: "", wanted };
        Frame {
            x: axis(self.x, "forward", format.width / 85.0),
            y: axis(self.z, "height", (self.height - TOP - BOTTOM) / 42.0),
            title,
        }
    }
}
