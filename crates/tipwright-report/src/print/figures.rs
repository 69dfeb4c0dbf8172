//! The small drawings of the field sheet, in lines: each in a field of [`FIELD_MM`] with its origin at the top left.

use std::f64::consts::TAU;

use tipwright::cards::Card;

use super::text::{Face, width_mm};
use super::{Ink, Item};

/// Width and height of a drawing.
pub(super) const FIELD_MM: [f64; 2] = [62.0, 30.0];
/// Widths of lines and size of letters.
const THIN: f64 = 0.25;
const STRONG: f64 = 0.6;
const LETTER_MM: f64 = 2.7;
/// The ground that people and tripods stand on.
const GROUND: f64 = 27.0;

type Point = [f64; 2];

/// A drawing being made.
#[derive(Default)]
pub(super) struct Drawing {
    items: Vec<Item>,
}

impl Drawing {
    /// Its parts, moved to a place on the page.
    pub(super) fn at(self, [x0, y0]: Point) -> Vec<Item> {
        let moved = |points: Vec<Point>| points.into_iter().map(|[x, y]| [x + x0, y + y0]).collect();
        let place = |item| match item {
            Item::Fill { x, y, width, height } => Item::Fill { x: x + x0, y: y + y0, width, height },
            Item::Text { x, y, size, centred, face, text } => {
                Item::Text { x: x + x0, y: y + y0, size, centred, face, text }
            }
            Item::Line { points, width, closed, dash, ink } => {
                Item::Line { points: moved(points), width, closed, dash, ink }
            }
            Item::Shape { points, ink } => Item::Shape { points: moved(points), ink },
        };
        self.items.into_iter().map(place).collect()
    }

    fn way(&mut self, points: &[Point], width: f64) {
        self.items.push(Item::Line {
            points: points.to_vec(),
            width,
            closed: false,
            dash: None,
            ink: Ink::Black,
        });
    }

    fn dashed(&mut self, points: &[Point], dash: f64) {
        let (points, dash) = (points.to_vec(), Some(dash));
        self.items.push(Item::Line { points, width: THIN, closed: false, dash, ink: Ink::Grey });
    }

    fn outline(&mut self, points: &[Point], width: f64) {
        self.items.push(Item::Shape { points: points.to_vec(), ink: Ink::White });
        self.items.push(Item::Line {
            points: points.to_vec(),
            width,
            closed: true,
            dash: None,
            ink: Ink::Black,
        });
    }

    fn fill(&mut self, points: &[Point], ink: Ink) {
        self.items.push(Item::Shape { points: points.to_vec(), ink });
    }

    fn ball(&mut self, at: Point, radius: f64) {
        self.outline(&arc(at, radius, 0.0, TAU), 0.4);
    }

    /// A word, its middle at x.
    fn word(&mut self, [x, y]: Point, text: &str) {
        // white under it: it may stand on a line
        let half = width_mm(text, Face::Serif, LETTER_MM) / 2.0 + 0.4;
        let (top, low) = (y - 0.75 * LETTER_MM, y + 0.25 * LETTER_MM);
        self.fill(&[[x - half, top], [x + half, top], [x + half, low], [x - half, low]], Ink::White);
        let text = text.to_string();
        self.items.push(Item::Text { x, y, size: LETTER_MM, centred: true, face: Face::Serif, text });
    }

    fn head_of_arrow(&mut self, from: Point, to: Point) {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let length = dx.hypot(dy).max(1e-9);
        let (ux, uy) = (dx / length, dy / length);
        let side = |s: f64| [to[0] - 2.4 * ux - s * uy, to[1] - 2.4 * uy + s * ux];
        self.fill(&[to, side(0.75), side(-0.75)], Ink::Black);
    }

    fn arrow(&mut self, from: Point, to: Point) {
        self.way(&[from, to], 0.4);
        self.head_of_arrow(from, to);
    }

    fn ground(&mut self, from: f64, to: f64) {
        self.way(&[[from, GROUND], [to, GROUND]], THIN);
    }

