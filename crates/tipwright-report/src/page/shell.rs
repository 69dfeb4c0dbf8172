//! The document around a page's content: head, style, script, and nothing from outside.

use askama::Template;

use crate::plot::frame::{BOTTOM, LEFT, NOTE_SIZE, RIGHT, ROW_END, TICK_SIZE, TOP};
use crate::plot::{Format, style};
use crate::text::{self, Html};
use tipwright::model::ReportUnits;

const SCRIPT: &str = concat!(
    include_str!("../assets/page.js"),
    include_str!("../assets/space.js"),
    include_str!("../assets/stroke.js"),
    include_str!("../assets/notes.js")
);

const PAIR_SCRIPT: &str = concat!(include_str!("../assets/chart.js"), include_str!("../assets/pair.js"));

/// The frame of the drawings that are made on the page: that of all others.
fn frame_script() -> String {
    let of = |f: Format| [f.width, f.time_height, f.side_height];
    format!(
        "const FRAME = {{ left: {LEFT}, right: {RIGHT}, top: {TOP}, bottom: {BOTTOM}, end: {ROW_END}, note: {NOTE_SIZE}, tick: {TICK_SIZE}, \
         page: {:?}, phone: {:?} }};\n",
        of(Format::PAGE),
        of(Format::PHONE)
    )
}

#[derive(Template)]
#[template(path = "document.html")]
struct Document<'a> {
    title: &'a str,
    units: &'static str,
    rules: Html,
    body: Html,
    script: Html,
}

/// As the switch names it.
fn word(units: ReportUnits) -> &'static str {
    match units {
        ReportUnits::M => "m",
        ReportUnits::Ft => "ft",
    }
}

/// A whole document. The policy in its head forbids every request: what is needed is inside.
#[must_use]
pub fn document(title: &str, units: ReportUnits, body: &str) -> String {
    with_script(title, units, body, SCRIPT)
}

/// The same with what two casts together need.
#[must_use]
pub fn document_of_pair(title: &str, units: ReportUnits, body: &str) -> String {
    with_script(title, units, body, &[SCRIPT, &frame_script(), PAIR_SCRIPT].concat())
}

fn with_script(title: &str, units: ReportUnits, body: &str, script: &str) -> String {
    let rules = style::page_rules() + include_str!("../assets/page.css");
    let document = Document {
        title,
        units: word(units),
        rules: Html(rules),
        body: Html(body.to_owned()),
        script: Html(script.to_owned()),
    };
    text::page(&Html::of(&document).0)
}

#[derive(Template)]
#[template(path = "switches.html")]
struct Switches {
    is_ft: bool,
}

/// The switches of units and paper.
#[must_use]
pub fn switches(units: ReportUnits) -> Html {
    Html::of(&Switches { is_ft: units == ReportUnits::Ft })
}
