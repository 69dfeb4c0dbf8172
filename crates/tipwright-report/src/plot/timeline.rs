//! What all panels over time share: the time axis from rod straight position, W shaded, the moments as dotted
//! lines with their mark and, where known, the interval of their time.

use super::frame::{Axis, BOTTOM, Frame, LEFT, RIGHT, TOP, Words};
use super::geometry::Geometry;
use super::labels::Labels;
use super::scale::{Quantity, Scale};
use super::svg::{Svg, Xy};
use super::{Format, Glyph, Panel, mark, span, time_name, timed_marks, zero_time_s};
use tipwright::model::FigureId;
use tipwright::model::stroke::CastSample;

/// A panel over time, begun.
#[derive(Debug)]
pub struct Timeline {
    /// Drawing.
    pub svg: Svg,
    /// Labels taken.
    pub labels: Labels,
    /// Seconds from the zero of the axis.
    pub time: Scale,
    /// Up.
    pub value: Scale,
    zero_s: f64,
    format: Format,
}

/// What is plotted over time.
#[derive(Debug, Clone, Copy)]
pub struct Quantities<'a> {
    /// Title of the panel.
    pub title: &'a str,
    /// Name of the axis.
    pub name: &'a str,
    /// Quantity of the axis.
    pub quantity: Quantity,
    /// Unit of a plain quantity.
    pub unit: &'a str,
    /// Least and greatest value.
    pub range: (f64, f64),
    /// Room above the curve for names, drawing units.
    pub above: f64,
}

impl Timeline {
    /// Draws the frame, W and the moments.
    #[must_use]
    pub fn begin(geometry: &Geometry<'_>, what: &Quantities<'_>, format: Format) -> Self {
        let zero_s = zero_time_s(geometry);
        let samples = &geometry.stroke.samples;
        let (from, to) = span(samples.iter().map(|p| p.t_s - zero_s), (-0.5, 0.5));
        let (low, high) = what.range;
        let plotted = format.time_height - TOP - BOTTOM;
        let air = what.above / (plotted - what.above) * (high - low).max(1e-6);
        let time = Scale::new(from, to, LEFT, format.width - RIGHT);
        let value = Scale::new(
            low - if low < 0.0 { 0.08 * (high - low) } else { 0.0 },
            high + air,
            format.time_height - BOTTOM,
            TOP,
        );
        let frame = Frame {
            x: Axis {
                scale: time,
                quantity: Quantity::Plain,
                name: time_name(geometry),
                plain_unit: "",
                wanted: format.width / 75.0,
            },
            y: Axis {
                scale: value,
                quantity: what.quantity,
                name: what.name,
                plain_unit: what.unit,
                wanted: 4.5,
            },
            title: what.title,
        };
        let mut svg = Svg::new();
        let labels = frame.draw(&mut svg, format.units);
        let mut out = Self { svg, labels, time, value, zero_s, format };
        out.draw_moments(geometry);
        out
    }

    /// Drawing point of a session time and a value.
    #[must_use]
    pub fn at(&self, t_s: f64, value: f64) -> Xy {
        (self.time.at(t_s - self.zero_s), self.value.at(value))
    }

    fn draw_moments(&mut self, geometry: &Geometry<'_>) {
        let (top, bottom) = (self.value.end, self.value.start);
        for (_, t_s, _) in timed_marks(geometry) {
            let x = self.time.at(t_s - self.zero_s);
            self.svg.line("when", (x, top), (x, bottom));
            self.labels.guide(&[(x, top), (x, bottom)]);
        }
        // The interval of rod straight position, a bar at the foot of its line.
        if let Some(rsp) = geometry.stroke.figures.get(FigureId::TRsp) {
            let half = rsp.half_width_95();
            let (a, b) =
                (self.time.at(rsp.value - half - self.zero_s), self.time.at(rsp.value + half - self.zero_s));
            if b - a > 1.0 {
                self.svg.line("axis", (a, bottom - 3.0), (b, bottom - 3.0));
                for x in [a, b] {
                    self.svg.line("axis", (x, bottom - 6.0), (x, bottom));
                }
            }
        }
    }

    /// A curve; inside W in full ink, to its very ends, outside thin. `None` interrupts it.
    pub fn curve(&mut self, geometry: &Geometry<'_>, value: impl Fn(&CastSample) -> Option<f64>) {
        let ink = geometry.ink();
        let point = |s: &CastSample| value(s).filter(|v| v.is_finite()).map(|v| self.at(s.t_s, v));
        let runs = |samples: &[CastSample]| -> Vec<Vec<Xy>> {
            let points: Vec<Option<Xy>> = samples.iter().map(point).collect();
            points.split(Option::is_none).map(|run| run.iter().flatten().copied().collect()).collect()
        };
        let (all, inside) = (runs(&geometry.stroke.samples), runs(&geometry.whole_window()));
        for run in &all {
            self.svg.polyline(&format!("path-{ink} outside"), run);
            self.labels.ink(run);
        }
        for run in &inside {
            self.svg.polyline(&format!("path-{ink}"), run);
        }
    }

    /// Marks on the curve, with their names where there is room.
    pub fn marks(&mut self, geometry: &Geometry<'_>, value: impl Fn(f64) -> Option<f64>, names: bool) {
        let placed: Vec<(Glyph, Xy, &str)> = timed_marks(geometry)
            .into_iter()
            .filter_map(|(shape, t_s, name)| Some((shape, self.at(t_s, value(t_s)?), name)))
            .collect();
        for &(shape, point, _) in &placed {
            mark(&mut self.svg, &mut self.labels, shape, point);
        }
        if names {
            for (shape, point, name) in placed {
                let toward = match shape {
                    Glyph::Start => (-1.0, -0.6),
                    Glyph::Peak => (-1.0, -0.8),
                    _ => (1.0, -0.4),
                };
                self.note(&[point], toward, "", Words::plain(name));
            }
        }
    }

    /// A label.
    pub fn note(&mut self, points: &[Xy], toward: Xy, class: &str, words: Words) {
        self.labels.wish(class, points, toward, words);
    }

    /// Ends the panel.
    #[must_use]
    pub fn end(mut self, name: &'static str, alt: String) -> Panel {
        self.labels.set(&mut self.svg, self.format.units);
        Panel {
            name,
            body: self.svg.into_body(),
            width: self.format.width,
            height: self.format.time_height,
            alt,
            scales: (self.time, self.value),
        }
    }
}
