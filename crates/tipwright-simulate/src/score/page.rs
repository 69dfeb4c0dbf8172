//! The page with plots: one strip per figure, errors with their stated intervals.

use std::fmt::Write as _;

use super::text::{number, table};
use super::{FigureScore, ScoreReport};

const STYLE: &str = "body{font:15px/1.5 system-ui,sans-serif;max-width:72rem;margin:2rem auto;padding:0 1rem;color:#1d2a2f;background:#fbfaf6}\
h1{font-size:1.4rem}h2{font-size:1.1rem;margin-top:2rem}pre{overflow-x:auto;font-size:12.5px;line-height:1.45}\
.strips{display:grid;grid-template-columns:repeat(auto-fill,minmax(330px,1fr));gap:1rem}figure{margin:0}\
figcaption{font-size:13px}svg{width:100%;height:auto}.in{stroke:#2d6a6a;fill:#2d6a6a}.out{stroke:#b3471d;fill:#b3471d}\
.axis{stroke:#8a938f;stroke-width:1}text{font-size:11px;fill:#4c5a58}";

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// The whole page.
pub fn html(report: &ScoreReport) -> String {
    let mut out = String::new();
    let _ = write!(
        out,
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\">\
         <title>Results against truth</title><style>{STYLE}</style><h1>Results against truth</h1>"
    );
    let s = &report.strokes;
    let _ = write!(
        out,
        "<p>{} strokes there, {} found, {} missed, {} invented. Tip path {} mm rms. {} of the truths lie inside their \
         stated 95 % intervals.</p>",
        s.there,
        s.found,
        s.missed,
        s.invented,
        report.path_rmse_mm.map_or_else(|| "-".into(), number),
        report.inside_share.map_or_else(|| "-".into(), |x| format!("{:.0} %", 100.0 * x))
    );
    let _ = write!(out, "<h2>Share of truths inside stated intervals</h2>{}", shares(&report.figures));
    out.push_str(
        "<h2>Errors, stroke by stroke</h2><p>Result minus truth with its stated 95 % interval, in order of takes and \
         strokes. Rust: the interval misses zero.</p><div class=\"strips\">",
    );
    for figure in report.figures.iter().filter(|f| f.count > 0) {
        out.push_str(&strip(figure));
    }
    let _ = writeln!(out, "</div><h2>All numbers</h2><pre>{}</pre></html>", escape(&table(report)));
    out
}

/// One bar per figure, with the line at 95 %.
fn shares(figures: &[FigureScore]) -> String {
    let rows: Vec<&FigureScore> = figures.iter().filter(|f| f.inside_share.is_some()).collect();
    let height = 18 * rows.len() + 30;
    let mut svg = format!("<svg viewBox=\"0 0 700 {height}\" role=\"img\" aria-label=\"shares\">");
    let x = |share: f64| 190.0 + 400.0 * share;
    for (k, f) in rows.iter().enumerate() {
        let y = 18 * k + 6;
        let share = f.inside_share.unwrap_or(0.0);
        // as many outside as chance allows (two standard deviations of a count) or fewer
        let slack = 2.0 * (0.95 * 0.05 / f.with_interval.max(1) as f64).sqrt();
        let class = if share >= 0.95 - slack { "in" } else { "out" };
        let _ = write!(
            svg,
            "<text x=\"182\" y=\"{}\" text-anchor=\"end\">{}</text><rect class=\"{class}\" x=\"190\" y=\"{y}\" width=\"{:.1}\" \
             height=\"12\"/><text x=\"{:.1}\" y=\"{}\">{:.0} % of {}</text>",
            y + 10,
            escape(f.name),
            x(share) - 190.0,
            x(share) + 5.0,
            y + 10,
            100.0 * share,
            f.with_interval
        );
    }
    let bottom = height - 20;
    let _ = write!(
        svg,
        "<path class=\"axis\" d=\"M{0:.1} 0V{bottom}\" stroke-dasharray=\"4 3\"/><text x=\"{0:.1}\" y=\"{1}\" \
         text-anchor=\"middle\">95 %</text></svg>",
        x(0.95),
        height - 6
    );
    svg
}

/// Errors of one figure in order.
fn strip(f: &FigureScore) -> String {
    const W: f64 = 330.0;
    const H: f64 = 130.0;
    const LEFT: f64 = 48.0;
    let reach = |p: &super::FigurePoint| (p.result - p.truth).abs() + 1.96 * p.sd.unwrap_or(0.0);
    let mut sizes: Vec<f64> = f.points.iter().map(reach).filter(|x| x.is_finite()).collect();
    sizes.sort_by(f64::total_cmp);
    // a wild interval must not flatten all others
    let typical = sizes.get(sizes.len() * 9 / 10).copied().unwrap_or(0.0);
    let most = (1.15 * typical).max(1.05 * f.worst_abs).max(1e-9);
    let y = |v: f64| (0.5 * H - 0.46 * H * v / most).clamp(0.0, H);
    let x = |k: usize| LEFT + (W - LEFT - 6.0) * (k as f64 + 0.5) / f.points.len() as f64;
    let mut svg = format!(
        "<svg viewBox=\"0 0 {W} {H}\" role=\"img\" aria-label=\"{0}\"><path class=\"axis\" d=\"M{LEFT} {1:.1}H{W}\"/>\
         <text x=\"{2}\" y=\"{3:.1}\" text-anchor=\"end\">{4}</text><text x=\"{2}\" y=\"{5:.1}\" text-anchor=\"end\">0</text>\
         <text x=\"{2}\" y=\"{6:.1}\" text-anchor=\"end\">-{4}</text>",
        escape(f.name),
        y(0.0),
        LEFT - 5.0,
        y(0.9 * most) + 4.0,
        number(0.9 * most),
        y(0.0) + 4.0,
        y(-0.9 * most) + 4.0,
    );
    for (k, p) in f.points.iter().enumerate() {
        let e = p.result - p.truth;
        let class = if p.inside == Some(false) { "out" } else { "in" };
        let half = 1.96 * p.sd.unwrap_or(0.0);
        let _ = write!(
            svg,
            "<g class=\"{class}\"><title>{} stroke {}: {} {u}, truth {} {u}</title><path d=\"M{x:.1} {:.1}V{:.1}\"/>\
             <circle cx=\"{x:.1}\" cy=\"{:.1}\" r=\"2.4\"/></g>",
            escape(&p.take),
            p.stroke,
            number(p.result),
            number(p.truth),
            y(e - half),
            y(e + half),
            y(e),
            u = escape(f.unit),
            x = x(k),
        );
    }
    let unit = if f.unit.is_empty() { String::new() } else { format!(", {}", escape(f.unit)) };
    format!(
        "<figure>{svg}</svg><figcaption><b>{}</b>{unit}: rmse {}, bias {}, {} compared</figcaption></figure>",
        escape(f.name),
        number(f.rmse),
        number(f.bias),
        f.count
    )
}
