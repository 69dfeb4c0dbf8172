//! The page with plots, in the look of the other pages: shares inside the stated intervals, and one strip per figure,
//! errors with their stated intervals.

use std::fmt::Write as _;

use tipwright::model::ReportUnits;
use tipwright_report::page::shell;
use tipwright_report::plot::svg::escape;

use super::text::{number, table};
use super::{FigureScore, ScoreReport};

/// The whole page. Whatever its numbers are of, they are in the units of the files: this page is for who works on them.
pub fn html(report: &ScoreReport) -> String {
    let s = &report.strokes;
    let mut out = format!(
        "<header><h1>Results against truth</h1><p class=\"count\">{} strokes there, {} found, {} missed, {} invented. Tip path \
         {} mm rms. {} of the truths lie inside their stated 95\u{a0}% intervals.</p></header><main id=\"main\">",
        s.there,
        s.found,
        s.missed,
        s.invented,
        report.path_rmse_mm.map_or_else(|| "-".into(), number),
        report.inside_share.map_or_else(|| "-".into(), |x| format!("{:.0}\u{a0}%", 100.0 * x))
    );
    let _ = write!(
        out,
        "<section><p class=\"where\">Intervals</p><h2>Share of truths inside stated intervals</h2><p class=\"aside\">Dashed: \
         95\u{a0}%. A full mark: fewer than chance explains (two standard deviations of a count).</p><figure \
         class=\"panel\">{}</figure></section>",
        shares(&report.figures)
    );
    out.push_str(
        "<section><p class=\"where\">Errors</p><h2>Stroke by stroke</h2><p class=\"aside\">Result minus truth with its stated \
         95\u{a0}% interval, in order of takes and strokes. A full mark: the interval misses zero.</p><div \
         class=\"multiples\">",
    );
    for figure in report.figures.iter().filter(|f| f.count > 0) {
        out.push_str(&strip(figure));
    }
    let _ = write!(
        out,
        "</div></section><section><p class=\"where\">Numbers</p><h2>All of them</h2><div class=\"scroll\" role=\"region\" \
         tabindex=\"0\" aria-label=\"All numbers\"><pre>{}</pre></div></section></main>",
        escape(&table(report))
    );
    shell::document("Results against truth", ReportUnits::M, &out)
}

/// One mark per figure on a rule from none to all, with the line at 95 %.
fn shares(figures: &[FigureScore]) -> String {
    const FROM: f64 = 150.0;
    const TO: f64 = 450.0;
    let rows: Vec<(&FigureScore, f64)> = figures.iter().filter_map(|f| Some((f, f.inside_share?))).collect();
    let height = 18 * rows.len() + 34;
    let least: f64 = rows.iter().map(|(_, share)| *share).fold(0.8, f64::min);
    let from = (10.0 * least).floor() / 10.0;
    let x = |share: f64| FROM + (TO - FROM) * (share - from) / (1.0 - from);
    let said: Vec<String> = rows.iter().map(|(f, s)| format!("{} {:.0} %", f.name, 100.0 * s)).collect();
    let mut svg = format!(
        "<svg class=\"plot\" viewBox=\"0 0 560 {height}\" role=\"img\" aria-label=\"Share of truths inside stated intervals: {}.\">",
        escape(&said.join("; "))
    );
    let bottom = height - 26;
    let _ =
        write!(svg, "<line class=\"when\" x1=\"{0:.1}\" y1=\"0\" x2=\"{0:.1}\" y2=\"{bottom}\"/>", x(0.95));
    for (k, (f, share)) in rows.iter().enumerate() {
        let y = 18 * k + 12;
        // as many outside as chance allows or fewer
        let slack = 2.0 * (0.95 * 0.05 / f.with_interval.max(1) as f64).sqrt();
        let full = if *share >= 0.95 - slack { "" } else { " full" };
        let _ = write!(
            svg,
            "<text x=\"{:.1}\" y=\"{}\" text-anchor=\"end\">{}</text><line class=\"grid\" x1=\"{FROM}\" y1=\"{y}\" x2=\"{TO}\" \
             y2=\"{y}\"/><circle class=\"mark{full}\" cx=\"{:.1}\" cy=\"{y}\" r=\"3.8\"/><text x=\"{:.1}\" y=\"{}\">{:.0} % of {}</text>",
            FROM - 10.0,
            y + 4,
            escape(f.name),
            x(*share),
            TO + 12.0,
            y + 4,
            100.0 * share,
            f.with_interval
        );
    }
    for tick in [from, 0.5 * (from + 1.0), 1.0] {
        let _ = write!(
            svg,
            "<text class=\"tick\" x=\"{:.1}\" y=\"{}\" text-anchor=\"middle\">{:.0} %</text>",
            x(tick),
            height - 8,
            100.0 * tick
        );
    }
    svg.push_str("</svg>");
    svg
}

