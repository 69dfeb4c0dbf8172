//! One stroke: a sentence, the figures, the linked drawings and the path in space.

use crate::plot::geometry::Geometry;
use crate::plot::{Format, Panel, loops, sheet, zero_time_s};
use crate::tables::{direction_word, loop_word};
use crate::{ReportConfig, plot_name, rod_poses};
use tipwright::model::line::StrokeLoop;
use tipwright::model::results::TakeResults;
use tipwright::model::{FigureId, RspSource, Stroke};

use super::figures::{capital, figure, list};
use super::{data, evidence, film};
use crate::plot::svg::{coordinate, escape};

/// Kind and direction are told with their probability below this.
const SURE: f64 = 0.9;

/// Id of a stroke's article.
#[must_use]
pub fn id(take_id: &str, stroke: u32) -> String {
    format!("{take_id}-stroke-{stroke}")
}

/// The article.
#[must_use]
pub fn article(take_id: &str, take: &TakeResults, stroke: &Stroke, config: &ReportConfig) -> String {
    let own = id(take_id, stroke.stroke);
    let geometry = Geometry::of(stroke);
    let rods = rod_poses(&geometry, config);
    let found = take.loops.iter().find(|l| l.stroke == stroke.stroke);
    let drawn = |format| {
        let mut panels = sheet::panels(&geometry, &rods, format);
        panels.extend(found.map(|l| loops::panel(stroke, l, format)));
        panels
    };
    let (panels, on_phone) = (drawn(Format::PAGE), drawn(Format::PHONE));
    let direction = direction_word(stroke.direction);
    let name = format!("stroke {} {direction}", stroke.stroke);
    let mut out = format!(
        "<article class=\"stroke\" id=\"{own}\" aria-labelledby=\"{own}-h\" data-way=\"{direction}\">\
         <p class=\"where\">{} <b>{}</b></p><h4 id=\"{own}-h\">Stroke {}, {direction}</h4><p class=\"said\">{}</p>",
        escape(&take.take),
        stroke.stroke,
        stroke.stroke,
        sentence(stroke, found),
    );
    out.push_str(&evidence::of_stroke(take, stroke.stroke));
    out.push_str(&list(&stroke.figures));
    out.push_str(&format!(
        "<div class=\"cursor-row\"><button type=\"button\" class=\"play\" aria-label=\"Play {name} at a tenth of its \
         speed\">play</button><label>moment <input type=\"range\" class=\"moment\" min=\"0\" max=\"{}\" step=\"1\" \
         value=\"0\" aria-label=\"Moment of {name}\"></label><output class=\"reading\"></output></div>",
        stroke.samples.len().saturating_sub(1)
    ));
    out.push_str(&film::of_stroke(take, stroke.stroke, zero_time_s(&geometry), &name));
    // Where it went on the left, when on the right; one below the other where the page is narrow.
    let is_over_time = |name: &str| matches!(name, "speed" | "bend" | "butt" | "power");
    out.push_str("<div class=\"panels\">");
    for over_time in [false, true] {
        out.push_str("<div class=\"column\">");
        for (panel, phone) in panels.iter().zip(&on_phone).filter(|(p, _)| is_over_time(p.name) == over_time)
        {
            out.push_str(&later(panel, phone));
        }
        if !over_time {
            out.push_str(&format!(
                "<figure class=\"panel p-space\"><figcaption>In space: drag, pinch or use the arrow keys to turn it\
                 </figcaption><div class=\"space\" tabindex=\"0\" role=\"img\" aria-label=\"Path of the tip in space, \
                 {name}; arrow keys turn it, plus and minus bring it nearer and farther\"></div></figure>"
            ));
        }
        out.push_str("</div>");
    }
    out.push_str("</div>");
    // Where names are left out the take's folder, which bears its name, is not pointed to.
    if !take.clips.is_empty() {
        out.push_str(&format!(
        "<p class=\"aside noprint\"><a href=\"../takes/{}/plots/{}\">The same on one sheet for printing<span class=\"hidden\"> \
         ({}, {name})</span></a></p>",
        url_part(&take.take),
        plot_name(stroke.stroke),
        escape(&take.take),
    ));
    }
    out.push_str(&format!(
        "<script type=\"application/json\" class=\"data\">{}</script></article>",
        data::of_stroke(&geometry)
    ));
    out
}

