//! A season caster by caster: how each changes over its days, classes of casters, and what every session had in common for all.
//!
//! A caster's progress is the slope of session means over days, least squares, each session alike: how far sessions of one caster
//! scatter (set-up, wind, the day) is in its interval. What all casters change together may be the set-up's: the slope beside
//! everybody's is that of the same means less what each session has in common ([`super::season`]).

use std::collections::BTreeMap;

use super::contrast::{Mean, Part};
use super::page::SHOWN;
use super::season::Season;
use super::strips::{self, Point, Strip};
use crate::page::figures::{full, name, rough};
use crate::page::overlays::{Put, of_class};
use crate::page::story::with_half;
use crate::page::table::{Cell, Column, Table};
use crate::plot::Panel;
use crate::stats::{Estimate, describe, slope};
use crate::tables::direction_word;
use crate::text::{Html, escape};
use crate::units::kind;
use tipwright::model::FigureId;

/// Figures drawn at once; the others are folded.
const OPEN: [FigureId; 4] =
    [FigureId::DipDepth, FigureId::PeakSpeed, FigureId::LatePower, FigureId::LoopWidth];
/// Days that a slope is told per.
const MONTH_DAYS: f64 = 30.0;
/// Fewest sessions of a caster before a slope is spoken of (as fewest strokes of a difference).
const FEWEST_SESSIONS: usize = 4;
/// Fewest strokes, or casters, whose mean is drawn with an interval: of two, Student's factor is 12.7.
const FEWEST: usize = 3;
/// Changes listed.
const LISTED: usize = 40;

/// When the sides of a part were: days from the first, where every side has one and they differ; else their numbers.
struct Calendar {
    at: Vec<f64>,
    has_days: bool,
    ends: [String; 2],
}

impl Calendar {
    fn of(part: &Part<'_>) -> Self {
        let sides = &part.sorted.sides;
        let days: Option<Vec<jiff::civil::Date>> =
            sides.iter().map(|s| s.date.as_ref()?.parse().ok()).collect();
        let differ = |d: &Vec<jiff::civil::Date>| d.iter().any(|day| day != &d[0]);
        if let Some(days) = days.filter(|d| !d.is_empty() && differ(d)) {
            let first = days.iter().min().copied().unwrap_or_default();
            let last = days.iter().max().copied().unwrap_or_default();
            let at = days.iter().map(|d| d.duration_since(first).as_hours() as f64 / 24.0).collect();
            return Self { at, has_days: true, ends: [first, last].map(|d| d.to_string()) };
        }
        let at = (0..sides.len()).map(|k| k as f64).collect();
        Self { at, has_days: false, ends: ["first session".into(), "last".into()] }
    }

    fn per(&self) -> (f64, &'static str) {
        if self.has_days { (MONTH_DAYS, "in 30 days") } else { (1.0, "per session") }
    }
}

/// A caster's change over the season.
struct Progress {
    figure: FigureId,
    row: usize,
    sessions: usize,
    change: Estimate,
    beside_others: Option<Estimate>,
}

fn of_row<'a>(part: &'a Part<'_>, figure: FigureId, row: usize) -> impl Iterator<Item = &'a Mean> {
    part.means.iter().filter(move |m| m.figure == figure && m.row == row)
}

fn season_of<'a>(part: &'a Part<'_>, figure: FigureId) -> Option<&'a Season> {
    part.seasons.iter().find(|s| s.figure == figure)
}

fn progress(part: &Part<'_>, calendar: &Calendar) -> Vec<Progress> {
    let per = calendar.per().0;
    let scaled = |e: Estimate| Estimate { value: e.value * per, half_width: e.half_width * per };
    let mut out = Vec::new();
    for &figure in &part.figures {
        let season = season_of(part, figure);
        for row in 0..part.sorted.rows.len() {
            let points: Vec<[f64; 2]> =
                of_row(part, figure, row).map(|m| [calendar.at[m.side], m.sample.mean]).collect();
            if points.len() < FEWEST_SESSIONS {
                continue;
            }
            let Some(change) = slope(&points).map(scaled) else { continue };
            let net: Option<Vec<[f64; 2]>> = of_row(part, figure, row)
                .map(|m| {
                    let above = season?.sessions.iter().find(|s| s.side == m.side)?.above;
                    Some([calendar.at[m.side], m.sample.mean - above.value])
                })
                .collect();
            let beside_others = net.and_then(|net| slope(&net)).map(scaled);
            out.push(Progress { figure, row, sessions: points.len(), change, beside_others });
        }
    }
    out
}

