//! A drawing of the pages on paper: its elements in the look that [`crate::plot::style`] gives them, in millimetres.

use super::markup::{Piece, Tag, plain, shown};
use super::text::{Face, width_mm};
use super::{Ink, Item};
use crate::plot::style::standalone_rules;
use crate::units::UnitSystem;

/// Straight pieces of a bow.
const BOW: usize = 10;

type Point = [f64; 2];

/// What a rule is for: an element's name, if any, and classes that it must have.
struct Selector<'a> {
    tag: &'a str,
    classes: Vec<&'a str>,
}

/// A rule of the look.
struct Rule<'a> {
    selectors: Vec<Selector<'a>>,
    declarations: Vec<(&'a str, &'a str)>,
}

/// The look of drawings on light paper.
pub(super) struct Look<'a> {
    rules: Vec<Rule<'a>>,
}

impl<'a> Look<'a> {
    /// Reads rules as `plot::style` writes them: `.plot NAME.CLASS,...{property:value;...}`.
    pub(super) fn of(rules: &'a str) -> Self {
        let selector = |text: &'a str| {
            let own = text.trim().strip_prefix(".plot ")?;
            let mut parts = own.split('.');
            Some(Selector { tag: parts.next().unwrap_or_default(), classes: parts.collect() })
        };
        let rule = |text: &'a str| {
            let (heads, inside) = text.split_once('{')?;
            let selectors: Vec<Selector<'a>> = heads.split(',').filter_map(selector).collect();
            let declarations = inside.split(';').filter_map(|d| d.split_once(':')).collect();
            Some(Rule { selectors, declarations })
        };
        Self { rules: rules.split('}').filter_map(rule).collect() }
    }

    /// The value of a property for an element: of the rule that asks for most classes, then for its name, the last of equals.
    fn value(&self, tag: &str, classes: &[&str], property: &str) -> Option<&'a str> {
        let mut best: Option<((usize, usize), &'a str)> = None;
        for rule in &self.rules {
            let Some(value) = rule.declarations.iter().rev().find(|d| d.0 == property).map(|d| d.1) else {
                continue;
            };
            let fits = |s: &&Selector<'_>| {
                (s.tag.is_empty() || s.tag == tag) && s.classes.iter().all(|c| classes.contains(c))
            };
            let weight = |s: &Selector<'_>| (s.classes.len(), usize::from(!s.tag.is_empty()));
            let Some(own) = rule.selectors.iter().filter(fits).map(weight).max() else { continue };
            if best.is_none_or(|(weight, _)| own >= weight) {
                best = Some((own, value));
            }
        }
        best.map(|b| b.1)
    }
}

/// How an element is drawn.
struct Style<'a, 'b> {
    look: &'b Look<'a>,
    tag: &'b str,
    classes: Vec<&'b str>,
}

impl Style<'_, '_> {
    fn get(&self, property: &str) -> Option<&str> {
        self.look.value(self.tag, &self.classes, property)
    }

    fn number(&self, property: &str, default: f64) -> f64 {
        self.get(property).and_then(|v| v.trim_end_matches("px").parse().ok()).unwrap_or(default)
    }

    /// A colour, thinned toward the paper by what shines through.
    fn ink(&self, property: &str, thin: f64) -> Option<Ink> {
        let hex = self.get(property)?.strip_prefix('#')?;
        let part = |k: usize| u8::from_str_radix(hex.get(2 * k..2 * k + 2)?, 16).ok();
        let rgb = [part(0)?, part(1)?, part(2)?];
        Some(Ink::Rgb(rgb.map(|c| (255.0 - thin * (255.0 - f64::from(c))).round() as u8)))
    }
}

/// Where a drawing goes: its top left corner and how many millimetres its units are.
#[derive(Debug, Clone, Copy)]
struct Onto {
    corner: Point,
    mm: f64,
}

impl Onto {
    fn at(&self, [x, y]: Point) -> Point {
        [self.corner[0] + self.mm * x, self.corner[1] + self.mm * y]
    }
}

