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
const HEAD: f64 = 62.0;

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
    let room = PAGE_HEIGHT - HEAD - 24.0;
    let mut format = Format::sheet(units);
    let mut drawn = panels(geometry, rods, format);
    let total = |panels: &[Panel]| panels.iter().map(|p| p.height).sum::<f64>();
    if total(&drawn) > room {
        // Seven panels: lower ones, but never below what their labels need.
        let others = drawn.iter().filter(|p| p.name != "side").count() as f64;
        let side_height = drawn.iter().find(|p| p.name == "side").map_or(0.0, |p| p.height).min(236.0);
        format.side_height = side_height;
        // The view from above takes 0.78 of a panel's height.
        format.time_height = ((room - side_height) / (others - 0.22)).max(112.0);
        drawn = panels(geometry, rods, format);
    }
    let mut svg = Svg::new();
    svg.rect("sheet", (0.0, 0.0), (PAGE_WIDTH, PAGE_HEIGHT));
    svg.line("margin", (MARGIN - 12.0, 0.0), (MARGIN - 12.0, PAGE_HEIGHT));
    svg.text("big", (MARGIN, 30.0), Anchor::Start, heading);
    svg.text("note", (MARGIN, 47.0), Anchor::Start, below);
    let gap = ((room - total(&drawn)) / drawn.len() as f64).clamp(0.0, 12.0);
    let mut y = HEAD;
    for panel in &drawn {
        svg.open("panel", &format!("transform=\"translate({} {})\"", coordinate(MARGIN), coordinate(y)));
        svg.raw(&panel.body);
        svg.close();
        y += panel.height + gap;
    }
    let alt: Vec<&str> = drawn.iter().map(|p| p.alt.as_str()).collect();
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
