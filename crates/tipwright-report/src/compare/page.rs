//! The page of a comparison.

use std::fmt::Write;

use serde_json::{Value, json};

use super::contrast::{ALL_PAIRED, Difference, Part};
use super::forest::{self, ForestRow};
use super::{CompareBy, CompareChoice};
use crate::page::figures::{alone, full, name, rough};
use crate::page::overlays::{ALL, drawings};
use crate::page::table::{Cell, Column, Table};
use crate::page::{glossary, shell, summary};
use crate::plot::geometry::Geometry;
use crate::plot::overlay::{self, Group};
use crate::plot::svg::escape;
use crate::tables::direction_word;
use crate::units::{UnitSystem, kind, show};
use tipwright::model::Measured;
use tipwright::model::results::SessionResults;

/// The whole page.
#[must_use]
pub fn page(sessions: &[SessionResults], choice: &CompareChoice, parts: &[Part<'_>]) -> String {
    let title = match choice.by {
        CompareBy::Caster => "Casters side by side".to_owned(),
        CompareBy::Phase => {
            let sides = parts.first().map(|p| p.sorted.sides.join(" and ")).unwrap_or_default();
            format!("{} compared", first_upper(if sides.is_empty() { "phases" } else { &sides }))
        }
        CompareBy::Session => "Sessions compared".to_owned(),
    };
    let units = sessions.first().map(|s| s.report_units).unwrap_or_default();
    let mut out = format!(
        "<header><h1>{}</h1><p class=\"count\">{}</p>",
        escape(&title),
        escape(&of_what(sessions, choice))
    );
    out.push_str(&summary::switches(units));
    out.push_str("</header><main id=\"main\">");
    for part in parts {
        out.push_str(&section(choice, part));
    }
    out.push_str(&glossary::section());
    out.push_str("</main><footer><p>");
    out.push_str(
        "\u{b1} is half of a 95&#8239;% interval by Student\u{2019}s t, of the mean of strokes or of a difference of such \
         means (Welch; paired over casters). Each interval stands alone: of twenty differences that are none, one leaves \
         zero out by chance. means.csv and differences.csv beside this page hold the numbers in metres and seconds, \
         compared_strokes.parquet and compared_paths.parquet all strokes and paths.</p></footer>",
    );
    shell::document(&title, units, &out)
}

fn of_what(sessions: &[SessionResults], choice: &CompareChoice) -> String {
    let strokes: usize = sessions.iter().flat_map(|s| &s.takes).map(|t| t.strokes.len()).sum();
    if choice.anonymous {
        let sessions = match sessions.len() {
            1 => "One session".to_owned(),
            n => format!("{n} sessions"),
        };
        format!("{sessions}, {strokes} strokes; names left out")
    } else {
        let titles: Vec<&str> = sessions.iter().map(|s| s.title.as_str()).collect();
        format!("{}; {strokes} strokes", titles.join("; "))
    }
}

fn first_upper(text: &str) -> String {
    crate::page::figures::capital(text)
}

fn section(choice: &CompareChoice, part: &Part<'_>) -> String {
    let word = direction_word(part.direction);
    let mut out = format!(
        "<section class=\"caster\" id=\"{word}\" aria-labelledby=\"{word}-h\"><p class=\"where\">{word}</p>\
         <h2 id=\"{word}-h\">{} strokes</h2>",
        first_upper(word)
    );
    if part.sorted.rows.is_empty() {
        out.push_str("<p>There are none to compare.</p></section>");
        return out;
    }
    if !part.sorted.left_out.is_empty() {
        let _ = write!(out, "<p class=\"aside\">Left out: {}.</p>", escape(&part.sorted.left_out.join("; ")));
    }
    if choice.by != CompareBy::Caster {
        out.push_str(&findings(part));
    }
    out.push_str(&overlays(choice, part));
    out.push_str(&forests(choice, part));
    out.push_str(&consistency(part));
    out.push_str(&ranking(choice, part));
    out.push_str("</section>");
    out
}

/// The differences of all casters paired, in a table: nothing is called a difference whose interval holds zero.
fn findings(part: &Part<'_>) -> String {
    let way = direction_word(part.direction);
    let whole: Vec<&Difference> = part.differences.iter().filter(|d| d.is_paired).collect();
    if whole.is_empty() {
        return "<p>Fewer than two casters have strokes on both sides: see each caster below.</p>".into();
    }
    let row = |d: &&Difference| {
        let text =
            d.estimate.map(|e| full(kind(d.figure), as_measured(e.value, e.half_width))).unwrap_or_default();
        let cells = [
            name(d.figure),
            escape(&d.first),
            escape(&d.second),
            text,
            d.counts.0.to_string(),
            d.verdict.word().to_owned(),
        ];
        (String::new(), cells.map(Cell::new).to_vec())
    };
    let table = Table {
        label: &format!("Differences, all casters, {way}"),
        caption: "Mean over casters of each caster\u{2019}s own difference.",
        class: "",
        sorts: false,
        columns: vec![
            Column::lead("figure"),
            Column::words("from"),
            Column::words("to"),
            Column::number("difference"),
            Column::number("casters"),
            Column::words("what can be said"),
        ],
        rows: whole.iter().map(row).collect(),
    };
    format!("<h3>All casters, paired</h3>{}", table.html())
}

/// An estimate whose 95 % half-width is given, as a measured figure.
fn as_measured(value: f64, half_width: f64) -> Measured {
    Measured::new(value, half_width / Measured::new(0.0, 1.0).half_width_95())
}

/// All rows over each other where casters are compared, then one row of panels per caster.
fn overlays(choice: &CompareChoice, part: &Part<'_>) -> String {
    let mut out = String::from(
        "<h3>Paths, speed, bend and power, aligned at rod straight position</h3><p class=\"aside\">Each stroke thin, the mean \
         strong; from three strokes on, its 95&#8239;% interval as a band.</p>",
    );
    let draw = |groups: &[Group<'_>], label: &str, each: bool| drawings(groups, label, &ALL, each);
    let rows = &part.sorted.rows;
    if choice.by == CompareBy::Caster && (2..=overlay::SERIES).contains(&rows.len()) {
        let all: Vec<Group<'_>> = rows
            .iter()
            .enumerate()
            .filter_map(|(k, row)| group(row.label.clone(), k, row.cells.get(&0)?))
            .collect();
        out.push_str(&draw(&all, "All", false));
    }
    for row in rows {
        let groups: Vec<Group<'_>> = row
            .cells
            .iter()
            .filter_map(|(&side, cell)| group(part.sorted.sides[side].clone(), side, cell))
            .collect();
        out.push_str(&draw(&groups, &row.label, true));
    }
    out
}

fn group<'a>(name: String, series: usize, cell: &super::cells::Cell<'a>) -> Option<Group<'a>> {
    let strokes: Vec<Geometry<'a>> = cell.strokes.iter().map(|s| Geometry::of(s)).collect();
    (!strokes.is_empty()).then_some(Group { name, series, strokes })
}

