//! Many strokes over each other, aligned at rod straight position: where the tip was relative to where it was then,
//! its speed, the bend and the butt's angle; each stroke thin, the mean of a group strong, with the 95 % interval of
//! the mean as a band.

use super::frame::{Axis, BOTTOM, Frame, LEFT, RIGHT, TOP, Words};
use super::geometry::{Geometry, speed};
use super::labels::along;
use super::scale::{Quantity, Scale};
use super::svg::{Svg, Xy};
use super::{Format, Panel, span};
use crate::stats::describe;

/// Step of time of the common grid; half the frame time of 120 frames a second.
const STEP_S: f64 = 1.0 / 240.0;

/// Kinds of line told apart by ink and dash: classes `series-0` to `series-5`.
pub const SERIES: usize = 6;

/// Strokes that belong together, with the kind of their line.
#[derive(Debug, Clone)]
pub struct Group<'a> {
    /// Name.
    pub name: String,
    /// Kind of line, modulo [`SERIES`].
    pub series: usize,
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
    /// Share of peak speed over the share of W that has passed, against a straight ramp.
    Power,
}

/// A point of a stroke: along, up.
type Pair = (f64, f64);

/// Draws the panel; `None` when no stroke has what is asked for. `each`: every stroke thin under its group's mean.
#[must_use]
pub fn panel(what: What, groups: &[Group<'_>], title: &str, format: Format, each: bool) -> Option<Panel> {
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
        What::Power => (0.0, 1.0),
    };
    let air = 0.12 * (high - low).max(1e-6);
    let height = format.time_height;
    let x = Scale::new(x_low, x_high, LEFT, format.width - RIGHT);
    let y = Scale::new(
        if matches!(what, What::Speed | What::Power) { 0.0 } else { low - air },
        high + air,
        height - BOTTOM,
        TOP,
    );
    let (x_quantity, x_name, y_quantity, y_unit) = match what {
        What::Path => (Quantity::Length, "from rod straight", Quantity::SmallLength, ""),
        What::Speed => (Quantity::Plain, "s from rod straight", Quantity::Speed, ""),
        What::Bend => (Quantity::Plain, "s from rod straight", Quantity::Length, ""),
        What::Butt => (Quantity::Plain, "s from rod straight", Quantity::Plain, "\u{b0}"),
        What::Power => (Quantity::Plain, "share of the stroke", Quantity::Plain, ""),
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
    if what == What::Power {
        let ramp = [at((0.0, RAMP_FROM)), at((1.0, 1.0))];
        svg.line("ramp", ramp[0], ramp[1]);
        labels.ink(&ramp);
    } else {
        svg.line("when", (x.at(0.0), area.bottom), (x.at(0.0), area.top));
        labels.guide(&[(x.at(0.0), area.bottom), (x.at(0.0), area.top)]);
    }
    let mut alt = title.to_owned();
    let many = groups.len();
    for (k, (group, strokes)) in groups.iter().zip(&curves).enumerate() {
        let series = group.series % SERIES;
        if each {
            for stroke in strokes {
                for run in stroke.split(Option::is_none) {
                    let points: Vec<Xy> = run.iter().flatten().map(|&p| at(p)).collect();
                    svg.polyline(&format!("series-{series} thin"), &points);
                    labels.ink(&points);
                }
            }
        }
        let (mean, band) = mean_and_band(strokes);
        // A band of few strokes may be wider than the drawing; it ends at its frame.
        let within = |v: f64| v.clamp(y.from.min(y.to), y.from.max(y.to));
        let upper = band.iter().map(|b| at((b.0, within(b.2))));
        let lower = band.iter().rev().map(|b| at((b.0, within(b.1))));
        svg.polygon(&format!("band-s{series}"), &upper.chain(lower).collect::<Vec<_>>());
        let line: Vec<Xy> = mean.iter().map(|&p| at(p)).collect();
        svg.polyline(&format!("series-{series}"), &line);
        labels.ink(&line);
        if many > 1 {
            // Names stand along the lines one after the other, so that they do not crowd one place.
            let place = (2 * k + 1) as f64 / (2 * many).max(4) as f64;
            let words = Words::plain(format!("{}, {}", group.name, strokes.len()));
            labels.wish(&format!("t-s{series}"), &along(&line, place), (0.0, -1.0), words);
        }
        alt.push_str(&format!("; {}: {} strokes", group.name, strokes.len()));
    }
    labels.set(&mut svg, format.units);
    alt.push('.');
    let name = match what {
        What::Path => "overlay-path",
        What::Power => "overlay-power",
        What::Speed | What::Bend | What::Butt => "overlay-time",
    };
    Some(Panel { name, body: svg.into_body(), width: format.width, height, alt, scales: (x, y) })
}

/// Share of the peak at which W begins, and the straight ramp with it.
const RAMP_FROM: f64 = 0.2;
/// Steps of the share of W.
const SHARES: i32 = 100;

/// A stroke on the common grid of shares of W.
fn power(geometry: &Geometry<'_>) -> Vec<Option<Pair>> {
    let window = &geometry.stroke.samples[geometry.window.clone()];
    let (Some(first), Some(rsp_s)) = (window.first(), geometry.t_rsp_s) else { return Vec::new() };
    let peak = window.iter().map(speed).fold(0.0, f64::max);
    if !(peak > 0.0) {
        return Vec::new();
    }
    (0..=SHARES)
        .map(|k| {
            let share = f64::from(k) / f64::from(SHARES);
            let sample = geometry.at(first.t_s + share * (rsp_s - first.t_s))?;
            Some((share, speed(&sample) / peak))
        })
        .collect()
}

/// A stroke on the common grid of time, from the start of W to a little after rod straight position.
fn curve(what: What, geometry: &Geometry<'_>) -> Vec<Option<Pair>> {
    if what == What::Power {
        return power(geometry);
    }
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
                What::Power => None,
            }
        })
        .collect()
}

/// First step of the grid: 1.5 s before rod straight position, longer than any casting stroke.
const GRID_FROM: i32 = -360;

/// Mean of the strokes at each time, and the 95 % interval of its height, where four fifths of them are there: where
/// strokes drop out one by one the mean would jump.
fn mean_and_band(strokes: &[Vec<Option<Pair>>]) -> (Vec<Pair>, Vec<(f64, f64, f64)>) {
    let length = strokes.iter().map(Vec::len).max().unwrap_or(0);
    let mut mean = Vec::new();
    let mut band = Vec::new();
    for k in 0..length {
        let there: Vec<Pair> = strokes.iter().filter_map(|s| s.get(k).copied().flatten()).collect();
        if there.is_empty() || 5 * there.len() < 4 * strokes.len() {
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
