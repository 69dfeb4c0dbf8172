//! The page of a comparison: what can be told first, then drawings and tables, folded.

use askama::Template;

use super::contrast::{ALL_PAIRED, Difference, Part, Verdict};
use super::forest::{self, ForestRow};
use super::listed::{consistency, ranking_data};
use super::season_page::{self, first_drawn};
use super::verdict::{is_told, verdict};
use super::{CompareBy, CompareChoice};
use crate::page::figures::{full, name};
use crate::page::overlays::{ALL, Put, drawings, multiples, of_class};
use crate::page::story::with_half;
use crate::page::table::{Cell, Column, Table};
use crate::page::{glossary, shell};
use crate::plot::Panel;
use crate::plot::geometry::Geometry;
use crate::plot::overlay::{self, Group};
use crate::tables::direction_word;
use crate::text::{Html, capital, escape};
use crate::units::kind;
use tipwright::model::FigureId;
use tipwright::model::results::SessionResults;

/// Casters whose strokes are drawn over each other, and listed with mean and spread: more would be a page nobody opens; the
/// tables beside it hold all.
pub(super) const SHOWN: usize = 24;
/// Differences listed in a table.
const LISTED: usize = 60;

struct Section {
    way: &'static str,
    heading: String,
    left_out: String,
    one_camera: bool,
    absent: String,
    is_alone: bool,
    words: Html,
    told: Html,
    untold: Html,
    untold_count: usize,
    overlays: Html,
    overlays_left_out: usize,
    forests: Html,
    forests_folded: Html,
    forest_words: String,
    steady: Html,
    steady_left_out: usize,
    season: Html,
    sessions_left_out: usize,
    rank: Ranking,
}

struct Ranking {
    asked: bool,
    options: Vec<(&'static str, &'static str, bool)>,
    data: Html,
}

#[derive(Template)]
#[template(path = "comparison.html")]
struct Page {
    title: String,
    of_what: String,
    switches: Html,
    sections: Vec<Section>,
    has_strokes: bool,
    glossary: Html,
}

/// The whole page.
#[must_use]
pub fn page(sessions: &[SessionResults], choice: &CompareChoice, parts: &[Part<'_>]) -> String {
    let title = match choice.by {
        CompareBy::Caster => "Casters side by side".to_owned(),
        CompareBy::Phase => {
            let names = |p: &Part<'_>| {
                p.sorted.sides.iter().map(|s| s.name.clone()).collect::<Vec<_>>().join(" and ")
            };
            let sides = parts.first().map(names).unwrap_or_default();
            format!("{} compared", capital(if sides.is_empty() { "phases" } else { &sides }))
        }
        CompareBy::Session => "Sessions compared".to_owned(),
    };
    let units = sessions.first().map(|s| s.report_units).unwrap_or_default();
    let html = Html::of(&Page {
        of_what: of_what(sessions, choice),
        switches: shell::switches(units),
        sections: sections(sessions, choice, parts),
        has_strokes: sessions.iter().flat_map(|s| &s.takes).any(|t| !t.strokes.is_empty()),
        glossary: glossary::section(),
        title: title.clone(),
    });
    shell::document(&title, units, &html.0)
}

fn of_what(sessions: &[SessionResults], choice: &CompareChoice) -> String {
    let strokes: usize = sessions.iter().flat_map(|s| &s.takes).map(|t| t.strokes.len()).sum();
    let count = match sessions.len() {
        1 => "One session".to_owned(),
        n => format!("{n} sessions"),
    };
    if choice.anonymous {
        format!("{count}, {strokes} strokes; names left out")
    } else if sessions.len() > 6 {
        format!("{count}, {strokes} strokes")
    } else {
        let titles: Vec<&str> = sessions.iter().map(|s| s.title.as_str()).collect();
        format!("{}; {strokes} strokes", titles.join("; "))
    }
}

