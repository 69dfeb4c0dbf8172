//! What if: the loop that the measured path makes by the line model, and those that changed paths would have made, in one side
//! view. Called a model on the drawing; each line bears its name and its width.

use std::fmt::Write;

use super::frame::{TrueScale, Words};
use super::labels::along;
use super::svg::{Svg, Xy};
use super::{Format, Panel, figure_texts, figure_words, span};
use tipwright::model::line::{Change, PredictedLoop};
use tipwright::model::{FigureId, Stroke};

/// Pen of a change; the path's own loop has the stroke's.
fn pen(change: Change) -> &'static str {
    match change {
        Change::WithoutDip => "series-2",
        Change::Straight => "series-3",
        Change::SteadyRamp => "series-5",
    }
}

/// Nearer than this a changed loop is the same to the eye, metres: it is told in words only.
const SAME_M: f64 = 0.03;

/// Draws what other paths would have made; `None` when none of them makes another loop.
#[must_use]
pub fn panel(stroke: &Stroke, model: &PredictedLoop, format: Format) -> Option<Panel> {
    let differs = |w: f64| (w - model.width_m.value).abs() >= SAME_M;
    let changed: Vec<_> = model.what_if.iter().filter(|w| differs(w.width_m.value)).collect();
    if changed.is_empty() {
        return None;
    }
    let lines = || changed.iter().map(|w| &w.line_in_cast_m).chain([&model.line_in_cast_m]);
    let all = || lines().flat_map(|l| l.iter());
    let (x_low, x_high) = span(all().map(|p| p[0]), (-1.0, 1.0));
    let (z_low, z_high) = span(all().map(|p| p[1]), (0.0, 1.0));
    let air = 0.06 * (x_high - x_low).max(0.5);
    let scales = TrueScale::fit([x_low - air, x_high + air], [z_low - air, z_high], format);
    let TrueScale { x, z, height } = scales;
    let frame = scales.frame("What if: a model, not measured", format);
    let at = |p: &[f64; 2]| -> Xy { (x.at(p[0]), z.at(p[1])) };
    let mut svg = Svg::new();
    let mut labels = frame.draw(&mut svg, format.units);
    let id = FigureId::LoopWidthPredicted;
    let mut alt = format!(
        "What if, by a model of the line: the loop of stroke {} would be {} wide on the measured path",
        stroke.stroke,
        figure_texts(id, model.width_m).0
    );
    let own = ("this path", model.width_m, &model.line_in_cast_m, "path-forward".to_owned());
    let others =
        changed.iter().map(|w| (w.change.words(), w.width_m, &w.line_in_cast_m, pen(w.change).to_owned()));
    let mut named = Vec::new();
    for (name, width, line, class) in others.chain([own]) {
        let drawn: Vec<Xy> = line.iter().map(at).collect();
        svg.polyline(&class, &drawn);
        labels.ink(&drawn);
        named.push((name, width, line));
    }
    if let Some(tip) = model.line_in_cast_m.first() {
        svg.circle("", at(tip), 3.2);
        labels.take_mark(at(tip));
    }
    for (k, (name, width, line)) in named.iter().enumerate() {
        // fly legs part toward the fly: each name at another place along them
        let drawn: Vec<Xy> = line.iter().map(at).collect();
        let side = if k % 2 == 0 { -1.0 } else { 1.0 };
        let place = (0.6 + 0.1 * k as f64).min(1.0);
        labels.wish("", &along(&drawn, place), (0.0, side), figure_words(name, id, *width));
        if *name != "this path" {
            let _ = write!(alt, "; {name} {}", figure_texts(id, *width).0);
        }
    }
    if let Some(tip) = model.line_in_cast_m.first() {
        labels.wish("", &[at(tip)], (0.0, 1.0), Words::plain("tip"));
    }
    labels.set(&mut svg, format.units);
    alt.push('.');
    Some(Panel { name: "what-if", body: svg.into_body(), width: format.width, height, alt, scales: (x, z) })
}