    /// Someone standing at x with both hands where they are.
    fn person(&mut self, x: f64, hands: [Point; 2]) {
        let (neck, hip) = (GROUND - 13.4, GROUND - 7.6);
        self.way(&[[x - 2.0, GROUND], [x, hip], [x + 2.0, GROUND]], STRONG);
        self.way(&[[x, hip], [x, neck]], STRONG);
        for hand in hands {
            self.way(&[[x, neck + 1.0], hand], STRONG);
        }
        self.outline(&arc([x, neck - 2.1], 1.9, 0.0, TAU), STRONG);
        // the peak of a cap
        self.way(&[[x - 1.8, neck - 2.6], [x + 3.2, neck - 2.6]], STRONG);
    }

    /// A tripod at x whose phone is at a height, turned.
    fn tripod(&mut self, x: f64, height: f64, lean: f64) {
        let top = [x + lean, GROUND - height];
        for foot in [-3.4, 0.6, 3.6] {
            self.way(&[top, [x + foot, GROUND]], 0.45);
        }
        let [u, v] = top;
        self.outline(&[[u - 2.6, v - 3.2], [u + 2.6, v - 3.2], [u + 2.6, v], [u - 2.6, v]], STRONG);
    }

    fn card(&mut self, middle: Point, side: f64) {
        let [x, y] = middle;
        let (half, paper) = (side / 2.0, side * 0.62);
        self.outline(
            &[
                [x - paper, y - paper],
                [x + paper, y - paper],
                [x + paper, y + 1.05 * side],
                [x - paper, y + 1.05 * side],
            ],
            0.3,
        );
        self.fill(
            &[[x - half, y - half], [x + half, y - half], [x + half, y + half], [x - half, y + half]],
            Ink::Black,
        );
        let cell = side / 8.0;
        for (row, cells) in Card::Wand.cells().iter().enumerate() {
            for (col, _) in cells.iter().enumerate().filter(|(_, black)| !**black) {
                let (left, top) = (x - half + (col + 1) as f64 * cell, y - half + (row + 1) as f64 * cell);
                self.fill(
                    &[[left, top], [left + cell, top], [left + cell, top + cell], [left, top + cell]],
                    Ink::White,
                );
            }
        }
    }
}

/// Points of a circle's arc, angles from the right toward down.
fn arc([x, y]: Point, radius: f64, from: f64, to: f64) -> Vec<Point> {
    let angle = |k: i32| from + (to - from) * f64::from(k) / 32.0;
    (0..=32).map(|k| [x + radius * angle(k).cos(), y + radius * angle(k).sin()]).collect()
}

/// Where tripods stand, from above.
pub(super) fn plan() -> Drawing {
    let mut d = Drawing::default();
    let caster = [31.0, 6.0];
    d.way(&[[6.0, 6.0], [56.0, 6.0]], THIN);
    d.head_of_arrow([50.0, 6.0], [57.0, 6.0]);
    let phones = [[12.5, 26.0], [49.5, 26.0]];
    for phone in phones {
        d.dashed(&[phone, caster], 1.2);
    }
    let angle = |p: Point| (p[1] - caster[1]).atan2(p[0] - caster[0]);
    d.way(&arc(caster, 7.0, angle(phones[1]), angle(phones[0])), THIN);
    d.word([31.0, 17.4], "60 to 100\u{b0}");
    d.word([16.6, 17.0], "7 to 8 m");
    d.word([45.4, 17.0], "7 to 8 m");
    for phone in phones {
        let (s, c) = (angle(phone) + TAU / 4.0).sin_cos();
        let corner = |u: f64, v: f64| [phone[0] + u * c - v * s, phone[1] + u * s + v * c];
        d.outline(&[corner(-3.0, -0.8), corner(3.0, -0.8), corner(3.0, 0.8), corner(-3.0, 0.8)], STRONG);
    }
    d.fill(&arc(caster, 1.5, 0.0, TAU), Ink::Black);
    d.word([31.0, 3.3], "caster");
    d.word([51.0, 4.6], "cast");
    // the sun behind the phones
    let sun = [31.0, 26.0];
    d.ball(sun, 1.5);
    for k in 0..8 {
        let (s, c) = (TAU * f64::from(k) / 8.0).sin_cos();
        d.way(&[[sun[0] + 2.1 * c, sun[1] + 2.1 * s], [sun[0] + 3.2 * c, sun[1] + 3.2 * s]], THIN);
    }
    d
}

