//! Figures as HTML: value, interval and unit in both systems; names that lead to their definition.

use askama::Template;

use crate::text::{Html, escape};
use crate::units::{FOOT_M, Kind, Shown, UnitSystem, feet_inches, kind, show};
use tipwright::model::{FigureId, Figures, Measured};

/// Groups of figures in the order a caster is helped by: line first, then rod, then hand (Richards' order of
/// diagnosis starts with the line; here the tip's path stands for it where the line was not measured).
pub const GROUPS: &[(&str, &[FigureId])] = &[
    (
        "Line",
        &[
            FigureId::LoopWidth,
            FigureId::LoopWidthProxy,
            FigureId::LoopNarrowest,
            FigureId::LoopSymmetry,
            FigureId::LoopSpeed,
            FigureId::FlyLegSpeed,
            FigureId::LoopAngle,
            FigureId::FlyLegDip,
            FigureId::LoopCrossings,
        ],
    ),
    (
        "Path of the tip",
        &[
            FigureId::Chord,
            FigureId::ChordAngle,
            FigureId::Travel,
            FigureId::DipDepth,
            FigureId::DipAt,
            FigureId::DomeHeight,
            FigureId::SlpRms,
            FigureId::Straightness,
            FigureId::OffPlaneMax,
            FigureId::Opposite,
        ],
    ),
    (
        "The loop of this path, by a model of the line",
        &[FigureId::LoopWidthPredicted, FigureId::LoopCrossingsPredicted, FigureId::FlyLegDipPredicted],
    ),
    (
        "Speed and power",
        &[
            FigureId::PeakSpeed,
            FigureId::PeakLead,
            FigureId::LatePower,
            FigureId::Smoothness,
            FigureId::SignChanges,
            FigureId::Stop,
            FigureId::FastTime,
        ],
    ),
    (
        "Rod",
        &[
            FigureId::MaxBend,
            FigureId::BendLead,
            FigureId::Counterflex,
            FigureId::RingFrequency,
            FigureId::RingDamping,
        ],
    ),
    ("Hand", &[FigureId::Arc, FigureId::FastArc, FigureId::ButtSpeed, FigureId::Creep, FigureId::Drift]),
    ("Sound", &[FigureId::SlapTime, FigureId::SlapLevel]),
    ("Time", &[FigureId::TStart, FigureId::TRsp, FigureId::TStop, FigureId::Duration, FigureId::Pause]),
];

/// Both ways of writing something, one of them hidden by the page's switch.
#[must_use]
pub fn dual(metric: &str, imperial: &str) -> String {
    if metric == imperial {
        return metric.to_owned();
    }
    format!("<span class=\"u-m\">{metric}</span><span class=\"u-ft\">{imperial}</span>")
}

fn one(shown: &Shown) -> String {
    let unit = match shown.unit.as_str() {
        "" => String::new(),
        "\u{b0}" => "\u{b0}".to_owned(),
        unit => format!("\u{a0}<small>{}</small>", escape(unit)),
    };
    if shown.half_width.is_empty() {
        return format!("{}{unit}", escape(&shown.value));
    }
    format!(
        "{}<span class=\"pm\">\u{a0}\u{b1}\u{a0}{}</span>{unit}",
        escape(&shown.value),
        escape(&shown.half_width)
    )
}

/// A free text with its lengths and speeds in both systems: stages write in metres, the page's switch asks for feet.
/// A range, `0.75 to 2.25 m`, is one length.
#[must_use]
pub fn dual_units(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some(found) = first_length(rest) {
        out.push_str(&escape(&rest[..found.at]));
        let imperial: Vec<String> = found.values.iter().map(|v| found.unit.imperial(*v)).collect();
        let metric = escape(&rest[found.at..found.at + found.length]);
        out.push_str(&dual(&metric, &format!("{}{}", imperial.join(" to "), found.unit.imperial_unit())));
        rest = &rest[found.at + found.length..];
    }
    out.push_str(&escape(rest));
    out
}

/// A unit in a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum TextUnit {
    Speed,
    Millimetres,
    Metres,
}

