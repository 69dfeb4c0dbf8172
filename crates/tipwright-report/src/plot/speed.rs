//! Tip speed over time with its moments: start of W, peak, rod straight position, stop.

use super::frame::Words;
use super::geometry::{Geometry, speed};
use super::scale::Quantity;
use super::timeline::{Quantities, Timeline};
use super::{Format, Panel, alt_text, figure_words, span};
use tipwright::model::FigureId;

/// Draws the panel.
#[must_use]
pub fn panel(geometry: &Geometry<'_>, format: Format) -> Panel {
    let samples = &geometry.stroke.samples;
    let (_, high) = span(samples.iter().map(speed), (0.0, 1.0));
    let what = Quantities {
        title: "Tip speed",
        name: "speed",
        quantity: Quantity::Speed,
        unit: "",
        range: (0.0, high.max(1.0)),
        above: 30.0,
    };
    let mut line = Timeline::begin(geometry, &what, format);
    line.curve(geometry, |p| Some(speed(p)));
    line.marks(geometry, |t| geometry.at(t).map(|p| speed(&p)), false);
    if let (Some(t), Some(peak)) = (geometry.t_peak_s, geometry.stroke.figures.get(FigureId::PeakSpeed)) {
        let words = figure_words("peak", FigureId::PeakSpeed, peak);
        line.note(&[line.at(t, peak.value)], (-1.0, -0.5), &format!("t-{}", geometry.ink()), words);
    }
    for (_, t_s, name) in super::timed_marks(geometry) {
        if name == "peak speed" {
            continue;
        }
        if let Some(sample) = geometry.at(t_s) {
            let toward = if name == "start" { (-1.0, -0.5) } else { (1.0, -0.3) };
            line.note(&[line.at(t_s, speed(&sample))], toward, "", Words::plain(name));
        }
    }
    let ids = [FigureId::PeakSpeed, FigureId::PeakLead, FigureId::Duration, FigureId::Stop];
    let alt = alt_text("Tip speed over time", geometry, &ids);
    line.end("speed", alt)
}