/// Errors of one figure in order.
fn strip(f: &FigureScore) -> String {
    const W: f64 = 360.0;
    const H: f64 = 150.0;
    const LEFT: f64 = 66.0;
    const TOP: f64 = 24.0;
    let reach = |p: &super::FigurePoint| (p.result - p.truth).abs() + 1.96 * p.sd.unwrap_or(0.0);
    let mut sizes: Vec<f64> = f.points.iter().map(reach).filter(|x| x.is_finite()).collect();
    sizes.sort_by(f64::total_cmp);
    // a wild interval must not flatten all others
    let typical = sizes.get(sizes.len() * 9 / 10).copied().unwrap_or(0.0);
    let most = (1.15 * typical).max(1.05 * f.worst_abs).max(1e-9);
    let middle = 0.5 * (H + TOP);
    let y = |v: f64| (middle - 0.46 * (H - TOP) * v / most).clamp(TOP, H);
    let x = |k: usize| LEFT + (W - LEFT - 6.0) * (k as f64 + 0.5) / f.points.len() as f64;
    let unit = if f.unit.is_empty() { String::new() } else { format!(", {}", f.unit) };
    let said = format!("rmse {}, bias {}, {} compared", number(f.rmse), number(f.bias), f.count);
    let mut svg = format!(
        "<svg class=\"plot\" viewBox=\"0 0 {W} {H}\" role=\"img\" aria-label=\"{name}{unit}: {said}\"><text class=\"title\" \
         x=\"{LEFT}\" y=\"14\">{name}{unit}</text><line class=\"axis\" x1=\"{LEFT}\" y1=\"{0:.1}\" x2=\"{W}\" y2=\"{0:.1}\"/>\
         <text class=\"tick\" x=\"{1}\" y=\"{2:.1}\" text-anchor=\"end\">{3}</text><text class=\"tick\" x=\"{1}\" y=\"{4:.1}\" \
         text-anchor=\"end\">0</text><text class=\"tick\" x=\"{1}\" y=\"{5:.1}\" text-anchor=\"end\">\u{2212}{3}</text>",
        middle,
        LEFT - 6.0,
        y(0.9 * most) + 4.0,
        number(0.9 * most),
        middle + 4.0,
        y(-0.9 * most) + 4.0,
        name = escape(f.name),
        unit = escape(&unit),
    );
    for (k, p) in f.points.iter().enumerate() {
        let e = p.result - p.truth;
        let full = if p.inside == Some(false) { " full" } else { "" };
        let half = 1.96 * p.sd.unwrap_or(0.0);
        let _ = write!(
            svg,
            "<g><title>{} stroke {}: {} {u}, truth {} {u}</title><line class=\"path-forward thin\" x1=\"{x:.1}\" y1=\"{:.1}\" x2=\"{x:.1}\" \
             y2=\"{:.1}\"/><circle class=\"mark{full}\" cx=\"{x:.1}\" cy=\"{:.1}\" r=\"2.6\"/></g>",
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
    format!("<figure class=\"panel\">{svg}</svg><figcaption>{said}</figcaption></figure>")
}
