//! The helper's field sheet: one page of what to film, in which order, and what to keep in mind.

use super::figures::{self, Drawing, FIELD_MM};
use super::text::{Face, width_mm, wrapped};
use super::{BLANK_MM, CAUTIONS, Ink, Item, Paper, Sheet};

/// Where the margin's line runs: names to its left, what to do to its right.
const MARGIN_MM: f64 = 36.0;
const NAME_MM: f64 = 4.8;
const TEXT_MM: f64 = 3.9;
const TITLE_MM: f64 = 7.0;

/// One thing to do.
struct Step {
    name: &'static str,
    when: &'static str,
    what: &'static str,
    drawing: fn() -> Drawing,
}

const STEPS: [Step; 6] = [
    Step {
        name: "tripods",
        when: "before all",
        what: "Two phones on tripods, sun behind them, so that both see the whole rod from butt to tip and a rod's length around it. \
               Weigh them down, lay cords aside, mark where the feet stand. Nobody touches them from now on.",
        drawing: figures::plan,
    },
    Step {
        name: "phones",
        when: "before all",
        what: "One a little higher than the other. Held lengthwise, 1080p, 120 or 240 pictures a second, shortest exposure that is bright \
               enough, focus and exposure locked, stabilisation and lens switching off, sound on. Same zoom all day.",
        drawing: figures::phones,
    },
    Step {
        name: "wand",
        when: "before the first cast",
        what: "Start both phones. Hold up the card \u{ab}wand\u{bb}, clap once. Wave the wand for 15 seconds through all the air where \
               rod tips will be, both balls in both pictures. Stop both phones.",
        drawing: figures::wand,
    },
    Step {
        name: "plumb",
        when: "right after it",
        what: "Start both phones, card \u{ab}plumb\u{bb}, clap. Hang the wand from one end where casters will stand, and let it come to \
               rest: four seconds quite still. It says which way is up.",
        drawing: figures::plumb,
    },
    Step {
        name: "each take",
        when: "as often as you like",
        what: "Start both phones. Hold up the caster's card, facing between the phones, for three seconds; clap once where both \
               hear it; step out of the picture. Six to ten strokes. Stop both phones. A take that went wrong: card \u{ab}end\u{bb}.",
        drawing: figures::take,
    },
    Step {
        name: "touched?",
        when: "whenever a phone or tripod was moved",
        what: "Film wand and plumb again before the next take, and go on. At the end of the day copy each phone's clips as they are, \
               originals and not exports, into a folder of its own: tipwright gather does the rest.",
        drawing: figures::touched,
    },
];

/// With one phone alone.
const STEPS_OF_ONE: [Step; 5] = [
    Step {
        name: "tripod",
        when: "before all",
        what: "The phone on a tripod beside the cast, level and square to it, 7 to 9 m away, sun behind it, so that it sees the whole rod \
               from butt to tip and a rod's length around it. Weigh it down, lay cords aside. Nobody touches it from now on.",
        drawing: figures::plan_of_one,
    },
    Step {
        name: "phone",
        when: "before all",
        what: "Held lengthwise, 1080p, 120 or 240 pictures a second, shortest exposure that is bright enough, focus and exposure locked, \
               stabilisation and lens switching off, sound on. Same zoom all day.",
        drawing: figures::phone,
    },
    Step {
        name: "wand",
        when: "before the first cast",
        what: "One clip: card \u{ab}plumb\u{bb}; the wand hung from one end where casters' shoulders will be, five seconds quite still; \
               carried; hung still for five seconds two to four metres ahead along the cast. Both balls in the picture at both places.",
        drawing: figures::hung_twice,
    },
    Step {
        name: "each take",
        when: "as often as you like",
        what: "The caster stands at the first place and casts toward the second: that way is what is measured. Start the phone, the \
               caster's card for three seconds, step out of the picture. Six to ten strokes. A take that went wrong: card \u{ab}end\u{bb}.",
        drawing: figures::take_of_one,
    },
    Step {
        name: "touched?",
        when: "whenever the phone or tripod was moved",
        what: "Hang the wand at both places again before the next take, and go on. At the end of the day copy the phone's clips as they are, \
               originals and not exports, into a folder: tipwright gather does the rest.",
        drawing: figures::hung_twice,
    },
];

/// With how many phones the day is filmed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phones {
    /// One alone.
    One,
    /// Two, or more.
    Two,
}

