//! The table for people.

use std::fmt::Write as _;

use super::ScoreReport;
use super::takes::Error;

/// Four significant digits, no exponent for ordinary sizes.
pub fn number(x: f64) -> String {
    if !x.is_finite() {
        return "-".into();
    }
    let size = x.abs();
    let digits = if size == 0.0 || size >= 1000.0 {
        0
    } else {
        (3 - size.log10().floor() as i32).clamp(0, 6) as usize
    };
    format!("{x:.digits$}")
}

fn or_dash(x: Option<f64>) -> String {
    x.map_or_else(|| "-".into(), number)
}

fn percent(x: Option<f64>) -> String {
    x.map_or_else(|| "-".into(), |x| format!("{:.0} %", 100.0 * x))
}

fn with_sd(e: &Error) -> String {
    format!("{} ({})", number(e.error), number(e.sd))
}

/// Rows of equal columns: the first to the left, the others to the right.
fn columns(rows: &[Vec<String>]) -> String {
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |k: usize| rows.iter().filter_map(|r| r.get(k)).map(|c| c.chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..count).map(width).collect();
    let mut out = String::new();
    for row in rows {
        let mut line = String::new();
        for (k, cell) in row.iter().enumerate() {
            let pad = " ".repeat(widths[k] - cell.chars().count());
            let _ = if k == 0 { write!(line, "{cell}{pad}") } else { write!(line, "  {pad}{cell}") };
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out
}

fn head(names: &[&str]) -> Vec<String> {
    names.iter().map(|n| (*n).to_owned()).collect()
}

/// Everything of the report in words and columns.
pub fn table(report: &ScoreReport) -> String {
    let mut out = String::new();
    let s = &report.strokes;
    let _ = writeln!(
        out,
        "strokes: {} there, {} found, {} missed, {} invented, {} with the other direction",
        s.there, s.found, s.missed, s.invented, s.direction_wrong
    );
    let w = &report.world;
    let _ = writeln!(
        out,
        "world: laid on by {} ({} pairs): turn {} deg, scale {}, {} mm rms left",
        w.from,
        w.pairs,
        number(w.yaw_deg),
        w.scale.map_or_else(|| "-".into(), |s| format!("{s:.5}")),
        number(w.rest_mm)
    );
    let _ = writeln!(
        out,
        "tip path: {} mm rms; truths inside their stated 95 % intervals, all figures: {}",
        or_dash(report.path_rmse_mm),
        percent(report.inside_share)
    );
    let mut rows = vec![head(&[
        "figure",
        "unit",
        "n",
        "absent",
        "bias",
        "rmse",
        "median",
        "worst",
        "stated sd",
        "inside",
    ])];
    for f in &report.figures {
        rows.push(vec![
            f.key.into(),
            f.unit.into(),
            f.count.to_string(),
            f.absent.to_string(),
            number(f.bias),
            number(f.rmse),
            number(f.median_abs),
            number(f.worst_abs),
            or_dash(f.stated_sd),
            percent(f.inside_share),
        ]);
    }
    let _ = write!(out, "\nfigures (result minus truth)\n{}", columns(&rows));
    let mut rows = vec![head(&[
        "take", "rmse mm", "along", "across", "95 % mm", "inside", "covered", "strokes", "missed", "invented",
    ])];
    for t in &report.takes {
        rows.push(vec![
            t.take.clone(),
            if t.present { or_dash(t.path_rmse_mm) } else { "absent".into() },
            or_dash(t.path_along_rmse_mm),
            or_dash(t.path_across_rmse_mm),
            or_dash(t.path_p95_mm),
            percent(t.path_inside_share),
            percent(t.covered_share),
            t.strokes_there.to_string(),
            t.missed.len().to_string(),
            t.invented.len().to_string(),
        ]);
    }
    let _ = write!(out, "\ntip path by take\n{}", columns(&rows));
    let mut rows = vec![head(&[
        "camera",
        "clips",
        "centre mm",
        "turn deg",
        "offset ms (sd)",
        "drift ppm (sd)",
        "readout ms (sd)",
    ])];
    for c in &report.cameras {
        let k = &c.clock;
        let turn = number(c.turn_error_deg);
        rows.push(vec![
            c.camera.clone(),
            "set-up".into(),
            number(c.centre_error_mm),
            turn,
            with_sd(&k.offset_ms),
            with_sd(&k.drift_ppm),
            with_sd(&k.readout_ms),
        ]);
    }
    for t in &report.takes {
        for k in &t.clocks {
            rows.push(vec![
                k.camera.clone(),
                t.take.clone(),
                String::new(),
                String::new(),
                with_sd(&k.offset_ms),
                with_sd(&k.drift_ppm),
                with_sd(&k.readout_ms),
            ]);
        }
    }
    if rows.len() > 1 {
        let _ = write!(out, "\ncameras and clocks (result minus truth)\n{}", columns(&rows));
    }
    if !report.notes.is_empty() {
        let _ =
            write!(out, "\nnotes\n{}", report.notes.iter().map(|n| format!("- {n}\n")).collect::<String>());
    }
    out
}
