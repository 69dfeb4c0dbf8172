//! Bend of the rod and angle of its butt over time, aligned at rod straight position; only where butt markers are
//! worn.

use super::geometry::Geometry;
use super::labels::along;
use super::scale::Quantity;
use super::svg::Xy;
use super::timeline::{Quantities, Timeline};
use super::{Format, Glyph, Panel, alt_text, dimension_clear, figure_words, mark, span};
use tipwright::model::FigureId;
use tipwright::model::stroke::CastSample;

/// Where the time before rod straight is dimensioned, as a share of the largest bend: under the curve.
const LEAD_LEVEL: f64 = 0.55;

/// Narrower drawings have no room for names beside the curve.
const NARROW: f64 = 400.0;

/// The bend; `None` without butt markers.
#[must_use]
pub fn panel(geometry: &Geometry<'_>, format: Format) -> Option<Panel> {
    let samples = &geometry.stroke.samples;
    let bends = || samples.iter().filter_map(|p| p.bend_m);
    bends().next()?;
    let (low, high) = span(bends(), (-0.1, 0.1));
    // Beside a narrow curve there is no room for names: they stand above it.
    let is_narrow = format.width < NARROW;
    let format = if is_narrow { Format { time_height: format.time_height + 26.0, ..format } } else { format };
    let what = Quantities {
        title: "Bend of the rod: tip from the butt\u{2019}s axis",
        name: "bend",
        quantity: Quantity::Length,
        unit: "",
        range: (low.min(-0.05), high.max(0.05)),
        above: if is_narrow { 46.0 } else { 30.0 },
    };
    let mut line = Timeline::begin(geometry, &what, format);
    let (a, b) = (line.time.start, line.time.end);
    let zero = [(a, line.value.at(0.0)), (b, line.value.at(0.0))];
    line.svg.line("zero", zero[0], zero[1]);
    line.labels.guide(&zero);
    line.curve(geometry, |p| p.bend_m);
    line.marks(geometry, |t| geometry.at(t).and_then(|p| p.bend_m), false);
    let figure = |id| geometry.stroke.figures.get(id);
    if let (Some(rsp), Some(lead), Some(bend)) =
        (geometry.t_rsp_s, figure(FigureId::BendLead), figure(FigureId::MaxBend))
    {
        let t = rsp - lead.value * 1e-3;
        if let Some(at_max) = geometry.at(t).and_then(|p| p.bend_m) {
            let point = line.at(t, at_max);
            mark(&mut line.svg, &mut line.labels, Glyph::LargestBend, point);
            // How long before: a dimension line from that moment to rod straight, where the curve leaves room.
            let ends = [line.at(t, LEAD_LEVEL * at_max), line.at(rsp, LEAD_LEVEL * at_max)];
            if lead.value.abs() > lead.half_width_95() {
                dimension_clear(&mut line.svg, &mut line.labels, "leader", ends[0], ends[1]);
            }
            line.note(&[point], (0.0, -1.0), "", figure_words("largest", FigureId::MaxBend, bend));
            let words = figure_words("lead", FigureId::BendLead, lead);
            let middle = (0.5 * (ends[0].0 + ends[1].0), ends[0].1);
            line.note(&[ends[0], middle, ends[1]], (-1.0, 0.2), "note", words);
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
            line.note(&[line.at(sample.t_s, bend)], (-1.0, 0.6), "", words);
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
        above: 30.0,
    };
    let mut line = Timeline::begin(geometry, &what, format);
    line.curve(geometry, |p| p.butt_angle_deg);
    line.marks(geometry, |t| geometry.at(t).and_then(|p| p.butt_angle_deg), true);
    let within: Vec<Xy> = (geometry.window.clone())
        .filter_map(|k| Some(line.at(samples[k].t_s, samples[k].butt_angle_deg?)))
        .collect();
    if let (Some(arc), false) = (geometry.stroke.figures.get(FigureId::Arc), within.is_empty()) {
        let words = figure_words("arc", FigureId::Arc, arc);
        line.note(&along(&within, 0.5), (1.0, -0.2), &format!("t-{}", geometry.ink()), words);
    }
    Some(line.end(
        "butt",
        alt_text("Angle of the rod butt over time", geometry, &[FigureId::Arc, FigureId::ButtSpeed]),
    ))
}
