//! A figure over a season: a strip a caster (or a class of casters), a dot a session with its 95 % interval, all strips to one scale
//! of height and one of days, so that a change of one can be held against what happened to everybody that evening.

use crate::plot::Panel;
use crate::plot::area::text_width;
use crate::plot::frame::{BOTTOM, TICK_SIZE, TOP};
use crate::plot::scale::Scale;
use crate::plot::svg::{Anchor, Svg, coordinate};
use crate::plot::{dimension, span};
use crate::units::{UnitSystem, kind, show};
use tipwright::model::{FigureId, Measured};

use super::forest::{WIDTH, fitted};

/// A session's value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Days, or the number of the session where days are not known.
    pub at: f64,
    /// Mean.
    pub value: f64,
    /// Half of its 95 % interval; none where there were too few to say.
    pub half_width: Option<f64>,
}

/// One strip.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// Name.
    pub label: String,
    /// Its sessions.
    pub points: Vec<Point>,
    /// About zero: what a session has in common for everybody, above the mean of the sessions.
    pub is_above: bool,
}

impl Strip {
    fn mean(&self) -> f64 {
        self.points.iter().map(|p| p.value).sum::<f64>() / self.points.len().max(1) as f64
    }

    /// What its line stands for.
    fn level(&self) -> f64 {
        if self.is_above { 0.0 } else { self.mean() }
    }
}

/// Height of a strip.
const STRIP: f64 = 40.0;
/// Air between strips.
const AIR: f64 = 3.0;
/// Room for the scale of height, right of the strips.
const SCALE_ROOM: f64 = 62.0;

/// Draws the panel; `ends` name the first and the last session's day.
#[must_use]
pub fn panel(id: FigureId, strips: &[Strip], ends: &[String; 2]) -> Option<Panel> {
    let strips: Vec<&Strip> = strips.iter().filter(|s| !s.points.is_empty()).collect();
    let reach = reach(&strips);
    if strips.is_empty() || !(reach > 0.0) {
        return None;
    }
    let longest = strips
        .iter()
        .map(|s| text_width(&fitted(&s.label), 12.0))
        .fold(text_width("1234 mm", 12.0), f64::max);
    let left = (longest + 14.0).clamp(60.0, 170.0);
    let (right, height) = (WIDTH - SCALE_ROOM, TOP + STRIP * strips.len() as f64 + BOTTOM);
    let (first, last) = span(strips.iter().flat_map(|s| s.points.iter().map(|p| p.at)), (0.0, 1.0));
    let x = Scale::new(first, last, left + 5.0, right - 5.0);
    let half_px = STRIP / 2.0 - AIR;
    let mut svg = Svg::new();
    svg.text("title", (left, TOP - 9.0), Anchor::Start, id.info().name);
    let mut alt = format!("{} over {}", id.info().name, ends.join(" to "));
    for (k, strip) in strips.iter().enumerate() {
        let middle = TOP + STRIP * (k as f64 + 0.5);
        let y = Scale::new(strip.level() - reach, strip.level() + reach, middle + half_px, middle - half_px);
        svg.line(if strip.is_above { "when" } else { "grid" }, (left, middle), (right, middle));
        svg.text("", (left - 8.0, middle - 1.0), Anchor::End, &fitted(&strip.label));
        level_text(&mut svg, id, strip, (left - 8.0, middle + 13.0));
        draw(&mut svg, strip, &x, &y);
        let shown = show(kind(id), Measured::new(strip.mean(), 0.05 * reach), UnitSystem::Metric);
        alt.push_str(&format!(
            "; {} in {} sessions, mean {}",
            strip.label,
            strip.points.len(),
            shown.short()
        ));
    }
    let foot = TOP + STRIP * strips.len() as f64;
    svg.line("axis", (left, foot), (right, foot));
    let row = foot + 4.0 + 1.05 * TICK_SIZE;
    svg.text("tick", (left, row), Anchor::Start, &ends[0]);
    if ends[1] != ends[0] && text_width(&ends.concat(), TICK_SIZE) + 10.0 < right - left {
        svg.text("tick", (right, row), Anchor::End, &ends[1]);
    }
    scale_bar(&mut svg, id, (right + 10.0, TOP + AIR), (reach, half_px));
    alt.push('.');
    let y = Scale::new(0.0, strips.len() as f64, TOP, foot);
    Some(Panel { name: "forest", body: svg.into_body(), width: WIDTH, height, alt, scales: (x, y) })
}

/// Half of what a strip shows. Nine intervals of ten fit; the rest is cut at the strip's edge, for one evening of two casts would
/// make all others lines.
fn reach(strips: &[&Strip]) -> f64 {
    let far = |s: &&Strip| {
        let level = s.level();
        s.points
            .iter()
            .map(move |p| (p.value - level).abs() + p.half_width.unwrap_or(0.0))
            .collect::<Vec<_>>()
    };
    let mut all: Vec<f64> = strips.iter().flat_map(far).filter(|v| v.is_finite()).collect();
    all.sort_by(f64::total_cmp);
    let ninth = all.get((0.9 * all.len() as f64) as usize).copied().unwrap_or(0.0);
    let dots = strips.iter().flat_map(|s| s.points.iter().map(|p| (p.value - s.level()).abs()));
    1.05 * dots.fold(ninth, f64::max)
}

