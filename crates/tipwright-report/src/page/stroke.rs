//! One stroke: a sentence, film and linked drawings, the path in space, then what was noticed and the figures.

use askama::Template;

use super::figures::{capital, dual_units, figure, groups, missing, named};
use super::ids::stroke_id;
use super::{data, evidence, film, pair};
use crate::plot::geometry::Geometry;
use crate::plot::rods::rod_poses;
use crate::plot::svg::coordinate;
use crate::plot::{Format, Panel, loops, sheet, what_if, zero_time_s};
use crate::tables::{direction_word, loop_word};
use crate::text::{Html, url_part};
use crate::{ReportConfig, plot_name};
use tipwright::model::line::StrokeLoop;
use tipwright::model::results::TakeResults;
use tipwright::model::{FigureId, RspSource, SlapWord, Stroke};

/// Kind and direction are told with their probability below this.
const SURE: f64 = 0.9;

/// A drawing that the script puts in when its stroke is opened or everything is printed: a day of strokes has a hundred
/// thousand lines and letters, and a page that holds them all at once is slow to open, to read out and to search. On a phone
/// the same drawing is put in with room for its names; until then the figure keeps its place.
struct Later {
    name: &'static str,
    wide_ratio: String,
    phone_ratio: String,
    wide: Html,
    phone: Html,
}

impl Later {
    fn of(wide: &Panel, phone: &Panel) -> Self {
        let ratio = |p: &Panel| format!("{}/{}", coordinate(p.width), coordinate(p.height));
        Self {
            name: wide.name,
            wide_ratio: ratio(wide),
            phone_ratio: ratio(phone),
            wide: Html(wide.to_inline()),
            phone: Html(phone.to_inline()),
        }
    }
}

#[derive(Template)]
#[template(path = "stroke.html")]
struct Article<'a> {
    id: String,
    take: &'a str,
    number: u32,
    way: &'static str,
    said: Html,
    last: usize,
    film: Html,
    places: Vec<Later>,
    times: Vec<Later>,
    evidence: Html,
    named: Html,
    groups: Html,
    missing: Html,
    note: Html,
    sheet: String,
    pair_id: String,
    data: Html,
}

/// The article; `open`: figures that are not folded; `note`: the instructor's.
#[must_use]
pub fn article(
    take_id: &str,
    take: &TakeResults,
    stroke: &Stroke,
    config: &ReportConfig,
    open: &[FigureId],
    note: Html,
) -> Html {
    let geometry = Geometry::of(stroke);
    let rods = rod_poses(&geometry, config.rods());
    let found = take.loops.iter().find(|l| l.stroke == stroke.stroke);
    let drawn = |format| {
        let mut panels = sheet::panels(&geometry, &rods, format);
        // Beside the path, for the path made it.
        if let Some(l) = found {
            panels.insert(1, loops::panel(stroke, l, format));
        }
        let model = take.predicted.iter().find(|p| p.stroke == stroke.stroke);
        if let Some(what_if) = model.and_then(|m| what_if::panel(stroke, m, format)) {
            panels.insert(if found.is_some() { 2 } else { 1 }, what_if);
        }
        panels
    };
    let both: Vec<(Panel, Panel)> = drawn(Format::PAGE).into_iter().zip(drawn(Format::PHONE)).collect();
    let is_over_time = |name: &str| matches!(name, "speed" | "bend" | "butt" | "power");
    let pick = |over_time: bool| {
        both.iter().filter(|(p, _)| is_over_time(p.name) == over_time).map(|(w, p)| Later::of(w, p)).collect()
    };
    let way = direction_word(stroke.direction);
    let name = format!("stroke {} {way}", stroke.stroke);
    // Where names are left out the take's folder, which bears its name, is not pointed to.
    let sheet = if take.clips.is_empty() {
        String::new()
    } else {
        format!("../takes/{}/plots/{}", url_part(&take.take), plot_name(stroke.stroke))
    };
    Html::of(&Article {
        id: stroke_id(take_id, stroke.stroke),
        take: &take.take,
        number: stroke.stroke,
        way,
        said: Html(sentence(take, stroke, found)),
        last: stroke.samples.len().saturating_sub(1),
        film: film::of_stroke(take, stroke.stroke, zero_time_s(&geometry), &name),
        places: pick(false),
        times: pick(true),
        evidence: Html(evidence::of_stroke(take, stroke.stroke)),
        named: named(&stroke.figures, open),
        groups: groups(&stroke.figures, open),
        missing: missing(&stroke.figures),
        note,
        sheet,
        pair_id: url_part(&pair::id(take, stroke.stroke)),
        data: Html(data::of_stroke(&geometry, &rods, found)),
    })
}

/// What was seen, in words, with no judgement in them.
fn sentence(take: &TakeResults, stroke: &Stroke, found: Option<&StrokeLoop>) -> String {
    let get = |id| stroke.figures.get(id).map(|m| (m, figure(id, m)));
    let mut parts: Vec<String> = vec![kind(stroke)];
    if let (1, Some(alone)) = (stroke.views, &take.one_view) {
        let plane = dual_units(&alone.plane_from);
        parts.push(format!("One camera alone saw it: it is measured in {plane}, and less sure"));
    }
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
    parts.extend(slap(stroke));
    format!("{}.", parts.join(". "))
}

/// Whether the line was heard to slap the rod.
fn slap(stroke: &Stroke) -> Option<String> {
    let why = || stroke.figures.missing.get(&FigureId::SlapTime).map(|why| dual_units(why));
    Some(match (stroke.slap?, stroke.figures.get(FigureId::SlapTime)) {
        (SlapWord::Heard, Some(after)) => {
            let after = figure(FigureId::SlapTime, after);
            format!("The line was heard to slap the rod {after} after rod straight")
        }
        (SlapWord::CouldNotBeHeard, _) => {
            let why = why().map(|why| format!(" ({why})")).unwrap_or_default();
            format!("Whether the line slapped the rod could not be heard{why}")
        }
        _ => "No slap of the line on the rod was heard".into(),
    })
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
