//! Maps of a plan as SVG, as a page, and its table.

use std::fmt::Write as _;

use super::{Cell, Expected, Plan};

/// Edge of a map's cell on paper.
const CELL_PX: f64 = 42.0;
/// Ends of the ramp, light to dark.
const LIGHT: [f64; 3] = [236.0, 244.0, 246.0];
const DARK: [f64; 3] = [14.0, 82.0, 104.0];

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

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

/// What a map shows of an expected result.
type Quantity = fn(&Expected) -> f64;

/// The set-up from above and four maps: position and dip depth, seen from above and from the side.
#[must_use]
pub fn svg(plan: &Plan) -> String {
    let mut body = String::new();
    let sketch = 430.0;
    let rows = |cells: &[Cell], axis: usize| distinct(cells, axis).len() as f64;
    let wide = rows(&plan.above, 0) * CELL_PX + 96.0;
    let high = |cells: &[Cell], axis: usize| rows(cells, axis) * CELL_PX + 96.0;
    let (h1, h2) = (high(&plan.above, 1), high(&plan.beside, 2));
    let (width, height) = (sketch + 2.0 * wide, (h1 + h2).max(sketch + 40.0));
    set_up(&mut body, plan, sketch);
    let quantities: [(&str, Quantity); 2] = [("position", |e| e.position_mm), ("dip depth", |e| e.dip_mm)];
    for (column, (name, value)) in quantities.into_iter().enumerate() {
        let x = sketch + column as f64 * wide + 56.0;
        let above = format!("{name}, sd in mm, from above");
        let beside = format!("{name}, sd in mm, from the side");
        map(&mut body, &plan.above, 1, [x, 40.0], &above, value);
        map(&mut body, &plan.beside, 2, [x, h1 + 40.0], &beside, value);
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" width=\"{width:.0}\" \
         height=\"{height:.0}\" font-family=\"system-ui, sans-serif\" font-size=\"13\" role=\"img\" \
         aria-label=\"Expected standard deviations over the casting volume\">\n<defs><pattern id=\"unseen\" width=\"6\" \
         height=\"6\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><rect width=\"6\" height=\"6\" \
         fill=\"#f3f1ee\"/><line y2=\"6\" stroke=\"#b9b2a8\" stroke-width=\"2\"/></pattern></defs>\n<rect \
         width=\"100%\" height=\"100%\" fill=\"white\"/>\n{body}</svg>\n"
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
    title: &str,
    value: fn(&Expected) -> f64,
) {
    let (xs, ys) = (distinct(cells, 0), distinct(cells, vertical));
    let values: Vec<f64> = cells.iter().filter_map(|c| c.expected.as_ref().map(value)).collect();
    let least = values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = values.iter().copied().fold(0.0, f64::max).max(1.2 * least);
    let _ = writeln!(
        out,
        "<g transform=\"translate({:.1} {:.1})\"><text y=\"-12\" font-weight=\"600\">{title}</text>",
        at[0], at[1]
    );
    for c in cells {
        let column = xs.partition_point(|x| *x < c.at_m[0] - 1e-6) as f64;
        // y and z rise upwards
        let row = (ys.len() - 1 - ys.partition_point(|y| *y < c.at_m[vertical] - 1e-6)) as f64;
        let (x, y) = (column * CELL_PX, row * CELL_PX);
        let (fill, ink, text) = match c.expected.as_ref().map(value) {
            Some(v) => {
                let share = ((v / least).ln() / (most / least).ln()).clamp(0.0, 1.0);
                let mix = |i: usize| (LIGHT[i] + share * (DARK[i] - LIGHT[i])).round();
                let ink = if share > 0.45 { "white" } else { "#1d2b30" };
                let digits = match v {
                    v if v < 1.0 => format!("{v:.2}"),
                    v if v < 10.0 => format!("{v:.1}"),
                    v => format!("{v:.0}"),
                };
                (format!("rgb({} {} {})", mix(0), mix(1), mix(2)), ink, digits)
            }
            None => ("url(#unseen)".to_string(), "#6b645a", String::new()),
        };
        let hover = if c.unseen_by.is_empty() {
            format!("x {:.1} y {:.1} z {:.1} m: {text} mm", c.at_m[0], c.at_m[1], c.at_m[2])
        } else {
            format!("not seen by {}", escape(&c.unseen_by.join(" and ")))
        };
        let _ = writeln!(
            out,
            "<g><title>{hover}</title><rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{CELL_PX}\" height=\"{CELL_PX}\" fill=\"{fill}\" \
             stroke=\"white\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"{ink}\">{text}</text></g>",
            x + CELL_PX / 2.0,
            y + CELL_PX / 2.0 + 4.5
        );
    }
    let bottom = ys.len() as f64 * CELL_PX;
    for (i, x) in xs.iter().enumerate() {
        let _ = writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"#55606a\">{x:.1}</text>",
            (i as f64 + 0.5) * CELL_PX,
            bottom + 17.0
        );
    }
    for (i, y) in ys.iter().rev().enumerate() {
        let _ = writeln!(
            out,
            "<text x=\"-6\" y=\"{:.1}\" text-anchor=\"end\" fill=\"#55606a\">{y:.1}</text>",
            (i as f64 + 0.5) * CELL_PX + 4.5
        );
    }
    let axis = if vertical == 1 { "m to the left" } else { "m up" };
    let _ = writeln!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"#55606a\">m along the forward cast; upright: {axis}</text></g>",
        xs.len() as f64 * CELL_PX / 2.0,
        bottom + 35.0
    );
}

