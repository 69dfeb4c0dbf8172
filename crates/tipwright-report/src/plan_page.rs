//! Maps of a plan as SVG, as a page, and its table.

use std::fmt::Write as _;

use crate::page::figures::{dual, dual_units};
use crate::page::shell;
use crate::plot::svg::escape;
use crate::units::{FOOT_M, INCH_M, feet_inches, number};
use tipwright::model::ReportUnits;
use tipwright::plan::{Cell, Expected, Plan};

/// Edge of a map's cell: nine of them and their margin are as wide as a phone, so that no text is under 11 pixels there.
const CELL_PX: f64 = 34.0;
/// Left of a map, for its ticks, and right of it.
const MARGINS_PX: [f64; 2] = [38.0, 4.0];
/// Ends of the ramp, light to dark; the same on light and dark paper.
const LIGHT: [f64; 3] = [236.0, 244.0, 246.0];
const DARK: [f64; 3] = [110.0, 160.0, 178.0];
/// Ink on the ramp: 4.5 to 1 on its dark end and more elsewhere.
const INK: &str = "#10191d";

/// plan.csv: one row per cell, millimetres; empty where it is not seen.
#[must_use]
pub fn csv(plan: &Plan) -> String {
    let mut out = String::from(
        "map,x_m,y_m,z_m,along_sd_mm,across_sd_mm,up_sd_mm,position_sd_mm,dip_depth_sd_mm,unseen_by\n",
    );
    for (map, cells) in [("above", &plan.above), ("beside", &plan.beside)] {
        for c in cells {
            let [x, y, z] = c.at_m;
            let numbers = c.expected.map_or(",,,,".to_string(), |e| {
                format!(
                    "{:.3},{:.3},{:.3},{:.3},{:.3}",
                    e.along_mm, e.across_mm, e.up_mm, e.position_mm, e.dip_mm
                )
            });
            let _ = writeln!(out, "{map},{x:.2},{y:.2},{z:.2},{numbers},{}", c.unseen_by.join(" "));
        }
    }
    out
}

/// A standard deviation as short as a reader can use it, in millimetres or inches.
fn digits(v: f64) -> String {
    match v {
        v if v < 0.1 => format!("{v:.3}"),
        v if v < 1.0 => format!("{v:.2}"),
        v if v < 10.0 => format!("{v:.1}"),
        v => format!("{v:.0}"),
    }
}

fn inches(mm: f64) -> f64 {
    mm * 1e-3 / INCH_M
}

/// A standard deviation on the page, in both systems.
fn small(mm: f64) -> String {
    dual(&format!("{}\u{a0}mm", digits(mm)), &format!("{}\u{a0}in", digits(inches(mm))))
}

/// A length on the page, in both systems.
fn long(m: f64) -> String {
    dual(&format!("{m:.1}\u{a0}m"), &feet_inches(m, 0))
}

/// A text of a drawing in both systems, one of them hidden; `rest`: its attributes but for the class.
fn both(out: &mut String, class: &str, rest: &str, metric: &str, imperial: &str) {
    for (system, text) in [("u-m", metric), ("u-ft", imperial)] {
        let _ = writeln!(out, "<text {rest} class=\"{class} {system}\">{text}</text>");
    }
}

/// What a map shows of an expected result.
type Quantity = fn(&Expected) -> f64;

/// One of the drawings: its size, its elements, what it says.
struct Drawing {
    size: [f64; 2],
    elements: String,
    said: String,
}

/// The set-up from above and four maps: position and dip depth, seen from above and from the side.
fn drawings(plan: &Plan) -> Vec<Drawing> {
    const SKETCH: f64 = 350.0;
    let mut sketch = String::new();
    let height = set_up(&mut sketch, plan, SKETCH);
    let cameras: Vec<String> = plan
        .cameras
        .iter()
        .map(|c| format!("{} {:.1} m away and {:.1} m high", c.name, c.distance_m, c.position_m[2]))
        .collect();
    let mut out = vec![Drawing {
        size: [SKETCH, height],
        elements: sketch,
        said: format!("Set-up from above: {}.", cameras.join("; ")),
    }];
    let quantities: [(&str, Quantity); 2] = [("position", |e| e.position_mm), ("dip depth", |e| e.dip_mm)];
    for (cells, axis, from) in [(&plan.above, 1, "above"), (&plan.beside, 2, "the side")] {
        for (name, value) in quantities {
            let title = |unit: &str| format!("{name}, sd in {unit}, from {from}");
            let mut elements = String::new();
            map(&mut elements, cells, axis, [MARGINS_PX[0], 40.0], &title, value);
            let [wide, high] = [0, axis].map(|k| distinct(cells, k).len() as f64 * CELL_PX);
            let size = [wide + MARGINS_PX[0] + MARGINS_PX[1], high + 84.0];
            let (least, most) = ends(cells, value);
            out.push(Drawing { size, elements, said: format!("{}: {least:.1} to {most:.1}.", title("mm")) });
        }
    }
    out
}