/// A drawing that the script puts in when its stroke comes near or is printed: a day of strokes has a hundred thousand
/// lines and letters, and a page that holds them all at once is slow to open, to read out and to search. On a phone the
/// same drawing is put in with room for its names; until then the figure keeps its place.
fn later(wide: &Panel, phone: &Panel) -> String {
    let ratio = |p: &Panel| format!("{}/{}", coordinate(p.width), coordinate(p.height));
    format!(
        "<figure class=\"panel later p-{}\" style=\"--wide:{};--phone:{}\"><script type=\"text/plain\" class=\"wide\">{}</script>\
         <script type=\"text/plain\" class=\"phone\">{}</script></figure>",
        wide.name,
        ratio(wide),
        ratio(phone),
        wide.to_inline(),
        phone.to_inline()
    )
}

/// What was seen, in words, with no judgement in them.
fn sentence(stroke: &Stroke, found: Option<&StrokeLoop>) -> String {
    let get = |id| stroke.figures.get(id).map(|m| (m, figure(id, m)));
    let mut parts: Vec<String> = vec![kind(stroke)];
    if let (Some((_, chord)), Some((_, duration))) = (get(FigureId::Chord), get(FigureId::Duration)) {
        parts.push(format!("The tip went {chord} in {duration}"));
    }
    if let Some((_, peak)) = get(FigureId::PeakSpeed) {
        let lead = get(FigureId::PeakLead).map(|(m, _)| {
            let half = m.half_width_95();
            if m.value.abs() <= half {
                " about when the rod was straight".to_owned()
            } else if m.value > 0.0 {
                format!(" {:.0}\u{a0}ms before the rod was straight", m.value)
            } else {
                format!(" {:.0}\u{a0}ms after the rod was straight", -m.value)
            }
        });
        let lead =
            if stroke.rsp_source == RspSource::Bend { lead.unwrap_or_default() } else { String::new() };
        parts.push(format!("It was fastest at {peak}{lead}"));
    }
    match get(FigureId::DipDepth) {
        Some((m, _)) if m.value <= m.half_width_95() => {
            parts.push("No dip was found beyond what the measurement can tell".into());
        }
        Some((_, dip)) => {
            let at = stroke
                .figures
                .get(FigureId::DipAt)
                .map(|m| format!(", {:.0}\u{a0}% of the way along", m.value * 100.0));
            parts.push(format!("Its path dipped {dip}{}", at.unwrap_or_default()));
        }
        None => {}
    }
    if let (Some((_, width)), Some(found)) = (get(FigureId::LoopWidth), found) {
        let shape = found.shape.map(|s| format!(", {}", loop_word(s))).unwrap_or_default();
        parts.push(format!("The loop was {width} wide ({}{shape})", found.size.word()));
    }
    format!("{}.", parts.join(". "))
}

/// What the stroke is for, and how sure that and its direction are.
fn kind(stroke: &Stroke) -> String {
    let words = stroke.kind.words();
    let mut out = if stroke.kind_p >= SURE {
        capital(&format!("a {words}"))
    } else {
        format!("Probably a {words} ({})", evidence::percent(stroke.kind_p))
    };
    if stroke.direction_p < SURE {
        let exchanged = evidence::percent(1.0 - stroke.direction_p);
        out.push_str(&format!("; forward and back may be exchanged ({exchanged})"));
    }
    out
}

/// A folder name inside a link.
fn url_part(text: &str) -> String {
    text.bytes()
        .map(|b| match b {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' => char::from(b).to_string(),
            _ => format!("%{b:02X}"),
        })
        .collect()
}
