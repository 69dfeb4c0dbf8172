//! Cells of a comparison as a table, and as what a reader may put in order.

use serde_json::{Value, json};

use super::contrast::Part;
use super::page::SHOWN;
use super::season_page::first_drawn;
use crate::page::figures::{alone, change, full, name, spread};
use crate::page::story::with_half;
use crate::page::table::{Cell, Column, Table};
use crate::tables::direction_word;
use crate::text::{Html, escape};
use crate::units::{UnitSystem, kind, show};

/// Mean, spread and trend of every cell.
pub(super) fn consistency(part: &Part<'_>) -> Html {
    let way = direction_word(part.direction);
    let mut rows = Vec::new();
    for m in part.means.iter().filter(|m| m.row < SHOWN && m.side >= first_drawn(part)) {
        let plain = |v: f64, half: f64| full(kind(m.figure), with_half(v, half));
        let spread_text = m.sample.spread.map(|s| spread(kind(m.figure), s));
        let trend = match m.trend {
            None => "too few".to_owned(),
            Some(t) if t.excludes_zero() => change(kind(m.figure), with_half(t.value, t.half_width)),
            Some(_) => "none seen".to_owned(),
        };
        let mean = match m.sample.half_width {
            Some(half) if m.sample.count > 2 => plain(m.sample.mean, half),
            // One or two strokes have no interval of a mean that says anything.
            _ => alone(kind(m.figure), m.sample.mean),
        };
        let cells = vec![
            Cell::new(name(m.figure)),
            Cell::new(escape(&part.sorted.rows[m.row].label)),
            Cell::new(escape(&part.sorted.sides[m.side].name)),
            Cell::keyed(m.sample.count.to_string(), m.sample.count as f64),
            Cell::keyed(mean, m.sample.mean),
            Cell::keyed(spread_text.unwrap_or_default(), m.sample.spread.unwrap_or(0.0)),
            Cell::new(trend),
        ];
        rows.push((String::new(), cells));
    }
    if rows.is_empty() {
        return Html::default();
    }
    Table {
        label: &format!("Mean, spread and trend, {way}"),
        caption: "Mean with its interval (of one or two strokes without); how far strokes differ; change from one stroke to the \
                  next where it is beyond chance. A heading sorts.",
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
    }
    .html()
}

/// What a reader may order casters by.
pub(super) fn ranking_data(part: &Part<'_>) -> String {
    let rows: Vec<Value> = part
        .means
        .iter()
        .filter(|m| m.side >= first_drawn(part))
        .map(|m| {
            let side = &part.sorted.sides[m.side].name;
            let label = &part.sorted.rows[m.row].label;
            let who = if side.is_empty() { label.clone() } else { format!("{label}, {side}") };
            let shown = |half| move |system| show(kind(m.figure), with_half(m.sample.mean, half), system);
            let text = |system| match m.sample.half_width {
                Some(half) if m.sample.count > 2 => shown(half)(system).full(),
                _ => shown(0.0)(system).short(),
            };
            json!({
                "figure": m.figure.info().key,
                "who": crate::text::visible(&who),
                // to a millionth: for ordering
                "value": (1e6 * m.sample.mean).round() / 1e6,
                "m": text(UnitSystem::Metric),
                "ft": text(UnitSystem::Imperial),
            })
        })
        .collect();
    Value::Array(rows).to_string().replace('<', "\\u003c")
}