/// A drawing with its top left corner there and that wide; the items, and how high it is.
pub(super) fn drawing(svg: &str, corner: Point, width_mm: f64, system: UnitSystem) -> (Vec<Item>, f64) {
    let rules = standalone_rules();
    let look = Look::of(&rules);
    let mut items = Vec::new();
    let mut onto = Onto { corner, mm: 1.0 };
    let mut height_mm = 0.0;
    let mut text: Option<Tag<'_>> = None;
    for piece in shown(svg, system) {
        match piece {
            Piece::Open(tag) if tag.name() == "svg" => {
                let view = numbers(tag.attribute("viewBox").unwrap_or_default());
                if let [_, _, w, h] = view[..] {
                    onto.mm = width_mm / w;
                    height_mm = onto.mm * h;
                }
            }
            Piece::Open(tag) if tag.name() == "text" => text = Some(tag),
            Piece::Close("text") => text = None,
            Piece::Open(tag) => shape(&mut items, &look, tag, onto),
            Piece::Text(words) => {
                if let Some(tag) = text {
                    items.extend(label(&look, tag, words, onto));
                }
            }
            Piece::Close(_) => {}
        }
    }
    (items, height_mm)
}

fn numbers(text: &str) -> Vec<f64> {
    text.split([' ', ',']).filter_map(|n| n.parse().ok()).collect()
}

fn pairs(text: &str) -> Vec<Point> {
    numbers(text).chunks_exact(2).map(|p| [p[0], p[1]]).collect()
}

/// A text; one that stands among lines has the paper as its ground, as on screens.
fn label(look: &Look<'_>, tag: Tag<'_>, words: &str, onto: Onto) -> Vec<Item> {
    let style = Style { look, tag: "text", classes: tag.classes().collect() };
    let size = onto.mm * style.number("font-size", 12.0);
    let text = plain(words);
    let wide = width_mm(&text, Face::Serif, size);
    let [x, y] = onto.at([tag.number("x"), tag.number("y")]);
    let left = match tag.attribute("text-anchor") {
        Some("end") => x - wide,
        Some("middle") => x - wide / 2.0,
        _ => x,
    };
    let is_outside = tag.classes().any(|c| matches!(c, "tick" | "axisname" | "title"));
    let (over, under, side) = (0.74 * size, 0.22 * size, 0.1 * size);
    let ground = Item::Shape {
        points: vec![
            [left - side, y - over],
            [left + wide + side, y - over],
            [left + wide + side, y + under],
            [left - side, y + under],
        ],
        ink: Ink::Rgb([255; 3]),
    };
    let text = Item::Text { x: left, y, size, centred: false, face: Face::Serif, text };
    if is_outside { vec![text] } else { vec![ground, text] }
}

fn shape(items: &mut Vec<Item>, look: &Look<'_>, tag: Tag<'_>, onto: Onto) {
    let style = Style { look, tag: tag.name(), classes: tag.classes().collect() };
    let (ways, closed): (Vec<Vec<Point>>, bool) = match tag.name() {
        "line" => {
            let ends = [[tag.number("x1"), tag.number("y1")], [tag.number("x2"), tag.number("y2")]];
            (vec![ends.to_vec()], false)
        }
        "polyline" => (vec![pairs(tag.attribute("points").unwrap_or_default())], false),
        "polygon" => (vec![pairs(tag.attribute("points").unwrap_or_default())], true),
        "circle" => {
            let (x, y, r) = (tag.number("cx"), tag.number("cy"), tag.number("r"));
            let turn = |k: usize| k as f64 * std::f64::consts::TAU / 24.0;
            (vec![(0..24).map(|k| [x + r * turn(k).cos(), y + r * turn(k).sin()]).collect()], true)
        }
        "rect" => {
            let (x, y, w, h) = (tag.number("x"), tag.number("y"), tag.number("width"), tag.number("height"));
            (vec![vec![[x, y], [x + w, y], [x + w, y + h], [x, y + h]]], true)
        }
        "path" => (path(tag.attribute("d").unwrap_or_default()), false),
        _ => return,
    };
    let thin = style.number("opacity", 1.0);
    let dash = style.get("stroke-dasharray").and_then(|d| numbers(d).first().map(|d| d * onto.mm));
    for way in ways.iter().filter(|w| w.len() > 1) {
        let points: Vec<Point> = way.iter().map(|&p| onto.at(p)).collect();
        if let Some(ink) = style.ink("fill", thin * style.number("fill-opacity", 1.0)).filter(|_| closed) {
            items.push(Item::Shape { points: points.clone(), ink });
        }
        if let Some(ink) = style.ink("stroke", thin) {
            let width = onto.mm * style.number("stroke-width", 1.0);
            items.push(Item::Line { points, width, closed, dash, ink });
        }
    }
}