/// One panel per figure.
fn forests(choice: &CompareChoice, part: &Part<'_>) -> String {
    let by_caster = choice.by == CompareBy::Caster;
    let mut out = format!(
        "<h3>{}</h3><p class=\"aside\">{} An open mark: fewer than {} strokes, nothing is said.</p><div class=\"multiples forests\">",
        if by_caster { "Means" } else { "Differences" },
        if by_caster {
            "Mean of each caster\u{2019}s strokes with its 95&#8239;% interval."
        } else {
            "Second minus first with its 95&#8239;% interval; the diamond is the mean over casters, paired."
        },
        choice.min_strokes
    );
    for &figure in &part.figures {
        let rows: Vec<ForestRow> = if by_caster {
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
            let of = part.differences.iter().filter(|d| d.figure == figure);
            of.filter_map(|d| {
                let estimate = d.estimate?;
                let several = part.sorted.sides.len() > 2;
                let label = if d.is_paired { "all, paired".to_owned() } else { d.of.clone() };
                Some(ForestRow {
                    label: if several { format!("{label}, {}", d.second) } else { label },
                    value: estimate.value,
                    half_width: Some(estimate.half_width),
                    is_whole: d.of == ALL_PAIRED,
                    is_faint: d.verdict == super::contrast::Verdict::TooFew,
                    is_second: false,
                })
            })
            .collect()
        };
        if !rows.is_empty() {
            let _ = write!(
                out,
                "<figure class=\"panel\">{}</figure>",
                forest::panel(figure, &rows, !by_caster).to_inline()
            );
        }
    }
    out.push_str("</div>");
    out
}