/// The field sheet.
#[must_use]
pub fn field_sheet(paper: Paper, phones: Phones) -> Sheet {
    let steps: &[Step] = match phones {
        Phones::One => &STEPS_OF_ONE,
        Phones::Two => &STEPS,
    };
    let [width, height] = paper.sides_mm();
    let mut items = Vec::new();
    let (left, right) = (2.0 * BLANK_MM, width - 2.0 * BLANK_MM);
    let beside = MARGIN_MM + 4.0;
    let top = 2.0 * BLANK_MM;
    write(&mut items, Face::Bold, TITLE_MM, [beside, top + 0.8 * TITLE_MM], "In the field");
    let under = "what to film, in this order; print at any size, write notes into the gaps";
    write(&mut items, Face::Serif, TEXT_MM, [beside + 46.0, top + 0.8 * TITLE_MM], under);
    // cautions stand at the foot; the steps share what is left
    let cautions: Vec<String> =
        CAUTIONS.iter().flat_map(|c| wrapped(c, Face::Bold, TEXT_MM, right - beside)).collect();
    let line_mm = 1.28 * TEXT_MM;
    let foot = height - 2.0 * BLANK_MM - line_mm * (cautions.len() as f64 - 1.0);
    let first = top + TITLE_MM + 4.0;
    let last = foot - 2.0 * line_mm;
    let each = (last - first) / steps.len() as f64;
    let drawing_x = right - FIELD_MM[0];
    for (i, step) in steps.iter().enumerate() {
        let y = first + each * i as f64;
        rule(&mut items, [left, y], [right, y], Ink::Grey, 0.15);
        write(&mut items, Face::Bold, NAME_MM, [left, y + 6.0], &format!("{} {}", i + 1, step.name));
        for (k, text) in wrapped(step.when, Face::Serif, TEXT_MM, MARGIN_MM - left - 3.0).iter().enumerate() {
            write(&mut items, Face::Serif, TEXT_MM, [left, y + 11.0 + line_mm * k as f64], text);
        }
        for (k, text) in wrapped(step.what, Face::Serif, TEXT_MM, drawing_x - beside - 4.0).iter().enumerate()
        {
            write(&mut items, Face::Serif, TEXT_MM, [beside, y + 5.4 + line_mm * k as f64], text);
        }
        let spare = (each - FIELD_MM[1] - 1.0).max(0.0);
        items.extend((step.drawing)().at([drawing_x, y + 0.5 + 0.5 * spare]));
    }
    rule(&mut items, [left, last], [right, last], Ink::Black, 0.4);
    write(&mut items, Face::Bold, NAME_MM, [left, foot + 1.0], "always");
    for (k, text) in cautions.iter().enumerate() {
        write(&mut items, Face::Bold, TEXT_MM, [beside, foot + line_mm * k as f64], text);
    }
    rule(&mut items, [MARGIN_MM, top], [MARGIN_MM, height - 2.0 * BLANK_MM + 2.0], Ink::Margin, 0.35);
    Sheet { page_mm: [width, height], items, title: "In the field: what to film".into() }
}

fn write(items: &mut Vec<Item>, face: Face, size: f64, [x, y]: [f64; 2], text: &str) {
    debug_assert!(width_mm(text, face, size) < 200.0);
    items.push(Item::Text { x, y, size, centred: false, face, text: text.to_string() });
}

fn rule(items: &mut Vec<Item>, from: [f64; 2], to: [f64; 2], ink: Ink, width: f64) {
    items.push(Item::Line { points: vec![from, to], width, closed: false, dash: None, ink });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_holds_all_steps_and_cautions_and_nothing_lies_on_another_text() {
        let all = [Paper::A4, Paper::Letter].into_iter();
        let all = all.flat_map(|paper| [(paper, Phones::One), (paper, Phones::Two)]);
        for (paper, phones) in all {
            let sheet = field_sheet(paper, phones);
            let [w, h] = sheet.page_mm;
            let mut boxes: Vec<([f64; 4], &str)> = Vec::new();
            let mut printed = String::new();
            for item in &sheet.items {
                match item {
                    Item::Text { x, y, size, centred, face, text } => {
                        let wide = width_mm(text, *face, *size);
                        let left = if *centred { x - wide / 2.0 } else { *x };
                        boxes.push(([left, y - 0.7 * size, left + wide, y + 0.2 * size], text));
                        printed += &format!("{text} ");
                    }
                    Item::Line { points, .. } | Item::Shape { points, .. } => {
                        for [x, y] in points {
                            assert!(
                                (BLANK_MM..w - BLANK_MM).contains(x) && (BLANK_MM..h - BLANK_MM).contains(y),
                                "{item:?}"
                            );
                        }
                    }
                    Item::Fill { .. } => {}
                }
            }
            for (i, (a, text)) in boxes.iter().enumerate() {
                assert!(
                    a[0] >= BLANK_MM && a[2] <= w - BLANK_MM && a[1] >= BLANK_MM && a[3] <= h - BLANK_MM,
                    "{text}"
                );
                for (b, other) in &boxes[..i] {
                    let apart = a[2] <= b[0] || b[2] <= a[0] || a[3] <= b[1] || b[3] <= a[1];
                    assert!(apart, "`{text}` lies on `{other}` ({})", paper.name());
                }
            }
            let steps: &[Step] = if phones == Phones::One { &STEPS_OF_ONE } else { &STEPS };
            for step in steps {
                assert!(printed.contains(step.name));
            }
            for caution in CAUTIONS {
                assert!(printed.contains(caution), "{caution}");
            }
        }
    }
}
