//! Many strokes over each other, aligned at rod straight position: where the tip was relative to where it was then,
//! its speed, the bend and the butt's angle; each stroke thin, the mean of a group strong, with the 95 % interval of
//! the mean as a band.

use super::frame::{Axis, BOTTOM, Frame, LEFT, RIGHT, TOP, Words};
use super::geometry::{Geometry, speed};
use super::scale::{Quantity, Scale};
use super::svg::{Svg, Xy};
use super::{Format, Panel, set_label, span};
use crate::report::compare::stats::describe;

/// Step of time of the common grid; half the frame time of 120 frames a second.
const STEP_S: f64 = 1.0 / 240.0;

/// Strokes that belong together, with the class of their ink.
#[derive(Debug, Clone)]
pub struct Group<'a> {
    /// Name.
    pub name: String,
    /// Class of the mean's line: `path-forward`, `path-back` or `second`.
    pub ink: &'static str,
    /// Class of the band.
    pub band: &'static str,
    /// Strokes.
    pub strokes: Vec<Geometry<'a>>,
}

/// What is laid over each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    /// Height over the distance to where the tip was at rod straight position.
    Path,
    /// Speed over time.
    Speed,
    /// Bend over time.
    Bend,
    /// Butt angle over time.
    Butt,
}

/// A point of a stroke: along, up.
type Pair = (f64, f64);

