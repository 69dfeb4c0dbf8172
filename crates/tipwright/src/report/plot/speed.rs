//! Tip speed over time with its moments: start of W, peak, rod straight position, stop.

use super::geometry::{Geometry, speed};
use super::scale::Quantity;
use super::timeline::{Quantities, Timeline};
use super::{Format, Panel, figure_texts, span};
use crate::model::FigureId;

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
    };
    let mut line = Timeline::begin(geometry, &what, format);
    line.curve(geometry, |k| Some(speed(&samples[k])));
    if let (Some(t), Some(peak)) = (geometry.t_peak_s, geometry.stroke.figures.get(FigureId::PeakSpeed)) {
        let (metric, imperial) = figure_texts(FigureId::PeakSpeed, peak);
        let texts = (format!("peak {metric}"), format!("peak {imperial}"));
        line.note(
            line.at(t, peak.value),
            (-1.0, -0.5),
            &format!("t-{}", geometry.ink()),
            (&texts.0, &texts.1),
        );
    }
    line.marks(geometry, |t| geometry.at(t).map(|p| speed(&p)), false);
    for (_, t_s, name) in super::timed_marks(geometry) {
        if name == "peak speed" {
            continue;
        }
        if let Some(sample) = geometry.at(t_s) {
            let toward = if name == "start" { (-1.0, -0.5) } else { (1.0, -0.3) };
            line.note(line.at(t_s, speed(&sample)), toward, "", (name, name));
        }
    }
    let mut alt = "Tip speed over time".to_owned();
    for id in [FigureId::PeakSpeed, FigureId::PeakLead, FigureId::Duration, FigureId::Stop] {
        if let Some(m) = geometry.stroke.figures.get(id) {
            alt.push_str(&format!("; {} {}", id.info().name, figure_texts(id, m).0));
        }
    }
    alt.push('.');
    line.end("speed", alt)
}