/// Where the one tripod stands, and the two places of the hung wand, from above.
pub(super) fn plan_of_one() -> Drawing {
    let mut d = Drawing::default();
    let phone = [31.0, 27.0];
    let places = [[18.0, 6.0], [42.0, 6.0]];
    d.way(&[[6.0, 6.0], [56.0, 6.0]], THIN);
    d.head_of_arrow([50.0, 6.0], [57.0, 6.0]);
    d.dashed(&[phone, [31.0, 6.0]], 1.2);
    d.way(&[[31.0, 9.0], [34.0, 9.0], [34.0, 6.0]], THIN);
    d.outline(&[[28.0, 26.2], [34.0, 26.2], [34.0, 27.8], [28.0, 27.8]], STRONG);
    d.word([31.0, 17.4], "7 to 9 m");
    for (place, word) in places.iter().zip(["caster", "ahead"]) {
        d.fill(&arc(*place, 1.5, 0.0, TAU), Ink::Black);
        d.word([place[0], 3.3], word);
    }
    d.word([53.0, 4.6], "cast");
    d
}

/// The wand hung still at two places along the cast.
pub(super) fn hung_twice() -> Drawing {
    let mut d = Drawing::default();
    d.ground(3.0, 59.0);
    for x in [14.0, 48.0] {
        d.way(&[[x, 2.0], [x, 4.0]], THIN);
        d.way(&[[x, 5.0], [x, 19.0]], 0.5);
        d.ball([x, 5.0], 1.1);
        d.ball([x, 19.0], 1.1);
    }
    d.arrow([18.0, 12.0], [44.0, 12.0]);
    d.word([31.0, 9.6], "2 to 4 m along the cast");
    d.word([14.0, GROUND - 2.0], "where a shoulder is");
    d.word([48.0, GROUND - 2.0], "ahead");
    d
}

/// Two phones, one higher.
pub(super) fn phones() -> Drawing {
    let mut d = Drawing::default();
    d.ground(3.0, 59.0);
    d.tripod(14.0, 11.0, 0.0);
    d.tripod(47.0, 18.0, 0.0);
    let (low, high) = (GROUND - 12.6, GROUND - 19.6);
    d.dashed(&[[17.5, low], [34.0, low]], 0.8);
    d.dashed(&[[43.5, high], [28.0, high]], 0.8);
    d.way(&[[31.0, low], [31.0, high]], 0.4);
    d.head_of_arrow([31.0, high], [31.0, low]);
    d.head_of_arrow([31.0, low], [31.0, high]);
    d.word([31.0, high - 1.6], "0.5 to 1 m higher");
    d.word([14.0, GROUND + 3.0], "west");
    d.word([47.0, GROUND + 3.0], "east");
    d
}

/// One phone, level.
pub(super) fn phone() -> Drawing {
    let mut d = Drawing::default();
    d.ground(3.0, 59.0);
    d.tripod(22.0, 15.0, 0.0);
    let eye = GROUND - 16.6;
    d.dashed(&[[26.0, eye], [56.0, eye]], 0.8);
    d.word([42.0, eye - 1.6], "level");
    d
}

/// The wand waved.
pub(super) fn wand() -> Drawing {
    let mut d = Drawing::default();
    d.ground(3.0, 59.0);
    let wave = |k: i32| {
        let u = f64::from(k) / 80.0;
        [18.0 + 38.0 * u, 10.5 - 7.5 * (1.0 - 0.25 * u) * (TAU * 2.5 * u).cos()]
    };
    let way: Vec<Point> = (0..=80).map(wave).collect();
    d.dashed(&way, 1.0);
    d.head_of_arrow(way[78], way[80]);
    let (hand, far) = ([15.0, GROUND - 18.0], [19.5, 1.8]);
    d.person(11.0, [hand, [14.2, GROUND - 16.4]]);
    d.way(&[hand, far], 0.5);
    d.ball(far, 1.1);
    d.ball([15.0, GROUND - 18.0], 1.1);
    d.word([39.0, GROUND - 4.2], "high, low, near, far: all over");
    d.word([39.0, GROUND - 1.0], "where tips will come");
    d
}