/// Least and most of what is seen.
fn ends(cells: &[Cell], value: Quantity) -> (f64, f64) {
    let values = cells.iter().filter_map(|c| c.expected.as_ref().map(value));
    values.fold((f64::INFINITY, 0.0), |(low, high), v| (low.min(v), high.max(v)))
}

/// What plots have no rules for: cells not seen, and the volume.
const DEFINED: &str = "<defs><pattern id=\"unseen\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" \
     patternTransform=\"rotate(45)\"><line class=\"leader\" y2=\"6\"/></pattern></defs>";
const RULES: &str = ".plot .volume{fill:none;stroke:currentColor;stroke-width:1}.plot .cell{stroke:none}";

/// The drawings side by side in a file of its own, in the units given; `rules` are the class rules of the plots, for light paper.
#[must_use]
pub fn svg(plan: &Plan, rules: &str, units: ReportUnits) -> String {
    let hidden = match units {
        ReportUnits::M => ".u-ft{display:none}",
        ReportUnits::Ft => ".u-m{display:none}",
    };
    let all = drawings(plan);
    let size = |k: usize| all.get(k).map_or([0.0, 0.0], |d| d.size);
    // The set-up, then a column for position and one for dip depth.
    let (wide, high) = (size(1)[0], size(1)[1]);
    let width = size(0)[0] + 2.0 * wide;
    let height = (high + size(3)[1]).max(size(0)[1]);
    let mut placed = String::new();
    for (k, drawing) in all.iter().enumerate() {
        let x = if k == 0 { 0.0 } else { size(0)[0] + f64::from(u8::from(k % 2 == 0)) * wide };
        let y = if k > 2 { high } else { 0.0 };
        let _ = writeln!(placed, "<g transform=\"translate({x:.1} {y:.1})\">{}</g>", drawing.elements);
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"plot\" viewBox=\"0 0 {width:.0} {height:.0}\" width=\"{width:.0}\" \
         height=\"{height:.0}\" role=\"img\" aria-label=\"Expected standard deviations over the casting volume\">\n<style>{rules}{RULES}{hidden}\
         </style>{DEFINED}\n<rect class=\"sheet\" width=\"100%\" height=\"100%\"/>\n{placed}</svg>\n"
    )
}

fn distinct(cells: &[Cell], axis: usize) -> Vec<f64> {
    let mut out: Vec<f64> = cells.iter().map(|c| c.at_m[axis]).collect();
    out.sort_by(f64::total_cmp);
    out.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
    out
}

fn map(
    out: &mut String,
    cells: &[Cell],
    vertical: usize,
    at: [f64; 2],
    title: &dyn Fn(&str) -> String,
    value: Quantity,
) {
    let (xs, ys) = (distinct(cells, 0), distinct(cells, vertical));
    let (least, most) = ends(cells, value);
    let most = most.max(1.2 * least);
    let _ = writeln!(out, "<g transform=\"translate({:.1} {:.1})\">", at[0], at[1]);
    both(out, "title", "y=\"-12\"", &title("mm"), &title("inches"));
    for c in cells {
        let column = xs.partition_point(|x| *x < c.at_m[0] - 1e-6) as f64;
        // y and z rise upwards
        let row = (ys.len() - 1 - ys.partition_point(|y| *y < c.at_m[vertical] - 1e-6)) as f64;
        let (x, y) = (column * CELL_PX, row * CELL_PX);
        let (fill, text) = match c.expected.as_ref().map(value) {
            Some(v) => {
                let share = ((v / least).ln() / (most / least).ln()).clamp(0.0, 1.0);
                let mix = |i: usize| (LIGHT[i] + share * (DARK[i] - LIGHT[i])).round();
                (format!("rgb({} {} {})", mix(0), mix(1), mix(2)), Some(v))
            }
            None => ("url(#unseen)".to_string(), None),
        };
        let hover = if c.unseen_by.is_empty() {
            let said = text.map(digits).unwrap_or_default();
            format!("x {:.1} y {:.1} z {:.1} m: {said} mm", c.at_m[0], c.at_m[1], c.at_m[2])
        } else {
            format!("not seen by {}", escape(&c.unseen_by.join(" and ")))
        };
        let _ = writeln!(
            out,
            "<g><title>{hover}</title><rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{CELL_PX}\" height=\"{CELL_PX}\" fill=\"{fill}\" \
             class=\"cell\"/>"
        );
        if let Some(v) = text {
            let place = format!(
                "x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" style=\"fill:{INK};stroke:none\"",
                x + CELL_PX / 2.0,
                y + CELL_PX / 2.0 + 4.5
            );
            both(out, "", &place, &digits(v), &digits(inches(v)));
        }
        out.push_str("</g>\n");
    }
    let bottom = ys.len() as f64 * CELL_PX;
    for (i, x) in xs.iter().enumerate() {
        let place = format!(
            "x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\"",
            (i as f64 + 0.5) * CELL_PX,
            bottom + 17.0
        );
        both(out, "tick", &place, &number(*x, 1), &number(x / FOOT_M, 1));
    }
    for (i, y) in ys.iter().rev().enumerate() {
        let place = format!("x=\"-6\" y=\"{:.1}\" text-anchor=\"end\"", (i as f64 + 0.5) * CELL_PX + 4.5);
        both(out, "tick", &place, &number(*y, 1), &number(y / FOOT_M, 1));
    }
    let axis = if vertical == 1 { "to the left" } else { "up" };
    let place = format!(
        "x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\"",
        xs.len() as f64 * CELL_PX / 2.0,
        bottom + 35.0
    );
    let name = |unit: &str| format!("{unit} along the forward cast; upright: {unit} {axis}");
    both(out, "tick", &place, &name("m"), &name("ft"));
    out.push_str("</g>\n");
}

