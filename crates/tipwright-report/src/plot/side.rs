//! Side view: the tip path in the cast plane with equal axes; chord, dip and dome dimensioned; marks; the rod at
//! equal steps of time where butt markers tell how it stood.

use super::frame::{TrueScale, Words};
use super::geometry::Geometry;
use super::svg::{Svg, Xy, coordinate};
use super::{
    Format, Glyph, Panel, alt_text, dimension_clear, figure_words, kind_texts, mark, span, timed_marks,
};
use crate::units::Kind;
use tipwright::model::{FigureId, Measured};

/// How the rod stood at an instant, in the side view, metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RodPose {
    /// Session time.
    pub t_s: f64,
    /// Lower end of what is known of the butt.
    pub butt: [f64; 2],
    /// Unit vector along the butt toward the tip.
    pub axis: [f64; 2],
    /// The tip.
    pub tip: [f64; 2],
}

/// Draws the side view.
#[must_use]
pub fn panel(geometry: &Geometry<'_>, rods: &[RodPose], format: Format) -> Panel {
    let points: Vec<[f64; 2]> = geometry.stroke.samples.iter().map(|p| geometry.side(p)).collect();
    let everything = || points.iter().copied().chain(rods.iter().flat_map(|r| [r.butt, r.tip]));
    let (x_low, x_high) = span(everything().map(|p| p[0]), (-1.0, 1.0));
    let (z_low, z_high) = span(everything().map(|p| p[1]), (0.0, 1.0));
    // Air around the path for the labels; below it there is room between rods.
    let air = 0.06 * (x_high - x_low).max(0.2);
    let below = if rods.is_empty() { 5.5 } else { 2.0 };
    let (x_low, x_high, z_low) = (x_low - air, x_high + air, z_low - below * air);
    let scales = TrueScale::fit([x_low, x_high], [z_low, z_high], format);
    let TrueScale { x, z, height } = scales;
    let frame = scales.frame("From the side, true to scale", format);
    let at = |p: [f64; 2]| -> Xy { (x.at(p[0]), z.at(p[1])) };
    let mut svg = Svg::new();
    let mut labels = frame.draw(&mut svg, format.units);
    let drawn: Vec<Xy> = points.iter().map(|&p| at(p)).collect();
    labels.ink(&drawn);

    draw_rods(&mut svg, rods, &at, geometry.t_rsp_s);
    for rod in rods {
        let [a, b, c] = bow(rod).map(at);
        let on =
            |f: f64, k: [f64; 3]| (1.0 - f) * (1.0 - f) * k[0] + 2.0 * f * (1.0 - f) * k[1] + f * f * k[2];
        let drawn =
            (0..=16).map(|k| f64::from(k) / 16.0).map(|f| (on(f, [a.0, b.0, c.0]), on(f, [a.1, b.1, c.1])));
        labels.ink(&drawn.collect::<Vec<_>>());
    }
    draw_band(&mut svg, geometry, &at);
    let ink = geometry.ink();
    svg.polyline(&format!("path-{ink} outside"), &drawn);
    let in_window: Vec<Xy> = geometry.whole_window().iter().map(|p| at(geometry.side(p))).collect();
    svg.polyline(&format!("path-{ink}"), &in_window);

    let chord = [geometry.side_of_chord(0.0, 0.0), geometry.side_of_chord(geometry.chord_m, 0.0)];
    svg.line("chord", at(chord[0]), at(chord[1]));
    labels.ink(&[at(chord[0]), at(chord[1])]);
    let hull: Vec<Xy> = geometry.hull.iter().map(|p| at(geometry.side_of_chord(p[0], p[1]))).collect();
    svg.polyline("hull", &hull);
    labels.ink(&hull);

    for (mark, class, name, toward) in
        [(geometry.dip, "dip", "dip", (0.3, 1.0)), (geometry.dome, "dome", "dome", (-0.3, -1.0))]
    {
        let Some(mark) = mark else { continue };
        let (a, b) = (
            at(geometry.side_of_chord(mark.s_m, mark.from_h_m)),
            at(geometry.side_of_chord(mark.s_m, mark.path_h_m)),
        );
        dimension_clear(&mut svg, &mut labels, class, a, b);
        let words = Words::number(name, kind_texts(Kind::SmallLength, mark.measured));
        labels.wish(if class == "dip" { "t-dip" } else { "t-dome" }, &[b, a], toward, words);
    }
    for (shape, t_s, name) in timed_marks(geometry) {
        let Some(sample) = geometry.at(t_s) else { continue };
        let point = at(geometry.side(&sample));
        mark(&mut svg, &mut labels, shape, point);
        let toward = match shape {
            Glyph::Start => (-geometry.chord_way[0], 0.6),
            Glyph::Peak => (0.0, -1.0),
            Glyph::RodStraight => (geometry.chord_way[0], -0.5),
            Glyph::Stop | Glyph::LargestBend => (geometry.chord_way[0], 1.0),
        };
        labels.wish("", &[point], toward, Words::plain(name));
    }
    if let Some(chord_m) = geometry.stroke.figures.get(FigureId::Chord) {
        let along = |f: f64| at(geometry.side_of_chord(f * geometry.chord_m, 0.0));
        let words = figure_words("chord", FigureId::Chord, chord_m);
        labels.wish("", &[0.5, 0.35, 0.65, 0.2, 0.8].map(along), (0.0, 1.0), words);
    }
    labels.set(&mut svg, format.units);
    Panel {
        name: "side",
        body: svg.into_body(),
        width: format.width,
        height,
        alt: alt(geometry, rods.len()),
        scales: (x, z),
    }
}