/// Progress, classes, and the drawings of a season.
pub(super) fn html(part: &Part<'_>) -> Html {
    let calendar = Calendar::of(part);
    let (open, folded): (Vec<FigureId>, Vec<FigureId>) =
        part.figures.iter().copied().partition(|id| OPEN.contains(id));
    let drawn = |ids: &[FigureId], put, make: &dyn Fn(FigureId) -> Option<Panel>| {
        let panels: Vec<Panel> = ids.iter().filter_map(|&id| make(id)).collect();
        of_class(&panels, put, "forests").0
    };
    let casters = |id| casters(part, &calendar, id);
    let mut out = told(part, &calendar).0;
    out += "<p class=\"aside\">A strip a caster, a dot a session with the 95\u{202f}% interval of its mean (small: fewer than three strokes), \
            all to one scale; the last strip is what each session had in common for everybody: set-up, wind, the day.</p>";
    out += &drawn(&open, Put::Now, &casters);
    let fold = |title: &str, inside: String| match inside.is_empty() {
        true => String::new(),
        false => format!("<details class=\"fold\"><summary><h3>{title}</h3></summary>{inside}</details>"),
    };
    out += &fold("The other figures over the season", drawn(&folded, Put::Later, &casters));
    let classes = classes(part);
    if !classes.is_empty() {
        let strips = |id| of_classes(part, &calendar, &classes, id);
        let inside = class_table(part, &classes).0 + &drawn(&part.figures, Put::Later, &strips);
        out += &fold("Classes of casters", inside);
    }
    Html(out)
}

fn told(part: &Part<'_>, calendar: &Calendar) -> Html {
    let all = progress(part, calendar);
    let mut told: Vec<&Progress> = all.iter().filter(|p| p.change.excludes_zero()).collect();
    let clear = |p: &Progress| p.change.value.abs() / p.change.half_width.max(1e-12);
    told.sort_by(|a, b| clear(b).total_cmp(&clear(a)));
    if all.is_empty() {
        return Html::default();
    }
    let by_chance = 0.05 * all.len() as f64;
    let words = format!(
        "Progress {}: {} of {} that were asked (a figure of a caster of {FEWEST_SESSIONS} sessions and more) differ from none; {by_chance:.0} \
         would by chance alone.",
        calendar.per().1,
        told.len(),
        all.len()
    );
    if told.is_empty() {
        return Html(format!("<p class=\"said\">{words}</p>"));
    }
    let shown = |id: FigureId, e: Estimate| full(kind(id), with_half(e.value, e.half_width));
    let row = |p: &&Progress| {
        let beside = p.beside_others.map(|e| shown(p.figure, e)).unwrap_or_default();
        let cells = vec![
            Cell::new(name(p.figure)),
            Cell::new(escape(&part.sorted.rows[p.row].label)),
            Cell::new(shown(p.figure, p.change)),
            Cell::new(beside),
            Cell::new(p.sessions.to_string()),
        ];
        (String::new(), cells)
    };
    Table {
        label: &format!("Progress, {}", direction_word(part.direction)),
        caption: &format!("{words} Beside everybody: what sessions had in common for all is taken off, for it may be the set-up's."),
        class: "",
        sorts: false,
        columns: vec![
            Column::lead("figure"),
            Column::words("caster"),
            Column::number("change"),
            Column::number("beside everybody"),
            Column::number("sessions"),
        ],
        rows: told.iter().take(LISTED).map(row).collect(),
    }
    .html()
}