/// A section for each direction; one where no stroke was measured at all.
fn sections(sessions: &[SessionResults], choice: &CompareChoice, parts: &[Part<'_>]) -> Vec<Section> {
    let takes = || sessions.iter().flat_map(|s| &s.takes);
    if takes().any(|t| !t.strokes.is_empty()) {
        return parts.iter().map(|p| section(choice, p)).collect();
    }
    let words = match takes().count() {
        0 => "There are no takes: name clips in session.toml and run <code>tipwright day</code>.".to_owned(),
        n => format!(
            "No stroke was measured in {n} take{}, so there is nothing to compare. The day\u{2019}s page says of each take why, and what to \
             do; then run <code>tipwright day</code> and this comparison again.",
            if n == 1 { "" } else { "s" }
        ),
    };
    let nothing = |p| Section {
        heading: "No strokes".to_owned(),
        words: Html(words.clone()),
        way: "strokes",
        absent: String::new(),
        ..section(choice, p)
    };
    parts.first().map(nothing).into_iter().collect()
}

fn section(choice: &CompareChoice, part: &Part<'_>) -> Section {
    let way = direction_word(part.direction);
    let is_empty = part.sorted.rows.is_empty();
    let told: Vec<&Difference> = part.differences.iter().filter(|d| is_told(d)).collect();
    let whole: Vec<&Difference> =
        part.differences.iter().filter(|d| d.is_paired || part.sorted.rows.len() == 1).collect();
    let untold: Vec<&Difference> = whole.into_iter().filter(|d| !is_told(d)).collect();
    let (rows, steady_left_out) = (part.sorted.rows.len(), part.sorted.rows.len().saturating_sub(SHOWN));
    let is_open = |id: FigureId| {
        choice.by == CompareBy::Caster || choice.rank == Some(id) || told.iter().any(|d| d.figure == id)
    };
    let (open, folded): (Vec<FigureId>, Vec<FigureId>) =
        part.figures.iter().copied().partition(|&id| is_open(id));
    // one caster by itself is no comparison
    let is_alone = choice.by == CompareBy::Caster && part.sorted.rows.len() < 2;
    let forest = |ids: &[FigureId], put| {
        if is_alone {
            return Html::default();
        }
        let panels: Vec<Panel> = ids.iter().filter_map(|&id| forest(choice, part, id)).collect();
        of_class(&panels, put, "forests")
    };
    Section {
        is_alone,
        way,
        heading: format!("{} strokes", capital(way)),
        left_out: part.sorted.left_out.join("; "),
        one_camera: part.sorted.one_camera,
        absent: part.sorted.absent.join("; "),
        words: Html(words(choice, part, told.len())),
        told: differences(&told, way, "Differences that can be told"),
        untold_count: untold.len(),
        untold: differences(&untold, way, "Differences that can\u{2019}t be told"),
        overlays: if is_empty { Html::default() } else { overlays(choice, part) },
        overlays_left_out: rows.saturating_sub(SHOWN),
        forests: forest(&open, Put::Now),
        forests_folded: forest(&folded, Put::Later),
        forest_words: if choice.by == CompareBy::Caster {
            format!(
                "Mean of each caster\u{2019}s strokes with its 95\u{202f}% interval. An open mark: fewer than {} strokes, nothing is said.",
                choice.min_strokes
            )
        } else {
            format!(
                "Second minus first with its 95\u{202f}% interval; the diamond is the mean over casters, paired. An open mark: \
                 fewer than {} strokes, nothing is said.",
                choice.min_strokes
            )
        },
        steady: consistency(part),
        steady_left_out,
        season: season_page::html(part),
        sessions_left_out: first_drawn(part),
        rank: Ranking {
            asked: choice.rank.is_some(),
            options: part
                .figures
                .iter()
                .map(|id| (id.info().key, id.info().name, choice.rank == Some(*id)))
                .collect(),
            data: Html(ranking_data(part)),
        },
    }
}

/// What can be said before any number, and what is not there to be compared.
fn words(choice: &CompareChoice, part: &Part<'_>, told: usize) -> String {
    let sides = &part.sorted.sides;
    if part.sorted.rows.is_empty() {
        return match (choice.by, sides.as_slice()) {
            (CompareBy::Phase, []) => "No take has a phase: there is nothing to compare by.".to_owned(),
            _ => "There are none to compare.".to_owned(),
        };
    }
    if let (CompareBy::Caster, [only]) = (choice.by, part.sorted.rows.as_slice()) {
        return format!(
            "Of {} alone there are strokes to compare: nobody stands beside.",
            escape(&only.label)
        );
    }
    if choice.by != CompareBy::Caster && sides.len() < 2 {
        let only = sides.first().map_or("", |s| s.name.as_str());
        return format!("There is only one side, {}: nothing to compare it with.", escape(only));
    }
    let absent: Vec<String> = sides
        .iter()
        .enumerate()
        .filter(|(k, _)| part.sorted.rows.iter().all(|r| r.cells.get(k).is_none_or(|c| c.strokes.is_empty())))
        .map(|(_, side)| escape(&side.name))
        .collect();
    if choice.by != CompareBy::Caster && !absent.is_empty() {
        return format!("No stroke of {} is there.", absent.join(" and "));
    }
    match told {
        0 => "No difference can be told from chance.".to_owned(),
        1 => "One difference can be told from chance.".to_owned(),
        n => format!("{n} differences can be told from chance."),
    }
}

/// Differences in a table.
fn differences(rows: &[&Difference], way: &str, caption: &str) -> Html {
    if rows.is_empty() {
        return Html::default();
    }
    let row = |d: &&Difference| {
        let text =
            d.estimate.map(|e| full(kind(d.figure), with_half(e.value, e.half_width))).unwrap_or_default();
        let cells = [
            name(d.figure),
            escape(&d.of),
            format!("{} to {}", escape(&d.first), escape(&d.second)),
            text,
            if d.counts.0 == d.counts.1 {
                d.counts.0.to_string()
            } else {
                format!("{} and {}", d.counts.0, d.counts.1)
            },
            verdict(d),
        ];
        (String::new(), cells.map(Cell::new).to_vec())
    };
    let caption = match rows.len() {
        n if n > LISTED => format!("{caption}: {LISTED} of {n}, all in comparison_differences.csv"),
        _ => caption.to_owned(),
    };
    Table {
        label: &format!("{caption}, {way}"),
        caption: &caption,
        class: "",
        sorts: false,
        columns: vec![
            Column::lead("figure"),
            Column::words("of"),
            Column::words("from"),
            Column::number("difference"),
            Column::number("strokes, or casters"),
            Column::words("what can be said"),
        ],
        rows: rows.iter().take(LISTED).map(row).collect(),
    }
    .html()
}

/// All rows over each other where casters are compared, then one row of panels per caster.
fn overlays(choice: &CompareChoice, part: &Part<'_>) -> Html {
    let mut out = String::new();
    let mut draw = |groups: &[Group<'_>], label: &str, each: bool| {
        out += &multiples(&drawings(groups, label, &ALL, each), Put::Later).0;
    };
    let rows = &part.sorted.rows;
    if choice.by == CompareBy::Caster && (2..=overlay::SERIES).contains(&rows.len()) {
        let all: Vec<Group<'_>> = rows
            .iter()
            .enumerate()
            .filter_map(|(k, row)| group(row.label.clone(), k, row.cells.get(&0)?))
            .collect();
        draw(&all, "All", false);
    }
    for row in rows.iter().take(SHOWN) {
        let groups: Vec<Group<'_>> = row
            .cells
            .range(first_drawn(part)..)
            .filter_map(|(&side, cell)| group(part.sorted.sides[side].name.clone(), side, cell))
            .collect();
        draw(&groups, &row.label, true);
    }
    Html(out)
}

fn group<'a>(name: String, series: usize, cell: &super::cells::Cell<'a>) -> Option<Group<'a>> {
    let strokes: Vec<Geometry<'a>> = cell.strokes.iter().map(|s| Geometry::of(s)).collect();
    (!strokes.is_empty()).then_some(Group { name, series, strokes })
}

