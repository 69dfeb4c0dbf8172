//! Bend of the rod and angle of its butt over time, aligned at rod straight position; only where butt markers are
//! worn.

use super::frame::Words;
use super::geometry::Geometry;
use super::scale::Quantity;
use super::timeline::{Quantities, Timeline};
use super::{Format, Glyph, Panel, alt_text, dimension, figure_texts, figure_words, mark, span};
use tipwright::model::FigureId;
use tipwright::model::stroke::CastSample;

/// Where the time before rod straight is dimensioned, as a share of the largest bend: under the curve.
const LEAD_LEVEL: f64 = 0.55;

/// The bend; `None` without butt markers.
#[must_use]
pub fn panel(geometry: &Geometry<'_>, format: Format) -> Option<Panel> {
    let samples = &geometry.stroke.samples;
    let bends = || samples.iter().filter_map(|p| p.bend_m);
    bends().next()?;
    let (low, high) = span(bends(), (-0.1, 0.1));
    let what = Quantities {
        title: "Bend of the rod: tip from the butt\u{2019}s axis",
        name: "bend",
        quantity: Quantity::Length,
        unit: "",
        range: (low.min(-0.05), high.max(0.05)),
    };
    let mut line = Timeline::begin(geometry, &what, format);
    let (a, b) = (line.time.start, line.time.end);
    let zero = [(a, line.value.at(0.0)), (b, line.value.at(0.0))];
    line.svg.line("zero", zero[0], zero[1]);
    line.labels.ink(&zero);
    line.curve(geometry, |k| samples[k].bend_m);
    line.marks(geometry, |t| geometry.at(t).and_then(|p| p.bend_m), false);
    let figure = |id| geometry.stroke.figures.get(id);
    if let (Some(rsp), Some(lead), Some(bend)) =
        (geometry.t_rsp_s, figure(FigureId::BendLead), figure(FigureId::MaxBend))
    {
        let t = rsp - lead.value * 1e-3;
        if let Some(at_max) = geometry.at(t).and_then(|p| p.bend_m) {
            let point = line.at(t, at_max);
            mark(&mut line.svg, &mut line.labels, Glyph::LargestBend, point);
            let lead_text = figure_texts(FigureId::BendLead, lead).0;
            line.note(point, (0.0, -1.0), "", &figure_words("largest", FigureId::MaxBend, bend));
            // How long before: a dimension line from that moment to rod straight, where the curve leaves room.
            let ends = [line.at(t, LEAD_LEVEL * at_max), line.at(rsp, LEAD_LEVEL * at_max)];
            if lead.value.abs() > lead.half_width_95() {
                dimension(&mut line.svg, "leader", ends[0], ends[1]);
                line.labels.ink(&ends);
            }
            let lead_note = Words::plain(format!("{lead_text} before rod straight"));
            line.note(ends[0], (-1.0, 0.2), "note", &lead_note);
        }
    }
    if let (Some(counterflex), Some(rsp)) = (figure(FigureId::Counterflex), geometry.t_rsp_s) {
        let after = |p: &&CastSample| p.t_s > rsp && p.bend_m.is_some();
        let lowest = samples
            .iter()
            .filter(after)
            .min_by(|p, q| p.bend_m.unwrap_or(0.0).total_cmp(&q.bend_m.unwrap_or(0.0)));
        if let Some((sample, bend)) = lowest.and_then(|p| Some((p, p.bend_m?))) {
            let words = figure_words("counterflex", FigureId::Counterflex, counterflex);
            line.note(line.at(sample.t_s, bend), (-1.0, 0.6), "", &words);
        }
    }
    Some(line.end(
        "bend",
        alt_text(
            "Bend of the rod over time",
            geometry,
            &[FigureId::MaxBend, FigureId::BendLead, FigureId::Counterflex, FigureId::RingFrequency],
        ),
    ))
}

/// The butt's angle; `None` without butt markers.
#[must_use]
pub fn butt_panel(geometry: &Geometry<'_>, format: Format) -> Option<Panel> {
    let samples = &geometry.stroke.samples;
    let angles = || samples.iter().filter_map(|p| p.butt_angle_deg);
    angles().next()?;
    let (low, high) = span(angles(), (0.0, 90.0));
    let air = 0.06 * (high - low).max(5.0);
    let what = Quantities {
        title: "Angle of the butt",
        name: "angle",
        quantity: Quantity::Plain,
        unit: "\u{b0}",
        range: (low - air, high + air),
    };
    let mut line = Timeline::begin(geometry, &what, format);
    line.curve(geometry, |k| samples[k].butt_angle_deg);
    line.marks(geometry, |t| geometry.at(t).and_then(|p| p.butt_angle_deg), true);
    if let (Some(arc), Some(middle)) = (
        geometry.stroke.figures.get(FigureId::Arc),
        geometry.window.clone().nth(geometry.window.len() / 2).map(|k| &samples[k]),
    ) {
        let words = figure_words("arc", FigureId::Arc, arc);
        let point = line.at(middle.t_s, middle.butt_angle_deg.unwrap_or(0.5 * (low + high)));
        line.note(point, (1.0, -0.2), &format!("t-{}", geometry.ink()), &words);
    }
    Some(line.end(
        "butt",
        alt_text("Angle of the rod butt over time", geometry, &[FigureId::Arc, FigureId::ButtSpeed]),
    ))
}
