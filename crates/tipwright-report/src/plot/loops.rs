//! The loop: the measured line at the standard moment in side view, its width dimensioned between the legs.

use std::fmt::Write;

use super::area::text_area;
use super::frame::{Axis, BOTTOM, DrawnUnits, Frame, LEFT, RIGHT, TICK_SIZE, TOP, TrueScale, Words};
use super::labels::along;
use super::scale::{Quantity, Scale};
use super::svg::{Anchor, Svg, Xy, coordinate, escape};
use super::{Format, Panel, dimension_clear, figure_texts, figure_words, span, style};
use crate::tables::loop_word;
use tipwright::model::line::StrokeLoop;
use tipwright::model::{Direction, FigureId, Measured, Stroke};

/// Draws the side view of the loop of a stroke.
#[must_use]
pub fn panel(stroke: &Stroke, line: &StrokeLoop, format: Format) -> Panel {
    let legs = [&line.rod_leg_in_cast_m, &line.fly_leg_in_cast_m];
    let all = || legs.iter().flat_map(|l| l.iter());
    let (x_low, x_high) = span(all().map(|p| p[0]), (-1.0, 1.0));
    let (z_low, z_high) = span(all().map(|p| p[1]), (0.0, 1.0));
    let air = 0.08 * (x_high - x_low).max(0.5);
    let (x_low, x_high, z_low) = (x_low - air, x_high + air, z_low - 1.2 * air);
    let scales = TrueScale::fit([x_low, x_high], [z_low, z_high], format);
    let TrueScale { x, z, height } = scales;
    let shape = line.shape.map_or(String::new(), |s| format!(", {}", loop_word(s)));
    let title = format!("The loop at its standard moment: {}{shape}", line.size.word());
    let frame = scales.frame(&title, format);
    let at = |p: &[f64; 2]| -> Xy { (x.at(p[0]), z.at(p[1])) };
    let mut svg = Svg::new();
    let mut labels = frame.draw(&mut svg, format.units);
    let ink = if stroke.direction == Direction::Forward { "forward" } else { "back" };
    for (leg, class) in legs.iter().zip([format!("path-{ink} thin"), format!("path-{ink}")]) {
        let drawn: Vec<Xy> = leg.iter().map(at).collect();
        svg.polyline(&class, &drawn);
        labels.ink(&drawn);
    }
    if let Some(tip) = line.rod_leg_in_cast_m.first() {
        svg.circle("", at(tip), 3.2);
        labels.take_mark(at(tip));
    }
    let section = [at(&line.section_in_cast_m[0]), at(&line.section_in_cast_m[1])];
    dimension_clear(&mut svg, &mut labels, "dip", section[0], section[1]);
    let middle = (0.5 * (section[0].0 + section[1].0), 0.5 * (section[0].1 + section[1].1));
    let back = -line.way_in_cast[0].signum();
    let figure = |id| stroke.figures.get(id);
    if let Some(width) = figure(FigureId::LoopWidth) {
        let words = figure_words("width", FigureId::LoopWidth, width);
        labels.wish("t-dip", &[middle, section[0], section[1]], (back, 0.0), words);
    }
    if let (Some(tip), Some(front)) = (line.rod_leg_in_cast_m.first(), line.fly_leg_in_cast_m.first()) {
        labels.wish("", &[at(tip)], (back, 1.0), Words::plain("tip"));
        let ahead = [front[0] + 0.25 * line.way_in_cast[0], front[1] + 0.25 * line.way_in_cast[1]];
        svg.line("when", at(front), at(&ahead));
        labels.guide(&[at(front), at(&ahead)]);
        if let Some(speed) = figure(FigureId::LoopSpeed) {
            let words = figure_words("nose", FigureId::LoopSpeed, speed);
            labels.wish("", &[at(front)], (-back, -1.0), words);
        }
    }
    for (leg, name, toward) in
        [(&line.rod_leg_in_cast_m, "rod leg", (0.0, 1.0)), (&line.fly_leg_in_cast_m, "fly leg", (0.0, -1.0))]
    {
        let drawn: Vec<Xy> = leg.iter().map(at).collect();
        labels.wish("", &along(&drawn, 0.5), toward, Words::plain(name));
    }
    let mut alt =
        format!("Side view of the loop of {ink} stroke {}, {}{shape}", stroke.stroke, line.size.word());
    for id in [FigureId::LoopWidth, FigureId::LoopSpeed, FigureId::LoopAngle] {
        if let Some(m) = figure(id) {
            let _ = write!(alt, "; {} {}", id.info().name, figure_texts(id, m).0);
        }
    }
    labels.set(&mut svg, format.units);
    alt.push('.');
    Panel { name: "loop", body: svg.into_body(), width: format.width, height, alt, scales: (x, z) }
}