/// Dots and intervals as one line each: fifty evenings of twelve casters are six hundred of either.
fn draw(svg: &mut Svg, strip: &Strip, x: &Scale, y: &Scale) {
    let (mut whiskers, mut dots, mut few) = (String::new(), String::new(), String::new());
    let (top, low) = (y.start.min(y.end), y.start.max(y.end));
    for p in &strip.points {
        let at = (coordinate(x.at(p.at)), y.at(p.value));
        if let Some(half) = p.half_width {
            let ends = [half, -half].map(|h| coordinate(y.at(p.value + h).clamp(top, low)));
            whiskers.push_str(&format!("M{} {}V{}", at.0, ends[0], ends[1]));
        }
        let of = if p.half_width.is_some() { &mut dots } else { &mut few };
        of.push_str(&format!("M{} {}h0", at.0, coordinate(at.1)));
    }
    let ink = if strip.is_above { "path-back" } else { "path-forward" };
    for (class, d) in [("whisker", whiskers), ("dots", dots), ("dots few", few)] {
        if !d.is_empty() {
            svg.path(&format!("{ink} {class}"), &d);
        }
    }
}

/// What the strip's line stands for, in both systems.
fn level_text(svg: &mut Svg, id: FigureId, strip: &Strip, at: (f64, f64)) {
    if strip.is_above {
        svg.text("note", at, Anchor::End, "for everybody");
        return;
    }
    let text =
        |system| show(kind(id), Measured::new(strip.mean(), 0.02 * strip.mean().abs()), system).short();
    both(svg, "note", at, Anchor::End, [text(UnitSystem::Metric), text(UnitSystem::Imperial)]);
}

fn both(svg: &mut Svg, class: &str, at: (f64, f64), anchor: Anchor, [metric, imperial]: [String; 2]) {
    if metric == imperial {
        svg.text(class, at, anchor, &metric);
    } else {
        svg.text(&format!("{class} u-m"), at, anchor, &metric);
        svg.text(&format!("{class} u-ft"), at, anchor, &imperial);
    }
}

/// How much a height is: a dimension line of a round number beside the first strip.
fn scale_bar(svg: &mut Svg, id: FigureId, (x, top): (f64, f64), (reach, half_px): (f64, f64)) {
    let per_px = reach / half_px;
    let imperial_m = match kind(id) {
        crate::units::Kind::SmallLength => Some(crate::units::INCH_M),
        crate::units::Kind::Length | crate::units::Kind::Speed => Some(crate::units::FOOT_M),
        _ => None,
    };
    let bar = |svg: &mut Svg, unit: f64, system, class: &str| {
        let most = 1.9 * half_px * per_px / unit;
        let step = 10_f64.powf(most.log10().floor());
        let round = [5.0, 2.0, 1.0].into_iter().map(|m| m * step).find(|v| *v <= most).unwrap_or(step);
        let value = round * unit;
        svg.open(class, "");
        dimension(svg, "axis", (x, top), (x, top + value / per_px));
        let shown = show(kind(id), Measured::new(value, 0.02 * value), system).short();
        svg.text("note", (x + 6.0, top + 0.5 * value / per_px + 4.0), Anchor::Start, &shown);
        svg.close();
    };
    match imperial_m {
        Some(unit) => {
            bar(svg, 1.0, UnitSystem::Metric, "u-m");
            bar(svg, unit, UnitSystem::Imperial, "u-ft");
        }
        None => bar(svg, 1.0, UnitSystem::Metric, ""),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strip(values: &[f64]) -> Strip {
        let point = |(k, v): (usize, &f64)| Point { at: k as f64, value: *v, half_width: Some(0.004) };
        Strip {
            label: "Heron".into(),
            points: values.iter().enumerate().map(point).collect(),
            is_above: false,
        }
    }

    /// Two casters of one change: dots of equal height apart, whatever their levels.
    #[test]
    fn a_change_is_as_high_in_every_strip() {
        let strips = [strip(&[0.02, 0.03, 0.04]), strip(&[0.12, 0.13, 0.14])];
        let drawn = panel(FigureId::DipDepth, &strips, &["2026-04-01".into(), "2026-06-01".into()]).unwrap();
        let heights: Vec<Vec<f64>> = drawn
            .body
            .split("path-forward dots\" d=\"")
            .skip(1)
            .map(|d| {
                let d = d.split('"').next().unwrap();
                d.split('M').skip(1).map(|p| p.split([' ', 'h']).nth(1).unwrap().parse().unwrap()).collect()
            })
            .collect();
        assert_eq!(heights.len(), 2);
        for k in 0..2 {
            let [a, b] = [0, 1].map(|s: usize| heights[s][k] - heights[s][k + 1]);
            assert!(a > 1.0 && (a - b).abs() < 0.02, "{heights:?}");
        }
        assert!(drawn.body.contains("2026-06-01") && drawn.alt.contains("3 sessions"));
    }

    #[test]
    fn what_never_changes_is_not_drawn() {
        let flat = Strip { points: vec![Point { at: 0.0, value: 1.0, half_width: None }], ..strip(&[]) };
        assert!(panel(FigureId::Arc, &[flat], &["a".into(), "b".into()]).is_none());
        assert!(panel(FigureId::Arc, &[], &["a".into(), "b".into()]).is_none());
    }
}
