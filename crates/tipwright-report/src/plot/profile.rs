//! Height of the path over its chord in W, stretched so that a dip of a centimetre can be seen; the factor of the
//! stretch is written on the panel.

use super::frame::{Axis, BOTTOM, Frame, LEFT, RIGHT, TOP, Words};
use super::geometry::Geometry;
use super::scale::{Quantity, Scale};
use super::svg::{Svg, Xy};
use super::{Format, Panel, alt_text, dimension_clear, kind_texts, mark, span, timed_marks};
use crate::units::{Kind, number};
use tipwright::model::{FigureId, Measured};

/// Draws the panel.
#[must_use]
pub fn panel(geometry: &Geometry<'_>, format: Format) -> Panel {
    let window = &geometry.whole_window();
    let half = |sd: f64| Measured::new(0.0, sd).half_width_95();
    let (low, high) = span(
        window.iter().flat_map(|p| [p.h_m - half(p.height_sd_m), p.h_m + half(p.height_sd_m)]),
        (-0.05, 0.05),
    );
    let (low, high) = (low.min(0.0), high.max(0.0));
    // Never less than 12 cm in all: noise is not to look like a fault.
    let missing = (0.12 - (high - low)).max(0.0) / 2.0;
    let air = 0.22 * (high - low).max(0.12);
    let (s_low, s_high) = span(window.iter().map(|p| p.s_m).chain([0.0, geometry.chord_m]), (0.0, 1.0));
    let edge = 0.03 * (s_high - s_low);
    // A back stroke runs to the left, as in the side view above.
    let (left, right) = (LEFT, format.width - RIGHT);
    let s = if geometry.chord_way[0] >= 0.0 {
        Scale::new(s_low - edge, s_high + edge, left, right)
    } else {
        Scale::new(s_low - edge, s_high + edge, right, left)
    };
    // Never pressed together: a high dome gets a higher drawing.
    let (h_low, h_high) = (low - missing - air, high + missing + air);
    let height = format.time_height.max((h_high - h_low) * s.per_unit().abs() + TOP + BOTTOM);
    let h = Scale::new(h_low, h_high, height - BOTTOM, TOP);
    let stretch = h.per_unit().abs() / s.per_unit().abs();
    let title = if stretch < 1.05 {
        "Height over the chord, true to scale".to_owned()
    } else {
        format!("Height over the chord, stretched {}\u{d7}", number(stretch, usize::from(stretch < 9.5)))
    };
    let frame = Frame {
        x: Axis {
            scale: s,
            quantity: Quantity::Length,
            name: "along the chord",
            plain_unit: "",
            wanted: format.width / 85.0,
        },
        y: Axis { scale: h, quantity: Quantity::SmallLength, name: "height", plain_unit: "", wanted: 4.0 },
        title: &title,
    };
    let at = |s_m: f64, h_m: f64| -> Xy { (s.at(s_m), h.at(h_m)) };
    let mut svg = Svg::new();
    let mut labels = frame.draw(&mut svg, format.units);
    let ink = geometry.ink();
    let upper = window.iter().map(|p| at(p.s_m, p.h_m + half(p.height_sd_m)));
    let lower = window.iter().rev().map(|p| at(p.s_m, p.h_m - half(p.height_sd_m)));
    svg.polygon(&format!("band-{ink}"), &upper.chain(lower).collect::<Vec<_>>());
    let path: Vec<Xy> = window.iter().map(|p| at(p.s_m, p.h_m)).collect();
    let hull: Vec<Xy> = geometry.hull.iter().map(|p| at(p[0], p[1])).collect();
    if geometry.dip.is_some_and(|d| d.measured.value > 0.0) {
        svg.polygon("dipfill", &hull.iter().copied().chain(path.iter().rev().copied()).collect::<Vec<_>>());
    }
    svg.line("chord", at(0.0, 0.0), at(geometry.chord_m, 0.0));
    svg.polyline("hull", &hull);
    svg.polyline(&format!("path-{ink}"), &path);
    labels.ink(&path);
    labels.ink(&hull);
    labels.ink(&[at(0.0, 0.0), at(geometry.chord_m, 0.0)]);
    for (mark, class, name, toward) in
        [(geometry.dip, "dip", "dip", (0.4, 1.0)), (geometry.dome, "dome", "dome", (-0.4, -1.0))]
    {
        let Some(mark) = mark else { continue };
        let (from, to) = (at(mark.s_m, mark.from_h_m), at(mark.s_m, mark.path_h_m));
        dimension_clear(&mut svg, &mut labels, class, from, to);
        let text_class = if class == "dip" { "t-dip" } else { "t-dome" };
        let middle = at(mark.s_m, 0.5 * (mark.from_h_m + mark.path_h_m));
        let words = Words::number(name, kind_texts(Kind::SmallLength, mark.measured));
        labels.wish(text_class, &[middle, to, from], toward, words);
    }
    for (shape, t_s, _) in timed_marks(geometry) {
        let Some(sample) = geometry.at(t_s) else { continue };
        if sample.s_m >= s_low - edge
            && sample.s_m <= s_high + edge
            && geometry.t_rsp_s.is_none_or(|r| t_s <= r + 1e-9)
        {
            mark(&mut svg, &mut labels, shape, at(sample.s_m, sample.h_m));
        }
    }
    labels.set(&mut svg, format.units);
    Panel {
        name: "profile",
        body: svg.into_body(),
        width: format.width,
        height,
        alt: alt(geometry, stretch),
        scales: (s, h),
    }
}

fn alt(geometry: &Geometry<'_>, stretch: f64) -> String {
    let what = format!("Height of the tip path over its chord, stretched {} times", number(stretch, 0));
    let ids = [FigureId::DipDepth, FigureId::DomeHeight, FigureId::SlpRms, FigureId::Straightness];
    alt_text(&what, geometry, &ids)
}
