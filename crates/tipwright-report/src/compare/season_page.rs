//! The part of a comparison's page that is about a season: what belongs to sessions and what to casters.

use super::contrast::Part;
use super::progress;
use super::season::{Season, SessionPart};
use crate::page::figures::{full, name, rough};
use crate::page::story::with_half;
use crate::page::table::{Cell, Column, Table};
use crate::tables::direction_word;
use crate::text::{Html, escape};
use crate::units::kind;

/// Sessions up to which all are drawn; of more only the last [`LAST`], for fifty would be a page nobody opens.
const ALL_DRAWN: usize = 6;
/// Sessions drawn of more.
const LAST: usize = 4;
/// Sessions that stand apart listed.
const LISTED: usize = 40;

/// First side that is drawn and listed caster by caster.
pub(super) fn first_drawn(part: &Part<'_>) -> usize {
    let sides = part.sorted.sides.len();
    if sides > ALL_DRAWN { sides - LAST } else { 0 }
}

/// Spreads, and the sessions that stand apart.
pub(super) fn html(part: &Part<'_>) -> Html {
    if part.seasons.is_empty() {
        return Html::default();
    }
    Html(format!("{}{}{}", progress::html(part).0, spreads(part).0, apart(part).0))
}

fn spreads(part: &Part<'_>) -> Html {
    let row = |s: &Season| {
        let shown = |sd: f64| rough(kind(s.figure), with_half(sd, 0.2 * sd));
        let cells = vec![
            Cell::new(name(s.figure)),
            Cell::new(shown(s.between_casters)),
            Cell::new(shown(s.between_sessions)),
            Cell::new(shown(s.left)),
            Cell::new(s.sessions.len().to_string()),
        ];
        (String::new(), cells)
    };
    Table {
        label: &format!("Casters and sessions, {}", direction_word(part.direction)),
        caption: "How far casters differ, how far sessions differ for everybody alike (set-up, wind), and how far the same caster differs \
                  from session to session: standard deviations.",
        class: "",
        sorts: false,
        columns: vec![
            Column::lead("figure"),
            Column::number("between casters"),
            Column::number("between sessions"),
            Column::number("what is left"),
            Column::number("sessions"),
        ],
        rows: part.seasons.iter().map(row).collect(),
    }
    .html()
}

fn apart(part: &Part<'_>) -> Html {
    let mut told: Vec<(&Season, &SessionPart)> = part
        .seasons
        .iter()
        .flat_map(|s| s.sessions.iter().map(move |x| (s, x)))
        .filter(|(_, x)| x.above.excludes_zero())
        .collect();
    // clearest first
    let clear = |x: &SessionPart| x.above.value.abs() / x.above.half_width;
    told.sort_by(|a, b| clear(b.1).total_cmp(&clear(a.1)));
    let asked: usize = part.seasons.iter().map(|s| s.sessions.len()).sum();
    let row = |(s, x): &(&Season, &SessionPart)| {
        let cells = vec![
            Cell::new(name(s.figure)),
            Cell::new(escape(&part.sorted.sides[x.side].name)),
            Cell::new(full(kind(s.figure), with_half(x.above.value, x.above.half_width))),
            Cell::new(x.casters.to_string()),
        ];
        (String::new(), cells)
    };
    if told.is_empty() {
        return Html::default();
    }
    Table {
        label: &format!("Sessions that stand apart, {}", direction_word(part.direction)),
        caption: &format!(
            "Sessions that stand apart for everybody who was in several, the clearest first: above the mean of the sessions. {} of {asked} \
             that were asked do, {:.0} would by chance alone; comparison_sessions.csv holds all.",
            told.len(),
            0.05 * asked as f64
        ),
        class: "",
        sorts: false,
        columns: vec![
            Column::lead("figure"),
            Column::words("session"),
            Column::number("above the mean"),
            Column::number("casters"),
        ],
        rows: told.iter().take(LISTED).map(row).collect(),
    }
    .html()
}
