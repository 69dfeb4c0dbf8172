//! Where the board's corners were seen, as a picture.

use std::fmt::Write as _;

use tipwright::lens::{Coverage, GRID, ViewReport, grid_px};

use crate::plot::svg::escape;

/// The coverage picture: corners used and left out in the frame, the nine parts, and the expected error.
#[must_use]
pub fn coverage_svg(coverage: &Coverage, views: &[ViewReport], title: &str) -> String {
    let [w, h] = coverage.resolution_px.map(f64::from);
    let width = 900.0;
    let s = width / w.max(1.0);
    let height = h * s;
    let (left, top, foot) = (20.0, 58.0, 62.0);
    let mut out = String::new();
    let _ = writeln!(
        out,
        r##"<svg xmlns="http://www.w3.org/2000/svg" width="{:.0}" height="{:.0}" viewBox="0 0 {:.0} {:.0}" font-family="'Iowan Old Style', 'Palatino Linotype', Palatino, P052, Georgia, 'DejaVu Serif', serif">
<rect width="100%" height="100%" fill="#fbf9f3"/>
<text x="{left}" y="24" font-size="17" font-style="italic" fill="#24272a">{}</text>"##,
        width + 2.0 * left,
        height + top + foot,
        width + 2.0 * left,
        height + top + foot,
        escape(title)
    );
    let used = views.iter().filter(|v| v.left_out.is_none()).count();
    let with_corners_left = views.iter().filter(|v| v.left_out.is_some() && !v.corners.is_empty()).count();
    let _ = writeln!(
        out,
        r##"<text x="{left}" y="46" font-size="13" fill="#5c5e59">{used} views used, {with_corners_left} with a board left out; largest tilt {:.0} degrees; frame {:.0} x {:.0} px</text>
<g transform="translate({left} {top})">
<rect width="{width:.1}" height="{height:.1}" fill="#f3efe4" stroke="#24272a"/>"##,
        coverage.tilt_max_deg, w, h
    );
    for (i, n) in coverage.corners_by_part.iter().enumerate() {
        let (cw, ch) = (width / 3.0, height / 3.0);
        let (x, y) = ((i % 3) as f64 * cw, (i / 3) as f64 * ch);
        let fill = if *n == 0 { "#d9d2bf" } else { "none" };
        let _ = writeln!(
            out,
            r##"<rect x="{x:.1}" y="{y:.1}" width="{cw:.1}" height="{ch:.1}" fill="{fill}" stroke="#d9d2bf" stroke-dasharray="5 5"/>"##
        );
    }
    for v in views.iter().filter(|v| v.left_out.is_some()) {
        for c in &v.corners {
            let _ = writeln!(
                out,
                r##"<circle cx="{:.1}" cy="{:.1}" r="1.6" fill="none" stroke="#a25811" stroke-width="0.7"/>"##,
                (c.x_px + 0.5) * s,
                (c.y_px + 0.5) * s
            );
        }
    }
    for v in views.iter().filter(|v| v.left_out.is_none()) {
        for c in &v.corners {
            let _ = writeln!(
                out,
                r##"<circle cx="{:.1}" cy="{:.1}" r="1.6" fill="#0c599e" fill-opacity="0.55"/>"##,
                (c.x_px + 0.5) * s,
                (c.y_px + 0.5) * s
            );
        }
    }
    for (i, sd) in coverage.expected_sd_px.iter().enumerate() {
        let p = grid_px(coverage.resolution_px, i);
        let (column, row) = (i % GRID[0], i / GRID[0]);
        let anchor = if column == 0 {
            "start"
        } else if column + 1 == GRID[0] {
            "end"
        } else {
            "middle"
        };
        let dx = if column == 0 {
            5.0
        } else if column + 1 == GRID[0] {
            -5.0
        } else {
            0.0
        };
        let dy = if row == 0 {
            15.0
        } else if row + 1 == GRID[1] {
            -6.0
        } else {
            4.0
        };
        let text = if sd.is_finite() && *sd < 99.0 { format!("{sd:.2}") } else { "?".into() };
        let _ = writeln!(
            out,
            r##"<text x="{:.1}" y="{:.1}" font-size="12" text-anchor="{anchor}" fill="#24272a" stroke="#fbf9f3" stroke-width="3" paint-order="stroke">{text}</text>"##,
            p.x_px * s + dx,
            p.y_px * s + dy
        );
    }
    for (i, n) in coverage.corners_by_part.iter().enumerate() {
        if *n == 0 {
            let x = (0.5 + (i % 3) as f64) * width / 3.0;
            let y = (0.5 + (i / 3) as f64) * height / 3.0 + 22.0;
            let _ = writeln!(
                out,
                r##"<text x="{x:.1}" y="{y:.1}" font-size="14" text-anchor="middle" fill="#a84a35">no corner here</text>"##
            );
        }
    }
    let y = height + top + 20.0;
    let _ = writeln!(
        out,
        r##"</g>
<circle cx="{:.0}" cy="{:.0}" r="3" fill="#0c599e"/><text x="{:.0}" y="{:.0}" font-size="12" fill="#24272a">corner used</text>
<circle cx="{:.0}" cy="{:.0}" r="3" fill="none" stroke="#a25811"/><text x="{:.0}" y="{:.0}" font-size="12" fill="#24272a">corner of a view left out</text>
<text x="{left}" y="{:.0}" font-size="12" fill="#24272a">Numbers: expected error of a direction there, pixels (one standard deviation, a turn of the camera taken off)</text>
</svg>"##,
        left + 5.0,
        y - 4.0,
        left + 14.0,
        y,
        left + 115.0,
        y - 4.0,
        left + 124.0,
        y,
        y + 22.0
    );
    out
}