/// The 95 % band of the height over the chord, in W.
fn draw_band(svg: &mut Svg, geometry: &Geometry<'_>, at: &impl Fn([f64; 2]) -> Xy) {
    let samples = &geometry.stroke.samples[geometry.window.clone()];
    let edge = |sign: f64| {
        samples.iter().map(move |p| (p.s_m, p.h_m + sign * Measured::new(0.0, p.height_sd_m).half_width_95()))
    };
    let outline: Vec<Xy> =
        edge(1.0).chain(edge(-1.0).rev()).map(|(s, h)| at(geometry.side_of_chord(s, h))).collect();
    svg.polygon(&format!("band-{}", geometry.ink()), &outline);
}

/// Ends and knee of the bow that a rod is drawn as.
fn bow(rod: &RodPose) -> [[f64; 2]; 3] {
    let reach = (rod.tip[0] - rod.butt[0]).hypot(rod.tip[1] - rod.butt[1]);
    let knee = [rod.butt[0] + 0.55 * reach * rod.axis[0], rod.butt[1] + 0.55 * reach * rod.axis[1]];
    [rod.butt, knee, rod.tip]
}

/// The rod as it stood: from the butt along its axis, bending to the tip. The curve between is drawn, not measured.
fn draw_rods(svg: &mut Svg, rods: &[RodPose], at: &impl Fn([f64; 2]) -> Xy, t_rsp_s: Option<f64>) {
    let nearest = t_rsp_s.and_then(|t| rods.iter().map(|r| (r.t_s - t).abs()).min_by(f64::total_cmp));
    for rod in rods {
        let [a, b, c] = bow(rod).map(at);
        let is_rsp = t_rsp_s.zip(nearest).is_some_and(|(t, n)| (rod.t_s - t).abs() <= n + 1e-12);
        svg.path(
            if is_rsp { "rod bent" } else { "rod thin" },
            &format!(
                "M{} {}Q{} {} {} {}",
                coordinate(a.0),
                coordinate(a.1),
                coordinate(b.0),
                coordinate(b.1),
                coordinate(c.0),
                coordinate(c.1)
            ),
        );
    }
}

fn alt(geometry: &Geometry<'_>, rods: usize) -> String {
    let mut what = String::from("Side view of the tip path");
    if rods > 0 {
        what.push_str(&format!(", the rod drawn at {rods} instants"));
    }
    let ids =
        [FigureId::Chord, FigureId::ChordAngle, FigureId::DipDepth, FigureId::DipAt, FigureId::DomeHeight];
    alt_text(&what, geometry, &ids)
}