fn casters(part: &Part<'_>, calendar: &Calendar, id: FigureId) -> Option<Panel> {
    let point = |m: &Mean| Point {
        at: calendar.at[m.side],
        value: m.sample.mean,
        half_width: m.sample.half_width.filter(|_| m.sample.count >= FEWEST),
    };
    let mut all: Vec<Strip> = (0..part.sorted.rows.len().min(SHOWN))
        .map(|row| Strip {
            label: part.sorted.rows[row].label.clone(),
            points: of_row(part, id, row).map(point).collect(),
            is_above: false,
        })
        .filter(|s| s.points.len() > 1)
        .collect();
    all.extend(season_of(part, id).map(|season| {
        Strip {
            label: "the session".into(),
            points: season
                .sessions
                .iter()
                .map(|s| Point {
                    at: calendar.at[s.side],
                    value: s.above.value,
                    half_width: Some(s.above.half_width),
                })
                .collect(),
            is_above: true,
        }
    }));
    strips::panel(id, &all, &calendar.ends)
}

/// Casters by their class, where casters.csv gives one.
fn classes<'a>(part: &'a Part<'_>) -> BTreeMap<&'a str, Vec<usize>> {
    let mut out: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (k, row) in part.sorted.rows.iter().enumerate() {
        if let Some(class) = row.class.as_deref() {
            out.entry(class).or_default().push(k);
        }
    }
    out
}

/// Means of the casters of a class, session by session: every caster counts alike.
fn of_classes(
    part: &Part<'_>,
    calendar: &Calendar,
    classes: &BTreeMap<&str, Vec<usize>>,
    id: FigureId,
) -> Option<Panel> {
    let strip = |(class, rows): (&&str, &Vec<usize>)| {
        let mut by_side: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
        for m in part.means.iter().filter(|m| m.figure == id && rows.contains(&m.row)) {
            by_side.entry(m.side).or_default().push(m.sample.mean);
        }
        let points = by_side.iter().filter_map(|(&side, means)| {
            let sample = describe(means)?;
            let half_width = sample.half_width.filter(|_| sample.count >= FEWEST);
            Some(Point { at: calendar.at[side], value: sample.mean, half_width })
        });
        Strip { label: (*class).to_owned(), points: points.collect(), is_above: false }
    };
    strips::panel(id, &classes.iter().map(strip).collect::<Vec<_>>(), &calendar.ends)
}

fn class_table(part: &Part<'_>, classes: &BTreeMap<&str, Vec<usize>>) -> Html {
    let mut rows = Vec::new();
    for &figure in &part.figures {
        for (class, members) in classes {
            let mean = |&row: &usize| {
                let of: Vec<f64> = of_row(part, figure, row).map(|m| m.sample.mean).collect();
                describe(&of).map(|s| s.mean)
            };
            let Some(sample) = describe(&members.iter().filter_map(mean).collect::<Vec<_>>()) else {
                continue;
            };
            let half = sample.half_width.filter(|_| sample.count >= FEWEST);
            let mean = half.map_or_else(
                || rough(kind(figure), with_half(sample.mean, 0.1 * sample.mean.abs())),
                |half| full(kind(figure), with_half(sample.mean, half)),
            );
            let spread =
                sample.spread.map(|s| rough(kind(figure), with_half(s, 0.2 * s))).unwrap_or_default();
            let cells = vec![
                Cell::new(name(figure)),
                Cell::new(escape(class)),
                Cell::keyed(sample.count.to_string(), sample.count as f64),
                Cell::keyed(mean, sample.mean),
                sample.spread.map_or_else(|| Cell::new(""), |s| Cell::keyed(spread, s)),
            ];
            rows.push((String::new(), cells));
        }
    }
    Table {
        label: &format!("Classes of casters, {}", direction_word(part.direction)),
        caption: "Mean over the casters of a class, each caster's sessions alike, and how far its casters differ (standard deviation).",
        class: "",
        sorts: true,
        columns: vec![
            Column::lead("figure"),
            Column::words("class"),
            Column::number("casters"),
            Column::number("mean"),
            Column::number("spread"),
        ],
        rows,
    }
    .html()
}
