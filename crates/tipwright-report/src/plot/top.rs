//! From above: how far the tip leaves the cast plane (tracking), stretched like the height over the chord.

use super::frame::{Axis, BOTTOM, Frame, LEFT, RIGHT, TOP};
use super::geometry::Geometry;
use super::scale::{Quantity, Scale};
use super::svg::{Svg, Xy};
use super::{Format, Panel, alt_text, dimension_clear, figure_words, mark, span, timed_marks};
use crate::units::number;
use tipwright::model::FigureId;
use tipwright::model::stroke::CastSample;

/// Draws the panel. Left of the plane is up, as on a map with the forward cast going right.
#[must_use]
pub fn panel(geometry: &Geometry<'_>, format: Format) -> Panel {
    let samples = &geometry.stroke.samples;
    let window = &samples[geometry.window.clone()];
    let (x_low, x_high) = span(samples.iter().map(|p| geometry.side(p)[0]), (-1.0, 1.0));
    let edge = 0.06 * (x_high - x_low).max(0.2);
    let (low, high) = span(window.iter().map(|p| p.off_plane_m), (-0.05, 0.05));
    // The plane in the middle, never less than 12 cm in all.
    let reach = (low.abs().max(high.abs()) * 1.5).max(0.06);
    let height = 0.78 * format.time_height;
    let x = Scale::new(x_low - edge, x_high + edge, LEFT, format.width - RIGHT);
    let y = Scale::new(-reach, reach, height - BOTTOM, TOP);
    let stretch = y.per_unit().abs() / x.per_unit().abs();
    let title =
        format!("From above, sideways stretched {}\u{d7}", number(stretch, usize::from(stretch < 9.5)));
    let frame = Frame {
        x: Axis {
            scale: x,
            quantity: Quantity::Length,
            name: "forward",
            plain_unit: "",
            wanted: format.width / 85.0,
        },
        y: Axis {
            scale: y,
            quantity: Quantity::SmallLength,
            name: "to the left",
            plain_unit: "",
            wanted: 3.0,
        },
        title: &title,
    };
    let mut svg = Svg::new();
    let mut labels = frame.draw(&mut svg, format.units);
    let area = frame.area();
    svg.line("chord", (area.left, y.at(0.0)), (area.right, y.at(0.0)));
    let at = |p: &CastSample| -> Xy { (x.at(geometry.side(p)[0]), y.at(p.off_plane_m.clamp(-reach, reach))) };
    let all: Vec<Xy> = samples.iter().map(at).collect();
    let inside: Vec<Xy> = geometry.whole_window().iter().map(at).collect();
    let ink = geometry.ink();
    svg.polyline(&format!("path-{ink} outside"), &all);
    svg.polyline(&format!("path-{ink}"), &inside);
    labels.ink(&all);
    labels.ink(&[(area.left, y.at(0.0)), (area.right, y.at(0.0))]);
    let farthest = geometry
        .window
        .clone()
        .max_by(|&a, &b| samples[a].off_plane_m.abs().total_cmp(&samples[b].off_plane_m.abs()));
    for (shape, t_s, _) in timed_marks(geometry) {
        if let Some(sample) = geometry.at(t_s) {
            mark(&mut svg, &mut labels, shape, at(&sample));
        }
    }
    if let (Some(k), Some(measured)) = (farthest, geometry.stroke.figures.get(FigureId::OffPlaneMax)) {
        let point = at(&samples[k]);
        dimension_clear(&mut svg, &mut labels, "dip", (point.0, y.at(0.0)), point);
        let toward = (0.5, if samples[k].off_plane_m > 0.0 { -1.0 } else { 1.0 });
        let words = figure_words("off plane", FigureId::OffPlaneMax, measured);
        labels.wish("t-dip", &[point], toward, words);
    }
    let ids = [FigureId::OffPlaneMax, FigureId::Opposite];
    labels.set(&mut svg, format.units);
    let alt = alt_text("Tip path from above, against the cast plane", geometry, &ids);
    Panel { name: "top", body: svg.into_body(), width: format.width, height, alt, scales: (x, y) }
}