/// The lines of a path of moves, lines and bows, as the drawings have them.
fn path(d: &str) -> Vec<Vec<Point>> {
    let mut out: Vec<Vec<Point>> = Vec::new();
    let mut rest = d;
    while let Some(command) = rest.chars().next() {
        let inside = &rest[command.len_utf8()..];
        let end = inside.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(inside.len());
        let given = numbers(&inside[..end]);
        rest = &inside[end..];
        let points: Vec<Point> = given.chunks_exact(2).map(|p| [p[0], p[1]]).collect();
        if command == 'M' {
            out.push(points);
            continue;
        }
        let Some(way) = out.last_mut() else { continue };
        let Some(&from) = way.last() else { continue };
        match (command, &points[..]) {
            ('L', _) => way.extend(points),
            ('Q', &[bend, to]) => way.extend((1..=BOW).map(|k| {
                let t = k as f64 / BOW as f64;
                let along =
                    |i: usize| (1.0 - t).powi(2) * from[i] + 2.0 * t * (1.0 - t) * bend[i] + t * t * to[i];
                [along(0), along(1)]
            })),
            _ => {}
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_element_looks_as_the_strongest_rule_says() {
        let look = Look::of(
            ".plot line,.plot path{fill:none;stroke:#000000;stroke-width:1}.plot .grid{stroke:#cccccc}.plot .rod{stroke:#111111}.plot .rod.bent{stroke:#222222}.plot circle{stroke:#333333}",
        );
        assert_eq!(look.value("line", &["grid"], "stroke"), Some("#cccccc"));
        assert_eq!(look.value("path", &["rod", "bent"], "stroke"), Some("#222222"));
        assert_eq!(look.value("path", &["rod", "bent"], "stroke-width"), Some("1"));
        assert_eq!(look.value("circle", &["rod"], "stroke"), Some("#111111"));
        assert_eq!(look.value("text", &[], "stroke"), None);
    }

    /// A bow's middle is a quarter of its ends and half of its bend (de Casteljau).
    #[test]
    fn a_drawing_is_placed_in_millimetres() {
        let svg = "<svg class=\"plot\" viewBox=\"0 0 100 50\"><path class=\"rod\" d=\"M0 0Q50 100 100 0\"/><g class=\"u-ft\"><text x=\"1\" y=\"2\">ft</text></g>\
                   <text class=\"tick\" x=\"100\" y=\"50\" text-anchor=\"end\">m</text><text x=\"40\" y=\"20\">dip</text></svg>";
        let (items, height) = drawing(svg, [10.0, 20.0], 50.0, UnitSystem::Metric);
        assert!((height - 25.0).abs() < 1e-12 && items.len() == 4, "{items:?}");
        let Item::Line { points, .. } = &items[0] else { panic!("{items:?}") };
        let middle = points[BOW / 2];
        assert!((middle[0] - 35.0).abs() < 1e-9 && (middle[1] - 45.0).abs() < 1e-9, "{middle:?}");
        let Item::Text { x, y, text, .. } = &items[1] else { panic!("{items:?}") };
        assert!(text == "m" && *y == 45.0 && *x < 60.0 && *x > 50.0, "{items:?}");
        // a name among lines stands on paper that reaches round it
        let (Item::Shape { points, ink: Ink::Rgb([255, 255, 255]) }, Item::Text { x, y, .. }) =
            (&items[2], &items[3])
        else {
            panic!("{items:?}")
        };
        assert!(
            points[0][0] < *x && points[0][1] < *y - 3.0 && points[2][0] > *x + 5.0 && points[2][1] > *y,
            "{items:?}"
        );
    }
}
