//! One A4 page of plots per stroke, a standalone SVG with its own style sheet.

use super::frame::DrawnUnits;
use super::geometry::Geometry;
use super::side::RodPose;
use super::svg::{Anchor, Svg, coordinate, escape};
use super::{Format, Panel, bend, power, profile, side, speed, style, top};

/// Width of the page in drawing units: 210 mm.
const PAGE_WIDTH: f64 = 790.0;
/// Height: 297 mm in the same units.
const PAGE_HEIGHT: f64 = PAGE_WIDTH * 297.0 / 210.0;
/// Left of the panels, where the margin line of the notebook runs.
const MARGIN: f64 = 50.0;
/// Top of the first panel.
const HEAD: f64 = 58.0;
/// Free at the foot of the page.
const FOOT: f64 = 18.0;
/// Between panels.
const GAP: f64 = 12.0;

/// All panels of a stroke in the order of the page; those that cannot be had are left out.
#[must_use]
pub fn panels(geometry: &Geometry<'_>, rods: &[RodPose], format: Format) -> Vec<Panel> {
    let mut out = vec![
        side::panel(geometry, rods, format),
        profile::panel(geometry, format),
        top::panel(geometry, format),
    ];
    out.push(speed::panel(geometry, format));
    out.extend(bend::panel(geometry, format));
    out.extend(bend::butt_panel(geometry, format));
    out.extend(power::panel(geometry, format));
    out
}

/// The page as an SVG file.
#[must_use]
pub fn stroke_sheet(
    geometry: &Geometry<'_>,
    rods: &[RodPose],
    heading: &str,
    below: &str,
    units: DrawnUnits,
) -> String {
    let wide = Format::sheet(units);
    let half = Format { width: 0.5 * (wide.width - GAP), ..wide };
    let over = [profile::panel(geometry, wide), top::panel(geometry, wide)];
    let mut below_them = vec![speed::panel(geometry, half)];
    below_them.extend(power::panel(geometry, half));
    below_them.extend(bend::panel(geometry, half));
    below_them.extend(bend::butt_panel(geometry, half));
    let high = |pair: &[Panel]| pair.iter().map(|p| p.height).fold(0.0, f64::max) + GAP;
    let used = over.iter().map(|p| p.height + GAP).sum::<f64>() + below_them.chunks(2).map(high).sum::<f64>();
    let room = PAGE_HEIGHT - HEAD - FOOT - used;
    let first = side::panel(geometry, rods, Format { side_height: room.min(460.0), ..wide });
    let mut svg = Svg::new();
    svg.rect("sheet", (0.0, 0.0), (PAGE_WIDTH, PAGE_HEIGHT));
    svg.line("margin", (MARGIN - 12.0, 0.0), (MARGIN - 12.0, PAGE_HEIGHT));
    svg.text("big", (MARGIN, 30.0), Anchor::Start, heading);
    svg.text("note", (MARGIN, 47.0), Anchor::Start, below);
    let mut put = |panel: &Panel, x: f64, y: f64| {
        svg.open("panel", &format!("transform=\"translate({} {})\"", coordinate(x), coordinate(y)));
        svg.raw(&panel.body);
        svg.close();
    };
    let mut y = HEAD;
    for panel in std::iter::once(&first).chain(&over) {
        put(panel, MARGIN, y);
        y += panel.height + GAP;
    }
    for pair in below_them.chunks(2) {
        for (k, panel) in pair.iter().enumerate() {
            put(panel, MARGIN + k as f64 * (half.width + GAP), y);
        }
        y += high(pair);
    }
    let drawn = || std::iter::once(&first).chain(&over).chain(&below_them);
    let alt: Vec<&str> = drawn().map(|p| p.alt.as_str()).collect();
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"plot\" role=\"img\" width=\"210mm\" height=\"297mm\" viewBox=\"0 0 {} {}\">\n<title>{}</title><desc>{}</desc>\n<style>{}</style>\n{}\n</svg>\n",
        coordinate(PAGE_WIDTH),
        coordinate(PAGE_HEIGHT),
        escape(heading),
        escape(&alt.join(" ")),
        style::standalone_rules(),
        svg.into_body()
    )
}