/// Caster, volume and cameras from above, `size` wide; returns the height.
fn set_up(out: &mut String, plan: &Plan, size: f64) -> f64 {
    let (volume_x, volume_y) = (distinct(&plan.above, 0), distinct(&plan.above, 1));
    let half = plan.cell_m / 2.0;
    let edge = |v: &[f64]| v.last().map_or(1.0, |x| x + half);
    let (ex, ey) = (edge(&volume_x), edge(&volume_y));
    let ends = |axis: usize, low: f64, high: f64| {
        let at = plan.cameras.iter().map(|c| c.position_m[axis]);
        at.fold((low, high), |(l, h), v| (l.min(v), h.max(v)))
    };
    let ((left, right), (near, far)) = (ends(0, -ex, ex + 0.9), ends(1, -ey, ey));
    let scale = (size - 92.0) / (right - left).max(far - near);
    let place = |x: f64, y: f64| (size / 2.0 + scale * (x - 0.5 * (left + right)), 50.0 + scale * (far - y));
    let caster = place(0.0, 0.0);
    let corner = place(-ex, ey);
    let _ = writeln!(
        out,
        "<text x=\"16\" y=\"28\" class=\"title\">set-up from above</text>\n<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" \
         height=\"{:.1}\" class=\"volume\"/>",
        corner.0,
        corner.1,
        2.0 * ex * scale,
        2.0 * ey * scale
    );
    let (tip, tail) = (place(ex + 0.9, 0.0), place(-ex, 0.0));
    let _ = writeln!(
        out,
        "<line x1=\"{0:.1}\" y1=\"{1:.1}\" x2=\"{2:.1}\" y2=\"{1:.1}\" class=\"path-forward\"/><path class=\"path-forward\" d=\"M{2:.1} {1:.1}l-9 \
         -5m9 5l-9 5\"/><text x=\"{4:.1}\" y=\"{3:.1}\" text-anchor=\"end\" class=\"t-forward\">forward cast</text>",
        tail.0,
        tail.1,
        tip.0,
        tip.1 - 10.0,
        // inside the volume, clear of its edge
        place(ex, 0.0).0 - 6.0
    );
    let mut taken: Vec<[f64; 2]> = Vec::new();
    for c in &plan.cameras {
        let (x, y) = place(c.position_m[0], c.position_m[1]);
        let anchor = if c.position_m[0] > 0.0 { "end" } else { "start" };
        let _ = writeln!(
            out,
            "<line x1=\"{x:.1}\" y1=\"{y:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" class=\"when\"/><circle class=\"mark full\" cx=\"{x:.1}\" \
             cy=\"{y:.1}\" r=\"5\"/>",
            caster.0, caster.1
        );
        // below its camera, and below the labels of a camera that stands there already
        let clear = |y: f64| taken.iter().all(|t| (t[0] - x).abs() > size / 2.0 || (t[1] - y).abs() > 34.0);
        let row = (0..8).map(|k| y + 24.0 + 36.0 * f64::from(k)).find(|&y| clear(y)).unwrap_or(y + 24.0);
        taken.push([x, row]);
        let at = |y: f64| format!("x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\"");
        let (name, [_, _, high]) = (escape(&c.name), c.position_m);
        let of = |height: &str| format!("{name}, {height} high");
        both(out, "", &at(row), &of(&format!("{high:.1} m")), &of(&feet_inches(high, 0)));
        let far = (format!("{:.1} m", c.distance_m), feet_inches(c.distance_m, 0));
        let (mm, inch) = (format!("{:.1} mm", c.mm_per_px), format!("{} in", digits(inches(c.mm_per_px))));
        let seen = |far: &str, pixel: &str| format!("{far}, {pixel} a pixel");
        both(out, "tick", &at(row + 16.0), &seen(&far.0, &mm), &seen(&far.1, &inch));
    }
    let lowest = taken.iter().map(|t| t[1] + 30.0).fold(0.0, f64::max);
    (scale * (far - near) + 110.0).max(lowest)
}

