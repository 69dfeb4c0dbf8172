//! Strokes laid over each other, aligned at rod straight position: all of one caster, and the casters of a session.

use std::fmt::Write;

use super::figures::capital;
use crate::plot::geometry::Geometry;
use crate::plot::overlay::{self, Group, What};
use crate::plot::{Format, Panel};
use crate::tables::direction_word;
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
pub const FORMAT: Format = Format { width: 420.0, time_height: 190.0, side_height: 190.0, ..Format::PAGE };

/// Figures side by side, their cursors over time linked.
#[must_use]
pub fn multiples(panels: &[Panel]) -> String {
    let mut out = String::from("<div class=\"multiples linked\">");
    for panel in panels {
        let _ = write!(out, "<figure class=\"panel\">{}</figure>", panel.to_inline());
    }
    out.push_str("</div>");
    out
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
pub fn drawings(groups: &[Group<'_>], label: &str, kinds: &[What], each: bool) -> String {
    let panels: Vec<Panel> = KINDS
        .iter()
        .filter(|(what, _)| kinds.contains(what))
        .filter_map(|(what, title)| overlay::panel(*what, groups, &format!("{label}: {title}"), FORMAT, each))
        .collect();
    multiples(&panels)
}

/// Drawings of both directions: strokes by name of their group; `each` draws every stroke beside the mean of its group;
/// `is_worth` says of the groups of a direction whether they are drawn at all.
fn both_ways<'a>(
    strokes: impl Iterator<Item = (String, &'a Stroke)> + Clone,
    kinds: &[What],
    each: bool,
    is_worth: impl Fn(&[Group<'_>]) -> bool,
) -> String {
    let mut out = String::new();
    for direction in [Direction::Forward, Direction::Back] {
        let groups = groups(strokes.clone(), direction);
        if !is_worth(&groups) {
            continue;
        }
        out.push_str(&drawings(&groups, &capital(direction_word(direction)), kinds, each));
    }
    out
}

/// All strokes of a caster, one group per phase.
#[must_use]
pub fn of_caster(takes: &[&TakeResults]) -> String {
    let strokes = takes
        .iter()
        .flat_map(|t| t.strokes.iter().map(|s| (t.phase.clone().unwrap_or_else(|| "strokes".into()), s)));
    let out =
        both_ways(strokes, &ALL, true, |groups| groups.iter().map(|g| g.strokes.len()).sum::<usize>() > 1);
    if out.is_empty() {
        return out;
    }
    format!(
        "<section><h3>All strokes over each other</h3><p class=\"aside\">Aligned at rod straight position. Each stroke thin, \
         the mean of a phase strong; from three strokes on, the 95&#8239;% interval of the mean as a band.</p>{out}</section>"
    )
}

/// The casters of a session: the mean of each.
#[must_use]
pub fn of_session(takes: &[TakeResults]) -> String {
    let strokes = takes.iter().flat_map(|t| t.strokes.iter().map(|s| (t.alias.clone(), s)));
    let out = both_ways(strokes, &[What::Path, What::Speed, What::Bend], false, |groups| {
        (2..=overlay::SERIES).contains(&groups.len())
    });
    if out.is_empty() {
        return out;
    }
    format!(
        "<h3>Casters over each other</h3><p class=\"aside\">Mean of each caster\u{2019}s strokes, aligned at rod straight \
         position; from three strokes on with its 95&#8239;% interval.</p>{out}"
    )
}