/// Draws the panel; `None` when no stroke has what is asked for.
#[must_use]
pub fn panel(what: What, groups: &[Group<'_>], title: &str, format: Format) -> Option<Panel> {
    let curves: Vec<Vec<Vec<Option<Pair>>>> =
        groups.iter().map(|g| g.strokes.iter().map(|s| curve(what, s)).collect()).collect();
    let all = || curves.iter().flatten().flatten().filter_map(|p| *p);
    all().next()?;
    let (x_low, x_high) = span(all().map(|p| p.0), (-1.0, 1.0));
    let (y_low, y_high) = span(all().map(|p| p.1), (0.0, 1.0));
    let (low, high) = match what {
        What::Path => {
            let missing = (0.3 - (y_high - y_low)).max(0.0) / 2.0;
            (y_low - missing, y_high + missing)
        }
        What::Speed => (0.0, y_high),
        What::Bend => (y_low.min(-0.05), y_high),
        What::Butt => (y_low, y_high),
    };
    let air = 0.12 * (high - low).max(1e-6);
    let height = format.time_height;
    let x = Scale::new(x_low, x_high, LEFT, format.width - RIGHT);
    let y = Scale::new(if what == What::Speed { 0.0 } else { low - air }, high + air, height - BOTTOM, TOP);
    let (x_quantity, x_name, y_quantity, y_unit) = match what {
        What::Path => (Quantity::Length, "from rod straight", Quantity::SmallLength, ""),
        What::Speed => (Quantity::Plain, "s from rod straight", Quantity::Speed, ""),
        What::Bend => (Quantity::Plain, "s from rod straight", Quantity::Length, ""),
        What::Butt => (Quantity::Plain, "s from rod straight", Quantity::Plain, "\u{b0}"),
    };
    let frame = Frame {
        x: Axis { scale: x, quantity: x_quantity, name: x_name, plain_unit: "", wanted: format.width / 85.0 },
        y: Axis { scale: y, quantity: y_quantity, name: "", plain_unit: y_unit, wanted: 4.5 },
        title,
    };
    let mut svg = Svg::new();
    let mut labels = frame.draw(&mut svg, format.units);
    let at = |p: Pair| -> Xy { (x.at(p.0), y.at(p.1)) };
    let area = frame.area();
    svg.line("when", at((0.0, low)), (x.at(0.0), area.top));
    let mut ends: Vec<(Xy, Words, &'static str)> = Vec::new();
    let mut alt = title.to_owned();
    for (group, strokes) in groups.iter().zip(&curves) {
        for stroke in strokes {
            for run in stroke.split(Option::is_none) {
                let points: Vec<Xy> = run.iter().flatten().map(|&p| at(p)).collect();
                svg.polyline(&format!("{} thin", group.ink), &points);
            }
        }
        let (mean, band) = mean_and_band(strokes);
        let upper = band.iter().map(|b| at((b.0, b.2)));
        let lower = band.iter().rev().map(|b| at((b.0, b.1)));
        svg.polygon(group.band, &upper.chain(lower).collect::<Vec<_>>());
        let line: Vec<Xy> = mean.iter().map(|&p| at(p)).collect();
        svg.polyline(group.ink, &line);
        labels.ink(&line);
        if let (true, Some(&point)) = (groups.len() > 1, line.get(line.len() / 3)) {
            let class = if group.ink == "second" { "t-dome" } else { group.ink.trim_start_matches("path-") };
            ends.push((point, Words::plain(format!("{}, {} strokes", group.name, strokes.len())), class));
        }
        alt.push_str(&format!("; {}: {} strokes", group.name, strokes.len()));
    }
    for (point, words, class) in ends {
        let class = if class == "t-dome" { class.to_owned() } else { format!("t-{class}") };
        set_label(&mut svg, &mut labels, &class, (point, (0.0, -1.0)), &words, format.units);
    }
    alt.push('.');
    Some(Panel { name: "overlay", body: svg.into_body(), width: format.width, height, alt, scales: (x, y) })
}

/// A stroke on the common grid of time, from the start of W to a little after rod straight position.
fn curve(what: What, geometry: &Geometry<'_>) -> Vec<Option<Pair>> {
    let Some(rsp_s) = geometry.t_rsp_s else { return Vec::new() };
    let Some(at_rsp) = geometry.at(rsp_s).map(|p| geometry.side(&p)) else { return Vec::new() };
    let first_s = geometry.stroke.samples.get(geometry.window.start).map_or(rsp_s, |p| p.t_s);
    #[allow(clippy::cast_possible_truncation)] // a few hundred steps
    let (from, to) = (((first_s - rsp_s) / STEP_S).ceil() as i32, (0.12 / STEP_S) as i32);
    // The same index is the same time for every stroke: begin all at the same step, with nothing before W.
    (GRID_FROM..=to)
        .map(|k| {
            if k < from {
                return None;
            }
            let since_rsp_s = f64::from(k) * STEP_S;
            let sample = geometry.at(rsp_s + since_rsp_s)?;
            match what {
                What::Path => {
                    let p = geometry.side(&sample);
                    Some((p[0] - at_rsp[0], p[1] - at_rsp[1]))
                }
                What::Speed => Some((since_rsp_s, speed(&sample))),
                What::Bend => Some((since_rsp_s, sample.bend_m?)),
                What::Butt => Some((since_rsp_s, sample.butt_angle_deg?)),
            }
        })
        .collect()
}

/// First step of the grid: 1.5 s before rod straight position, longer than any casting stroke.
const GRID_FROM: i32 = -360;

/// Mean of the strokes at each time, and the 95 % interval of its height, where at least half of them are there.
fn mean_and_band(strokes: &[Vec<Option<Pair>>]) -> (Vec<Pair>, Vec<(f64, f64, f64)>) {
    let length = strokes.iter().map(Vec::len).max().unwrap_or(0);
    let mut mean = Vec::new();
    let mut band = Vec::new();
    for k in 0..length {
        let there: Vec<Pair> = strokes.iter().filter_map(|s| s.get(k).copied().flatten()).collect();
        if there.is_empty() || 2 * there.len() < strokes.len() {
            continue;
        }
        let x = there.iter().map(|p| p.0).sum::<f64>() / there.len() as f64;
        let heights: Vec<f64> = there.iter().map(|p| p.1).collect();
        let Some(sample) = describe(&heights) else { continue };
        mean.push((x, sample.mean));
        if let (Some(half), true) = (sample.half_width, there.len() > 2) {
            band.push((x, sample.mean - half, sample.mean + half));
        }
    }
    (mean, band)
}
