//! A drill: the attempts of a take in order, the figure that was asked for with the goal as a band, and beside it what the loop
//! did meanwhile. An instructor asks a student to overdo it on purpose; the drawing shows whether it was, and by how much.

use super::area::text_area;
use super::frame::{Axis, BOTTOM, Frame, LEFT, RIGHT, TICK_SIZE, TOP, Words};
use super::scale::{Quantity, Scale};
use super::svg::{Anchor, Svg, Xy};
use super::{Format, Panel, span};
use crate::text::capital;
use tipwright::model::results::{TakeGoal, TakeResults};
use tipwright::model::{Direction, FigureId, Measured, Stroke, StrokeKind};

/// An attempt: number of the stroke, its way, what was measured.
type Attempt = (u32, Direction, Measured);

fn attempts(take: &TakeResults, id: FigureId) -> Vec<Attempt> {
    let asked = |s: &&Stroke| s.kind != StrokeKind::PickUp;
    let of = |s: &Stroke| Some((s.stroke, s.direction, s.figures.get(id)?));
    take.strokes.iter().filter(asked).filter_map(of).collect()
}

fn quantity(id: FigureId) -> Quantity {
    match id.info().unit {
        "m" => Quantity::Length,
        "m/s" => Quantity::Speed,
        _ => Quantity::Plain,
    }
}

/// The drill's panels: the goal, and the loop's width where it was measured, otherwise as the line model has it. Empty without a
/// goal or without an attempt.
#[must_use]
pub fn panels(take: &TakeResults, format: Format) -> Vec<Panel> {
    let Some(goal) = &take.goal else { return Vec::new() };
    let tried = attempts(take, goal.figure);
    if tried.is_empty() {
        return Vec::new();
    }
    let mut out = vec![panel(&tried, goal.figure, Some(goal), format)];
    let measured = attempts(take, FigureId::LoopWidth);
    let (id, widths) = if measured.is_empty() {
        (FigureId::LoopWidthPredicted, attempts(take, FigureId::LoopWidthPredicted))
    } else {
        (FigureId::LoopWidth, measured)
    };
    if !widths.is_empty() && goal.figure != id {
        out.push(panel(&widths, id, None, format));
    }
    out
}

/// How many attempts reached the goal for sure, may have, and did not.
#[must_use]
pub fn reached(tried: &[Measured], goal: &TakeGoal) -> [usize; 3] {
    let mut out = [0; 3];
    for m in tried {
        let half = m.half_width_95();
        let ends = [m.value - half, m.value + half].map(|x| goal.holds(x));
        out[match ends {
            [true, true] => 0,
            [false, false] if !goal.holds(m.value) => 2,
            _ => 1,
        }] += 1;
    }
    out
}

fn panel(tried: &[Attempt], id: FigureId, goal: Option<&TakeGoal>, format: Format) -> Panel {
    let reach = |m: &Measured| [m.value - m.half_width_95(), m.value + m.half_width_95()];
    let limits = goal.iter().flat_map(|g| [g.above, g.below]).flatten();
    let (low, high) = span(tried.iter().flat_map(|t| reach(&t.2)).chain(limits), (0.0, 1.0));
    let edge = 0.12 * (high - low).max(1e-3);
    let height = format.side_height.min(240.0);
    let (first, last) = (tried[0].0, tried[tried.len() - 1].0);
    let x = Scale::new(f64::from(first) - 0.5, f64::from(last) + 0.5, LEFT, format.width - RIGHT);
    let y = Scale::new(low - edge, high + 1.5 * edge, height - BOTTOM, TOP);
    let title = goal.map_or_else(
        || format!("{} meanwhile", capital(id.info().name)),
        |g| format!("Attempts: {} asked for, {}", id.info().name, g.words()),
    );
    let frame = Frame {
        x: Axis {
            scale: x,
            quantity: Quantity::Plain,
            name: "stroke",
            plain_unit: "",
            wanted: f64::from(last - first + 1).min(format.width / 40.0),
        },
        y: Axis {
            scale: y,
            quantity: quantity(id),
            name: id.info().name,
            plain_unit: id.info().unit,
            wanted: height / 48.0,
        },
        title: &title,
    };
    let mut svg = Svg::new();
    let mut labels = frame.draw(&mut svg, format.units);
    if let Some(goal) = goal {
        let [from, to] = [goal.above.unwrap_or(low - edge), goal.below.unwrap_or(high + 1.5 * edge)];
        let (a, b) = ((x.start, y.at(from)), (x.end, y.at(to)));
        svg.polygon("band-s4", &[a, (b.0, a.1), b, (a.0, b.1)]);
    }
    for (number, way, m) in tried {
        let at: Xy = (x.at(f64::from(*number)), y.at(m.value));
        let ends = reach(m).map(|v| y.at(v));
        let ink = if *way == Direction::Forward { "path-forward" } else { "path-back" };
        svg.line(&format!("{ink} thin"), (at.0, ends[0]), (at.0, ends[1]));
        labels.ink(&[(at.0, ends[0]), (at.0, ends[1])]);
        svg.circle(ink, at, 2.8);
        labels.take_mark(at);
    }
    let said = goal.map(|g| {
        let values: Vec<Measured> = tried.iter().map(|t| t.2).collect();
        let [sure, maybe, not] = reached(&values, g);
        format!("{sure} of {} reached it, {maybe} may have, {not} did not", tried.len())
    });
    if let Some(said) = &said {
        let at = (format.width - RIGHT, TOP + 12.0);
        svg.text("note", at, Anchor::End, said);
        labels.take(text_area(at, Anchor::End, said, TICK_SIZE));
    }
    if let Some(goal) = goal {
        let place = (x.end, y.at(goal.above.or(goal.below).unwrap_or(low)));
        labels.wish("", &[place], (-1.0, -1.0), Words::plain("goal"));
    }
    labels.set(&mut svg, format.units);
    let alt =
        format!("{title}; {} attempts{}.", tried.len(), said.map_or(String::new(), |s| format!("; {s}")));
    Panel { name: "drill", body: svg.into_body(), width: format.width, height, alt, scales: (x, y) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An attempt counts as reached when its whole interval lies in the goal.
    #[test]
    fn reached_is_what_is_sure() {
        let goal = TakeGoal { figure: FigureId::LatePower, above: Some(0.6), below: None };
        let of = |value| Measured::new(value, 0.01);
        assert_eq!(reached(&[of(0.7), of(0.61), of(0.59), of(0.4), of(0.65)], &goal), [2, 2, 1]);
        assert_eq!(goal.words(), "above 0.6");
    }
}