/// Most rows of a drawing that fits a printed page of A4.
const MOST_ROWS: usize = 44;

/// The panel of one figure; of many sessions the latest.
fn forest(choice: &CompareChoice, part: &Part<'_>, figure: FigureId) -> Option<Panel> {
    let by_caster = choice.by == CompareBy::Caster;
    let mut rows: Vec<ForestRow> = if by_caster {
        let of = part.means.iter().filter(|m| m.figure == figure);
        of.map(|m| ForestRow {
            label: part.sorted.rows[m.row].label.clone(),
            value: m.sample.mean,
            half_width: m.sample.half_width,
            is_whole: false,
            is_faint: m.sample.count < choice.min_strokes,
            is_second: false,
        })
        .collect()
    } else {
        let listed = &part.sorted.sides[first_drawn(part)..];
        let is_listed = |d: &&Difference| d.is_paired || listed.iter().any(|s| s.name == d.second);
        let of = part.differences.iter().filter(|d| d.figure == figure).filter(is_listed);
        let names: Vec<&str> = part.sorted.sides.iter().map(|s| s.name.as_str()).collect();
        of.filter_map(|d| {
            let estimate = d.estimate?;
            let several = part.sorted.sides.len() > 2;
            let label = if d.is_paired { "all, paired".to_owned() } else { d.of.clone() };
            Some(ForestRow {
                label: if several {
                    format!("{label}, {}", forest::own_part(&d.second, &names))
                } else {
                    label
                },
                value: estimate.value,
                half_width: Some(estimate.half_width),
                is_whole: d.of == ALL_PAIRED,
                is_faint: d.verdict == Verdict::TooFew,
                is_second: false,
            })
        })
        .collect()
    };
    if !by_caster {
        rows.drain(..rows.len().saturating_sub(MOST_ROWS));
    }
    (!rows.is_empty()).then(|| forest::panel(figure, &rows, !by_caster))
}