impl TextUnit {
    /// As written; the longer ones first.
    const ALL: [(&'static str, Self); 3] =
        [(" m/s", Self::Speed), (" mm", Self::Millimetres), (" m", Self::Metres)];

    fn imperial(self, value: f64) -> String {
        match self {
            Self::Speed => format!("{:.1}", value / FOOT_M),
            Self::Millimetres if value < 25.4 => format!("{:.2}", value / 25.4),
            Self::Millimetres => format!("{:.1}", value / 25.4),
            Self::Metres => feet_inches(value, 1),
        }
    }

    fn imperial_unit(self) -> &'static str {
        match self {
            Self::Speed => "\u{a0}ft/s",
            Self::Millimetres => "\u{a0}in",
            Self::Metres => "",
        }
    }
}

struct TextLength {
    at: usize,
    length: usize,
    values: Vec<f64>,
    unit: TextUnit,
}

fn first_length(text: &str) -> Option<TextLength> {
    let number = |at: usize| {
        let len = text[at..].find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(text.len() - at);
        text[at..at + len].parse::<f64>().ok().map(|value| (value, at + len))
    };
    let mut from = 0;
    while let Some(at) = text[from..].find(|c: char| c.is_ascii_digit()).map(|k| from + k) {
        let is_inside = text[..at].ends_with(|c: char| c.is_alphanumeric() || c == '.' || c == '_');
        let Some((first, mut end)) = number(at).filter(|_| !is_inside) else {
            from = at + 1;
            continue;
        };
        let mut values = vec![first];
        if let Some((second, after)) = text[end..].strip_prefix(" to ").and_then(|_| number(end + 4)) {
            values.push(second);
            end = after;
        }
        let unit = TextUnit::ALL.iter().find(|(written, _)| {
            text[end..].strip_prefix(written).is_some_and(|next| {
                !next.starts_with(|c: char| c.is_alphanumeric() || matches!(c, '/' | '_' | '\u{b2}'))
            })
        });
        if let Some((written, unit)) = unit {
            return Some(TextLength { at, length: end + written.len() - at, values, unit: *unit });
        }
        from = end.max(at + 1);
    }
    None
}

/// Value ± half of the 95 % interval, unit.
#[must_use]
pub fn full(what: Kind, measured: Measured) -> String {
    let write = |system| one(&show(what, measured, system));
    dual(&write(UnitSystem::Metric), &write(UnitSystem::Imperial))
}

/// A value in the decimals its error allows, without the interval.
#[must_use]
pub fn rough(what: Kind, measured: Measured) -> String {
    let write = |system| escape(&show(what, measured, system).short());
    dual(&write(UnitSystem::Metric), &write(UnitSystem::Imperial))
}

/// A text that says nothing but zero as the least that it could say: `under 0.1 ms` and not `0.0 ms`.
fn or_under(shown: &Shown, text: String) -> String {
    if shown.value.contains(|c: char| ('1'..='9').contains(&c)) {
        return text;
    }
    let Some(last) = shown.value.rfind('0') else { return text };
    let least = format!("{}1{}", &shown.value[..last], &shown.value[last + 1..]);
    format!("under {}", escape(&Shown { value: least, ..shown.clone() }.short()))
}

/// A change with its interval; one too small for the decimals shown as less than their least.
#[must_use]
pub fn change(what: Kind, measured: Measured) -> String {
    let write = |system| {
        let shown = show(what, measured, system);
        or_under(&shown, one(&shown))
    };
    dual(&write(UnitSystem::Metric), &write(UnitSystem::Imperial))
}

/// How far values spread, to two digits; less than the least decimal is said so.
#[must_use]
pub fn spread(what: Kind, value: f64) -> String {
    let write = |system| {
        let shown = show(what, Measured::new(value, 0.1 * value), system);
        or_under(&shown, escape(&shown.short()))
    };
    dual(&write(UnitSystem::Metric), &write(UnitSystem::Imperial))
}

/// A value whose error nobody knows.
#[must_use]
pub fn alone(what: Kind, value: f64) -> String {
    rough(what, Measured::new(value, 0.0))
}

/// A figure of a stroke.
#[must_use]
pub fn figure(id: FigureId, measured: Measured) -> String {
    full(kind(id), measured)
}

/// A figure of a stroke in a table: value with its unit, then the interval, which stands below where there is little room.
#[must_use]
pub fn stacked(id: FigureId, measured: Measured) -> String {
    let write = |system| {
        let shown = show(kind(id), measured, system);
        let half = match shown.half_width.as_str() {
            "" => String::new(),
            half => format!(" <span class=\"pm\">\u{b1}\u{a0}{}</span>", escape(half)),
        };
        format!("{}{half}", one(&Shown { half_width: String::new(), ..shown }))
    };
    dual(&write(UnitSystem::Metric), &write(UnitSystem::Imperial))
}

/// A name that leads to its definition; the script shows it on hover and focus.
#[must_use]
pub fn name(id: FigureId) -> String {
    let info = id.info();
    format!("<a class=\"def\" href=\"#def-{}\">{}</a>", info.key, escape(info.name))
}

struct Row {
    name: Html,
    figure: Html,
}

impl Row {
    fn of(figures: &Figures, id: FigureId) -> Option<Self> {
        Some(Self { name: Html(name(id)), figure: Html(figure(id, figures.get(id)?)) })
    }
}

#[derive(Template)]
#[template(path = "figures.html")]
struct Group {
    title: &'static str,
    rows: Vec<Row>,
}

/// The figures that stand open.
#[must_use]
pub fn named(figures: &Figures, open: &[FigureId]) -> Html {
    let rows: Vec<Row> = open.iter().filter_map(|&id| Row::of(figures, id)).collect();
    if rows.is_empty() { Html::default() } else { Html::of(&Group { title: "", rows }) }
}

/// All other figures of a stroke in groups.
#[must_use]
pub fn groups(figures: &Figures, open: &[FigureId]) -> Html {
    let group = |(title, ids): &(&'static str, &[FigureId])| {
        let rest = ids.iter().filter(|id| !open.contains(id));
        let rows: Vec<Row> = rest.filter_map(|&id| Row::of(figures, id)).collect();
        if rows.is_empty() { String::new() } else { Html::of(&Group { title, rows }).0 }
    };
    Html(GROUPS.iter().map(group).collect())
}

/// What could not be had, by reason.
#[must_use]
pub fn missing(figures: &Figures) -> Html {
    let mut reasons: Vec<(&str, Vec<&str>)> = Vec::new();
    for (id, why) in &figures.missing {
        match reasons.iter_mut().find(|(reason, _)| reason == why) {
            Some((_, names)) => names.push(id.info().name),
            None => reasons.push((why, vec![id.info().name])),
        }
    }
    let parts: Vec<String> = reasons
        .iter()
        .map(|(why, names)| format!("{}: {}", dual_units(&capital(why)), escape(&names.join(", "))))
        .collect();
    Html(parts.join(". "))
}

pub use crate::text::capital;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_and_speeds_in_a_text_follow_the_switch() {
        let text = dual_units("slow: 4.0 m/s where others have 8.3 m/s & more");
        assert!(text.contains("<span class=\"u-ft\">13.1\u{a0}ft/s</span> where others have "), "{text}");
        assert!(
            text.ends_with("</span> &amp; more") && text.starts_with("slow: <span class=\"u-m\">4.0 m/s<"),
            "{text}"
        );
        let text = dual_units("its front is 0.75 to 2.25 m ahead, 4 mm off; take 01-m at 3 minutes, 5 m/s2.");
        assert!(text.contains("<span class=\"u-m\">0.75 to 2.25 m</span>"), "{text}");
        assert!(
            text.contains(
                "<span class=\"u-ft\">2\u{2032}\u{a0}5.5\u{2033} to 7\u{2032}\u{a0}4.6\u{2033}</span>"
            ),
            "{text}"
        );
        assert!(
            text.contains("<span class=\"u-ft\">0.16\u{a0}in</span> off; take 01-m at 3 minutes, 5 m/s2."),
            "{text}"
        );
        for plain in ["no m/s here", "frame 12 of 40", "1.2.3 m", "x4 m"] {
            assert_eq!(dual_units(plain), plain);
        }
    }

    #[test]
    fn every_figure_stands_in_one_group() {
        for id in FigureId::ALL {
            let count = GROUPS.iter().filter(|(_, ids)| ids.contains(id)).count();
            assert_eq!(count, 1, "{}", id.info().key);
        }
    }
}