/// The panel as an SVG file of its own.
#[must_use]
pub fn sheet(stroke: &Stroke, line: &StrokeLoop, units: DrawnUnits) -> String {
    let panel = panel(stroke, line, Format::sheet(units));
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"plot\" role=\"img\" viewBox=\"0 0 {0} {1}\">\n<title>{2}</title>\n<style>{3}</style>\n<rect class=\"sheet\" width=\"{0}\" height=\"{1}\"/>\n{4}\n</svg>\n",
        coordinate(panel.width),
        coordinate(panel.height),
        escape(&panel.alt),
        style::standalone_rules(),
        panel.body
    )
}

/// A pair of figures that belong together: what the tip did and what the loop became.
const LINKS: [(FigureId, FigureId, &str); 2] = [
    (FigureId::DipDepth, FigureId::FlyLegDip, "What the tip's dip does to the fly leg"),
    (FigureId::DomeHeight, FigureId::LoopWidth, "What the tip's dome does to the loop's width"),
];

/// Height kept free for what is said of the correlation, pixels.
const NOTE_BAND: f64 = 22.0;

/// Fewest strokes for a correlation: with three or fewer its interval is everything (Fisher 1921: 1 / sqrt(n - 3)).
const FEWEST: usize = 5;

/// Correlation with its 95 % interval by Fisher's z (Metron 1 (1921) 3-32): tanh(atanh r +- 1.96 / sqrt(n - 3)).
///
/// ```
/// use tipwright_report::plot::loops::correlation;
/// // r = 0.5 from 28 pairs: 0.156 to 0.736 (the formula by hand)
/// let z = 0.5_f64.atanh();
/// let xy: Vec<(f64, f64)> = (0..28).map(|i| {
///     let a = f64::from(i) * std::f64::consts::TAU / 28.0;
///     (a.cos(), 0.5 * a.cos() + 0.75_f64.sqrt() * a.sin())
/// }).collect();
/// let (r, [low, high]) = correlation(&xy).unwrap();
/// assert!((r - 0.5).abs() < 1e-12);
/// assert!((low - (z - 1.96 / 5.0).tanh()).abs() < 1e-4 && (high - (z + 1.96 / 5.0).tanh()).abs() < 1e-4);
/// ```
#[must_use]
pub fn correlation(pairs: &[(f64, f64)]) -> Option<(f64, [f64; 2])> {
    if pairs.len() < FEWEST {
        return None;
    }
    let n = pairs.len() as f64;
    let (mx, my) = pairs.iter().fold((0.0, 0.0), |(a, b), (x, y)| (a + x / n, b + y / n));
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        let (dx, dy) = (x - mx, y - my);
        (xx, xy, yy) = (xx + dx * dx, xy + dx * dy, yy + dy * dy);
    }
    if !(xx > 0.0 && yy > 0.0) {
        return None;
    }
    let r = (xy / (xx * yy).sqrt()).clamp(-1.0, 1.0);
    let z = r.clamp(-0.999_999, 0.999_999).atanh();
    let half = 1.959_964 / (n - 3.0).sqrt();
    Some((r, [(z - half).tanh(), (z + half).tanh()]))
}

/// One caster's strokes, tip against loop: a panel for each link with strokes enough.
#[must_use]
pub fn links<'a>(strokes: impl Iterator<Item = &'a Stroke> + Clone, format: Format) -> Vec<Panel> {
    LINKS
        .iter()
        .filter_map(|(tip, line, title)| link(strokes.clone(), (*tip, *line), title, format))
        .collect()
}