/// The wand hung still.
pub(super) fn plumb() -> Drawing {
    let mut d = Drawing::default();
    d.ground(3.0, 59.0);
    d.way(&[[14.0, GROUND], [14.0, 2.0], [31.0, 2.0]], STRONG);
    d.way(&[[10.0, GROUND], [14.0, GROUND - 5.0], [18.0, GROUND]], 0.45);
    d.way(&[[30.0, 2.0], [30.0, 4.0]], THIN);
    d.way(&[[30.0, 5.0], [30.0, 21.0]], 0.5);
    d.ball([30.0, 5.0], 1.1);
    d.ball([30.0, 21.0], 1.1);
    d.word([45.0, 11.4], "hangs from one end,");
    d.word([45.0, 14.8], "out of the wind");
    d
}

/// Card, clap, cast.
pub(super) fn take() -> Drawing {
    let mut d = Drawing::default();
    d.ground(2.0, 60.0);
    held_up(&mut d, 9.0);
    d.arrow([16.0, 17.0], [20.5, 17.0]);
    d.person(27.0, [[30.6, GROUND - 13.0], [30.4, GROUND - 12.2]]);
    for (from, to) in
        [([31.8, 12.6], [33.6, 11.2]), ([32.2, 14.0], [34.4, 14.0]), ([31.8, 15.4], [33.6, 16.8])]
    {
        d.way(&[from, to], THIN);
    }
    d.arrow([36.5, 17.0], [41.0, 17.0]);
    caster(&mut d, 47.0);
    d.word([27.0, GROUND + 3.0], "clap once");
    d
}

/// Card, cast: one phone has no other one's clock to find.
pub(super) fn take_of_one() -> Drawing {
    let mut d = Drawing::default();
    d.ground(2.0, 60.0);
    held_up(&mut d, 16.0);
    d.arrow([25.0, 17.0], [33.0, 17.0]);
    caster(&mut d, 43.0);
    d
}

fn held_up(d: &mut Drawing, x: f64) {
    d.person(x, [[x - 2.4, 7.6], [x + 2.4, 7.6]]);
    d.card([x, 3.5], 4.6);
    d.word([x, GROUND + 3.0], "card, 3 s");
}

fn caster(d: &mut Drawing, x: f64) {
    let hand = [x + 2.8, GROUND - 15.4];
    d.person(x, [hand, [x - 2.4, GROUND - 10.0]]);
    let rod: Vec<Point> = (0..=20)
        .map(|k| {
            let u = f64::from(k) / 20.0;
            [hand[0] + 6.4 * u - 6.0 * u * u * u, hand[1] - 10.6 * u]
        })
        .collect();
    d.way(&rod, 0.45);
    d.fill(&arc(rod[20], 0.9, 0.0, TAU), Ink::Black);
    d.word([x + 2.0, GROUND + 3.0], "cast");
}

/// A tripod that was touched.
pub(super) fn touched() -> Drawing {
    let mut d = Drawing::default();
    d.ground(3.0, 59.0);
    for foot in [-3.4, 0.6, 3.6] {
        d.dashed(&[[12.0, GROUND - 14.0], [12.0 + foot, GROUND]], 0.8);
    }
    d.tripod(13.0, 13.6, 3.4);
    d.arrow([23.0, 17.0], [29.0, 17.0]);
    d.way(&[[36.0, 6.0], [44.0, 13.0]], 0.5);
    d.ball([36.0, 6.0], 1.1);
    d.ball([44.0, 13.0], 1.1);
    d.dashed(&arc([40.0, 12.0], 8.6, -2.6, -0.4), 0.9);
    d.way(&[[53.0, 3.0], [53.0, 5.0]], THIN);
    d.way(&[[53.0, 6.0], [53.0, 19.0]], 0.5);
    d.ball([53.0, 6.0], 1.1);
    d.ball([53.0, 19.0], 1.1);
    d.word([40.0, GROUND - 2.0], "wand");
    d.word([53.0, GROUND - 2.0], "plumb");
    d
}