/// Mean, spread and trend of every cell.
fn consistency(part: &Part<'_>) -> String {
    let way = direction_word(part.direction);
    let mut rows = Vec::new();
    for m in &part.means {
        let plain = |v: f64, half: f64| full(kind(m.figure), as_measured(v, half));
        let spread = m.sample.spread.map(|s| rough(kind(m.figure), as_measured(s, 0.2 * s)));
        let trend = match m.trend {
            None => "too few".to_owned(),
            Some(t) if t.excludes_zero() => plain(t.value, t.half_width),
            Some(_) => "none seen".to_owned(),
        };
        let mean = match m.sample.half_width {
            Some(half) => plain(m.sample.mean, half),
            // One stroke has no interval of a mean.
            None => alone(kind(m.figure), m.sample.mean),
        };
        let cells = vec![
            Cell::new(name(m.figure)),
            Cell::new(escape(&part.sorted.rows[m.row].label)),
            Cell::new(escape(&part.sorted.sides[m.side])),
            Cell::keyed(m.sample.count.to_string(), m.sample.count as f64),
            Cell::keyed(mean, m.sample.mean),
            Cell::keyed(spread.unwrap_or_default(), m.sample.spread.unwrap_or(0.0)),
            Cell::new(trend),
        ];
        rows.push((String::new(), cells));
    }
    let table = Table {
        label: &format!("Mean, spread and trend, {way}"),
        caption: "Mean with its interval; how far strokes differ; change from one stroke to the next where it is beyond \
                  chance. A heading sorts.",
        class: "",
        sorts: true,
        columns: vec![
            Column::lead("figure"),
            Column::lead("caster"),
            Column::lead("side"),
            Column::number("strokes"),
            Column::number("mean"),
            Column::number("spread"),
            Column::number("trend per stroke"),
        ],
        rows,
    };
    format!(
        "<h3>How steady</h3><details class=\"facts\"><summary>Mean, spread and trend of every figure</summary>{}</details>",
        table.html()
    )
}

/// A list the reader orders by a figure of his choice.
fn ranking(choice: &CompareChoice, part: &Part<'_>) -> String {
    let id = format!("rank-{}", direction_word(part.direction));
    let mut out = format!(
        "<h3>In order of what you pick</h3><div class=\"ranking\" data-rank=\"{id}\"><p><label for=\"{id}\">Figure</label> \
         <select id=\"{id}\"><option value=\"\">choose one</option>"
    );
    for &figure in &part.figures {
        let picked = if choice.rank == Some(figure) { " selected" } else { "" };
        let _ = write!(
            out,
            "<option value=\"{}\"{picked}>{}</option>",
            figure.info().key,
            escape(figure.info().name)
        );
    }
    let _ = write!(
        out,
        "</select> <label><input type=\"checkbox\"> greatest first</label></p><ol aria-live=\"polite\"></ol>\
         <p class=\"aside\">Neighbours whose intervals overlap cannot be told apart.</p>\
         <script type=\"application/json\">{}</script></div>",
        ranking_data(part)
    );
    out
}

fn ranking_data(part: &Part<'_>) -> String {
    let rows: Vec<Value> = part
        .means
        .iter()
        .map(|m| {
            let side = &part.sorted.sides[m.side];
            let label = &part.sorted.rows[m.row].label;
            let who = if side.is_empty() { label.clone() } else { format!("{label}, {side}") };
            let shown = |half| move |system| show(kind(m.figure), as_measured(m.sample.mean, half), system);
            let text = |system| match m.sample.half_width {
                Some(half) => shown(half)(system).full(),
                None => shown(0.0)(system).short(),
            };
            json!({
                "figure": m.figure.info().key,
                "who": who,
                "value": m.sample.mean,
                "half": m.sample.half_width,
                "m": text(UnitSystem::Metric),
                "ft": text(UnitSystem::Imperial),
            })
        })
        .collect();
    Value::Array(rows).to_string().replace('<', "\\u003c")
}