/// What stands on the page: figures of the middle, advice, maps. The document around it is the caller's.
#[must_use]
pub fn body(plan: &Plan, title: &str, units: ReportUnits) -> String {
    let mut advice = String::new();
    for a in &plan.advice {
        let _ = write!(
            advice,
            "<dt>{}</dt><dd>to {}, {}, {}: position {} \u{2192} {}, dip depth {} \u{2192} {}, volume seen {:.0} \u{2192} {:.0}\u{a0}%</dd>",
            dual_units(&a.what),
            long(a.to_m[0]),
            long(a.to_m[1]),
            long(a.to_m[2]),
            small(a.position_mm[0]),
            small(a.position_mm[1]),
            small(a.dip_mm[0]),
            small(a.dip_mm[1]),
            100.0 * a.seen_share[0],
            100.0 * a.seen_share[1]
        );
    }
    let advice = if advice.is_empty() {
        let none = "Nothing that was tried (walking 15 or 30 degrees round the caster, raising or lowering by 0.7 m, closer or \
                    farther) makes it clearly better.";
        format!("<p>{}</p>", dual_units(none))
    } else {
        format!(
            "<p class=\"aside\">One change at a time: the new place (along the forward cast, to its left, up), and what it does to \
             the standard deviations.</p><dl class=\"advice\">{advice}</dl>"
        )
    };
    let mut warnings = String::new();
    for w in &plan.warnings {
        let _ = write!(
            warnings,
            "<li class=\"warning\"><b>{}</b>: {}. <i>{}.</i></li>",
            escape(&w.about),
            dual_units(w.what.trim_end_matches('.')),
            dual_units(w.remedy.trim_end_matches('.'))
        );
    }
    if !warnings.is_empty() {
        warnings = format!("<ul class=\"warnings\">{warnings}</ul>");
    }
    let mut figures = String::new();
    for (k, d) in drawings(plan).iter().enumerate() {
        let defined = if k == 0 { DEFINED } else { "" };
        let _ = write!(
            figures,
            "<figure class=\"panel\"><svg class=\"plot\" role=\"img\" aria-label=\"{}\" viewBox=\"0 0 {:.0} {:.0}\">{defined}{}</svg></figure>",
            escape(&d.said),
            d.size[0],
            d.size[1],
            d.elements
        );
    }
    let m = &plan.middle;
    format!(
        "<style>{RULES} .advice dt{{margin-top:.5rem}}.advice dd{{color:var(--soft)}}</style><header><h1>Plan: {title}</h1><p \
         class=\"count\">What the cameras at these places will be able to tell</p>{switches}</header><main id=\"main\"><section><p \
         class=\"where\">Expected</p><h2>In the middle of the casting volume</h2><p>{} up, a marker\u{2019}s place can be \
         expected to be known to {} (one standard deviation; along the cast {}, across {}, up {}), the depth of a \
         dip a metre long to {}, the clocks to {:.2} ms. The cameras look {:.0} degrees \
         apart.</p>{warnings}</section><section><p class=\"where\">Advice</p><h2>What would help</h2>{advice}</section><section><p \
         class=\"where\">Maps</p><h2>Over the volume</h2><div class=\"multiples\">{}</div><p class=\"aside\">Each number is one \
         standard deviation where the middle of a stroke is there. Hatched: not in the picture of every camera. The wand, the \
         clocks and the readouts are reckoned with; a marker that shows badly against its background is not.</p></section></main>",
        long(plan.above.first().map_or(0.0, |c| c.at_m[2])),
        small(m.position_mm),
        small(m.along_mm),
        small(m.across_mm),
        small(m.up_mm),
        small(m.dip_mm),
        m.offset_ms,
        plan.convergence_deg,
        figures,
        title = escape(title),
        switches = shell::switches(units),
    )
}