/// Caster, volume and cameras from above.
fn set_up(out: &mut String, plan: &Plan, size: f64) {
    let far =
        plan.cameras.iter().flat_map(|c| [c.position_m[0].abs(), c.position_m[1].abs()]).fold(3.0, f64::max);
    let scale = (size / 2.0 - 46.0) / far;
    let middle = [size / 2.0, size / 2.0 + 20.0];
    let place = |x: f64, y: f64| (middle[0] + scale * x, middle[1] - scale * y);
    let (volume_x, volume_y) = (distinct(&plan.above, 0), distinct(&plan.above, 1));
    let half = plan.cell_m / 2.0;
    let edge = |v: &[f64]| v.last().map_or(1.0, |x| x + half);
    let (ex, ey) = (edge(&volume_x), edge(&volume_y));
    let corner = place(-ex, ey);
    let _ = writeln!(
        out,
        "<text x=\"16\" y=\"28\" font-weight=\"600\">set-up from above, metres</text>\n<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" \
         height=\"{:.1}\" fill=\"#e7eff0\" stroke=\"#0e5268\"/>",
        corner.0,
        corner.1,
        2.0 * ex * scale,
        2.0 * ey * scale
    );
    let (tip, tail) = (place(ex + 0.9, 0.0), place(-ex, 0.0));
    let _ = writeln!(
        out,
        "<line x1=\"{0:.1}\" y1=\"{1:.1}\" x2=\"{2:.1}\" y2=\"{1:.1}\" stroke=\"#8a3b12\" stroke-width=\"2\"/><path d=\"M{2:.1} {1:.1}l-9 \
         -5v10z\" fill=\"#8a3b12\"/><text x=\"{2:.1}\" y=\"{3:.1}\" text-anchor=\"end\" fill=\"#8a3b12\">forward cast</text>",
        tail.0,
        tail.1,
        tip.0,
        tip.1 - 10.0
    );
    for c in &plan.cameras {
        let (x, y) = place(c.position_m[0], c.position_m[1]);
        let anchor = if c.position_m[0] > 0.0 { "end" } else { "start" };
        let _ = writeln!(
            out,
            "<line x1=\"{x:.1}\" y1=\"{y:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"#55606a\" stroke-dasharray=\"3 4\"/><circle cx=\"{x:.1}\" \
             cy=\"{y:.1}\" r=\"7\" fill=\"#0e5268\"/><text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{}, {:.1} m high</text><text \
             x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\" fill=\"#55606a\">{:.1} m, {:.1} mm a pixel</text>",
            middle[0],
            middle[1],
            y + 24.0,
            escape(&c.name),
            c.position_m[2],
            y + 40.0,
            c.distance_m,
            c.mm_per_px
        );
    }
}

/// A self-contained page: figures of the middle, advice, maps.
#[must_use]
pub fn html(plan: &Plan, title: &str) -> String {
    let mut advice = String::new();
    for a in &plan.advice {
        let _ = write!(
            advice,
            "<tr><td>{}</td><td>{:.1}, {:.1}, {:.1}</td><td>{:.1} → {:.1}</td><td>{:.2} → {:.2}</td><td>{:.0} → {:.0} %</td></tr>",
            escape(&a.what),
            a.to_m[0],
            a.to_m[1],
            a.to_m[2],
            a.position_mm[0],
            a.position_mm[1],
            a.dip_mm[0],
            a.dip_mm[1],
            100.0 * a.seen_share[0],
            100.0 * a.seen_share[1]
        );
    }
    let advice = if advice.is_empty() {
        "<p>Nothing that was tried (walking 15 or 30 degrees round the caster, raising or lowering by 0.7 m, closer or \
         farther) makes it clearly better.</p>"
            .to_string()
    } else {
        format!(
            "<table><thead><tr><th>One change at a time</th><th>new place, m</th><th>position, sd mm</th><th>dip depth, sd \
             mm</th><th>volume seen</th></tr></thead><tbody>{advice}</tbody></table>"
        )
    };
    let mut warnings = String::new();
    for w in &plan.warnings {
        let _ = write!(
            warnings,
            "<li><strong>{}</strong>: {}. {}.</li>",
            escape(&w.about),
            escape(&w.what),
            escape(&w.remedy)
        );
    }
    let m = &plan.middle;
    format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" \
         content=\"width=device-width\"><title>Plan: {title}</title><style>body{{font:16px/1.5 system-ui,sans-serif;margin:2rem \
         auto;max-width:80rem;padding:0 1rem;color:#1d2b30}}table{{border-collapse:collapse}}td,th{{padding:.35rem \
         .9rem;text-align:left;border-bottom:1px solid #d5dcde}}svg{{max-width:100%;height:auto}}</style></head><body>\n<h1>Plan: \
         {title}</h1>\n<p>In the middle of the volume, {:.1} m up, a marker’s place can be expected to be known to <strong>{:.1} \
         mm</strong> (one standard deviation; along the cast {:.1}, across {:.1}, up {:.1}), the depth of a dip a metre long to \
         <strong>{:.2} mm</strong>, the clocks to {:.2} ms. The cameras look {:.0} degrees apart.</p>\n<ul>{warnings}</ul>\n<h2>What \
         would help</h2>\n{advice}\n<h2>Maps</h2>\n{}\n<p>Each number is one standard deviation where the middle of a stroke is there. \
         Hatched: not in the picture of every camera. The wand, the clocks and the readouts are reckoned with; a marker that shows \
         badly against its background is not.</p>\n</body></html>\n",
        plan.above.first().map_or(0.0, |c| c.at_m[2]),
        m.position_mm,
        m.along_mm,
        m.across_mm,
        m.up_mm,
        m.dip_mm,
        m.offset_ms,
        plan.convergence_deg,
        svg(plan),
        title = escape(title),
    )
}
