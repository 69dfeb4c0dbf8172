//! Power: tip speed as a share of its peak over the share of W that has passed, against the straight ramp fitted
//! from the start of W to 90 % of the peak (the line behind `speed_ramp_r2`).

use super::frame::{Axis, BOTTOM, Frame, LEFT, RIGHT, TOP, Words};
use super::geometry::{Geometry, speed};
use super::scale::{Quantity, Scale};
use super::svg::{Svg, Xy};
use super::{Format, Panel, alt_text};
use tipwright::model::FigureId;

/// Share of the peak at which the ramp ends, as in the figure's definition.
const RAMP_UNTIL: f64 = 0.9;

/// A speed profile in W: share of W that has passed, share of the peak.
#[must_use]
pub fn profile(geometry: &Geometry<'_>) -> Vec<(f64, f64)> {
    let window = &geometry.stroke.samples[geometry.window.clone()];
    let (Some(first), Some(last)) = (window.first(), window.last()) else { return Vec::new() };
    let peak = window.iter().map(speed).fold(0.0, f64::max);
    let length_s = last.t_s - first.t_s;
    if !(peak > 0.0 && length_s > 0.0) {
        return Vec::new();
    }
    window.iter().map(|p| ((p.t_s - first.t_s) / length_s, speed(p) / peak)).collect()
}

/// Least-squares line `(level, slope)` through the profile up to 90 % of the peak.
#[must_use]
pub fn ramp(profile: &[(f64, f64)]) -> Option<(f64, f64)> {
    let end = profile.iter().position(|p| p.1 >= RAMP_UNTIL)? + 1;
    let part = &profile[..end];
    if part.len() < 3 {
        return None;
    }
    let n = part.len() as f64;
    let (mx, my) = (part.iter().map(|p| p.0).sum::<f64>() / n, part.iter().map(|p| p.1).sum::<f64>() / n);
    let xx: f64 = part.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let xy: f64 = part.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    (xx > 0.0).then(|| (my - xy / xx * mx, xy / xx))
}

/// Draws the panel; `None` when W holds too little.
#[must_use]
pub fn panel(geometry: &Geometry<'_>, format: Format) -> Option<Panel> {
    let profile = profile(geometry);
    let (level, slope) = ramp(&profile)?;
    let height = format.time_height;
    let x = Scale::new(-0.02, 1.02, LEFT, format.width - RIGHT);
    let y = Scale::new(0.0, 1.16, height - BOTTOM, TOP);
    let frame = Frame {
        x: Axis {
            scale: x,
            quantity: Quantity::Plain,
            name: "share of the stroke",
            plain_unit: "",
            wanted: 6.0,
        },
        y: Axis {
            scale: y,
            quantity: Quantity::Plain,
            name: "share of peak speed",
            plain_unit: "",
            wanted: 4.0,
        },
        title: "Power against a straight ramp",
    };
    let mut svg = Svg::new();
    let mut labels = frame.draw(&mut svg, format.units);
    let at = |p: (f64, f64)| -> Xy { (x.at(p.0), y.at(p.1)) };
    let drawn: Vec<Xy> = profile.iter().map(|&p| at(p)).collect();
    // The ramp is drawn on to where it meets the peak, or the ends of W.
    let until = if slope > 1e-9 { ((1.0 - level) / slope).clamp(0.0, 1.0) } else { 1.0 };
    let from = if slope > 1e-9 { (-level / slope).clamp(0.0, 1.0) } else { 0.0 };
    let line = [at((from, level + slope * from)), at((until, level + slope * until))];
    svg.line("ramp", line[0], line[1]);
    svg.polyline(&format!("path-{}", geometry.ink()), &drawn);
    labels.ink(&drawn);
    labels.ink(&line);
    if let Some(late) = geometry.stroke.figures.get(FigureId::LatePower) {
        let (a, b) = (at((late.value, 0.0)), at((late.value, 0.5)));
        svg.line("when", a, b);
        svg.line("when", (x.start, b.1), b);
        labels.guide(&[a, b, (x.start, b.1)]);
        labels.take_mark(b);
        svg.circle("mark", b, 3.2);
        let text = format!("half speed after {}", super::figure_texts(FigureId::LatePower, late).0);
        labels.wish("", &[b], (-1.0, -0.7), Words::plain(text));
    }
    if let Some(fit) = geometry.stroke.figures.get(FigureId::Smoothness) {
        let text = format!("ramp fit {}", super::figure_texts(FigureId::Smoothness, fit).0);
        let along = |f: f64| from + f * (until - from);
        let places = [0.5, 0.65, 0.35, 0.8].map(|f| at((along(f), level + slope * along(f))));
        labels.wish("note", &places, (1.0, 0.8), Words::plain(text));
    }
    labels.set(&mut svg, format.units);
    let ids = [FigureId::LatePower, FigureId::Smoothness, FigureId::SignChanges];
    let what = "Tip speed as a share of its peak over the stroke, against a straight ramp";
    let alt = alt_text(what, geometry, &ids);
    Some(Panel { name: "power", body: svg.into_body(), width: format.width, height, alt, scales: (x, y) })
}