fn link<'a>(
    strokes: impl Iterator<Item = &'a Stroke>,
    (tip, line): (FigureId, FigureId),
    title: &str,
    format: Format,
) -> Option<Panel> {
    let rows: Vec<(Direction, Measured, Measured)> =
        strokes.filter_map(|s| Some((s.direction, s.figures.get(tip)?, s.figures.get(line)?))).collect();
    if rows.len() < 2 {
        return None;
    }
    // a dip, a dome, a width: none can be less than nothing
    let reach =
        |m: &Measured| [(m.value - m.half_width_95()).max(0.0).min(m.value), m.value + m.half_width_95()];
    let (x_low, x_high) = span(rows.iter().flat_map(|r| reach(&r.1)), (0.0, 0.1));
    let (y_low, y_high) = span(rows.iter().flat_map(|r| reach(&r.2)), (0.0, 1.0));
    let edge = |low: f64, high: f64| 0.06 * (high - low).max(0.02);
    let (ex, ey) = (edge(x_low, x_high), edge(y_low, y_high));
    let height = format.side_height.min(260.0);
    let x = Scale::new(x_low - ex, x_high + ex, LEFT, format.width - RIGHT);
    // the correlation stands above the strokes
    let free = NOTE_BAND / (height - BOTTOM - TOP - NOTE_BAND) * (y_high - y_low + 2.0 * ey);
    let y = Scale::new(y_low - ey, y_high + ey + free, height - BOTTOM, TOP);
    let quantity =
        |id: FigureId| if id == FigureId::LoopWidth { Quantity::Length } else { Quantity::SmallLength };
    let frame = Frame {
        x: Axis {
            scale: x,
            quantity: quantity(tip),
            name: tip.info().name,
            plain_unit: "",
            wanted: format.width / 95.0,
        },
        y: Axis {
            scale: y,
            quantity: quantity(line),
            name: line.info().name,
            plain_unit: "",
            wanted: height / 48.0,
        },
        title,
    };
    let mut svg = Svg::new();
    let mut labels = frame.draw(&mut svg, format.units);
    for (direction, a, b) in &rows {
        let forward = *direction == Direction::Forward;
        let ink = if forward { "path-forward thin" } else { "path-back thin" };
        let (ra, rb) = (reach(a), reach(b));
        let at: Xy = (x.at(a.value), y.at(b.value));
        for ends in [[(x.at(ra[0]), at.1), (x.at(ra[1]), at.1)], [(at.0, y.at(rb[0])), (at.0, y.at(rb[1]))]] {
            svg.line(ink, ends[0], ends[1]);
            labels.ink(&ends);
        }
        svg.circle(if forward { "path-forward" } else { "path-back" }, at, 2.6);
        labels.take_mark(at);
    }
    for (way, name, class) in
        [(Direction::Forward, "forward", "t-forward"), (Direction::Back, "back", "t-back")]
    {
        // where a stroke stands apart from the others its name is easily seen: the outermost
        let last = rows.iter().filter(|r| r.0 == way).max_by(|a, b| a.1.value.total_cmp(&b.1.value));
        if let Some((_, a, b)) = last {
            let at = (x.at(a.value), y.at(b.value));
            labels.wish(class, &[at], (-1.0, 0.0), Words::plain(name));
        }
    }
    let pairs: Vec<(f64, f64)> = rows.iter().map(|r| (r.1.value, r.2.value)).collect();
    let said = match correlation(&pairs) {
        Some((r, [low, high])) => format!("r {r:.2}, {low:.2} to {high:.2}, {} strokes", pairs.len()),
        None => format!("{} strokes: too few for a correlation", pairs.len()),
    };
    let place = (format.width - RIGHT, TOP + 0.7 * NOTE_BAND);
    svg.text("note", place, Anchor::End, &said);
    labels.take(text_area(place, Anchor::End, &said, TICK_SIZE));
    labels.set(&mut svg, format.units);
    let alt = format!("{title}: {} against {}; {said}.", line.info().name, tip.info().name);
    Some(Panel { name: "link", body: svg.into_body(), width: format.width, height, alt, scales: (x, y) })
}
