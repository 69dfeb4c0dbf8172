//! Strokes laid over each other, aligned at rod straight position: all of one caster, and the casters of a session.

use askama::Template;

use crate::plot::geometry::Geometry;
use crate::plot::overlay::{self, Group, What};
use crate::plot::svg::coordinate;
use crate::plot::{Format, Panel};
use crate::tables::direction_word;
use crate::text::{Html, capital};
use tipwright::model::results::TakeResults;
use tipwright::model::{Direction, Stroke};

/// Kinds of drawings laid over each other and their titles.
const KINDS: [(What, &str); 5] = [
    (What::Path, "path of the tip"),
    (What::Speed, "tip speed"),
    (What::Bend, "bend of the rod"),
    (What::Butt, "angle of the butt"),
    (What::Power, "power against a straight ramp"),
];

/// All of them.
pub const ALL: [What; 5] = [What::Path, What::Speed, What::Bend, What::Butt, What::Power];

/// Format of a drawing among several.
pub const FORMAT: Format = Format { time_height: 190.0, side_height: 190.0, ..Format::PHONE };

/// Whether drawings stand on the page at once, or are put in when their part of it is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Put {
    /// At once.
    Now,
    /// When opened.
    Later,
}

struct Drawing {
    svg: Html,
    ratio: String,
}

#[derive(Template)]
#[template(path = "multiples.html")]
struct Multiples {
    drawings: Vec<Drawing>,
    later: bool,
    class: &'static str,
}

/// Figures side by side, their cursors over time linked; empty without any.
#[must_use]
pub fn multiples(panels: &[Panel], put: Put) -> Html {
    of_class(panels, put, "")
}

/// The same with a class beside.
#[must_use]
pub fn of_class(panels: &[Panel], put: Put, class: &'static str) -> Html {
    if panels.is_empty() {
        return Html::default();
    }
    let drawing = |p: &Panel| Drawing {
        svg: Html(p.to_inline()),
        ratio: format!("{}/{}", coordinate(p.width), coordinate(p.height)),
    };
    Html::of(&Multiples { drawings: panels.iter().map(drawing).collect(), later: put == Put::Later, class })
}

/// Strokes of one direction by name of their group, groups in order of appearance.
fn groups<'a>(strokes: impl Iterator<Item = (String, &'a Stroke)>, direction: Direction) -> Vec<Group<'a>> {
    let mut out: Vec<Group<'a>> = Vec::new();
    for (name, stroke) in strokes.filter(|(_, s)| s.direction == direction) {
        let at = out.iter().position(|g| g.name == name).unwrap_or_else(|| {
            out.push(Group { name, series: out.len(), strokes: Vec::new() });
            out.len() - 1
        });
        out[at].strokes.push(Geometry::of(stroke));
    }
    out
}

/// Groups over each other in drawings of these kinds, each titled by the label.
#[must_use]
pub fn drawings(groups: &[Group<'_>], label: &str, kinds: &[What], each: bool) -> Vec<Panel> {
    KINDS
        .iter()
        .filter(|(what, _)| kinds.contains(what))
        .filter_map(|(what, title)| overlay::panel(*what, groups, &format!("{label}: {title}"), FORMAT, each))
        .collect()
}

/// Drawings of both directions: strokes by name of their group; `each` draws every stroke beside the mean of its group;
/// `is_worth` says of the groups of a direction whether they are drawn at all.
fn both_ways<'a>(
    strokes: impl Iterator<Item = (String, &'a Stroke)> + Clone,
    kinds: &[What],
    each: bool,
    is_worth: impl Fn(&[Group<'_>]) -> bool,
    put: Put,
) -> Html {
    let mut out = String::new();
    for direction in [Direction::Forward, Direction::Back] {
        let groups = groups(strokes.clone(), direction);
        if is_worth(&groups) {
            let panels = drawings(&groups, &capital(direction_word(direction)), kinds, each);
            out += &multiples(&panels, put).0;
        }
    }
    Html(out)
}

/// Phase, and apart from its others what one camera alone saw.
fn group_of(take: &TakeResults, stroke: &Stroke) -> String {
    let phase = take.phase.as_deref().unwrap_or("strokes");
    if stroke.views == 1 { format!("{phase}, one camera") } else { phase.to_owned() }
}

fn by_phase<'a>(takes: &'a [&'a TakeResults]) -> impl Iterator<Item = (String, &'a Stroke)> + Clone {
    takes.iter().flat_map(|t| t.strokes.iter().map(|s| (group_of(t, s), s)))
}

fn are_several(groups: &[Group<'_>]) -> bool {
    groups.iter().map(|g| g.strokes.len()).sum::<usize>() > 1
}

/// All strokes of a caster, one group per phase.
#[must_use]
pub fn of_caster(takes: &[&TakeResults], put: Put) -> Html {
    both_ways(by_phase(takes), &ALL, true, are_several, put)
}

/// Only their paths and speeds.
#[must_use]
pub fn paths_of_caster(takes: &[&TakeResults]) -> Html {
    both_ways(by_phase(takes), &[What::Path, What::Speed], true, are_several, Put::Now)
}

/// The casters of a session: the mean of each.
#[must_use]
pub fn of_session(takes: &[TakeResults]) -> Html {
    let strokes = takes.iter().flat_map(|t| t.strokes.iter().map(|s| (t.alias.clone(), s)));
    both_ways(
        strokes,
        &[What::Path, What::Speed, What::Bend],
        false,
        |groups| (2..=overlay::SERIES).contains(&groups.len()),
        Put::Later,
    )
}
